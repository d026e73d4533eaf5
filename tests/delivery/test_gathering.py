"""Facts that others know: used where they go with the ticket, never waited for past their time, never guessed.

No outside source: the method's rule is that what nobody has said is unknown.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pytest

from delivery.desk import an_event
from delivery.office import Delivering
from repairadvisor.delivery.gathering import gathered
from repairadvisor.errors import InputError, RemoteUnavailableError
from repairadvisor.plugin import Ticket
from repairadvisor.plugin.loading import Facts

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
SEEN = "2031-05-04T07:20:00Z"
OUTSIDE = Ticket(reference="LF-1", sequence=1, facts={"place": "pole_top"})
GUST = {"wind_gust_mps": {"value": 9, "source": "station, 4 km away", "seen_at": SEEN}}


class Knows:
    def __init__(self, facts: Any, after: threading.Event | None = None) -> None:
        self._facts = facts
        self._after = after

    def facts(self, ticket: Ticket, now: datetime) -> Mapping[str, object]:
        if self._after is not None:
            self._after.wait(30)
        if isinstance(self._facts, Exception):
            raise self._facts
        return dict(self._facts)


def source(facts: Any, name: str = "weather", budget_s: float = 5.0, after: threading.Event | None = None) -> Facts:
    return Facts(name, Knows(facts, after), budget_s)


def test_what_others_know_is_added() -> None:
    assert gathered([source(GUST)], OUTSIDE, NOW) == (GUST, [])


def test_what_the_ticket_says_itself_stands() -> None:
    ticket = Ticket(reference="LF-1", sequence=1, facts={"place": "pole_top", "wind_gust_mps": 14})
    assert gathered([source(GUST)], ticket, NOW) == ({}, [])


def test_the_first_source_counts_where_two_know() -> None:
    other = {"wind_gust_mps": {"value": 3, "source": "elsewhere", "seen_at": SEEN}}
    assert gathered([source(GUST), source(other, "second")], OUTSIDE, NOW)[0] == GUST


@pytest.mark.parametrize(
    "facts", [{}, {"place": "customer_home"}, {"place": {"one_of": ["pole_top", "building_riser"]}}]
)
def test_weather_does_not_settle_that_the_fault_is_out_of_doors(facts: dict[str, object]) -> None:
    ticket = Ticket(reference="LF-1", sequence=1, facts=facts)
    assert gathered([source(GUST)], ticket, NOW)[0] == {}


def test_a_slow_source_is_not_waited_for() -> None:
    never = threading.Event()
    begun = time.monotonic()
    found, problems = gathered([source(GUST, budget_s=0.1, after=never)], OUTSIDE, NOW)
    took_s = time.monotonic() - begun
    never.set()

    assert (found, problems) == ({}, ["weather: no answer within 0.1 s"])
    assert took_s < 10, "it would have taken 30 s"


def test_sources_are_asked_at_once() -> None:
    both = threading.Barrier(2, timeout=10)

    class Together(Knows):
        def facts(self, ticket: Ticket, now: datetime) -> Mapping[str, object]:
            both.wait()
            return super().facts(ticket, now)

    found, problems = gathered([Facts("a", Together(GUST), 10), Facts("b", Together({}), 10)], OUTSIDE, NOW)
    assert (found, problems) == (GUST, [])


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (RemoteUnavailableError("503"), "weather: 503"),
        (KeyError("x"), "weather: KeyError: 'x'"),
        ({"wind_gust_mps": {"value": 900, "source": "s", "seen_at": SEEN}}, "weather: what it said cannot be used"),
        ({"wind_goost_mps": 9}, "weather: what it said cannot be used"),
        ("no mapping", "weather: ValueError"),
    ],
)
def test_a_source_that_is_wrong_is_named_and_the_others_are_used(wrong: Any, said: str) -> None:
    found, problems = gathered([source(wrong), source(GUST, "second")], OUTSIDE, NOW)

    assert found == GUST
    assert len(problems) == 1
    assert problems[0].startswith(said)


def test_what_contradicts_the_ticket_is_left_out() -> None:
    """The mean wind cannot be above the gust."""
    ticket = Ticket(reference="LF-1", sequence=1, facts={"place": "pole_top", "wind_gust_mps": 3})
    mean = {"wind_mean_mps": {"value": 12, "source": "station", "seen_at": SEEN}}
    found, problems = gathered([source(mean)], ticket, NOW)

    assert found == {}
    assert problems[0].startswith("weather: what it said does not go with the rest")


def test_a_tickets_own_wrong_facts_are_told_as_such() -> None:
    ticket = Ticket(reference="LF-1", sequence=1, facts={"place": "on the moon"})
    with pytest.raises(InputError, match="on the moon"):
        gathered([source(GUST)], ticket, NOW)


@pytest.mark.parametrize("facts_sources", [(source(GUST),)])
def test_the_kept_advice_says_where_a_fact_came_from(delivering: Delivering) -> None:
    delivery = delivering.deliver(an_event(facts={"place": "pole_top"}))
    kept = delivering.records.get(delivery.advice_id or "")

    assert b"station, 4 km away" in kept.facts
