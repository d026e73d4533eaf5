"""That requests are really held against the OpenAPI file, and that this would find something."""

from __future__ import annotations

from typing import Any

import oas
import pytest
from conftest import REFERENCE, carrier_of, source_of
from desk import DeskOverHttp

from repairadvisor.plugin import NoteChange
from repairadvisor.testing import a_note

MERGE, JSON = "application/merge-patch+json", "application/json-patch+json"
NOTE = {"@type": "Note", "text": "x"}
TICKET = {"@type": "TroubleTicket", "description": "d", "severity": "Minor", "ticketType": "request"}


@pytest.fixture(autouse=True)
def _there() -> None:
    oas.need_oas()


@pytest.mark.parametrize(
    ("method", "path", "query", "kind", "body"),
    [
        ("DELETE", "/troubleTicket", {}, "", None),
        ("GET", "/troubleTicket/a/b", {}, "", None),
        ("GET", "/tickets", {}, "", None),
        ("GET", "/troubleTicket", {"offset": "one"}, "", None),
        ("GET", "/troubleTicket", {"lastUpdate.gt": "x"}, "", None),
        ("GET", "/troubleTicket", {}, "", {}),
        ("PATCH", "/troubleTicket/a", {}, "text/plain", TICKET),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {"note": [NOTE]}),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {**TICKET, "note": [{"text": "x"}]}),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {**TICKET, "note": [{**NOTE, "date": "today"}]}),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {**TICKET, "note": [{**NOTE, "text": 5}]}),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {**TICKET, "note": [{**NOTE, "author": None}]}),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {**TICKET, "note": NOTE}),
        ("PATCH", "/troubleTicket/a", {}, MERGE, {**TICKET, "status": "done"}),
        ("PATCH", "/troubleTicket/a", {}, JSON, {"op": "add", "path": "/note/-"}),
        ("PATCH", "/troubleTicket/a", {}, JSON, [{"op": "append", "path": "/note/-"}]),
        ("PATCH", "/troubleTicket/a", {}, JSON, [{"op": "add"}]),
        ("POST", "/troubleTicket", {}, MERGE, TICKET),
        *(
            ("POST", "/troubleTicket", {}, "application/json", {k: v for k, v in TICKET.items() if k != gone})
            for gone in TICKET
        ),
        (
            "POST",
            "/troubleTicket",
            {},
            "application/json",
            {**TICKET, "externalIdentifier": [{"@type": "ExternalIdentifier"}]},
        ),
        (
            "POST",
            "/troubleTicket",
            {},
            "application/json",
            {**TICKET, "troubleTicketRelationship": [{"@type": "TroubleTicketRelationship", "id": "a"}]},
        ),
    ],
)
def test_a_wrong_request_is_found(method: str, path: str, query: dict[str, str], kind: str, body: Any) -> None:
    assert oas.request_faults(method, path, query, kind, body)


def test_the_examples_of_the_file_are_right_by_the_file() -> None:
    """Else the way it is read here would be wrong."""
    examples = oas.document()["components"]["examples"]
    for name, path, method, kind in (
        ("TroubleTicket_create_example_request", "/troubleTicket", "POST", "application/json"),
        ("TroubleTicket_partialupdate_example_application_merge_json_request", "/troubleTicket/3180", "PATCH", MERGE),
        ("TroubleTicket_partialupdate_example_application_json_patch_request", "/troubleTicket/3180", "PATCH", JSON),
    ):
        assert oas.request_faults(method, path, {}, kind, examples[name]["value"]) == [], name
    assert oas.faults("TroubleTicket_RES", examples["TroubleTicket_retrieve_example_response"]["value"]) == []


def test_every_kind_of_request_of_this_plugin_is_right(desk: DeskOverHttp) -> None:
    """One of each, held against the file here; all that other tests send is held against it as they end."""
    desk.append(REFERENCE, "theirs")
    change = NoteChange(add=(a_note(),))
    carrier = carrier_of(desk)
    carrier.change(REFERENCE, change)
    held = carrier.look(REFERENCE)[0]
    carrier.change(REFERENCE, NoteChange(rewrite=((held, f"SUPERSEDED.\n{held.text}"),)))
    other = carrier_of(desk, patch="json_patch")
    held = other.look(REFERENCE)[0]
    other.change(REFERENCE, NoteChange(add=(a_note(2),), rewrite=((held, f"AGAIN.\n{held.text}"),)))
    desk.open("LF-1")
    other.change("LF-1", change)
    carrier.open_follow_up(REFERENCE, "k-1", "Permanent repair owed", "It is temporary.")
    for narrow_by in ("read_all", "sorted", "jsonpath"):
        source_of(url=desk.url, poll_every_s=60, narrow_by=narrow_by, poll_from="2021-05-04T07:00:00Z").fetch("")
    kinds = {(one.method, one.headers.get("content-type", "").partition(";")[0]) for one in desk.sent}
    assert kinds == {("GET", ""), ("POST", "application/json"), ("PATCH", MERGE), ("PATCH", JSON)}
    assert {op["op"] for one in desk.sent if isinstance(one.body, list) for op in one.body} == {
        "add",
        "test",
        "replace",
    }
    for one in desk.sent:
        kind = one.headers.get("content-type", "")
        assert oas.request_faults(one.method, one.path, one.query, kind, one.body) == []


def test_the_counterpart_answers_as_the_file_says(desk: DeskOverHttp) -> None:
    """Else it would be easier to please than a real system."""
    desk.append(REFERENCE, "theirs")
    carrier_of(desk).change(REFERENCE, NoteChange(add=(a_note(),)))
    carrier_of(desk).open_follow_up(REFERENCE, "k-1", "Permanent repair owed", "It is temporary.")
    answered = 0
    for one in desk.sent:
        for answer in one.answer if isinstance(one.answer, list) else [one.answer]:
            assert oas.faults("TroubleTicket_RES", answer) == []
            answered += 1
    assert answered >= 4
