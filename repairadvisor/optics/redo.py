"""Keep this joint or make it again? Optimal stopping without recall, in money.

The joint that is cut is gone. With k counting tries including this one, V(k) = E[min(g(X), c + V(k-1))] and
V(0) is infinite: keep a joint of loss x if and only if g(x) <= c + V(k-1), where c is the cost of one more
try and g(x) the least expected cost of everything that follows when x is kept. Joints are made one after
the other, so g of one joint is the value of the next at the loss so far plus x, with the attempts that
joints share (bodies, tray fibre) in the state; after the last joint it is the cost of the budget missed. The
limits rise as tries run out. An owner's limit caps them.

Losses stand on a grid of 0.01 dB at the governing wavelength. Compiled when a policy is read (numpy);
looked up with comparisons and plus. Planning and the verdict read the same tables.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.valid_range import in_range

STEP_DB = 0.01
_HAIR = 1e-9  # grid steps

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


def draw_values(costs: Sequence[float], chances: Sequence[float], redo_cost: float, tries: int) -> tuple[float, ...]:
    """V(1) ... V(tries) of one joint whose results cost ``costs`` with ``chances``.

    Errors: OpticsError for tries outside 1 to 100, a negative redo cost or chances that do not sum to 1.
    """
    in_range("number of tries", tries, 1, 100, "1")
    in_range("cost of a redo", redo_cost, 0.0, 1e9, "money")
    in_range("sum of chances", math.fsum(chances), 1.0 - 1e-6, 1.0 + 1e-6, "1")
    values: list[float] = []
    for _ in range(tries):
        again = redo_cost + values[-1] if values else math.inf
        values.append(sum(p * min(cost, again) for cost, p in zip(costs, chances, strict=True)))
    return tuple(values)


def grid_chances(loss: LossTable, cells: int) -> tuple[float, ...]:
    """``loss`` on the grid: chance at 0, 0.01, ... dB, ``cells`` of them (2 to 5,000); the rest at the last.

    By hat functions, which keep the mean. Errors: OpticsError, also for a loss that may be negative.
    """
    in_range("grid cells", cells, 2, 5000, "1")
    in_range("least loss", loss.knots_db[0], 0.0, 60.0, "dB")
    beyond = [loss.integral_beyond(STEP_DB * i) for i in range(-1, cells)]
    chances = [(beyond[i - 1] - 2.0 * beyond[i] + beyond[i + 1]) / STEP_DB for i in range(1, cells)]
    chances = [max(chance, 0.0) for chance in chances]
    return (*chances, max(0.0, 1.0 - math.fsum(chances)))


def miss_costs(margin_low_db: float, margin_high_db: float, second_visit: float, cells: int) -> tuple[float, ...]:
    """Expected cost after the last joint by loss so far on the grid: P(budget missed) times ``second_visit``.

    The margin is uniform between its ends (or known, when they are equal); a node stands for losses within
    half a step of it, so one that lies on a known margin counts half. Errors: OpticsError.
    """
    in_range("margin", margin_low_db, -60.0, 60.0, "dB")
    in_range("margin", margin_high_db, margin_low_db, 60.0, "dB")
    in_range("cost of a second visit", second_visit, 0.0, 1e9, "money")

    low, high = margin_low_db / STEP_DB, margin_high_db / STEP_DB
    costs: list[float] = []
    for i in range(cells):
        start, end = i - 0.5, i + 0.5
        certain = max(0.0, end - max(high, start))
        begun, ended = min(max(start, low), high), min(max(end, low), high)
        partly = (ended - begun) * (0.5 * (begun + ended) - low) / (high - low) if high > low else 0.0
        cost = second_visit * min(certain + partly, 1.0)
        costs.append(max(cost, costs[-1]) if costs else cost)  # no last bit may make a greater loss cheaper
    return tuple(costs)


@dataclass(frozen=True, slots=True)
class JointToMake:
    """One joint: chances on the grid of its first, second, ... try (as many as may be made), cost of a redo.

    ``owner_limit_db``: above it no joint is kept while it can be made again; ``over_limit_cost`` is paid when
    the last try still lies above it.
    """

    chances_by_try: tuple[tuple[float, ...], ...]
    redo_cost: float
    owner_limit_db: float | None = None
    over_limit_cost: float = 0.0

    def __post_init__(self) -> None:
        in_range("number of tries", len(self.chances_by_try), 1, 20, "1")
        in_range("cost of a redo", self.redo_cost, 0.0, 1e9, "money")
        in_range("cost of passing the owner's limit", self.over_limit_cost, 0.0, 1e9, "money")
        for chances in self.chances_by_try:
            in_range("least chance", min(chances), 0.0, 1.0, "1")
            in_range("sum of chances", math.fsum(chances), 1.0 - 1e-6, 1.0 + 1e-6, "1")

    def over_limit(self, cell: int) -> bool:
        """Whether a loss of ``cell`` grid steps passes the owner's limit."""
        return self.owner_limit_db is not None and cell > self.owner_limit_db / STEP_DB + _HAIR


@dataclass(frozen=True, slots=True)
class RedoOutcome:
    """What the best limits leave: final loss on the grid, expected redos by joint, and the chance that some
    joint is kept above the owner's limit for want of tries (counted once a joint)."""

    chances: tuple[float, ...]
    expected_redos: tuple[float, ...]
    expected_over_limit: float


@dataclass(frozen=True, slots=True)
class RedoPlan:
    """Compiled values. ``values[joint][redos_left][tries_used][cell]``: least expected cost from before that
    try on, with ``redos_left`` shared redos, at a loss so far of ``cell`` grid steps."""

    joints: tuple[JointToMake, ...]
    end_costs: tuple[float, ...]
    values: tuple[tuple[tuple[tuple[float, ...], ...], ...], ...]
    outcome: RedoOutcome

    @property
    def expected_cost(self) -> float:
        """Least expected cost before the first joint, all shared redos left, nothing lost so far."""
        return self.values[0][-1][0][0]

    def cost_if_kept(self, joint: int, redos_left: int, so_far_db: float, loss_db: float) -> float:
        """g: least expected cost of what follows when a joint of ``loss_db`` is kept."""
        cell = self._cell(so_far_db) + self._cell(loss_db)
        return self._kept(joint, redos_left, min(cell, len(self.end_costs) - 1), self._cell(loss_db))

    def cost_if_kept_given(self, joint: int, redos_left: int, so_far_db: float, chances: Sequence[float]) -> float:
        """E[g(X) | reading], ``chances`` being those of the true loss on the grid after the reading."""
        start, last = self._cell(so_far_db), len(self.end_costs) - 1
        total = 0.0
        for cell, chance in enumerate(chances):
            if chance > 0.0:
                total += chance * self._kept(joint, redos_left, min(start + cell, last), cell)
        return total

    def cost_if_redone(self, joint: int, redos_left: int, tries_used: int, so_far_db: float) -> float:
        """c + V(k-1); infinite when no try or no shared redo is left. ``tries_used`` counts this joint's."""
        if redos_left == 0 or tries_used >= len(self.joints[joint].chances_by_try):
            return math.inf
        following = self.values[joint][redos_left - 1][tries_used][self._cell(so_far_db)]
        return self.joints[joint].redo_cost + following

    def limit_db(self, joint: int, redos_left: int, tries_used: int, so_far_db: float) -> float:
        """Greatest loss in dB on the grid at which the joint is kept; infinite when nothing is left to try,
        -0.01 when no joint whatever would be. Money and the owner's limit both count."""
        again = self.cost_if_redone(joint, redos_left, tries_used, so_far_db)
        if again == math.inf:
            return math.inf
        start, last = self._cell(so_far_db), len(self.end_costs) - 1
        low, high = -1, last - start + 1  # kept at low, not at high; the cost of keeping never falls with loss
        while high - low > 1:
            middle = (low + high) // 2
            over = self.joints[joint].over_limit(middle)
            if not over and self._kept(joint, redos_left, start + middle, middle) <= again:
                low = middle
            else:
                high = middle
        return math.inf if low == last - start and self.joints[joint].owner_limit_db is None else low * STEP_DB

    def _kept(self, joint: int, redos_left: int, cell: int, own_cell: int) -> float:
        over = self.joints[joint].over_limit_cost if self.joints[joint].over_limit(own_cell) else 0.0
        if joint + 1 == len(self.joints):
            return over + self.end_costs[cell]
        return over + self.values[joint + 1][redos_left][0][cell]

    def _cell(self, loss_db: float) -> int:
        in_range("loss", loss_db, 0.0, 60.0, "dB")
        return min(math.floor(loss_db / STEP_DB + 0.5), len(self.end_costs) - 1)


def compile_redo(joints: Sequence[JointToMake], end_costs: Sequence[float], shared_redos: int) -> RedoPlan:
    """Values and outcome of making ``joints`` in order with ``shared_redos`` (0 to 50) between them.

    ``end_costs`` by loss so far on the grid (2 to 5,000 nodes; losses beyond the last cost as the last).
    Errors: OpticsError for no joint, or end costs that fall with loss. Source: backward induction.
    """
    in_range("number of joints", len(joints), 1, 50, "1")
    in_range("grid cells", len(end_costs), 2, 5000, "1")
    in_range("shared redos", shared_redos, 0, 50, "1")
    ends = np.asarray(end_costs, dtype=np.float64)
    if not bool(np.all(np.diff(ends) >= 0.0)):
        raise OpticsError("end costs", float(np.min(np.diff(ends))), "costs that never fall with loss", "money")
    following = [ends] * (shared_redos + 1)
    backwards: list[list[list[Array]]] = []
    for joint in reversed(joints):
        values = _values_of(joint, following)
        backwards.append(values)
        following = [by_try[0] for by_try in values]
    arrays = backwards[::-1]
    return RedoPlan(
        tuple(joints),
        tuple(float(cost) for cost in ends),
        tuple(tuple(tuple(tuple(cells.tolist()) for cells in by_try) for by_try in one) for one in arrays),
        _outcome(joints, arrays, ends, shared_redos),
    )


def _values_of(joint: JointToMake, following: list[Array]) -> list[list[Array]]:
    """Values of one joint: [redos left][tries used] -> by loss so far."""
    tries = len(joint.chances_by_try)
    values: list[list[Array]] = []
    for redos_left, after in enumerate(following):
        by_try: list[Array] = [after] * tries
        for used in range(tries - 1, -1, -1):
            chances = np.asarray(joint.chances_by_try[used])
            kept = _kept_costs(joint, after, len(chances))
            can_redo = redos_left > 0 and used + 1 < tries
            if can_redo:
                again = joint.redo_cost + values[redos_left - 1][used + 1]
                kept = np.where(_keeps(joint, kept, again), kept, again[:, None])
            by_try[used] = kept @ chances
        values.append(by_try)
    return values


def _kept_costs(joint: JointToMake, after: Array, losses: int) -> Array:
    """Cost of keeping, by loss so far (rows) and loss of this joint (columns)."""
    cells = np.minimum(np.arange(len(after))[:, None] + np.arange(losses)[None, :], len(after) - 1)
    costs: Array = after[cells] + np.where(_over(joint, losses), joint.over_limit_cost, 0.0)
    return costs


def _over(joint: JointToMake, losses: int) -> Bools:
    return np.array([joint.over_limit(cell) for cell in range(losses)])


def _keeps(joint: JointToMake, kept: Array, again: Array) -> Bools:
    within_money: Bools = kept <= again[:, None]
    return within_money & ~_over(joint, kept.shape[1])[None, :]


def _outcome(
    joints: Sequence[JointToMake], arrays: list[list[list[Array]]], ends: Array, shared_redos: int
) -> RedoOutcome:
    """Follow the best limits forwards from nothing lost and all redos left."""
    cells = len(ends)
    reached = np.zeros((shared_redos + 1, cells))
    reached[shared_redos, 0] = 1.0
    redos: list[float] = []
    over_total = 0.0
    for number, joint in enumerate(joints):
        after = np.zeros_like(reached)
        redone_total = 0.0
        for used, tried in enumerate(joint.chances_by_try):
            chances = np.asarray(tried)
            again_reached = np.zeros_like(reached)
            target = np.minimum(np.arange(cells)[:, None] + np.arange(len(chances))[None, :], cells - 1)
            for left in range(shared_redos + 1):
                flow = reached[left][:, None] * chances[None, :]
                if left > 0 and used + 1 < len(joint.chances_by_try):
                    value_after = arrays[number + 1][left][0] if number + 1 < len(joints) else ends
                    kept = _kept_costs(joint, value_after, len(chances))
                    keeps = _keeps(joint, kept, joint.redo_cost + arrays[number][left - 1][used + 1])
                    redone = np.where(keeps, 0.0, flow).sum(axis=1)
                    again_reached[left - 1] += redone
                    redone_total += float(redone.sum())
                    flow = np.where(keeps, flow, 0.0)
                over_total += float(flow[:, _over(joint, len(chances))].sum())
                after[left] += np.bincount(target.ravel(), weights=flow.ravel(), minlength=cells)
            reached = again_reached
        redos.append(redone_total)
        reached = after
    return RedoOutcome(tuple(reached.sum(axis=0).tolist()), tuple(redos), over_total)
