"""What a plugin hands over is checked where it is made, and a class fits a seam when its methods do."""

from __future__ import annotations

import dataclasses
import math
import sqlite3
from contextlib import closing
from typing import Any

import pytest

import repairadvisor.plugin as seam
from repairadvisor.facts.vocabulary import FACTS, TIME_NAMES
from repairadvisor.plugin import (
    FACT_NAMES,
    MOST_SEQUENCE,
    FactsSource,
    FollowUpOpener,
    NoteCarrier,
    NoteChange,
    PolledSource,
    RawEvent,
    Site,
    Ticket,
    TicketSource,
)


def a_ticket(**changes: Any) -> Ticket:
    return Ticket(**{"reference": "LF-4471", "sequence": 7, "facts": {}, **changes})


def test_everything_that_is_promised_is_there() -> None:
    assert [name for name in seam.__all__ if not hasattr(seam, name)] == []


def test_the_names_of_facts_are_those_of_the_table_and_its_moments() -> None:
    assert {fact.name for fact in FACTS} | set(TIME_NAMES) == FACT_NAMES


@pytest.mark.parametrize("latitude_deg", [-90, -0.0, 51.5, 90])
@pytest.mark.parametrize("longitude_deg", [-180, 0, 180])
def test_a_site_is_anywhere_on_earth(latitude_deg: float, longitude_deg: float) -> None:
    site = Site(latitude_deg, longitude_deg)
    assert (site.latitude_deg, site.longitude_deg) == (latitude_deg, longitude_deg)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"),
    [
        (math.nextafter(90, 91), 0.0),
        (math.nextafter(-90, -91), 0.0),
        (0.0, math.nextafter(180, 181)),
        (0.0, math.nextafter(-180, -181)),
        (math.nan, 0.0),
        (0.0, math.nan),
        (math.inf, 0.0),
        (0.0, -math.inf),
        (51500000.0, 0.0),
    ],
)
def test_a_site_outside_the_earth_is_refused(latitude_deg: float, longitude_deg: float) -> None:
    with pytest.raises(ValueError, match="-90 to 90 and -180 to 180") as refused:
        Site(latitude_deg, longitude_deg)
    assert str(refused.value).startswith(f"{latitude_deg}, {longitude_deg}: ")
    assert "degrees" in str(refused.value)


@pytest.mark.parametrize("reference", ["1", "LF-4471", "LF/44 71?#", "Störung 7", "x" * 200])
def test_a_ticket_is_called_what_its_system_calls_it(reference: str) -> None:
    assert a_ticket(reference=reference).reference == reference


@pytest.mark.parametrize(
    "reference", ["", "x" * 201, "LF\n1", "LF-1\r\n", "LF\x00", "LF\t1", "\u202eLF", "LF\udcff", None, 17, b"LF-1"]
)
def test_a_ticket_that_cannot_be_named_is_refused(reference: Any) -> None:
    with pytest.raises(ValueError, match="a ticket's reference has 1 to 200 printable characters"):
        a_ticket(reference=reference)
    if reference is not None:
        with pytest.raises(ValueError, match="a ticket's parent has 1 to 200 printable characters"):
            a_ticket(parent=reference)


@pytest.mark.parametrize("sequence", [0, 1, MOST_SEQUENCE])
def test_a_sequence_is_within_its_range(sequence: int) -> None:
    assert a_ticket(sequence=sequence).sequence == sequence


@pytest.mark.parametrize("sequence", [-1, MOST_SEQUENCE + 1, -(2**63), 1.5, 7.0, True, "7", None])
def test_a_sequence_outside_its_range_is_refused(sequence: Any) -> None:
    with pytest.raises(ValueError, match=f"sequence = {sequence}: allowed: 0 to {MOST_SEQUENCE}"):
        a_ticket(sequence=sequence)


def test_the_largest_sequence_is_the_largest_whole_number_that_a_database_keeps() -> None:
    """SQLite's integers have up to eight bytes and a sign; its driver refuses a larger one."""
    with closing(sqlite3.connect(":memory:")) as database:
        assert database.execute("select ?", (MOST_SEQUENCE,)).fetchone() == (MOST_SEQUENCE,)
        with pytest.raises(OverflowError):
            database.execute("select ?", (MOST_SEQUENCE + 1,))


def test_microseconds_since_1970_do_for_a_sequence() -> None:
    assert a_ticket(sequence=253_402_300_799_999_999).sequence  # the end of the year 9999


def test_a_ticket_goes_on_alone_and_nowhere_unless_it_says_so() -> None:
    ticket = a_ticket()
    assert (ticket.ended, ticket.parent, ticket.site) == (False, None, None)


def test_a_change_changes_nothing_unless_it_says_so() -> None:
    assert (NoteChange().add, NoteChange().rewrite) == ((), ())


@pytest.mark.parametrize(
    ("made", "name"), [(a_ticket(), "facts"), (Site(0, 0), "latitude_deg"), (RawEvent({}, b""), "body")]
)
def test_what_is_handed_over_stays_as_it_is(made: Any, name: str) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(made, name, None)


#: By seam, what has to be there.
MEMBERS: dict[type, tuple[str, ...]] = {
    TicketSource: ("authenticate", "read"),
    PolledSource: ("authenticate", "read", "poll_every_s", "fetch", "settle"),
    NoteCarrier: ("longest_note", "look", "change"),
    FollowUpOpener: ("open_follow_up",),
    FactsSource: ("facts",),
}
METHODS = {name: lambda *_: None for names in MEMBERS.values() for name in names}


def made_with(*names: str) -> object:
    """Something that has these methods, and inherits from nothing of ours."""
    return type("Stranger", (), {name: METHODS[name] for name in names})()


@pytest.mark.parametrize("protocol", MEMBERS)
def test_a_class_fits_when_its_methods_do(protocol: type) -> None:
    assert isinstance(made_with(*MEMBERS[protocol]), protocol)
    assert isinstance(made_with(*METHODS), protocol)


@pytest.mark.parametrize(("protocol", "missing"), [(one, name) for one, names in MEMBERS.items() for name in names])
def test_a_class_without_one_of_them_does_not(protocol: type, missing: str) -> None:
    assert not isinstance(made_with(*(name for name in METHODS if name != missing)), protocol)


def test_who_is_asked_is_a_source_too_and_not_the_other_way() -> None:
    assert isinstance(made_with(*MEMBERS[PolledSource]), TicketSource)
    assert not isinstance(made_with(*MEMBERS[TicketSource]), PolledSource)


def test_a_carrier_need_not_open_tickets() -> None:
    assert not isinstance(made_with(*MEMBERS[NoteCarrier]), FollowUpOpener)
