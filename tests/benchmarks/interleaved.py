"""Timing several pieces of work side by side, so that whatever slows the machine slows all of them.

What is counted is processor time: where others share the cores, the clock on the wall counts their work as well, and
that of a long piece more often than that of a short one.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from resource import RUSAGE_CHILDREN, getrusage
from time import thread_time_ns

Work = Callable[[], object]


@dataclass(frozen=True, slots=True)
class Timing:
    """How long one piece of work took, in microseconds: the median, and what 95 of 100 runs stay within."""

    p50_us: float
    p95_us: float


def children_time_ns() -> int:
    """Processor time of all processes started from here that have ended, nanoseconds."""
    used = getrusage(RUSAGE_CHILDREN)
    return round((used.ru_utime + used.ru_stime) * 1e9)


def quantile(rising: list[int], share: float) -> float:
    """The value below which a share of a rising list lies, between neighbours by straight line."""
    place = share * (len(rising) - 1)
    below = int(place)
    above = min(below + 1, len(rising) - 1)
    return rising[below] + (place - below) * (rising[above] - rising[below])


def timed(
    works: Mapping[str, Work], rounds: int, once: Collection[str] = (), clock: Callable[[], int] = thread_time_ns
) -> dict[str, Timing]:
    """Every piece of work once a round, each round beginning with the next one.

    It is done once more just before its clock starts, so that a quick one does not pay for the caches that a slow one
    has emptied; those named in ``once``, which take so long that this would not show, are spared that.
    """
    names = list(works)
    taken: dict[str, list[int]] = {name: [] for name in names}
    for turn in range(rounds):
        first = turn % len(names)
        for name in (*names[first:], *names[:first]):
            work = works[name]
            if name not in once:
                work()
            begin = clock()
            work()
            end = clock()
            taken[name].append(end - begin)
    rising = {name: sorted(nanoseconds) for name, nanoseconds in taken.items()}
    return {name: Timing(quantile(one, 0.5) / 1000, quantile(one, 0.95) / 1000) for name, one in rising.items()}
