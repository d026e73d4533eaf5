"""Where lines make another plan win, against trying the winner at many points of the way."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.decision.crossing import Prices, meetings

COSTS = st.lists(st.integers(0, 4_000).map(float), min_size=8, max_size=8)
POINTS = 400


def _prices(costs: list[float], absolute: float, share: float) -> Prices:
    return Prices(tuple(range(len(costs))), np.array(costs), absolute, share)


def _wins(costs: list[float], absolute: float, share: float) -> int:
    """The first plan that costs no more than the least and what counts as equal."""
    least = min(costs)
    return next(i for i, cost in enumerate(costs) if cost <= least + max(absolute, share * least))


@given(
    start=COSTS,
    end=COSTS,
    plans=st.integers(1, 8),
    absolute=st.sampled_from([0.0, 15.0, 40.0]),
    share=st.sampled_from([0.0, 0.01, 0.2]),
)
def test_between_two_meetings_one_plan_wins(
    start: list[float], end: list[float], plans: int, absolute: float, share: float
) -> None:
    first, last = _prices(start[:plans], absolute, share), _prices(end[:plans], absolute, share)
    edges = [0.0, *meetings(first, last), 1.0]
    tried = [k / POINTS for k in range(POINTS + 1)]
    for low, high in itertools.pairwise(edges):
        hair = 1e-9
        inside = [part for part in tried if low + hair < part < high - hair]
        winners = set()
        for part in inside:
            costs = [(1.0 - part) * a + part * b for a, b in zip(start[:plans], end[:plans], strict=True)]
            winners.add(_wins(costs, absolute, share))
            assert first.winner_at(last, part) == _wins(costs, absolute, share)
        assert len(winners) <= 1


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        # 100 throughout, preferred; the other one 200 falling to 0: 100 <= 200 - 200 t + 15 up to t = 0.575.
        (0.0, [0.425, 0.575]),
        # Equal up to the eleventh part more: 100 <= 1.1 (200 - 200 t) up to t = 6 / 11; 200 - 200 t <= 110 from 0.45.
        (0.1, [0.425, 0.45, 6.0 / 11.0, 0.575]),
    ],
)
def test_meetings_by_hand(share: float, expected: list[float]) -> None:
    """Two lines: our own numbers. What turns nothing may be named as well, but nothing that turns is left out."""
    first, last = _prices([100.0, 200.0], 15.0, share), _prices([100.0, 0.0], 15.0, share)
    found = meetings(first, last)
    for part in expected:
        assert min(abs(one - part) for one in found) < 1e-12
    assert first.winner_at(last, 0.57) == 0
    assert first.winner_at(last, 0.58) == 1


def test_a_plan_that_is_cheap_only_half_way_is_found() -> None:
    """Three plans: the first rises, the second falls, the third lies between them and wins in the middle only."""
    first, last = _prices([0.0, 100.0, 40.0], 0.0, 0.0), _prices([100.0, 0.0, 40.0], 0.0, 0.0)
    assert [first.winner_at(last, part) for part in (0.0, 0.39, 0.41, 0.59, 0.61, 1.0)] == [0, 0, 2, 2, 1, 1]
    found = meetings(first, last)
    assert min(abs(one - 0.4) for one in found) < 1e-12
    assert min(abs(one - 0.6) for one in found) < 1e-12


@given(
    costs=COSTS,
    off=st.lists(st.floats(-0.999, 0.999), min_size=8, max_size=8),
    absolute=st.sampled_from([0.0, 15.0, 40.0]),
    share=st.sampled_from([0.0, 0.01, 0.2]),
)
def test_a_plan_still_wins_where_costs_are_off_by_less_than_its_room(
    costs: list[float], off: list[float], absolute: float, share: float
) -> None:
    won = _wins(costs, absolute, share)
    prices = _prices(costs, absolute, share)
    room = prices.room(won)
    assert room >= 0.0
    assert _wins([cost + part * room for cost, part in zip(costs, off, strict=True)], absolute, share) == won
    assert all(prices.room(other) <= 0.0 for other in range(len(costs)) if other != won)
    assert prices.room(99) < 0.0
