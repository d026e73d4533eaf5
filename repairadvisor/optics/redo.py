"""Keep this joint or make it again? Optimal stopping without recall, in money, joint by joint.

The joint that is cut is gone. With k counting attempts including this one, V(k) = E[min(g(X), c + V(k-1))] and V(0)
is infinite: keep a joint of loss x if and only if g(x) <= c + V(k-1), where c is the cost of one more attempt and g(x)
the least expected cost of everything that follows when x is kept. Joints are made one after the other, so g of one
joint is the value of the next at the loss so far plus x, with the attempts that joints share (bodies) in the state;
after the last joint it is P(budget missed) times a second visit. Limits rise as attempts run out. An owner's limit
caps them: above it a joint is made again while it can be.

What a joint may turn out to lose is a :class:`~repairadvisor.optics.joint_law.JointLaw`, attempt by attempt, so a
common cause that bad attempts make likelier is in the law. Losses before the last joint stand on the law's stretches
(60 to 120 of exact chance and mean) instead of an even grid: an even one of 0.01 dB errs by up to a percentage point
for a fused joint, this one by less than 0.01. Plus, minus, times, divide and comparisons only, in one fixed order.

Source: optimal stopping without recall (Moser, 1956; Cayley's problem), by backward induction.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.valid_range import in_range

_HALVINGS = 40
#: How near a limit is found, dB, and the greatest loss that is looked at for one.
LIMIT_TOLERANCE_DB, MOST_LOSS_DB = 1e-5, 60.0
_ANY = math.inf
#: What may be left of a margin before the last joint, dB; beyond the ends it is as at the end.
LEFT_GRID_DB = (
    *(-59.0, -20.0, -12.0, -8.0),
    *(-6.0 + 0.5 * i for i in range(8)),
    *(-2.0 + 0.1 * i for i in range(15)),
    *(-0.5 + 0.01 * i for i in range(200)),
    *(1.5 + 0.1 * i for i in range(25)),
    *(4.0 + 0.5 * i for i in range(9)),
    *(12.0, 20.0, 59.0),
)


class Law(Protocol):
    """What a joint may lose, attempt by attempt."""

    @property
    def tries(self) -> int:
        """Attempts that the law speaks of."""

    def tail(self, used: int, x_db: float) -> float:
        """P(loss > x) of the attempt after ``used`` others."""

    def tails(self, x_db: float) -> Sequence[float]:
        """P(loss > x), attempt by attempt."""

    def weights_within(self, used: int, limit_db: float) -> list[tuple[float, float]]:
        """(loss, chance) of that attempt, up to the limit; losses rise within what belongs together."""

    def tail_within(self, used: int, nm: int, y_db: float, limit_db: float) -> float:
        """P(loss at ``nm`` > y and governing loss <= limit)."""

    def mean_within(self, used: int, nm: int, limit_db: float) -> float:
        """E[loss at ``nm``; governing loss <= limit]."""

    def losses_at(self, used: int, nm: int, limit_db: float) -> list[tuple[float, float, float]]:
        """(governing loss, loss at ``nm``, chance) of that attempt, up to the limit of the governing loss."""


@dataclass(frozen=True, slots=True)
class Budget:
    """What the joints may lose, and what it costs to miss it.

    ``margin_db`` is that for the joints; ``given_back`` the distribution of what parts cut out used to lose, where
    that is not on record. Errors: OpticsError for a margin outside -60 to 60 dB or a negative cost.
    """

    margin_db: float
    second_visit: float
    given_back: LossTable | None = None

    def __post_init__(self) -> None:
        in_range("margin", self.margin_db, -60.0, 60.0, "dB")
        in_range("cost of a second visit", self.second_visit, 0.0, 1e9, "money")

    def missed(self, lost_db: float) -> float:
        """P(budget missed) at a loss of all joints."""
        over = lost_db - self.margin_db
        if self.given_back is None:
            return 1.0 if over > 0.0 else 0.0
        return 1.0 - self.given_back.chance_above(over) if over > self.given_back.knots_db[0] else 0.0

    def most_lost_db(self, missed: float) -> float:
        """The greatest loss at which P(budget missed) does not pass ``missed`` (0 or more)."""
        if missed >= 1.0:
            return _ANY
        if self.given_back is None:
            return self.margin_db
        return self.margin_db + self.given_back.loss_at_chance_above(1.0 - missed)


@dataclass(frozen=True, slots=True)
class Attempts:
    """How often joints may be made and what that costs.

    ``redo_cost`` of one more attempt; ``each`` attempts a joint at most; ``shared_redos`` beyond the first attempts,
    between all joints (None: as many as ``each`` lets). Above ``owner_limit_db`` a joint is made again while it can
    be; one that stays above costs ``over_limit_cost``. Errors: OpticsError.
    """

    redo_cost: float
    each: int
    shared_redos: int | None = None
    owner_limit_db: float | None = None
    over_limit_cost: float = 0.0

    def __post_init__(self) -> None:
        in_range("cost of a redo", self.redo_cost, 0.0, 1e9, "money")
        in_range("number of tries", self.each, 1, 20, "1")
        in_range("shared redos", self.shared_redos or 0, 0, 1000, "1")
        in_range("cost of passing the owner's limit", self.over_limit_cost, 0.0, 1e9, "money")


@dataclass(frozen=True, slots=True)
class Expected:
    """Least expected cost of what is still to come, and what it is made of: redos, the chance that the budget is
    missed, and joints kept above the owner's limit for want of attempts."""

    cost: float
    redos: float
    missed: float
    over_limit: float


@dataclass(slots=True)
class Redo:
    """The best limits for joints made in order, worked out where they are asked for.

    ``laws`` one a joint (1 to 50). ``shared`` may be handed on to the same joints under another margin, where what
    comes back is not on record; it saves working out the last joint anew. Errors: OpticsError.
    """

    laws: Sequence[Law]
    budget: Budget
    attempts: Attempts
    shared: dict[tuple[int, int, int], Expected] = field(default_factory=dict)
    _values: dict[tuple[int, int, int, float], Expected] = field(default_factory=dict)
    _limits: dict[tuple[int, int, int, float], float] = field(default_factory=dict)
    usable: tuple[int, ...] = ()  # redos that this joint and those after it can use up

    def __post_init__(self) -> None:
        in_range("number of joints", len(self.laws), 1, 50, "1")
        spare = [self.tries(joint) - 1 for joint in range(len(self.laws))]
        self.usable = tuple(sum(spare[joint:]) for joint in range(len(spare)))

    @property
    def redos_at_first(self) -> int:
        """Shared redos before the first joint."""
        most = self.usable[0]
        return most if self.attempts.shared_redos is None else min(self.attempts.shared_redos, most)

    @property
    def expected(self) -> Expected:
        """Before the first joint, nothing lost so far."""
        return self.value(0, self.redos_at_first, 0, 0.0)

    def value(self, joint: int, redos_left: int, used: int, so_far_db: float) -> Expected:
        """V before attempt ``used`` + 1 at a joint, at a loss so far; after the last joint what missing costs."""
        if joint == len(self.laws):
            missed = self.budget.missed(so_far_db)
            return Expected(missed * self.budget.second_visit, 0.0, missed, 0.0)
        key = (joint, min(redos_left, self.usable[joint] - used), used, so_far_db)
        found = self._values.get(key)
        if found is None:
            if joint + 1 < len(self.laws):
                found = self._value(*key)
            elif self.budget.given_back is None:
                found = self._last(*key)
            else:
                found = self._value(*key) if joint == 0 else self._between(*key)
            self._values[key] = found
        return found

    def again(self, joint: int, redos_left: int, used: int, so_far_db: float) -> float:
        """c + V(k-1), after attempt ``used`` + 1; infinite when no attempt or no shared redo is left."""
        if redos_left == 0 or used + 1 >= self.tries(joint):
            return _ANY
        return self.attempts.redo_cost + self.value(joint, redos_left - 1, used + 1, so_far_db).cost

    def limit_db(self, joint: int, redos_left: int, used: int, so_far_db: float) -> float:
        """Greatest loss at which attempt ``used`` + 1 is kept; infinite when any is (the last attempt, or one more
        costs too much), below nothing when none is. Money and the owner's limit both count."""
        key = (joint, min(redos_left, self.usable[joint] - used), used, so_far_db)
        if key not in self._limits:
            again = self.again(*key)
            by_money = _ANY if again == _ANY else self._limit_by_money(joint, redos_left, so_far_db, again)
            owner = self.attempts.owner_limit_db
            self._limits[key] = by_money if again == _ANY or owner is None else min(by_money, owner)
        return self._limits[key]

    def cost_if_kept(self, joint: int, redos_left: int, so_far_db: float, loss_db: float) -> float:
        """g: least expected cost of what follows when a joint of ``loss_db`` is kept."""
        owner = self.attempts.owner_limit_db
        over = self.attempts.over_limit_cost if owner is not None and loss_db > owner else 0.0
        return over + self.value(joint + 1, redos_left, 0, so_far_db + loss_db).cost

    def cost_if_kept_given(
        self, joint: int, redos_left: int, so_far_db: float, chances: Sequence[tuple[float, float]]
    ) -> float:
        """E[g(X) | reading], ``chances`` being (true loss, chance) after the reading."""
        return sum(chance * self.cost_if_kept(joint, redos_left, so_far_db, loss) for loss, chance in chances)

    # --- one joint -------------------------------------------------------------------------------------------

    def tries(self, joint: int) -> int:
        """Attempts that a joint may take."""
        return min(self.attempts.each, self.laws[joint].tries)

    def _value(self, joint: int, redos_left: int, used: int, so_far_db: float) -> Expected:
        """What is kept within the limit, each outcome with its chance, and beyond it one more attempt."""
        law, owner = self.laws[joint], self.attempts.owner_limit_db
        limit = self.limit_db(joint, redos_left, used, so_far_db)
        over = law.tail(used, owner) if limit == _ANY and owner is not None else 0.0
        cost, redos, missed, over_limit = over * self.attempts.over_limit_cost, 0.0, 0.0, over
        if joint + 1 == len(self.laws):
            for loss, chance in law.weights_within(used, limit):
                missed += chance * self.budget.missed(so_far_db + loss)
            return self._with_redone(joint, redos_left, used, so_far_db, limit, (cost, redos, missed, over_limit))
        for loss, chance in law.weights_within(used, limit):
            after = self.value(joint + 1, redos_left, 0, so_far_db + loss)
            cost += chance * after.cost
            redos += chance * after.redos
            missed += chance * after.missed
            over_limit += chance * after.over_limit
        return self._with_redone(joint, redos_left, used, so_far_db, limit, (cost, redos, missed, over_limit))

    def _with_redone(
        self,
        joint: int,
        redos_left: int,
        used: int,
        so_far_db: float,
        limit: float,
        kept: tuple[float, float, float, float],
    ) -> Expected:
        """What is kept, and beyond the limit one more attempt."""
        cost, redos, missed, over_limit = kept
        if joint + 1 == len(self.laws):
            cost += missed * self.budget.second_visit
        if limit < _ANY:
            redone = self.laws[joint].tail(used, limit)
            after = self.value(joint, redos_left - 1, used + 1, so_far_db)
            cost += redone * (self.attempts.redo_cost + after.cost)
            redos += redone * (1.0 + after.redos)
            missed += redone * after.missed
            over_limit += redone * after.over_limit
        return Expected(cost, redos, missed, over_limit)

    def _between(self, joint: int, redos_left: int, used: int, so_far_db: float) -> Expected:
        """The last joint where what comes back is not on record: a matter of what is then left of the margin alone, so
        it is worked out on a grid of that, dense where chances change, which every loss so far and margin share."""
        left_db = self.budget.margin_db - so_far_db
        above = min(max(bisect_right(LEFT_GRID_DB, left_db), 1), len(LEFT_GRID_DB) - 1)
        low, high = (self._on_grid(joint, redos_left, used, cell) for cell in (above - 1, above))
        share = min(
            max((left_db - LEFT_GRID_DB[above - 1]) / (LEFT_GRID_DB[above] - LEFT_GRID_DB[above - 1]), 0.0), 1.0
        )
        return Expected(
            low.cost + share * (high.cost - low.cost),
            low.redos + share * (high.redos - low.redos),
            low.missed + share * (high.missed - low.missed),
            low.over_limit + share * (high.over_limit - low.over_limit),
        )

    def _on_grid(self, joint: int, redos_left: int, used: int, cell: int) -> Expected:
        key = (redos_left, used, cell)
        found = self.shared.get(key)
        if found is None:
            alone = Redo(
                self.laws[joint:],
                Budget(LEFT_GRID_DB[cell], self.budget.second_visit, self.budget.given_back),
                self.attempts,
            )
            found = self.shared[key] = alone.value(0, redos_left, used, 0.0)
        return found

    def _last(self, joint: int, redos_left: int, used: int, so_far_db: float) -> Expected:
        """The last joint of a budget that is known: it closes or it does not, so two chances say everything."""
        law, attempts, visit = self.laws[joint], self.attempts, self.budget.second_visit
        owner, margin = attempts.owner_limit_db, self.budget.margin_db - so_far_db
        most = min(redos_left, self.tries(joint) - 1 - used)
        misses_at = law.tails(margin)
        over_at = law.tails(owner) if owner is not None else ()
        cost = redos = missed = over_limit = 0.0
        for more in range(most + 1):  # from the last attempt back to this one; more: attempts that may follow
            attempt = used + most - more
            misses = misses_at[attempt]
            over = over_at[attempt] if over_at else 0.0
            if more == 0:
                cost, missed, over_limit = misses * visit + over * attempts.over_limit_cost, misses, over
                continue
            again = attempts.redo_cost + cost
            redone = over if again >= visit else max(misses, over)
            kept_missing = max(0.0, misses - over) if again >= visit else 0.0
            cost = kept_missing * visit + redone * again
            redos = redone * (1.0 + redos)
            missed = kept_missing + redone * missed
            over_limit = redone * over_limit
        return Expected(cost, redos, missed, over_limit)

    def _limit_by_money(self, joint: int, redos_left: int, so_far_db: float, again: float) -> float:
        """The greatest loss whose g is not above ``again``; g never falls with loss."""
        if joint + 1 == len(self.laws):
            worth = again / self.budget.second_visit if self.budget.second_visit > 0.0 else 1.0
            return self.budget.most_lost_db(worth) - so_far_db

        def dear(loss: float) -> bool:
            return self.value(joint + 1, redos_left, 0, so_far_db + loss).cost > again

        low, high = 0.0, MOST_LOSS_DB
        if not dear(high):
            return _ANY
        if dear(low):
            return -1.0
        for loss, _ in self.laws[joint].weights_within(0, _ANY):
            if low < loss < high:
                low, high = (low, loss) if dear(loss) else (loss, high)
        for _ in range(_HALVINGS):
            if high - low <= LIMIT_TOLERANCE_DB:
                break
            middle = 0.5 * (low + high)
            low, high = (low, middle) if dear(middle) else (middle, high)
        return low


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
