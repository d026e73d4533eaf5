"""The verdicts on every joint of a repair that can be read on the spot, asked of :mod:`.judging` beforehand.

A card that has no network looks its verdict up here. Nothing is worked out anew: each cell is what the method says of
one joint of one fibre, reported by itself at the governing wavelength. Earlier attempts count as bad, as they do where
nobody has reported them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from repairadvisor.outcome.offline_cells import (
    ABOVE,
    BOTH,
    FAR,
    GAIN_MARK,
    KEPT,
    LOSS_MARK,
    NEAR,
    NOTHING_MADE,
    REFLECTANCE_MARK,
    UNREAD,
    WAYS,
    Ask,
    Cell,
    Made,
    Said,
    forms,
    of_state,
    verdicts_of,
    with_,
)
from repairadvisor.outcome.reported import INSPECTIONS, PULL_TESTS
from repairadvisor.outcome.verdict import Verdict

#: The least and the most that is looked up, hundredths of a decibel; between them every hundredth up to ``_FINE``.
LEAST = {BOTH: -15, NEAR: -200, FAR: -200}
MOST = 2000
_FINE, _STEP, _ABOVE = 100, 5, (150, 200, 400, 1000, MOST)
#: What is lost in the fibre's other joint, in such steps and up to so much; a card takes the next one above.
LOST_STEP, LOST_COARSE, LOST_MOST = 5, 50, 100
#: Where so little may be lost that nearly every hundredth gets a sentence of its own, a row has more stretches than
#: this at the coarse steps. It is then told apart at these losses only: at every step the card would grow to 150 kB.
MANY_STRETCHES, LOST_WHERE_MANY = 64, (10, 20, 30)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings from one hundredth to another that get one verdict (its place among ``said``)."""

    low: int
    high: int
    said: int


@dataclass(frozen=True, slots=True)
class Gate:
    """What becomes of verdicts by one state of the gates: by one's place, the place of another one; -1 is none."""

    pull_test: str
    inspection: str
    reflectance: str
    instead: dict[int, int]


@dataclass(frozen=True, slots=True)
class Row:
    """One joint, attempt and way of reading. ``by_lost``: up to what loss in the other joint (hundredths; None: not yet
    made) which stretches hold, in order of that loss."""

    joint: int
    attempt: int
    ways: str
    by_lost: tuple[tuple[int | None, tuple[Stretch, ...]], ...]
    gates: tuple[Gate, ...]


@dataclass(frozen=True, slots=True)
class OfflineVerdicts:
    """All of them for one plan. ``pull_tests``, ``inspections`` and ``reflectances`` hold the states that tell verdicts
    apart, the one on which ``rows`` rest first; one state alone: it is not asked for."""

    plan: str
    method: str
    nm: int
    joints: int
    attempts: int
    reflectance_limit_db: float | None
    pull_tests: tuple[str, ...]
    inspections: tuple[str, ...]
    reflectances: tuple[str, ...]
    rows: tuple[Row, ...]
    said: tuple[Said, ...]


def offline_verdicts(made: Made, ask: Ask) -> OfflineVerdicts:
    """The table for a repair. Errors: those of ``ask``, which is :func:`.judging.judge` on the facts of the repair."""
    return _Asked(made, ask).table()


@dataclass(slots=True)
class _Asked:
    """The table while it is asked for."""

    made: Made
    ask: Ask
    said: dict[Said, int] = field(default_factory=dict)
    known: dict[Cell, Verdict] = field(default_factory=dict)

    def table(self) -> OfflineVerdicts:
        made = self.made
        bases = [
            Cell(joint, attempt, ways, LEAST[ways])
            for joint in range(1, made.joints + 1)
            for attempt in range(1, made.attempts + 1)
            for ways in WAYS
        ]
        rows = [self._by_lost(base) for base in bases]
        pulls, faces, reflections = self._states(bases[0])
        gates = [
            self._gates(base, by_lost, pulls, faces, reflections) for base, by_lost in zip(bases, rows, strict=True)
        ]
        return OfflineVerdicts(
            plan=made.plan,
            method=made.method,
            nm=made.nm,
            joints=made.joints,
            attempts=made.attempts,
            reflectance_limit_db=made.reflectance_limit_db,
            pull_tests=pulls,
            inspections=faces,
            reflectances=reflections,
            rows=tuple(
                Row(base.joint, base.attempt, base.ways, by_lost, found)
                for base, by_lost, found in zip(bases, rows, gates, strict=True)
            ),
            said=tuple(self.said),
        )

    # --- asking ---------------------------------------------------------------------------------------------------

    def _look(self, cells: Iterable[Cell]) -> None:
        """Ask for what is not known yet, all at once."""
        new = [cell for cell in dict.fromkeys(cells) if cell not in self.known]
        if new:
            self.known.update(zip(new, verdicts_of(self.made, new, self.ask), strict=True))

    def _place(self, said: Said) -> int:
        return self.said.setdefault(said, len(self.said))

    # --- stretches of readings ------------------------------------------------------------------------------------

    def _by_lost(self, base: Cell) -> tuple[tuple[int | None, tuple[Stretch, ...]], ...]:
        """The stretches by what the other joint loses; stretches that are alike hold for the greater loss too."""
        losses: list[int | None] = [NOTHING_MADE]
        if self.made.joints > 1:
            losses += range(0, LOST_MOST + 1, LOST_COARSE)
        self._read(base, losses)
        known = {lost: self._stretches(base, lost) for lost in losses}
        between = self._losses_between(known, [lost for lost in losses if lost is not None])
        self._read(base, between)
        known.update({lost: self._stretches(base, lost) for lost in between})
        found: list[tuple[int | None, tuple[Stretch, ...]]] = [(NOTHING_MADE, known.pop(NOTHING_MADE))]
        for lost in sorted(one for one in known if one is not None):
            if len(found) > 1 and found[-1][1] == known[lost]:
                found.pop()
            found.append((lost, known[lost]))
        return tuple(found)

    @staticmethod
    def _losses_between(known: Mapping[int | None, tuple[Stretch, ...]], losses: Sequence[int]) -> list[int]:
        """The finer steps between losses at which the row says different things."""
        if sum(len(known[lost]) for lost in losses) > MANY_STRETCHES:
            return [*LOST_WHERE_MANY]
        differing = [(low, high) for low, high in pairwise(losses) if known[low] != known[high]]
        return [lost for low, high in differing for lost in range(low + LOST_STEP, high, LOST_STEP)]

    def _read(self, base: Cell, losses: Sequence[int | None]) -> None:
        """Ask for the readings that tell where one verdict ends and the next begins."""
        self._look(with_(base, read=read, lost=lost) for lost in losses for read in _coarse(base.ways))
        self._look(cell for lost in losses for cell in self._between(base, lost))

    def _between(self, base: Cell, lost: int | None) -> Iterator[Cell]:
        """The hundredths between two readings that do not get the same verdict, up to the finest that are looked at."""
        reads = _coarse(base.ways)
        for low, high in pairwise(reads):
            if high <= _FINE and not self._alike(base, lost, low, high):
                yield from (with_(base, read=read, lost=lost) for read in range(low + 1, high))

    def _alike(self, base: Cell, lost: int | None, low: int, high: int) -> bool:
        one, other = (self._forms(with_(base, read=read, lost=lost)) for read in (low, high))
        return bool(one & other)

    def _forms(self, cell: Cell) -> set[Said]:
        return forms(self.known[cell], cell)

    def _stretches(self, base: Cell, lost: int | None) -> tuple[Stretch, ...]:
        """The readings in order, those together that one sentence fits; a gap in what was looked at ends the table."""
        found: list[tuple[int, int, set[Said]]] = []
        reads = [read for read in _every(base.ways) if with_(base, read=read, lost=lost) in self.known]
        for read in reads:
            fitting = self._forms(with_(base, read=read, lost=lost))
            if not found:
                found.append((read, read, fitting))
                continue
            low, before, shared = found[-1]
            if shared & fitting:
                found[-1] = (low, read, shared & fitting)
                continue
            onward = fitting if read == before + 1 else fitting & self._forms(with_(base, read=before, lost=lost))
            if not onward:
                break  # from here on one verdict changes for another somewhere between: that is not known here
            found.append((before + 1, read, onward))
        return tuple(Stretch(low, high, self._place(_first(fitting))) for low, high, fitting in found)

    # --- gates ----------------------------------------------------------------------------------------------------

    def _states(self, base: Cell) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
        """The states of each gate that tell verdicts apart."""
        reflections = (KEPT, ABOVE, UNREAD) if self.made.reflectance_limit_db is not None else (KEPT,)
        return (
            self._telling(base, "pull_test", PULL_TESTS),
            self._telling(base, "inspection", INSPECTIONS),
            self._telling(base, "reflectance", reflections),
        )

    def _telling(self, base: Cell, name: str, states: Sequence[str]) -> tuple[str, ...]:
        """All states where any of them changes a verdict somewhere, else the first alone."""
        cells = [with_(base, ways=ways, read=read) for ways in WAYS for read in (LEAST[ways], 0, 10, _FINE, MOST)]
        others = [[with_(cell, **{name: state}) for cell in cells] for state in states]
        self._look(cell for some in others for cell in some)
        same = [[(self.known[cell].verdict, self.known[cell].say) for cell in some] for some in others]
        return tuple(states) if any(one != same[0] for one in same[1:]) else tuple(states[:1])

    def _gates(
        self,
        base: Cell,
        by_lost: Sequence[tuple[int | None, tuple[Stretch, ...]]],
        pulls: Sequence[str],
        faces: Sequence[str],
        reflections: Sequence[str],
    ) -> tuple[Gate, ...]:
        """What each state of the gates makes of each verdict of a row.

        Most states stop a joint whatever was read of it. Where one says the same at both ends of every kind of verdict
        it is taken to say so between them too; any other is asked about every verdict.
        """
        examples = self._examples(base, by_lost)
        states = [(pull, face, thrown) for pull in pulls for face in faces for thrown in reflections][1:]
        ends = self._ends_of_kinds(examples)
        self._look(of_state(self.made, cell, one) for one in states for cell in ends)
        stops = {one: self._said_alike(one, ends) for one in states}
        asked = [one for one in states if stops[one] is None]
        self._look(of_state(self.made, cell, one) for one in asked for some in examples.values() for cell in some)
        return tuple(Gate(*one, self._instead(one, examples, stops[one])) for one in states)

    def _ends_of_kinds(self, examples: dict[int, list[Cell]]) -> list[Cell]:
        """Of all examples that get one word for one reason, those of the least and of the greatest reading, with the
        least and with the greatest loss elsewhere."""
        kinds: dict[tuple[str, str], list[Cell]] = {}
        for some in examples.values():
            verdict = self.known[some[0]]
            kinds.setdefault((verdict.verdict, verdict.reason), []).extend(some)
        return [end for cells in kinds.values() for end in _ends(cells)]

    def _said_alike(self, state: tuple[str, str, str], cells: Sequence[Cell]) -> Said | None:
        """The one sentence that fits all of them in this state; None where no one does."""
        others = [of_state(self.made, cell, state) for cell in cells]
        fitting = set.intersection(*(forms(self.known[one], one) for one in others))
        return _first(fitting) if fitting else None

    def _examples(self, base: Cell, by_lost: Sequence[tuple[int | None, tuple[Stretch, ...]]]) -> dict[int, list[Cell]]:
        """Of each verdict in a row, by its place, the ends of the stretches that it holds for, of the least and of the
        greatest loss elsewhere: between them all others of it lie."""
        found: dict[int, dict[int | None, list[Cell]]] = {}
        for lost, stretches in by_lost:
            for one in stretches:
                ends = [with_(base, read=read, lost=lost) for read in (one.low, one.high)]
                found.setdefault(one.said, {}).setdefault(lost, []).extend(ends)
        return {said: _outermost(some) for said, some in found.items()}

    def _instead(
        self, state: tuple[str, str, str], examples: dict[int, list[Cell]], stop: Said | None
    ) -> dict[int, int]:
        """By the place of a verdict what is said instead; nothing where it stays. ``stop`` is said of all of them."""
        if stop is not None:
            place = self._place(stop)
            return {said: place for said in examples if said != place}
        found = {}
        for said, cells in examples.items():
            others = [of_state(self.made, cell, state) for cell in cells]
            if all(_same(self.known[one], self.known[cell]) for one, cell in zip(others, cells, strict=True)):
                continue
            fitting = set.intersection(*(forms(self.known[one], one) for one in others))
            found[said] = self._place(_first(fitting)) if fitting else -1
        return found


def _outermost(by_lost: dict[int | None, list[Cell]]) -> list[Cell]:
    """The ends of all stretches of the first loss and of the last, the outer two of each."""
    first, *_, last = [*by_lost.values()] * 2
    return list(dict.fromkeys((first[0], first[-1], last[0], last[-1])))


def _ends(cells: Sequence[Cell]) -> list[Cell]:
    """The outermost by reading, and by loss elsewhere."""
    by_read = sorted(cells, key=lambda one: (one.read, _elsewhere(one)))
    by_lost = sorted(cells, key=lambda one: (_elsewhere(one), one.read))
    return list(dict.fromkeys((by_read[0], by_read[-1], by_lost[0], by_lost[-1])))


def _elsewhere(cell: Cell) -> int:
    return -1 if cell.lost is NOTHING_MADE else cell.lost


def _first(fitting: set[Said]) -> Said:
    """One of several that fit, always the same."""
    return min(fitting, key=lambda one: (-one.say.count(REFLECTANCE_MARK), _marks(one), one.say))


def _marks(said: Said) -> int:
    return said.say.count(LOSS_MARK) + said.say.count(GAIN_MARK)


def _same(one: Verdict, other: Verdict) -> bool:
    return (one.verdict, one.say) == (other.verdict, other.say)


def _coarse(ways: str) -> list[int]:
    gains = range(LEAST[ways], min(LEAST[BOTH] - _STEP, 0), 4 * _STEP)
    return [*gains, *range(max(LEAST[ways], LEAST[BOTH]), _FINE + 1, _STEP), *_ABOVE]


def _every(ways: str) -> list[int]:
    return [*range(LEAST[ways], _FINE + 1), *_ABOVE]
