"""The rule of :mod:`repairadvisor.optics.redo` for many margins at once, joints of one law made one after the other.

Everything that follows an attempt hangs on what is left of the margin alone, so an array of margins goes through the
same backward induction together. It comes to what the rule says margin by margin (a test holds them together to 1e-9)
in a twentieth of the time, which is what weighing a plan takes while nobody knows the margin. Plus, minus, times,
divide and comparisons only, in one fixed order.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.joint_law import Branch, JointLaw
from repairadvisor.optics.redo import LEFT_GRID_DB, LIMIT_TOLERANCE_DB, MOST_LOSS_DB, Attempts
from repairadvisor.optics.valid_range import in_range

Values = npt.NDArray[np.float64]

_LEFT_GRID = np.array(LEFT_GRID_DB)


class OverMargins(NamedTuple):
    """Least expected cost of what is still to come and what it is made of, an element a margin."""

    cost: Values
    redos: Values
    missed: Values
    over_limit: Values


class _Parts(NamedTuple):
    """A table, or a way a joint turns out, as arrays."""

    knots_db: Values
    tail: Values

    def above(self, x_db: Values) -> Values:
        """P(loss > x), by straight lines between knots."""
        knots, tail = self.knots_db, self.tail
        at = np.searchsorted(knots, x_db, side="right")
        high = np.minimum(np.maximum(at, 1), len(knots) - 1)
        share = (x_db - knots[high - 1]) / (knots[high] - knots[high - 1])
        between = tail[high - 1] + share * (tail[high] - tail[high - 1])
        found: Values = np.where(at == 0, 1.0, np.where(at == len(knots), 0.0, between))
        return found

    def loss_at(self, chance: Values) -> Values:
        """The smallest loss, not below the first knot, that is passed with no more than a chance."""
        knots, tail = self.knots_db, self.tail
        high = np.minimum(np.maximum(np.searchsorted(-tail, -chance, side="left"), 1), len(tail) - 1)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = (tail[high - 1] - chance) / (tail[high - 1] - tail[high])
        found = knots[high - 1] + share * (knots[high] - knots[high - 1])
        lowest: Values = np.where(tail[0] <= chance, knots[0], found)
        return lowest


class _Stretches(NamedTuple):
    """The nodes of a branch as arrays: where each begins and ends, its mean, its chance and the tail before it."""

    begin_db: Values
    end_db: Values
    mean_db: Values
    chance: Values
    tail_before: Values


def _nothing(like: Values) -> tuple[Values]:
    return (np.zeros_like(like),)


@dataclass(frozen=True, slots=True)
class _Between:
    """The last joint where what comes back is not on record, read between the margins of the rule's own grid."""

    on_grid: RedoOverMargins
    left_db: Values

    def value(self, redos_left: int, used: int) -> OverMargins:
        """As of :class:`RedoOverMargins`."""
        high = np.minimum(np.maximum(np.searchsorted(_LEFT_GRID, self.left_db, side="right"), 1), len(_LEFT_GRID) - 1)
        share = (self.left_db - _LEFT_GRID[high - 1]) / (_LEFT_GRID[high] - _LEFT_GRID[high - 1])
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        found = self.on_grid.value(redos_left, used)
        return OverMargins(*(part[high - 1] + share * (part[high] - part[high - 1]) for part in found))


def _stretches_of(branch: Branch) -> _Stretches:
    nodes = branch.nodes
    ends = np.array([node.end_db for node in nodes])
    before = np.array([node.tail_before for node in nodes])
    return _Stretches(
        np.concatenate(([branch.table.knots_db[0]], ends[:-1])),
        ends,
        np.array([node.mean_db for node in nodes]),
        before - np.array([node.tail_after for node in nodes]),
        before,
    )


@functools.lru_cache(maxsize=256)
def _parts(table: LossTable) -> _Parts:
    return _Parts(np.array(table.knots_db), np.array(table.tail))


def tail_over(table: LossTable, losses_db: Values) -> Values:
    """P(loss > x) of a table, for many losses at once."""
    return _parts(table).above(losses_db)


@dataclass(slots=True)
class RedoOverMargins:
    """The rule for ``joints`` (1 to 50) of one law, with each of ``left_db`` left of the margin before the first.

    ``second_visit`` is what a missed budget costs; ``given_back`` the distribution of what parts cut out used to lose,
    where that is not on record. Errors: OpticsError for a number of joints or a cost outside its range.
    """

    law: JointLaw
    joints: int
    left_db: Values
    second_visit: float
    given_back: LossTable | None
    attempts: Attempts
    _found: dict[tuple[int, int], OverMargins] = field(default_factory=dict)
    _limits: dict[tuple[int, int], Values] = field(default_factory=dict)
    _kept: dict[tuple[int, int], OverMargins] = field(default_factory=dict)
    _after: dict[int, RedoOverMargins | _Between] = field(default_factory=dict)
    _by_branch: dict[int, _Stretches] = field(default_factory=dict)
    _on_grid: RedoOverMargins | None = None

    def __post_init__(self) -> None:
        in_range("number of joints", self.joints, 0, 50, "1")
        in_range("cost of a second visit", self.second_visit, 0.0, 1e9, "money")

    @property
    def expected(self) -> OverMargins:
        """Before the first joint."""
        most = self.joints * (self._tries - 1)
        shared = self.attempts.shared_redos
        return self.value(most if shared is None else min(shared, most), 0)

    @property
    def _tries(self) -> int:
        return min(self.attempts.each, self.law.tries)

    def value(self, redos_left: int, used: int) -> OverMargins:
        """Before attempt ``used`` + 1 at the first joint; without joints what missing costs."""
        redos_left = min(redos_left, self.joints * (self._tries - 1) - used)
        if self.joints == 0:
            missed = self._missed()
            return OverMargins(missed * self.second_visit, *_nothing(missed), missed, *_nothing(missed))
        key = (redos_left, used)
        if key not in self._found:
            known = self.joints == 1 and self.given_back is None
            self._found[key] = self._last(*key) if known else self._value(*key)
        return self._found[key]

    def _missed(self) -> Values:
        """P(budget missed) with what is left after the last joint."""
        over = -self.left_db
        if self.given_back is None:
            return np.where(over > 0.0, 1.0, 0.0)
        back = _parts(self.given_back)
        return np.where(over > back.knots_db[0], 1.0 - back.above(over), 0.0)

    # --- one joint of several, or of a budget that is not quite known ------------------------------------------

    def _value(self, redos_left: int, used: int) -> OverMargins:
        """What is kept within the limit, each stretch with its chance, and beyond it one more attempt."""
        limit, owner = self._limit_db(redos_left, used), self.attempts.owner_limit_db
        over = np.zeros_like(self.left_db)
        if owner is not None:
            over = np.where(limit == math.inf, self.law.tail(used, owner), 0.0)
        cost, redos, missed, over_limit = over * self.attempts.over_limit_cost, *_nothing(over), *_nothing(over), over
        for share, branch in self.law.branches(used):
            kept = self._kept_within(branch, redos_left, limit)
            cost = cost + share * kept.cost
            redos = redos + share * kept.redos
            missed = missed + share * kept.missed
            over_limit = over_limit + share * kept.over_limit
        if np.isinf(limit).all():
            return OverMargins(cost, redos, missed, over_limit)
        redone = self._tail(used, limit)
        after = self.value(redos_left - 1, used + 1)
        return OverMargins(
            cost + redone * (self.attempts.redo_cost + after.cost),
            redos + redone * (1.0 + after.redos),
            missed + redone * after.missed,
            over_limit + redone * after.over_limit,
        )

    def _tail(self, used: int, limit_db: Values) -> Values:
        """P(loss > limit) of an attempt."""
        p = self.law.failure_chances[used]
        clean = _parts(self.law.clean.table).above(limit_db)
        return clean + p * (_parts(self.law.failed.table).above(limit_db) - clean) if p else clean

    def _kept_within(self, branch: Branch, redos_left: int, limit_db: Values) -> OverMargins:
        """What follows, summed over a branch's stretches as far as they stay within the limit."""
        stretches = self._stretches(branch)
        whole = np.searchsorted(stretches.end_db, limit_db, side="right")
        summed = self._summed(branch, redos_left)
        places = np.arange(len(self.left_db))
        found = [part[whole, places] for part in summed]
        cut = np.minimum(whole, len(stretches.end_db) - 1)
        begins = stretches.begin_db[cut]
        partly = (whole < len(stretches.end_db)) & (begins < limit_db)
        if partly.any():
            # half a stretch: its chance exactly, its middle for its mean
            ends = np.where(partly, limit_db, begins)
            chance = stretches.tail_before[cut] - _parts(branch.table).above(ends)
            after = self._following(self.left_db - 0.5 * (begins + ends)).value(redos_left, 0)
            found = [np.where(partly, part + chance * more, part) for part, more in zip(found, after, strict=True)]
        return OverMargins(*found)

    def _summed(self, branch: Branch, redos_left: int) -> OverMargins:
        """What follows, summed up to each stretch of a branch: (stretches + 1, margins)."""
        key = (id(branch), min(redos_left, (self.joints - 1) * (self._tries - 1)))
        if key not in self._kept:
            stretches = self._stretches(branch)
            if id(branch) not in self._after:
                left = self.left_db[np.newaxis, :] - stretches.mean_db[:, np.newaxis]
                self._after[id(branch)] = self._following(left.reshape(-1))
            after = self._after[id(branch)].value(key[1], 0)
            size = (len(stretches.mean_db), len(self.left_db))
            first = np.zeros((1, size[1]))
            chance = stretches.chance[:, np.newaxis]
            rows = [np.cumsum(chance * part.reshape(size), axis=0) for part in after]
            self._kept[key] = OverMargins(*(np.concatenate((first, one)) for one in rows))
        return self._kept[key]

    def _following(self, left_db: Values) -> RedoOverMargins | _Between:
        """The joints after this one."""
        if self.joints == 2 and self.given_back is not None:
            if self._on_grid is None:
                self._on_grid = self._shorter(_LEFT_GRID)
            return _Between(self._on_grid, left_db)
        return self._shorter(left_db)

    def _shorter(self, left_db: Values) -> RedoOverMargins:
        return RedoOverMargins(self.law, self.joints - 1, left_db, self.second_visit, self.given_back, self.attempts)

    def _stretches(self, branch: Branch) -> _Stretches:
        if id(branch) not in self._by_branch:
            self._by_branch[id(branch)] = _stretches_of(branch)
        return self._by_branch[id(branch)]

    # --- limits ------------------------------------------------------------------------------------------------

    def _limit_db(self, redos_left: int, used: int) -> Values:
        """Greatest loss at which an attempt is kept; infinite where any is."""
        key = (redos_left, used)
        if key not in self._limits:
            self._limits[key] = self._limit_of(redos_left, used)
        return self._limits[key]

    def _limit_of(self, redos_left: int, used: int) -> Values:
        if redos_left == 0 or used + 1 >= self._tries:
            return np.full_like(self.left_db, math.inf)
        again = self.attempts.redo_cost + self.value(redos_left - 1, used + 1).cost
        owner = self.attempts.owner_limit_db
        by_money = self._limit_of_last(again) if self.joints == 1 else self._limit_by_money(redos_left, again)
        return by_money if owner is None else np.minimum(by_money, owner)

    def _limit_of_last(self, again: Values) -> Values:
        """Where what comes back is not on record: up to which loss missing is not dearer than one more attempt."""
        worth = again / self.second_visit if self.second_visit > 0.0 else np.ones_like(again)
        assert self.given_back is not None  # else two chances say everything
        most = self.left_db + _parts(self.given_back).loss_at(1.0 - np.minimum(worth, 1.0))
        return np.where(worth >= 1.0, math.inf, most)

    def _limit_by_money(self, redos_left: int, again: Values) -> Values:
        """The greatest loss after which what follows is not dearer than ``again``; it never falls with loss."""

        def dear(loss: Values) -> npt.NDArray[np.bool_]:
            found: npt.NDArray[np.bool_] = self._following(self.left_db - loss).value(redos_left, 0).cost > again
            return found

        low, high = np.zeros_like(again), np.full_like(again, MOST_LOSS_DB)
        never, always = ~dear(high), dear(low)
        for branch in (self.law.clean, self.law.failed):
            low, high = self._bracket(branch, redos_left, again, low, high)
        while (high - low > LIMIT_TOLERANCE_DB).any():
            middle = 0.5 * (low + high)
            beyond = dear(middle)
            open_ = high - low > LIMIT_TOLERANCE_DB
            low, high = np.where(open_ & ~beyond, middle, low), np.where(open_ & beyond, middle, high)
        return np.where(never, math.inf, np.where(always, -1.0, low))

    def _bracket(
        self, branch: Branch, redos_left: int, again: Values, low: Values, high: Values
    ) -> tuple[Values, Values]:
        """Between which two of a branch's stretches the limit lies."""
        self._summed(branch, redos_left)
        losses = self._stretches(branch).mean_db
        costs = self._after[id(branch)].value(redos_left, 0).cost.reshape(len(losses), len(self.left_db))
        dear = costs > again[np.newaxis, :]
        inside = (losses[:, np.newaxis] > low) & (losses[:, np.newaxis] < high)
        cheap_at = np.where(inside & ~dear, losses[:, np.newaxis], low)
        dear_at = np.where(inside & dear, losses[:, np.newaxis], high)
        return np.maximum.reduce(cheap_at, axis=0), np.minimum.reduce(dear_at, axis=0)

    # --- the last joint of a budget that is known ----------------------------------------------------------------

    def _last(self, redos_left: int, used: int) -> OverMargins:
        """It closes or it does not, so two chances say everything."""
        attempts, visit, owner = self.attempts, self.second_visit, self.attempts.owner_limit_db
        most = min(redos_left, self._tries - 1 - used)
        misses = self._tail(used + most, self.left_db)
        over = np.full_like(misses, self.law.tail(used + most, owner) if owner is not None else 0.0)
        cost, redos, missed, over_limit = (
            misses * visit + over * attempts.over_limit_cost,
            np.zeros_like(misses),
            misses,
            over,
        )
        for attempt in range(used + most - 1, used - 1, -1):  # back to this one
            misses = self._tail(attempt, self.left_db)
            over = np.full_like(misses, self.law.tail(attempt, owner) if owner is not None else 0.0)
            again = attempts.redo_cost + cost
            not_worth = again >= visit
            redone = np.where(not_worth, over, np.maximum(misses, over))
            kept_missing = np.where(not_worth, np.maximum(0.0, misses - over), 0.0)
            cost = kept_missing * visit + redone * again
            redos = redone * (1.0 + redos)
            missed = kept_missing + redone * missed
            over_limit = redone * over_limit
        return OverMargins(cost, redos, missed, over_limit)
