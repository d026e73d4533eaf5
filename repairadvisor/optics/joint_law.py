"""One joint's loss as a crew meets it: attempt by attempt, at several wavelengths that share its offset and tilt.

A joint either turns out clean (a constant and exponentials) or fails (dirt, a chipped end, a bubble: the constant and
one long exponential). Attempts differ in the chance of failing only: after bad ones a common cause is likelier.

The loss is measured, and kept or made again, at the *governing* wavelength. Another wavelength sees the same offset
and tilt, so its loss lies close to a line in the governing loss: given that, it is replaced by its conditional mean
plus and minus its conditional standard deviation, half each, wherever a limit on the governing loss cuts through. That
keeps mean and variance at every governing loss, and a chance there is off by at most 0.03 points (0.001 elsewhere).

Laws are compiled when a policy is read; their methods use + - * / and comparisons only.
"""

from __future__ import annotations

import functools
import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, LossTable, compile_sum, table_from_tail
from repairadvisor.optics.other_wavelengths import Line, clean_lines, failed_lines
from repairadvisor.optics.valid_range import in_range

_NODE_TOLERANCE = 2e-4  # of a chance: what one node of a branch may stand for
_FAILED_TOLERANCE = 1e-3  # one joint in twenty fails, so its stretches may be longer
_SEGMENT_MASS = 0.05
_AS_ONE_DB = 0.003  # two lines nearer than this are one, within 0.02 points of a chance


@dataclass(frozen=True, slots=True)
class Node:
    """A stretch of the governing loss taken as one: its upper end, its mean, and the tail at its ends."""

    end_db: float
    mean_db: float
    tail_before: float
    tail_after: float


@dataclass(frozen=True, slots=True)
class Branch:
    """One way a joint turns out. ``lines`` maps nanometres to the two maps that stand for that wavelength where the
    governing loss is limited."""

    table: LossTable
    nodes: tuple[Node, ...]
    lines: Mapping[int, tuple[Line, Line]]
    mean_db: Mapping[int, float]
    #: The whole distribution at other wavelengths; one that is missing follows its line.
    tables: Mapping[int, LossTable]
    ends_db: tuple[float, ...] = ()
    #: By nanometres: E[loss there; governing loss <= the end of a stretch], stretch by stretch.
    means_up_to: Mapping[int, tuple[float, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "ends_db", tuple(node.end_db for node in self.nodes))
        sums = {nm: tuple(accumulate(self._parts(nm))) for nm in self.lines}
        object.__setattr__(self, "means_up_to", sums)

    def _parts(self, nm: int) -> list[float]:
        low, high = self.lines[nm]
        return [
            0.5 * (node.tail_before - node.tail_after) * (low.other(node.mean_db) + high.other(node.mean_db))
            for node in self.nodes
        ]

    def tail(self, x_db: float) -> float:
        """P(governing loss > x)."""
        return self.table.chance_above(x_db)

    def tail_within(self, nm: int, y_db: float, limit_db: float) -> float:
        """P(loss at ``nm`` > y and governing loss <= limit)."""
        beyond = self.table.chance_above(limit_db) if limit_db < math.inf else 0.0
        low, high = self.lines[nm]
        whole = self.tables.get(nm)
        if whole is not None and (beyond <= 0.0 or y_db < low.other(limit_db)):
            return max(0.0, whole.chance_above(y_db) - beyond)  # whatever passes the limit passes y as well
        one = self.table.chance_above(low.governing(y_db)) - beyond
        other = one if low is high else self.table.chance_above(high.governing(y_db)) - beyond
        return 0.5 * ((max(0.0, one)) + (max(0.0, other)))

    def mean_within(self, nm: int, limit_db: float) -> float:
        """E[loss at ``nm``; governing loss <= limit]."""
        if limit_db >= self.ends_db[-1]:
            return self.mean_db[nm]
        inside = bisect_right(self.ends_db, limit_db)
        total = self.means_up_to[nm][inside - 1] if inside else 0.0
        before = self.ends_db[inside - 1] if inside else self.table.knots_db[0]
        mass = self.nodes[inside].tail_before - self.table.chance_above(limit_db)
        if mass <= 0.0:
            return total
        low, high = self.lines[nm]
        middle = 0.5 * (before + limit_db)
        return total + mass * 0.5 * (low.other(middle) + high.other(middle))


@dataclass(frozen=True, slots=True)
class JointLaw:
    """A joint over its attempts: ``failure_chances`` by attempt, the first first."""

    governing_nm: int
    clean: Branch
    failed: Branch
    failure_chances: tuple[float, ...]

    @property
    def tries(self) -> int:
        """How many attempts the law speaks of."""
        return len(self.failure_chances)

    @property
    def least_db(self) -> float:
        """The least loss."""
        return min(self.clean.table.knots_db[0], self.failed.table.knots_db[0])

    def after(self, failed: int) -> JointLaw:
        """The law of the attempts that are left after ``failed`` ones (0 or more); one is always left."""
        if failed <= 0:
            return self
        left = self.failure_chances[min(failed, len(self.failure_chances) - 1) :]
        # where failing is no longer rare its stretches have to be as short as those of clean joints
        fine = replace(self.failed, nodes=nodes_of(self.failed.table))
        return JointLaw(self.governing_nm, self.clean, fine, left)

    def tail(self, used: int, x_db: float) -> float:
        """P(governing loss > x) of the attempt after ``used`` others."""
        p = self.failure_chances[used]
        clean = self.clean.table.chance_above(x_db)
        return clean + p * (self.failed.table.chance_above(x_db) - clean) if p else clean

    def tails(self, x_db: float) -> tuple[float, ...]:
        """P(governing loss > x), attempt by attempt."""
        clean = self.clean.table.chance_above(x_db)
        more = self.failed.table.chance_above(x_db) - clean
        return tuple([clean + p * more for p in self.failure_chances])

    def weights_within(self, used: int, limit_db: float) -> list[tuple[float, float]]:
        """Nodes (governing loss, chance) of that attempt, as far as it stays within the limit."""
        found: list[tuple[float, float]] = []
        for share, branch in self.branches(used):
            found += [(x, share * mass) for x, mass in _masses(branch, limit_db)]
        return found

    def losses_at(self, used: int, nm: int, limit_db: float) -> list[tuple[float, float, float]]:
        """(governing loss, loss at ``nm``, chance) of that attempt, as far as it stays within the limit."""
        found: list[tuple[float, float, float]] = []
        if nm == self.governing_nm:
            return [(x, x, chance) for x, chance in self.weights_within(used, limit_db)]
        for share, branch in self.branches(used):
            low, high = branch.lines[nm]
            for x, mass in _masses(branch, limit_db):
                y, z = low.other(x), high.other(x)
                if z - y < _AS_ONE_DB:
                    found.append((x, 0.5 * (y + z), share * mass))
                else:
                    found += [(x, y, 0.5 * share * mass), (x, z, 0.5 * share * mass)]
        return found

    def branches(self, used: int) -> tuple[tuple[float, Branch], ...]:
        """Both ways that attempt can turn out, with their chances."""
        p = self.failure_chances[used]
        return ((1.0 - p, self.clean), (p, self.failed)) if p else ((1.0, self.clean),)

    def tail_within(self, used: int, nm: int, y_db: float, limit_db: float) -> float:
        """P(loss at ``nm`` > y and governing loss <= limit) of that attempt."""
        if nm == self.governing_nm:
            return max(0.0, self.tail(used, y_db) - self.tail(used, limit_db))
        return sum(share * branch.tail_within(nm, y_db, limit_db) for share, branch in self.branches(used))

    def mean_within(self, used: int, nm: int, limit_db: float) -> float:
        """E[loss at ``nm``; governing loss <= limit] of that attempt."""
        return sum(share * branch.mean_within(nm, limit_db) for share, branch in self.branches(used))


def _masses(branch: Branch, limit_db: float) -> list[tuple[float, float]]:
    found = []
    before = branch.table.knots_db[0]
    for node in branch.nodes:
        if node.end_db <= limit_db:
            found.append((node.mean_db, node.tail_before - node.tail_after))
        elif before < limit_db:
            # half a stretch: its chance exactly, its middle for its mean
            found.append((0.5 * (before + limit_db), node.tail_before - branch.table.chance_above(limit_db)))
        else:
            break
        before = node.end_db
    return found


def mix(first: JointLaw, second: JointLaw, share: float) -> JointLaw:
    """A law between two of the same joint, such as for a mode field between two that were compiled.

    ``share`` (0 to 1) of the second. Tails are mixed, so chances err by an eighth of the squared relative step
    between the two at most; at 0 and at 1 it is one of them. Errors: OpticsError.
    """
    in_range("share", share, 0.0, 1.0, "1")
    if share == 0.0 or first is second:
        return first
    if share == 1.0:
        return second
    clean = _mixed_branch(first.clean, second.clean, share)
    return JointLaw(first.governing_nm, clean, first.failed, first.failure_chances)


def _mixed_branch(first: Branch, second: Branch, share: float) -> Branch:
    table = _mixed_table(first.table, second.table, share)
    lines = {nm: _mixed_lines(pair, second.lines[nm], share) for nm, pair in first.lines.items()}
    means = {nm: (1.0 - share) * mean + share * second.mean_db[nm] for nm, mean in first.mean_db.items()}
    tables = {nm: _mixed_table(one, second.tables[nm], share) for nm, one in first.tables.items()}
    return Branch(table, nodes_of(table), lines, means, tables)


def _mixed_table(first: LossTable, second: LossTable, share: float) -> LossTable:
    """A table between two."""
    knots = tuple(sorted({*first.knots_db, *second.knots_db}))
    tail = tuple((1.0 - share) * first.chance_above(x) + share * second.chance_above(x) for x in knots)
    mean_db = (1.0 - share) * first.mean_db + share * second.mean_db
    return table_from_tail(knots[0], knots, tail, mean_db)


def _mixed_lines(first: tuple[Line, Line], second: tuple[Line, Line], share: float) -> tuple[Line, Line]:
    low, high = (
        Line(
            a.governing_db,
            tuple((1.0 - share) * y + share * b.other(x) for x, y in zip(a.governing_db, a.other_db, strict=True)),
        )
        for a, b in zip(first, second, strict=True)
    )
    return low, high


def compile_joint_law(models: Mapping[int, LossModel], governing_nm: int, failure_chances: Sequence[float]) -> JointLaw:
    """The law of one joint, from its model at each wavelength (the same physical parts in the same order).

    ``failure_chances`` by attempt, 1 to 20 of them; the models' own is not read. Errors: OpticsError, also for
    models of different parts. Prepare time only.
    """
    in_range("number of tries", len(failure_chances), 1, 20, "1")
    for chance in failure_chances:
        in_range("chance of a failed joint", chance, 0.0, 1.0, "1")
    governing = models[governing_nm]
    for model in models.values():
        if len(model.exponential_means_db) != len(governing.exponential_means_db):
            raise OpticsError("exponential parts", len(model.exponential_means_db), "as many at every wavelength", "1")
    clean = _clean_table(governing.l0_db, governing.exponential_means_db)
    failed = _failed_table(governing.l0_db, governing.failure_mean_db)
    return JointLaw(
        governing_nm,
        Branch(
            clean,
            nodes_of(clean),
            {nm: clean_lines(governing, model, clean) for nm, model in models.items()},
            {nm: model.l0_db + sum(model.exponential_means_db) for nm, model in models.items()},
            {nm: _clean_table(model.l0_db, model.exponential_means_db) for nm, model in models.items()},
        ),
        Branch(
            failed,
            nodes_of(failed, _FAILED_TOLERANCE),
            {nm: failed_lines(governing, model, failed) for nm, model in models.items()},
            {nm: model.l0_db + model.failure_mean_db for nm, model in models.items()},
            {},
        ),
        tuple(failure_chances),
    )


@functools.lru_cache(maxsize=512)
def _clean_table(l0_db: float, means_db: tuple[float, ...]) -> LossTable:
    """Of a joint that did not fail; what governs one service is another wavelength of the next."""
    return compile_sum([LossModel(l0_db, means_db)])


@functools.lru_cache(maxsize=64)
def _failed_table(l0_db: float, mean_db: float) -> LossTable:
    """Of how a joint fails; many laws share one."""
    return compile_sum([LossModel(l0_db, (mean_db,))])


def nodes_of(table: LossTable, tolerance: float = _NODE_TOLERANCE) -> tuple[Node, ...]:
    """A table as stretches, each with its exact chance and mean, that a chord follows to a tolerance of a chance."""
    knots = table.knots_db
    found = []
    start = 0
    while start + 1 < len(knots):
        end = start + 1
        while end + 1 < len(knots) and _one_stretch(table, start, end + 1, tolerance):
            end += 1
        found.append(_node(table, start, end))
        start = end
    return tuple(found) or (Node(knots[0], knots[0], 1.0, 0.0),)


def _one_stretch(table: LossTable, start: int, end: int, tolerance: float) -> bool:
    knots, tail = table.knots_db, table.tail
    if tail[start] - tail[end] > _SEGMENT_MASS:
        return False
    middle = (start + end) // 2
    chord = tail[start] + (tail[end] - tail[start]) * (knots[middle] - knots[start]) / (knots[end] - knots[start])
    return abs(chord - tail[middle]) <= tolerance


def _node(table: LossTable, start: int, end: int) -> Node:
    knots, tail, beyond = table.knots_db, table.tail, table.tail_integral
    mass = tail[start] - tail[end]
    if mass <= 0.0:
        return Node(knots[end], 0.5 * (knots[start] + knots[end]), tail[start], tail[end])
    inside = knots[start] * tail[start] - knots[end] * tail[end] + beyond[start] - beyond[end]
    return Node(knots[end], inside / mass, tail[start], tail[end])
