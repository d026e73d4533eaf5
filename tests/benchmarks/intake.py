"""How quickly events are taken in over HTTP, and what a slow remote does to the others: in ratios of one run.

What is counted is the clock on the wall, for most of the time is waiting: for the disk, for the lock of the database,
for another thread. Others who share the cores slow down both sides of a ratio, and the longer one more often. What is
set beside each other takes turns, and each turn begins with nothing left to do from the one before.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any

import orjson

from .desk_service import DESK, NOBODY, OTHER, SLOW
from .interleaved import quantile
from .ways_in import Opening, Service, kinds, passed_by, running, wait_for

THREADS = (1, 8)
#: Requests of all threads together in one turn.
A_TURN = 48
SLOW_S, BEFORE, QUICK = 2.0, 40, 20
#: How many columns of a table are texts, and stand to the left.
_TEXTS = 2


@dataclass(frozen=True, slots=True)
class Passes:
    """How long each of many things took (ms, rising), and how many passed in a second."""

    rising_ms: Sequence[float]
    a_second: float

    @property
    def p50_ms(self) -> float:
        """The median."""
        return quantile(self.rising_ms, 0.5)

    @property
    def p99_ms(self) -> float:
        """What 99 of 100 stay within."""
        return quantile(self.rising_ms, 0.99)


@dataclass(frozen=True, slots=True)
class Intake:
    """One way in, with so many senders at once, beside its anchor."""

    database: str
    what: str
    threads: int
    ours: Passes
    anchor: Passes

    @property
    def times_fewer(self) -> float:
        """How many times fewer of ours than of the anchor's pass in a second."""
        return self.anchor.a_second / self.ours.a_second

    @property
    def p50_ratio(self) -> float:
        """Our median over the anchor's."""
        return self.ours.p50_ms / self.anchor.p50_ms

    @property
    def p99_ratio(self) -> float:
        """What 99 of 100 of ours stay within over the anchor's."""
        return self.ours.p99_ms / self.anchor.p99_ms


@dataclass(frozen=True, slots=True)
class HeldUp:
    """How long the quick tickets took until all were noted (s), in each turn; what they took alone, and what they took
    behind as many others of a remote that is not slow: those are work too."""

    database: str
    what: str
    taken_s: Sequence[float]
    alone_s: Sequence[float]
    behind_quick_s: Sequence[float]

    @property
    def ratio(self) -> float:
        """The median over that of the same tickets alone."""
        return _median(self.taken_s) / _median(self.alone_s)

    @property
    def ratio_to_quick(self) -> float:
        """The median over that of the same tickets behind a remote that is not slow: what slowness itself does."""
        return _median(self.taken_s) / _median(self.behind_quick_s)


def _median(values: Sequence[float]) -> float:
    return quantile(sorted(values), 0.5)


# --- what is measured -----------------------------------------------------------------------------------------


def in_turns(names: Collection[str], turns: int, do: Callable[[str], None]) -> None:
    """Do each once a turn, each turn beginning with the next one."""
    order = list(names)
    for turn in range(turns):
        first = turn % len(order)
        for name in (*order[first:], *order[:first]):
            do(name)


def intake(kind: str, turns: int, threads: Collection[int] = THREADS, a_turn: int = A_TURN) -> list[Intake]:
    """Events until 202, at a service that works on them meanwhile, and at one that does nothing but take them in.

    The anchor is a bare insert into the same database. A source that is not set up shows what HTTP takes of it.
    """
    with running(kind) as working, running(kind, "--door-only") as idle:
        ways: dict[str, tuple[Service, str, Opening]] = {}
        for service, name in ((working, "work beside it"), (idle, "door only")):
            service.measure_a_row()
            anchor = f"insert, {name}"
            ways[anchor] = (service, "", service.inserting)
            ways[f"202, {name}"] = (service, anchor, partial(service.sending, DESK, 202))
        ways["404, no database"] = (idle, "insert, door only", partial(idle.sending, NOBODY, 404))
        cells = {f"{many} {name}": (many, name) for many in threads for name in ways}
        taken_ms: dict[str, list[float]] = {cell: [] for cell in cells}
        in_all_s = dict.fromkeys(cells, 0.0)

        def turn(cell: str) -> None:
            many, name = cells[cell]
            working.rest()
            ms, all_s = passed_by(ways[name][2], many, max(1, a_turn // many))
            taken_ms[cell] += ms
            in_all_s[cell] += all_s

        in_turns(cells, turns, turn)
        working.rest()
    passes = {cell: Passes(sorted(ms), len(ms) / in_all_s[cell]) for cell, ms in taken_ms.items()}
    return [
        Intake(kind, name, many, passes[cell], passes[f"{many} {ways[name][1]}"])
        for cell, (many, name) in cells.items()
        if ways[name][1]
    ]


def slow_remote(
    kind: str, turns: int, slow_s: float = SLOW_S, before: int = BEFORE, quick: int = QUICK
) -> list[HeldUp]:
    """Quick tickets alone; behind others that are as quick, which are work too; and behind others of a slow remote."""
    others = {"alone": "", f"behind {before} as quick": OTHER, f"behind {before} of {slow_s:g} s": SLOW}
    taken_s: dict[str, list[float]] = {name: [] for name in others}
    with running(kind, "--slow-s", str(slow_s)) as service:

        def turn(name: str) -> None:
            service.rest()
            taken_s[name].append(_until_noted(service, others[name], before, quick))

        in_turns(others, turns, turn)
        service.rest()
    alone, behind_quick, _ = others
    return [HeldUp(kind, name, taken_s[name], taken_s[alone], taken_s[behind_quick]) for name in others]


def _until_noted(service: Service, other: str, before: int, quick: int) -> float:
    """Seconds from the first quick event until the ledger has the last of them as noted, by its own entries."""
    with ExitStack() as opened:
        if other:
            send = service.sending(other, 202, opened)
            for _ in range(before):
                send()
        send = service.sending(DESK, 202, opened)
        begin = datetime.now(UTC)
        ids = {orjson.loads(send())["delivery"] for _ in range(quick)}
    found: list[Mapping[str, Any]] = []

    def are_noted() -> bool:
        listed = service.asked(source=DESK, limit=quick)["deliveries"]
        found[:] = [one for one in listed if one["id"] in ids and one["state"] == "noted"]
        return len(found) == quick

    wait_for(are_noted)
    return (max(datetime.fromisoformat(one["changed_at"]) for one in found) - begin).total_seconds()


# --- what is printed ------------------------------------------------------------------------------------------


def intake_report(rounds: int) -> str:
    """Events until 202 on every database there is; ``rounds`` as for the other benchmarks."""
    lines = [line for kind in kinds() for line in intake(kind, max(1, rounds // 40))]
    note = "Events until 202, on the clock. Ratios are to a bare insert and commit in the same database."
    return "\n".join([note, *_columns([_INTAKE_HEADS, *map(_intake_row, lines)])])


def slow_remote_report(rounds: int) -> str:
    """What a slow remote does to others on every database there is."""
    lines = [line for kind in kinds() for line in slow_remote(kind, max(1, rounds // 60))]
    note = f"{QUICK} tickets from the first event until all are noted, on the clock; the turns' median, least to most."
    return "\n".join([note, *_columns([_HELD_HEADS, *map(_held_row, lines)])])


#: Every report by the name under which it can be asked for; each takes a number of rounds.
REPORTS: dict[str, Callable[[int], str]] = {"intake": intake_report, "slow-remote": slow_remote_report}

_INTAKE_HEADS = (
    *("database", "what", "senders", "n", "a second", "p50 ms", "p99 ms"),
    *("insert: a second", "p50 ms", "p99 ms", "times fewer", "p50 ratio", "p99 ratio"),
)
_HELD_HEADS = ("database", "what", "turns", "s", "least", "most", "to alone", "to as quick")


def _intake_row(line: Intake) -> tuple[str, ...]:
    ours, anchor = line.ours, line.anchor
    return (
        *(line.database, line.what, str(line.threads), str(len(ours.rising_ms))),
        *(f"{ours.a_second:.0f}", f"{ours.p50_ms:.1f}", f"{ours.p99_ms:.1f}"),
        *(f"{anchor.a_second:.0f}", f"{anchor.p50_ms:.2f}", f"{anchor.p99_ms:.2f}"),
        *(f"{line.times_fewer:.1f}", f"{line.p50_ratio:.1f}", f"{line.p99_ratio:.1f}"),
    )


def _held_row(line: HeldUp) -> tuple[str, ...]:
    return (
        *(line.database, line.what, str(len(line.taken_s))),
        *(f"{one:.1f}" for one in (_median(line.taken_s), min(line.taken_s), max(line.taken_s))),
        *(f"{line.ratio:.2f}", f"{line.ratio_to_quick:.2f}"),
    )


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(_placed(cell, widths[i], i) for i, cell in enumerate(row)).rstrip() for row in rows]


def _placed(cell: str, width: int, column: int) -> str:
    return cell.ljust(width) if column < _TEXTS else cell.rjust(width)
