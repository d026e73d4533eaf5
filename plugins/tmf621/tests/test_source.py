"""Reading notifications: which ticket, in which order, whether it has ended, and when it is asked for itself."""

from __future__ import annotations

import copy
import json
import time
from datetime import datetime
from typing import Any

import oas
import pytest
from conftest import EXAMPLES, REFERENCE, example, raw, source_of
from desk import DeskOverHttp, Fault

from repairadvisor.plugin import EventUnreadableError, RemoteRefusedError, RemoteUnavailableError

EVENTS = ("create", "attribute_value_change", "status_change", "information_required", "resolved", "delete", "thin")


def us(text: str) -> int:
    """A moment in microseconds since 1970, another way than the plugin's."""
    return round(datetime.fromisoformat(text).timestamp() * 1_000_000)


def an_event(kind: str, ticket: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"@type": kind, "eventType": kind, "event": {"troubleTicket": {"id": "T-1", **ticket}}, **more}


@pytest.mark.parametrize("name", [*EVENTS, "ticket"])
def test_the_examples_are_right_by_the_openapi_file(name: str) -> None:
    oas.need_oas()
    content = example(name)
    assert oas.faults(content["@type"], content) == []


def test_every_example_is_covered_here() -> None:
    """A file that nobody reads tells nothing."""
    assert sorted(file.stem for file in EXAMPLES.glob("*.json")) == sorted((*EVENTS, "ticket"))


@pytest.mark.parametrize(
    ("name", "moment", "ended"),
    [
        ("ticket", "2031-05-04T07:25:00.120Z", False),  # lastUpdate
        ("create", "2031-05-04T07:25:00.120Z", False),  # lastUpdate, before the event's own time
        ("attribute_value_change", "2031-05-04T07:31:00Z", False),
        ("status_change", "2031-05-04T07:33:00Z", False),
        ("information_required", "2031-05-04T07:40:00Z", False),  # timeOccurred
        ("resolved", "2031-05-04T11:00:01Z", True),
        ("delete", "2031-05-05T09:00:00Z", True),
    ],
)
def test_each_kind_of_event(name: str, moment: str, ended: bool) -> None:
    ticket = source_of().read(raw(example(name)))
    assert (ticket.reference, ticket.sequence, ticket.ended) == (REFERENCE, us(moment), ended)


@pytest.mark.parametrize(
    "name",
    [
        "TroubleTicketCreateEvent_request",
        "TroubleTicketStatusChangeEvent_request",
        "TroubleTicketDeleteEvent_request",
        "TroubleTicketResolvedEvent_request",
        "TroubleTicketAttributeValueChangeEvent_request",
        "TroubleTicketInformationRequiredEvent_request",
    ],
)
def test_the_examples_of_the_openapi_file_are_read(name: str) -> None:
    """Ticket 3180 of the file's own examples."""
    oas.need_oas()
    event = oas.document()["components"]["examples"][name]["value"]
    ticket = source_of().read(raw(event))
    assert ticket.reference == "3180"
    assert ticket.ended == (name.startswith(("TroubleTicketCreate", "TroubleTicketDelete", "TroubleTicketResolved")))
    assert ticket.facts == {}


@pytest.mark.parametrize("what", ["Create", "AttributeValueChange", "StatusChange", "Delete"])
def test_an_event_of_a_ticket_form_tells_of_no_ticket(what: str) -> None:
    oas.need_oas()
    event = oas.document()["components"]["examples"][f"TroubleTicketSpecification{what}Event_request"]["value"]
    assert source_of().read(raw(event)) is None


def test_the_order_falls_back_from_one_moment_to_the_next() -> None:
    kind = "TroubleTicketStatusChangeEvent"
    ticket = {
        "status": "held",
        "lastUpdate": "2031-05-04T07:05:00Z",
        "statusChangeDate": "2031-05-04T07:02:00+01:00",
        "creationDate": "2031-05-04T07:01:00Z",
    }
    event = an_event(kind, ticket, timeOccurred="2031-05-04T07:06:00Z", eventTime="2031-05-04T07:07:00Z")
    sequences = []
    for where, name in (
        (event["event"]["troubleTicket"], "lastUpdate"),
        (event, "timeOccurred"),
        (event, "eventTime"),
        (event["event"]["troubleTicket"], "creationDate"),
        (event["event"]["troubleTicket"], "statusChangeDate"),
    ):
        sequences.append(source_of().read(raw(event)).sequence)
        del where[name]
    assert sequences == [us(f"2031-05-04T07:0{minute}:00Z") for minute in (5, 6, 7, 1)] + [us("2031-05-04T06:02:00Z")]
    with pytest.raises(EventUnreadableError, match="T-1: nothing says when"):
        source_of().read(raw(event))


def test_fractions_down_to_a_microsecond_count() -> None:
    tickets = [{"id": "T", "status": "held", "lastUpdate": f"2031-05-04T07:25:00.{n:06}Z"} for n in (1, 2)]
    first, second = (source_of().read(raw(ticket)).sequence for ticket in tickets)
    assert second - first == 1


@pytest.mark.parametrize(
    ("status", "ended"),
    [
        *((status, False) for status in ("acknowledged", "rejected", "pending", "held", "inProgress")),
        *((status, True) for status in ("cancelled", "closed", "resolved")),
        ("Closed", False),
        ("", False),
        (None, False),
        (["closed"], False),
    ],
)
def test_a_status_ends_a_ticket(status: object, ended: bool) -> None:
    """The words of TroubleTicketStatusType, and what is none of them: that ends nothing."""
    event = an_event("TroubleTicketStatusChangeEvent", {"status": status, "lastUpdate": "2031-05-04T07:05:00Z"})
    assert source_of().read(raw(event)).ended is ended


def test_the_words_of_the_openapi_file_are_those_above() -> None:
    oas.need_oas()
    words = oas.document()["components"]["schemas"]["TroubleTicketStatusType"]["enum"]
    assert sorted(words) == sorted(
        ("acknowledged", "rejected", "pending", "held", "inProgress", "cancelled", "closed", "resolved")
    )


def test_the_operator_says_which_statuses_end_a_ticket() -> None:
    source = source_of(ended_statuses=["rejected"])
    for status, ended in (("rejected", True), ("closed", False)):
        ticket = {"id": "T", "status": status, "lastUpdate": "2031-05-04T07:05:00Z"}
        assert source.read(raw(ticket)).ended is ended
    assert source.read(raw(example("delete"))).ended is True


def test_a_resolved_event_of_a_ticket_that_is_open_again_ends_nothing() -> None:
    event = an_event("TroubleTicketResolvedEvent", {"status": "inProgress", "lastUpdate": "2031-05-04T07:05:00Z"})
    assert source_of().read(raw(event)).ended is False
    del event["event"]["troubleTicket"]["status"]
    assert source_of().read(raw(event)).ended is True


def test_a_derived_kind_is_known_by_its_base() -> None:
    """As ``@baseType`` is for in the schema's ``Extensible``."""
    event = an_event("LanternfieldTicketEvent", {"status": "held"}, eventTime="2031-05-04T07:05:00Z")
    with pytest.raises(EventUnreadableError, match="eventType"):
        source_of().read(raw(event))
    assert source_of().read(raw({**event, "@baseType": "TroubleTicketDeleteEvent"})).ended


def test_an_event_that_calls_itself_two_things_is_set_aside() -> None:
    event = an_event("TroubleTicketCreateEvent", {"status": "held"}, eventTime="2031-05-04T07:05:00Z")
    with pytest.raises(EventUnreadableError, match="at once"):
        source_of().read(raw({**event, "@type": "TroubleTicketDeleteEvent"}))


@pytest.mark.parametrize(
    ("related", "parent"),
    [
        ([("P-1", "sameFault")], "P-1"),
        ([("P-1", "partOf")], "P-1"),
        ([("P-1", "sameFault"), ("P-1", "partOf")], "P-1"),
        ([("P-1", "dependency")], None),
        ([("P-1", "sameFault"), ("P-2", "sameFault")], None),
        ([("T-1", "sameFault")], None),
        ([(5, "sameFault")], None),
        ([("", "sameFault")], None),
        ([("a\nb", "sameFault")], None),
        ([("P-1", ["sameFault"])], None),
        ([], None),
    ],
)
def test_a_parent_is_the_one_ticket_of_a_relationship_that_the_operator_names(related: Any, parent: str | None) -> None:
    relations = [{"id": id_, "relationshipType": kind} for id_, kind in related]
    source = source_of(parent_relationships=["sameFault", "partOf"])
    ticket = {"id": "T-1", "lastUpdate": "2031-05-04T07:05:00Z", "troubleTicketRelationship": relations}
    assert source.read(raw(ticket)).parent == parent
    assert source_of().read(raw(ticket)).parent is None


# --- asking for the ticket itself ----------------------------------------------------------------------------------


def test_an_event_that_says_only_which_ticket_it_is_needs_asking() -> None:
    with pytest.raises(EventUnreadableError, match="fetch_ticket"):
        source_of().read(raw(example("thin")))


@pytest.mark.parametrize("fetch_ticket", ["thin", "always", ""])
def test_the_ticket_is_asked_for_at_our_address_and_never_where_the_event_points(
    desk: DeskOverHttp, fetch_ticket: str
) -> None:
    """The event's own ``href`` would let whoever sends it choose what we ask (server-side request forgery)."""
    desk.tickets[REFERENCE]["status"] = "closed"
    event = example("thin")
    event["event"]["troubleTicket"]["href"] = f"{desk.url}/troubleTicket/elsewhere"
    ticket = source_of(url=desk.url, fetch_ticket=fetch_ticket).read(raw(event))
    assert ticket.ended
    assert ticket.sequence == us(desk.tickets[REFERENCE]["lastUpdate"])
    assert [(one.method, one.path) for one in desk.sent] == [("GET", f"/troubleTicket/{REFERENCE}")]


def test_always_asks_also_where_the_event_says_something(desk: DeskOverHttp) -> None:
    """An event of a change says what has changed and no more, so its facts alone would wipe out the others."""
    mapping = {"place": "place"}
    desk.tickets[REFERENCE]["place"] = "chamber"
    event = raw(example("attribute_value_change"))
    assert source_of(mapping=mapping, url=desk.url, fetch_ticket="thin").read(event).facts == {}
    assert source_of(mapping=mapping, url=desk.url).read(event).facts["place"]["value"] == "chamber"
    assert len(desk.sent) == 1


def test_a_bare_ticket_and_a_deleted_one_are_not_asked_for(desk: DeskOverHttp) -> None:
    source = source_of(url=desk.url)
    assert source.read(raw(example("ticket"))).reference == REFERENCE
    assert source.read(raw(example("delete"))).ended
    assert desk.sent == []


def test_a_ticket_that_is_not_there_is_refused(desk: DeskOverHttp) -> None:
    event = an_event("TroubleTicketCreateEvent", {"id": "LF-9"})
    with pytest.raises(RemoteRefusedError, match="404"):
        source_of(url=desk.url).read(raw(event))


def test_a_desk_that_does_not_answer_is_asked_again_later(desk: DeskOverHttp) -> None:
    desk.faults.append(Fault("GET", status=503, headers={"Retry-After": "7"}))
    with pytest.raises(RemoteUnavailableError) as later:
        source_of(url=desk.url).read(raw(example("thin")))
    assert later.value.retry_after_s == 7


@pytest.mark.parametrize("id_", ["../../hub", "a/b", "a?fields=x", "a#b", "a b", "ä", "%2e%2e", "a;b", "a%2Fb"])
def test_an_id_is_one_segment_of_the_address(desk: DeskOverHttp, id_: str) -> None:
    """Whatever stands in it, nothing else than a ticket is asked for."""
    desk.open(id_)
    ticket = source_of(url=desk.url).read(raw(an_event("TroubleTicketCreateEvent", {"id": id_})))
    assert ticket.reference == id_


@pytest.mark.parametrize("id_", [".", ".."])
def test_an_id_that_would_be_another_address_is_refused(desk: DeskOverHttp, id_: str) -> None:
    """Dots cannot be escaped (RFC 3986 section 5.2.4, from memory)."""
    with pytest.raises(RemoteRefusedError, match="no id"):
        source_of(url=desk.url).read(raw(an_event("TroubleTicketCreateEvent", {"id": id_})))
    assert desk.sent == []


def test_the_answer_must_be_that_ticket(desk: DeskOverHttp) -> None:
    desk.tickets[REFERENCE]["id"] = "LF-9"
    with pytest.raises(RemoteUnavailableError, match="another ticket"):
        source_of(url=desk.url).read(raw(example("thin")))


# --- too much ------------------------------------------------------------------------------------------------------


def test_a_long_event_is_set_aside_by_its_length_alone() -> None:
    body = json.dumps({**example("ticket"), "description": "x" * 10_000_000}).encode()
    started = time.monotonic()
    with pytest.raises(EventUnreadableError, match=f"{len(body)} bytes; allowed: longest_event_bytes = 1048576"):
        source_of().read(raw(body))
    assert time.monotonic() - started < 0.5


def test_a_long_event_is_read_where_the_operator_allows_it() -> None:
    body = json.dumps({**example("ticket"), "description": "x" * 10_000_000}).encode()
    assert source_of(longest_event_bytes=20_000_000).read(raw(body)).reference == REFERENCE


# --- settings ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"accepted_tokens": []}, "accepted_tokens, signature_secrets, poll_every_s"),
        ({"fetch_ticket": "always"}, "fetch_ticket = always: needs url"),
        ({"poll_every_s": 60}, "poll_every_s = 60: needs url"),
        ({"poll_every_s": 0.5, "url": "https://t.example"}, "poll_every_s = 0.5"),
        ({"url": "tickets.example"}, "url: is no address"),
        ({"url": "http://tickets.example"}, "url: would send tickets and tokens in the clear"),
        ({"url": "https://u:p@tickets.example"}, "url: has more in it"),
        ({"url": "https://tickets.example/?a=b"}, "url: has more in it"),
        ({"url": "https://tickets.example:x/"}, "url: is no address"),
        ({"url": "file:///etc/passwd"}, "url: is no address"),
        ({"url": "https://t.example", "token": "a", "user": "b", "password": "c"}, "token: stands beside"),
        ({"url": "https://t.example", "user": "b"}, "user and password: go together"),
        ({"url": "https://t.example", "token": "a\nb"}, "token: is no token"),
        ({"url": "https://t.example", "verify": "/nowhere.pem"}, "verify = /nowhere.pem: is no file"),
    ],
)
def test_settings_that_do_not_go_together_are_refused_by_name(settings: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match="(?s)^" + said.replace(".", r"\.")):
        source_of(**settings)


@pytest.mark.parametrize("host", ["127.0.0.1:8080", "[::1]:8080", "localhost", "127.9.9.9"])
def test_this_machine_may_be_asked_in_the_clear(host: str) -> None:
    assert source_of(url=f"http://{host}/v5")


def test_a_name_that_stands_twice_is_no_reading() -> None:
    """Of two ids nobody knows which is meant (RFC 8259 section 4 leaves it open; from memory)."""
    with pytest.raises(EventUnreadableError, match="a name stands twice"):
        source_of().read(raw(b'{"id": "T", "id": "U", "lastUpdate": "2031-05-04T07:25:00Z"}'))


def test_reading_leaves_the_event_alone() -> None:
    content = example("create")
    before = copy.deepcopy(content)
    source_of(mapping={"place": "name"}).read(raw(content))
    assert content == before
