"""Timing several pieces of work side by side, so that whatever slows the machine slows all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from time import perf_counter_ns

Work = Callable[[], object]


@dataclass(frozen=True, slots=True)
class Timing:
    """How long one piece of work took, in microseconds: the median, and what 95 of 100 runs stay within."""

    p50_us: float
    p95_us: float


def quantile(rising: list[int], share: float) -> float:
    """The value below which a share of a rising list lies, between neighbours by straight line."""
    place = share * (len(rising) - 1)
    below = int(place)
    above = min(below + 1, len(rising) - 1)
    return rising[below] + (place - below) * (rising[above] - rising[below])


def timed(works: Mapping[str, Work], rounds: int, warm_up: int = 1) -> dict[str, Timing]:
    """Every piece of work once a round, each round beginning with the next one; those that warm up do not count."""
    names = list(works)
    taken: dict[str, list[int]] = {name: [] for name in names}
    for turn in range(warm_up + rounds):
        first = turn % len(names)
        for name in (*names[first:], *names[:first]):
            work = works[name]
            begin = perf_counter_ns()
            work()
            end = perf_counter_ns()
            if turn >= warm_up:
                taken[name].append(end - begin)
    rising = {name: sorted(nanoseconds) for name, nanoseconds in taken.items()}
    return {name: Timing(quantile(one, 0.5) / 1000, quantile(one, 0.95) / 1000) for name, one in rising.items()}
