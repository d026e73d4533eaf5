"""Event files read as tickets: our own format, so that its definition is the only source."""

from __future__ import annotations

import json

import pytest
from conftest import EXAMPLES
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_spool import event_file
from repairadvisor_spool.folder import FileMark

from repairadvisor.plugin import EventUnreadableError, RawEvent, Site, Ticket

MODIFIED_US = 1_700_000_000_123_456


def read(name: str, body: str | bytes, ready_by: str = "rename", modified_us: int = MODIFIED_US) -> Ticket:
    raw = body if isinstance(body, bytes) else body.encode()
    kept = event_file.headers(
        name=name,
        mark=FileMark(1, len(raw), modified_us * 1000 + 789),
        looked_us=MODIFIED_US + 1,
        ready_by=ready_by,
        too_large_for_bytes=None,
    )
    return event_file.read(RawEvent(kept, raw))


def test_the_example_in_json() -> None:
    ticket = read("e.json", (EXAMPLES / "incoming" / "LF-20310504-0017.json").read_bytes())

    assert ticket.reference == "LF-20310504-0017"
    assert ticket.sequence == 3
    assert ticket.site == Site(12.5, -30.25)
    assert ticket.parent is None
    assert ticket.ended is False
    assert ticket.facts["spare_near_m"] == {"value": 1.8, "unit": "m", "source": "caller"}


def test_the_example_in_lines() -> None:
    ticket = read("e.txt", (EXAMPLES / "incoming" / "LF-20310504-0018.txt").read_bytes())

    assert ticket.reference == "LF-20310504-0018"
    assert ticket.sequence == MODIFIED_US
    assert ticket.facts == {
        "place": {"one_of": ["pole_top", "aerial_span"]},
        "fault_seen": "hanging",
        "danger_seen": "none",
        "spare_near_m": {"between": [0.0, 25.0], "unit": "m"},
    }


def test_lines_may_say_all_that_json_may() -> None:
    lines = "ticket: T-1\r\nsequence: 7\r\nended: yes\r\nparent: T-0\r\nlatitude_deg: 12.5\r\nlongitude_deg: -30.25\r\n"

    assert read("t.TXT", lines) == Ticket(
        reference="T-1", sequence=7, facts={}, ended=True, parent="T-0", site=Site(12.5, -30.25)
    )


def test_a_byte_order_mark_is_no_part_of_it() -> None:
    assert read("t.txt", "\ufeffticket: T-1\n").reference == "T-1"
    assert read("t.json", "\ufeff" + json.dumps({"ticket": "T-1", "facts": {}})).reference == "T-1"


@pytest.mark.parametrize(
    "line",
    [
        "Place: pole_top",
        " place: pole_top",
        "place pole_top",
        "the place: pole_top",
        "spare: 3",
        "place:",
        "note: x\u2028place: pole_top",
        "note: x\x0bplace: pole_top",
        "note: x\x85place: pole_top",
    ],
)
def test_lines_of_other_names_are_left_out(line: str) -> None:
    assert read("t.txt", f"ticket: T-1\n{line}\ndanger_seen: none\n").facts == {"danger_seen": "none"}


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("place: pole_top\nticket: T-1\n", "first line does not begin with ticket:"),
        ("Ticket: T-1\n", "first line does not begin with ticket:"),
        ("ticket: T-1\nplace: pole_top\nplace: chamber\n", "place: stands twice"),
        ("ticket: T-1\nplace: pole_top\rspare_near_m: 3\n", "place: holds a control character"),
        ("ticket: T-1\nended: perhaps\n", "ended: is neither yes nor no"),
        ("ticket: T-1\nsequence: 1e3\n", "sequence: is no whole number"),
        ("ticket: T-1\nsequence: 9999999999999999999\n", "allowed: 0 to 9223372036854775807"),
        ("ticket: T-1\nlatitude_deg: 12\n", "site.longitude_deg: is missing"),
        ("ticket: T-1\nlatitude_deg: north\nlongitude_deg: 1\n", "latitude_deg: is no number of degrees"),
        ("ticket: T-1\n".encode("utf-16"), "is not UTF-8 at byte 0"),
    ],
)
def test_what_cannot_be_right_is_set_aside(body: str | bytes, said: str) -> None:
    with pytest.raises(EventUnreadableError, match=said):
        read("t.txt", body)


def test_lines_that_only_fell_quiet_end_with_a_line_break() -> None:
    """A number cut off is another number: ``12`` of ``120``."""
    cut_off = "ticket: T-1\nspare_near_m: 12"

    with pytest.raises(EventUnreadableError, match="may be cut off"):
        read("t.txt", cut_off, ready_by="quiet")
    assert read("t.txt", cut_off, ready_by="done_file").facts == {"spare_near_m": 12.0}
    assert read("t.txt", f"{cut_off}\n", ready_by="quiet").facts == {"spare_near_m": 12.0}


@pytest.mark.parametrize("modified_us", [MODIFIED_US + 301_000_000, -1])
def test_a_time_that_cannot_be_right_makes_no_sequence(modified_us: int) -> None:
    """A clock that runs ahead would outrank all that is said until then."""
    with pytest.raises(EventUnreadableError, match="time of modification"):
        read("t.txt", "ticket: T-1\n", modified_us=modified_us)
    assert read("t.txt", "ticket: T-1\nsequence: 4\n", modified_us=modified_us).sequence == 4


def test_a_few_seconds_ahead_are_believed() -> None:
    assert read("t.txt", "ticket: T-1\n", modified_us=MODIFIED_US + 200_000_000).sequence == MODIFIED_US + 200_000_000


def test_the_reason_names_the_file_on_one_line() -> None:
    with pytest.raises(EventUnreadableError) as refused:
        read("a\n\udcffb\u202e.json", "{")

    assert str(refused.value).startswith("a%0A%FFb%E2%80%AE.json: ")
    assert str(refused.value).isprintable()


@given(st.binary(max_size=300), st.sampled_from(["t.json", "t.txt"]))
def test_any_bytes_are_a_ticket_or_set_aside(body: bytes, name: str) -> None:
    try:
        ticket = read(name, body)
    except EventUnreadableError as error:
        assert str(error).isprintable()  # noqa: PT017
    else:
        assert isinstance(ticket, Ticket)


@given(st.text(max_size=200))
def test_no_text_below_the_head_is_a_fact(text: str) -> None:
    body = f"ticket: T-1\nplace: pole_top\n\n{text}".encode("utf-8", "replace")

    assert read("t.txt", body).facts == {"place": "pole_top"}
