"""Fetching what was changed: nothing is missed, nothing comes twice under another key, and the cursor waits for all."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from conftest import REFERENCE, source_of
from desk import START, DeskOverHttp, Fault, nothing
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_tmf621.paging import all_tickets

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError


def at(second: float) -> str:
    return (START + timedelta(seconds=second)).isoformat().replace("+00:00", "Z")


def polled(desk: DeskOverHttp, **settings: Any) -> Any:
    return source_of(**{"url": desk.url, "poll_every_s": 60, "page_size": 3, **settings})


def told(source: Any, fetched: Any) -> list[str]:
    """References, as events are read."""
    return [source.read(event).reference for _, event in fetched.events]


@pytest.fixture
def ten(desk: DeskOverHttp) -> DeskOverHttp:
    """Ten tickets, changed one second after the other, in another order than they stand in the list."""
    desk.tickets.clear()
    for number in (5, 3, 9, 0, 1, 8, 2, 7, 4, 6):
        desk.open(f"T-{number}", lastUpdate=at(1000 + number))
    return desk


@pytest.mark.parametrize("narrow_by", ["read_all", "sorted", "jsonpath", "attribute"])
@pytest.mark.parametrize("shows_total", [True, False])
@pytest.mark.parametrize("heeds", [True, False], ids=["heeds filters", "heeds none"])
def test_all_come_oldest_first_and_then_only_what_is_new(
    ten: DeskOverHttp, narrow_by: str, shows_total: bool, heeds: bool
) -> None:
    ten.undeclared = frozenset({"lastUpdate.gt"})
    ten.shows_total, ten.heeds_filter, ten.heeds_sort = shows_total, heeds, heeds
    source = polled(ten, narrow_by=narrow_by)
    first = source.fetch("")
    assert told(source, first) == [f"T-{number}" for number in range(10)]
    assert source.fetch(first.cursor).events == ()
    ten.tickets["T-4"]["lastUpdate"] = at(2000)
    second = source.fetch(first.cursor)
    assert told(source, second) == ["T-4"]
    assert source.fetch(second.cursor).events == ()
    # A crash before the cursor was kept: the same again, under the same key.
    assert source.fetch(first.cursor) == second


def test_a_sorted_list_is_not_read_to_its_end(ten: DeskOverHttp) -> None:
    source = polled(ten, narrow_by="sorted", overlap_s=1)
    cursor = source.fetch("").cursor
    ten.sent.clear()
    ten.tickets["T-4"]["lastUpdate"] = at(2000)
    assert told(source, source.fetch(cursor)) == ["T-4"]
    assert len(ten.sent) == 2
    assert {one.query["sort"] for one in ten.sent} == {"-lastUpdate"}


def test_a_list_that_is_not_in_order_is_read_to_its_end(ten: DeskOverHttp) -> None:
    """Whatever was promised."""
    ten.heeds_sort = False
    source = polled(ten, narrow_by="sorted", overlap_s=1)
    cursor = source.fetch("").cursor
    ten.tickets["T-6"]["lastUpdate"] = at(2000)  # the last one of the list
    assert told(source, source.fetch(cursor)) == ["T-6"]


def test_the_filter_is_a_jsonpath_of_the_moment(ten: DeskOverHttp) -> None:
    """As the ``filter`` parameter of the OpenAPI file says; one second earlier than needed."""
    source = polled(ten, narrow_by="jsonpath", overlap_s=0)
    cursor = source.fetch("").cursor
    assert "filter" not in ten.sent[0].query
    ten.sent.clear()
    source.fetch(cursor)
    assert ten.sent[0].query["filter"] == "$[?(@.lastUpdate>='2021-05-04T07:16:48.000Z')]"


def test_tickets_of_the_same_moment_are_not_missed(ten: DeskOverHttp) -> None:
    """One of them was read, the other was written a moment later with the same time."""
    source = polled(ten, overlap_s=0)
    cursor = source.fetch("").cursor
    ten.open("T-10", lastUpdate=at(1009))
    assert told(source, source.fetch(cursor)) == ["T-10"]


def test_tickets_that_appear_late_are_not_missed_within_the_overlap(ten: DeskOverHttp) -> None:
    """As from a clock that lags, or a change that took long to be written."""
    source = polled(ten, overlap_s=300)
    cursor = source.fetch("").cursor
    ten.open("late", lastUpdate=at(1009 - 299))
    ten.open("too late", lastUpdate=at(1009 - 301))
    fetched = source.fetch(cursor)
    assert told(source, fetched) == ["late"]
    assert source.fetch(fetched.cursor).events == ()


def test_the_cursor_stays_where_it_is_until_all_pages_are_read(ten: DeskOverHttp) -> None:
    source = polled(ten)
    for page in range(1, 5):
        ten.faults.clear()
        answered = []

        def fail_at(method: str, path: str, page: int = page, answered: list[int] = answered) -> None:
            answered.append(1)
            if len(answered) == page:
                ten.faults.append(Fault("GET", status=503))

        ten.meanwhile = fail_at
        with pytest.raises(RemoteUnavailableError):
            source.fetch("")
    ten.meanwhile = nothing
    assert len(source.fetch("").events) == 10


def test_no_more_than_the_most_come_at_once_and_the_rest_follows(ten: DeskOverHttp) -> None:
    source = polled(ten, most_events=4)
    cursor, found = "", []
    for count in (4, 4, 2, 0):
        fetched = source.fetch(cursor)
        assert len(fetched.events) == count
        found += told(source, fetched)
        cursor = fetched.cursor
    assert found == [f"T-{number}" for number in range(10)]


def test_no_more_than_the_most_come_at_once_also_of_one_moment(ten: DeskOverHttp) -> None:
    for ticket in ten.tickets.values():
        ticket["lastUpdate"] = at(5)
    source = polled(ten, most_events=4, overlap_s=0)
    cursor, found = "", []
    for _ in range(4):
        fetched = source.fetch(cursor)
        found += told(source, fetched)
        cursor = fetched.cursor
    assert sorted(found) == [f"T-{number}" for number in range(10)]


def test_what_was_changed_before_the_start_is_not_asked_for(ten: DeskOverHttp) -> None:
    source = polled(ten, poll_from=at(1007), narrow_by="jsonpath")
    fetched = source.fetch("")
    assert told(source, fetched) == ["T-7", "T-8", "T-9"]
    assert "filter" in ten.sent[0].query
    assert source.fetch(fetched.cursor).events == ()


def test_a_ticket_dated_years_ahead_holds_up_no_other(ten: DeskOverHttp) -> None:
    ten.open("ahead", lastUpdate="2999-01-01T00:00:00Z")
    source = polled(ten)
    first = source.fetch("")
    assert len(first.events) == 11
    now = datetime.now(UTC)
    ten.open("now", lastUpdate=now.isoformat())
    second = source.fetch(first.cursor)
    assert told(source, second) == ["now"]
    assert source.fetch(second.cursor).events == ()


def test_a_ticket_that_does_not_say_when_it_was_changed_is_not_passed_over(ten: DeskOverHttp) -> None:
    """It comes each time, under a key made from what it says: the same as long as it says the same."""
    del ten.tickets["T-0"]["lastUpdate"]
    source = polled(ten)
    first = source.fetch("")
    assert len(first.events) == 10
    again = source.fetch(first.cursor)
    assert told(source, again) == ["T-0"]
    assert again.events[0][0] in {key for key, _ in first.events}
    ten.tickets["T-0"]["severity"] = "Minor"
    changed = source.fetch(again.cursor)
    assert changed.events[0][0] != again.events[0][0]


def test_a_cursor_that_is_none_is_said_to_be(ten: DeskOverHttp) -> None:
    for cursor in ("x", "[]", "{}", '{"since_us": "x", "handed_on": []}', "5"):
        with pytest.raises(ValueError, match="is none of this source"):
            polled(ten).fetch(cursor)


# --- a list that changes while it is read -------------------------------------------------------------------------


def test_a_ticket_that_leaves_between_two_pages_hides_no_other(ten: DeskOverHttp) -> None:
    """Every one behind it moves up, so the next page begins one too far."""
    pages = []

    def leave(method: str, path: str) -> None:
        pages.append(path)
        if len(pages) == 2:
            del ten.tickets["T-5"]  # the first one

    ten.meanwhile = leave
    source = polled(ten)
    assert told(source, source.fetch("")) == [f"T-{number}" for number in (0, 1, 2, 3, 4, 6, 7, 8, 9)]


def test_a_list_that_never_stands_still_is_asked_for_later(ten: DeskOverHttp) -> None:
    numbers = iter(range(100, 1000))

    def churn(method: str, path: str) -> None:
        for id_ in list(ten.tickets)[:3]:
            del ten.tickets[id_]
        for _ in range(3):
            ten.open(f"T-{next(numbers)}")

    ten.meanwhile = churn
    with pytest.raises(RemoteUnavailableError, match="changed while it was read"):
        polled(ten).fetch("")


@pytest.mark.parametrize("shows_total", [True, False])
def test_a_desk_that_heeds_no_offset_is_found_out(desk: DeskOverHttp, shows_total: bool) -> None:
    """It gives its first page for ever; that is not taken for all there is."""
    for number in range(7):
        desk.open(f"T-{number}")
    desk.shows_total = shows_total
    listed = desk.listed
    desk.listed = lambda query: listed({**query, "offset": "0"})  # type: ignore[method-assign]
    with pytest.raises(RemoteUnavailableError, match=r"offset|most_pages"):
        polled(desk, most_pages=20).fetch("")


def test_a_desk_that_heeds_neither_offset_nor_limit_gives_all_at_once(ten: DeskOverHttp) -> None:
    listed = ten.listed
    ten.listed = lambda query: listed({**query, "offset": "0", "limit": "1000"})  # type: ignore[method-assign]
    for shows_total in (True, False):
        ten.shows_total = shows_total
        for page_size in (3, 50):
            assert len(polled(ten, page_size=page_size).fetch("").events) == 10


@pytest.mark.parametrize("most_at_once", [1, 2, 4])
@pytest.mark.parametrize("shows_total", [True, False])
def test_a_desk_may_give_fewer_than_were_asked_for(ten: DeskOverHttp, most_at_once: int, shows_total: bool) -> None:
    ten.most_at_once, ten.shows_total = most_at_once, shows_total
    assert len(polled(ten, page_size=8).fetch("").events) == 10


def test_a_list_of_too_many_pages_is_not_used_in_part(ten: DeskOverHttp) -> None:
    with pytest.raises(RemoteUnavailableError, match="more than most_pages = 3 pages of 3"):
        polled(ten, most_pages=3).fetch("")


def test_an_empty_list_is_no_event(desk: DeskOverHttp) -> None:
    desk.tickets.clear()
    for shows_total in (True, False):
        desk.shows_total = shows_total
        assert polled(desk).fetch("").events == ()


def test_a_desk_that_refuses_the_question_is_said_to(ten: DeskOverHttp) -> None:
    ten.faults.append(Fault("GET", status=400, body=json.dumps({"reason": "filter is not known"}).encode()))
    with pytest.raises(RemoteRefusedError, match="filter is not known"):
        polled(ten, narrow_by="jsonpath").fetch("")


class ListThatMoves:
    """A list that changes between pages, as one step of hypothesis after the other says."""

    page_size, most_pages = 3, 60

    def __init__(self, steps: list[tuple[str, int]], *, shows_total: bool) -> None:
        self.ids = [f"T-{number}" for number in range(9)]
        self.stayed = set(self.ids)
        self._steps = list(steps)
        self._shows_total = shows_total
        self._new = 0

    def page(self, query: dict[str, str]) -> tuple[list[dict[str, Any]], int | None]:
        offset, limit = int(query["offset"]), int(query["limit"])
        found = [{"id": id_} for id_ in self.ids[offset : offset + limit]]
        total = len(self.ids) if self._shows_total else None
        if self._steps:
            self._change(*self._steps.pop(0))
        return found, total

    def _change(self, what: str, place: int) -> None:
        if what == "enter":
            self._new += 1
            self.ids.insert(place % (len(self.ids) + 1), f"N-{self._new}")
        elif what == "leave" and self.ids:
            self.stayed.discard(self.ids.pop(place % len(self.ids)))
        elif what == "rise" and self.ids:  # as one that is changed does in a list by the time of change
            self.ids.insert(0, self.ids.pop(place % len(self.ids)))
            self.stayed.discard(self.ids[0])


STEPS = st.lists(st.tuples(st.sampled_from(("enter", "leave", "rise", "rest")), st.integers(0, 20)), max_size=14)


@given(STEPS, st.booleans())
def test_no_ticket_that_stayed_in_its_place_is_missed(steps: list[tuple[str, int]], shows_total: bool) -> None:
    """Whatever enters, leaves or rises between pages: every ticket that stayed is found, or nothing is used.

    (One that rises is changed at that moment, so the next poll has it.)
    """
    moving = ListThatMoves(steps, shows_total=shows_total)
    try:
        found = all_tickets(moving, {})  # type: ignore[arg-type]
    except RemoteUnavailableError:
        return
    assert moving.stayed <= {ticket["id"] for ticket in found}


def test_the_reference_of_the_desk_is_read(desk: DeskOverHttp) -> None:
    source = polled(desk)
    assert told(source, source.fetch("")) == [REFERENCE]
