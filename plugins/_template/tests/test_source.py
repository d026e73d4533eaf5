"""What the desk sends."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from conftest import EXAMPLES, SECRET
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_template import DeskSource
from repairadvisor_template.source import facts_of, signature

from repairadvisor.plugin import FACT_NAMES, EventRefusedError, EventUnreadableError, RawEvent
from repairadvisor.testing import HOSTILE_TEXTS, EventsOverHttpContract, TicketSourceContract


def signed(body: bytes) -> RawEvent:
    return RawEvent({"desk-signature": signature(SECRET.encode(), body)}, body)


def an_event(**changes: Any) -> RawEvent:
    ticket = {"number": "LF-17", "version": 4, "state": "open", "fields": {"where": "pole"}, **changes}
    return signed(json.dumps({"kind": "ticket", "ticket": ticket}).encode())


class TestSource(TicketSourceContract, EventsOverHttpContract):
    @pytest.fixture
    def event(self) -> RawEvent:
        return signed((EXAMPLES / "event.json").read_bytes())

    @pytest.fixture
    def now(self) -> datetime:
        return datetime(2031, 5, 4, 7, 30, tzinfo=UTC)

    @pytest.fixture
    def nonsense(self) -> list[RawEvent]:
        bodies = (b"", b"{", b"[]", b"{}", b"\xff\xfe", b"[" * 100_000, b'{"kind": "ticket", "ticket": null}')
        return [signed(body) for body in bodies] + [an_event(version=-1), an_event(number="a\nb"), an_event(fields=[])]

    @pytest.fixture
    def event_with_text(self) -> dict[str, RawEvent]:
        return {
            text: an_event(title=text, fields={"where": "pole", "remark": text, "seen": text})
            for text in ("", *HOSTILE_TEXTS)
        }


def test_the_example_says_what_it_says(source: DeskSource) -> None:
    ticket = source.read(signed((EXAMPLES / "event.json").read_bytes()))

    assert ticket is not None
    assert (ticket.reference, ticket.sequence, ticket.ended, ticket.parent) == ("LF-17", 4, False, None)
    assert {name: fact["value"] for name, fact in ticket.facts.items()} == {  # type: ignore[index]
        "place": "pole_top",
        "fault_seen": "hanging",
        "spare_near_m": 12,
        "fibres_down_count": 24,
    }


def test_the_signature_is_an_hmac() -> None:
    """RFC 4231, section 4.3, test case 2."""
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"

    assert signature(b"Jefe", b"what do ya want for nothing?") == f"sha256={expected}"


@pytest.mark.parametrize("given", ["", "sha256=", "sha256=é", "5bdc"])
def test_other_signatures_are_refused(source: DeskSource, given: str) -> None:
    with pytest.raises(EventRefusedError):
        source.authenticate(RawEvent({"desk-signature": given}, b"{}"), datetime(2031, 5, 4, tzinfo=UTC))


def test_events_of_other_kinds_are_no_tickets(source: DeskSource) -> None:
    assert source.read(signed(b'{"kind": "shift", "who": "night"}')) is None


@pytest.mark.parametrize(("state", "ended"), [("open", False), ("closed", True), ("cancelled", True)])
def test_a_ticket_ends(source: DeskSource, state: str, ended: bool) -> None:
    ticket = source.read(an_event(state=state, parent="LF-16"))

    assert ticket is not None
    assert ticket.ended is ended
    assert ticket.parent == "LF-16"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"number": 17}, "ticket.number: Not a valid string"),
        ({"version": "4"}, "ticket.version: Not a valid integer"),
        ({"state": None}, "ticket.state: "),
        ({"fields": "pole"}, "ticket.fields: "),
    ],
)
def test_the_reason_names_the_field(source: DeskSource, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(EventUnreadableError, match=said):
        source.read(an_event(**changes))


def test_a_name_that_stands_twice_has_no_meaning(source: DeskSource) -> None:
    body = an_event().body.replace(b'"where": "pole"', b'"where": "pole", "where": "home"')

    with pytest.raises(EventUnreadableError, match="stands twice"):
        source.read(signed(body))


ANYTHING = st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists, max_leaves=4)


@given(st.dictionaries(st.sampled_from(["where", "seen", "spare_m", "fibres_out", "place"]) | st.text(), ANYTHING))
def test_whatever_is_told_only_facts_come_of_it(told: dict[str, Any]) -> None:
    assert set(facts_of(told)) <= FACT_NAMES


@pytest.mark.parametrize("told", [{"where": "Pole"}, {"where": ["pole"]}, {"spare_m": "12"}, {"spare_m": True}])
def test_what_is_not_understood_is_left_out(told: dict[str, Any]) -> None:
    assert facts_of(told) == {}
