"""Opening a ticket for work that is left over, once."""

from __future__ import annotations

from typing import Any

import pytest
from conftest import REFERENCE, carrier_of
from desk import DeskOverHttp, Fault

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError

KEY = "0123456789ab-follow-up-1"
WORDS = (KEY, "Permanent repair owed", "The repair of today is temporary. 2 < 3 & so on.")


def followers(desk: DeskOverHttp) -> list[dict[str, Any]]:
    return [ticket for id_, ticket in desk.tickets.items() if id_ != REFERENCE]


def test_the_ticket_says_what_follows_from_what(desk: DeskOverHttp) -> None:
    settings = {
        "follow_up_severity": "Major",
        "follow_up_type": "permanent repair",
        "follow_up_relationship": "sameFault",
    }
    reference = carrier_of(desk, **settings).open_follow_up(REFERENCE, *WORDS)
    ticket = desk.tickets[reference]
    assert (ticket["name"], ticket["description"]) == WORDS[1:]
    assert (ticket["severity"], ticket["ticketType"]) == ("Major", "permanent repair")
    assert [one["id"] for one in ticket["externalIdentifier"]] == [KEY]
    related = [(one["id"], one["relationshipType"]) for one in ticket["troubleTicketRelationship"]]
    assert related == [(REFERENCE, "sameFault")]


@pytest.mark.parametrize("fault", [{"status": 503}, {"how": "reset"}, {"status": 201, "body": b"<html>"}])
@pytest.mark.parametrize("when", ["before", "after"])
def test_a_fault_opens_no_second_ticket(desk: DeskOverHttp, when: str, fault: dict[str, Any]) -> None:
    desk.faults.append(Fault("POST", when=when, **fault))
    with pytest.raises(RemoteUnavailableError):
        carrier_of(desk).open_follow_up(REFERENCE, *WORDS)
    reference = carrier_of(desk).open_follow_up(REFERENCE, *WORDS)
    assert [one["id"] for one in followers(desk)] == [reference]


def test_a_desk_that_heeds_no_filter_is_read_to_its_end(desk: DeskOverHttp) -> None:
    desk.heeds_filter = False
    for number in range(7):
        desk.open(f"T-{number}", externalIdentifier=[{"@type": "ExternalIdentifier", "id": "another"}])
    first = carrier_of(desk, page_size=3).open_follow_up(REFERENCE, *WORDS)
    for number in range(7, 14):
        desk.open(f"T-{number}")
    assert carrier_of(desk, page_size=3).open_follow_up(REFERENCE, *WORDS) == first


def test_of_two_with_the_key_it_is_the_older_one(desk: DeskOverHttp) -> None:
    """As when two were opened by hand; the answer does not change from one time to the next."""
    known_by = [{"@type": "ExternalIdentifier", "id": KEY}]
    desk.open("T-2", externalIdentifier=known_by, creationDate="2021-05-04T07:00:02Z")
    desk.open("T-1", externalIdentifier=known_by, creationDate="2021-05-04T07:00:01Z")
    assert carrier_of(desk).open_follow_up(REFERENCE, *WORDS) == "T-1"


def test_a_ticket_that_is_opened_later_is_not_asked_for_twice(desk: DeskOverHttp) -> None:
    desk.accepts_only = True
    with pytest.raises(RemoteUnavailableError, match="accepted") as later:
        carrier_of(desk).open_follow_up(REFERENCE, *WORDS)
    assert later.value.retry_after_s
    desk.accepts_only = False
    desk.finish()
    carrier_of(desk).open_follow_up(REFERENCE, *WORDS)
    assert len(followers(desk)) == 1


@pytest.mark.parametrize("status", [400, 409, 422])
def test_a_ticket_that_is_refused_is_refused(desk: DeskOverHttp, status: int) -> None:
    desk.faults.append(Fault("POST", status=status))
    with pytest.raises(RemoteRefusedError, match=str(status)):
        carrier_of(desk).open_follow_up(REFERENCE, *WORDS)


def test_the_key_stands_in_the_filter_as_the_file_writes_filters(desk: DeskOverHttp) -> None:
    """Its example: ``attachment[?(@size==300)]``."""
    carrier_of(desk).open_follow_up(REFERENCE, *WORDS)
    assert desk.sent[0].query["filter"] == f"externalIdentifier[?(@.id=='{KEY}')]"
