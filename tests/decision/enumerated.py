"""Every world of a policy in columns, and from the definitions what plans cost and what asking is worth.

A policy here has up to a dozen plans and as many facts as its worlds allow; rules, rows and priors are drawn or
written by hand. The enumeration shares nothing with the product but the numbers it is given and the conditions' and
plans' own words: a world is a row, a fact a column of cells, a cost a column of numbers, a sum over worlds a sum.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from builders import persons_of

from decision.small_policy import Cell, Known, Small, small_rules
from repairadvisor.decision.plan_rows import PlanRows
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.vocabulary import BY_NAME, Fact
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some
from repairadvisor.policy.model import Screen
from repairadvisor.policy.plan import PartialPlan, Plan

#: Standing off, among choices by the index of their plan: as the product numbers it.
AWAY = -1
Masses = Mapping[str, float] | Sequence[tuple[float, float, float]]
Array = np.ndarray[Any, Any]

#: Derived facts that are enumerated too: each fact of the sum with its factor, as the policy that ships has them.
SUMS: Mapping[str, Mapping[str, float]] = {
    "spare_at_break_near_m": {"spare_near_m": 1.0, "cut_back_near_m": -1.0, "gap_m": -0.5},
    "plug_reach_m": {"spare_near_m": 1.0, "distance_to_plug_m": -1.0},
}


@dataclass(frozen=True)
class Wide:
    """A small policy with plans of its own. ``persons_at`` and ``persons_on`` are how many a place and a way up ask
    for, one where they are silent; ``later`` is what plans of a stage owe besides."""

    small: Small
    plans: tuple[Plan, ...]
    persons_at: Mapping[str, int] = field(default_factory=dict)
    persons_on: Mapping[str, int] = field(default_factory=dict)
    later: Mapping[str, float] = field(default_factory=dict)

    @property
    def facts(self) -> tuple[str, ...]:
        """The facts that have a prior of the policy's own, what others hang on first."""
        named = {*self.small.priors, *self.small.by_parent}
        found: list[str] = []
        while len(found) < len(named):
            found += [name for name in BY_NAME if name in named - {*found} and {*self.behind(name)} & named <= {*found}]
        return tuple(found)

    def behind(self, name: str) -> tuple[str, ...]:
        """What the chance of a fact hangs on."""
        declared = (self.small.by_parent[name][0],) if name in self.small.by_parent else ()
        return (*(parent for parent, _ in BY_NAME[name].applies), *declared)


def wide_rules(shipped: Rules, wide: Wide) -> Rules:
    """The shipped rules with a wide policy in their place."""
    rules = small_rules(shipped, wide.small)
    policy = replace(
        rules.policy,
        plans=wide.plans,
        crew_by_place={
            **rules.policy.crew_by_place,
            **{word: persons_of(count) for word, count in wide.persons_at.items()},
        },
        crew_by_access={
            **rules.policy.crew_by_access,
            **{word: persons_of(count) for word, count in wide.persons_on.items()},
        },
    )
    return replace(
        rules,
        policy=policy,
        screen_plans=tuple(
            sum(1 << i for i, plan in enumerate(wide.plans) if fits(plan, screen.plans)) for screen in rules.screens
        ),
        rows={
            plan.id: PlanRows(
                tuple(row for row in wide.small.minutes if fits(plan, row.plans)),
                tuple(row for row in wide.small.prices if fits(plan, row.plans)),
            )
            for plan in wide.plans
        },
    )


def fits(plan: Plan, part: PartialPlan) -> bool:
    """Whether a plan has one of the words in every dimension that is judged."""
    return all(getattr(plan, dimension) in words for dimension, words in part.items())


# --- what a rule says --------------------------------------------------------------------------------------------


def holds(condition: Condition, world: Mapping[str, Cell | float]) -> bool:
    """Whether a condition holds in a world; a number is given itself or by the start of a stretch that no rule cuts."""
    if isinstance(condition, Every):
        return all(holds(part, world) for part in condition.parts)
    if isinstance(condition, Some):
        return any(holds(part, world) for part in condition.parts)
    if isinstance(condition, Not):
        return not holds(condition.part, world)
    cell = world[condition.fact]
    if cell is None:
        return False
    if isinstance(condition, IsOneOf):
        return cell in condition.words
    number = cell[0] if isinstance(cell, tuple) else cell
    assert isinstance(number, float)
    return number < condition.value if isinstance(condition, Below) else number >= condition.value


def compared(condition: Condition) -> list[IsOneOf | Below | AtLeast]:
    """The comparisons of a condition."""
    if isinstance(condition, Every | Some):
        return [one for part in condition.parts for one in compared(part)]
    return compared(condition.part) if isinstance(condition, Not) else [condition]


def spoken(condition: Condition) -> tuple[str, ...]:
    """The facts a condition compares."""
    return tuple(dict.fromkeys(one.fact for one in compared(condition)))


class Possibilities:
    """What may still be the case, however unlikely: whether a rule surely bars, surely does not, or stands open."""

    def __init__(self, wide: Wide, known: Known) -> None:
        self.wide = wide
        self.known = known

    def words(self, name: str) -> tuple[str, ...]:
        """The words that are left of a fact, where what was stated needs it to have some of them."""
        left = [str(word) for word in self.known.get(name, BY_NAME[name].words)]
        for stated in self.known:
            for parent, allowed in BY_NAME[stated].applies:
                if parent == name:
                    left = [word for word in left if word in allowed]
        return tuple(left)

    def ends(self, name: str) -> tuple[float, float]:
        """The least and the greatest number that are left."""
        if name in SUMS:
            spans = [self._span(one, times) for one, times in SUMS[name].items()]
            return sum(low for low, _ in spans), sum(high for _, high in spans)
        low, high = self.known.get(name, (BY_NAME[name].low, BY_NAME[name].high))
        assert isinstance(low, float)
        assert isinstance(high, float)
        return low, high

    def _span(self, name: str, times: float) -> tuple[float, float]:
        found = [times * end for end in self.ends(name)]
        may = [name in self.known or all(set(self.words(p)) <= set(w) for p, w in BY_NAME[name].applies)]
        never = any(not set(self.words(parent)) & set(allowed) for parent, allowed in BY_NAME[name].applies)
        found = [0.0] if never else found if all(may) else [*found, 0.0]
        return min(found), max(found)

    def status(self, condition: Condition) -> str:
        """``bars``, ``clear`` or ``open``."""
        names = dict.fromkeys(spoken(condition))
        for name in list(names):
            names.update(dict.fromkeys(self._above(name)))
        values = [self._values(name, condition) for name in names]
        found = {
            holds(condition, world)
            for values_of in itertools.product(*values)
            if self._agrees(world := dict(zip(names, values_of, strict=True)))
        }
        return "open" if len(found) == 2 else "bars" if found == {True} else "clear"

    def _above(self, name: str) -> list[str]:
        if name in SUMS:
            return []
        found = [parent for parent, _ in BY_NAME[name].applies]
        return [*found, *(one for parent in found for one in self._above(parent))]

    def _values(self, name: str, condition: Condition) -> list[Cell | float]:
        """A value for everything that a condition can tell apart, and None where there may be no meaning."""
        if name not in SUMS and BY_NAME[name].words:
            found: list[Cell | float] = list(self.words(name))
        else:
            low, high = self.ends(name)
            cuts = [one.value for one in compared(condition) if one.fact == name and not isinstance(one, IsOneOf)]
            inner = [cut for cut in cuts if low <= cut <= high]
            found = [low, high, *inner, *(math.nextafter(cut, -math.inf) for cut in inner if cut > low)]
            if name in BY_NAME and BY_NAME[name].whole:
                found = [*found[:2], *(math.ceil(cut) + 0.0 for cut in inner), *(math.ceil(cut) - 1.0 for cut in inner)]
                found = [one for one in found if isinstance(one, float) and low <= one <= high]
        return found if name in SUMS or not BY_NAME[name].applies else [*found, None]

    def _agrees(self, world: Mapping[str, Cell | float]) -> bool:
        """Whether what has a meaning in a world are the facts that may, and those that were stated among them."""
        for name, cell in world.items():
            if name in SUMS:
                continue
            meant = all(world[parent] in words for parent, words in BY_NAME[name].applies)
            if meant != (cell is not None) or (name in self.known and not meant):
                return False
        return True


# --- the worlds --------------------------------------------------------------------------------------------------


def below(limit: float, stretches: Sequence[tuple[float, float]]) -> float:
    """P(sum of numbers, each even in its stretch, < limit): integrated over the first of them, in pieces within which
    the rest is a polynomial, by Gauss's rule of three points, which is exact up to the fifth degree."""
    wide = [one for one in stretches if one[1] > one[0]]
    if len(wide) < len(stretches):
        return below(limit - sum(low for low, high in stretches if low == high), wide)
    if len(wide) < 2:
        if not wide:
            return 1.0 if limit > 0.0 else 0.0
        return min(max((limit - wide[0][0]) / (wide[0][1] - wide[0][0]), 0.0), 1.0)
    (low, high), rest = wide[0], wide[1:]
    turns = {limit - sum(corner) for corner in itertools.product(*rest)}
    edges = [low, *sorted(turn for turn in turns if low < turn < high), high]
    total = 0.0
    for start, end in itertools.pairwise(edges):
        middle, half = (start + end) / 2.0, (end - start) / 2.0
        for point, weight in ((-math.sqrt(0.6), 5.0 / 9.0), (0.0, 8.0 / 9.0), (math.sqrt(0.6), 5.0 / 9.0)):
            total += weight * half * below(limit - (middle + half * point), rest)
    return total / (high - low)


class Everything:
    """Every world that is compatible with what is known, a row for each.

    ``mass`` is how likely each is; ``cells[fact]`` the cells a fact can lie in, ``at[fact]`` the one of each world.
    """

    def __init__(self, wide: Wide, known: Known) -> None:
        self.wide = wide
        self.known = known
        self.possibilities = Possibilities(wide, known)
        screens = wide.small.screens
        status = [self.possibilities.status(screen.bars_when) for screen in screens]
        #: The plans that no single rule surely bars, by their index.
        self.offered = [
            i
            for i, plan in enumerate(wide.plans)
            if not any(one == "bars" and fits(plan, screen.plans) for one, screen in zip(status, screens, strict=True))
        ]
        #: The rules that stand open and speak of one of those.
        self.open: list[Screen] = [
            screen
            for one, screen in zip(status, screens, strict=True)
            if one == "open" and any(fits(wide.plans[i], screen.plans) for i in self.offered)
        ]
        self.cuts: dict[str, set[float]] = {}
        for screen in self.open:
            for one in compared(screen.bars_when):
                if not isinstance(one, IsOneOf):
                    self.cuts.setdefault(one.fact, set()).add(one.value)
        self.mass: Array = np.ones(1)
        self.cells: dict[str, list[Cell]] = {}
        self.at: dict[str, Array] = {}
        for name in wide.facts:
            self._add(name, wide.behind(name))
        for name, terms in SUMS.items():
            if name in self.cuts:
                self._add(name, tuple(terms))
        self.mass = self.mass / self.mass.sum()

    @property
    def count(self) -> int:
        """How many worlds there are."""
        return len(self.mass)

    def varying(self) -> list[str]:
        """The facts of the vocabulary of which more than one cell is possible."""
        return [name for name in self.wide.facts if len(self.cells[name]) > 1]

    def _add(self, name: str, parents: Sequence[str]) -> None:
        """Split every world by the cells of one more fact."""
        mine = [parent for parent in dict.fromkeys(parents) if parent in self.at]
        codes, groups = self.codes(mine)
        found: list[Cell] = []
        rows: list[Array] = []
        masses: list[Array] = []
        ids: list[Array] = []
        for code, world in enumerate(groups):
            members = np.flatnonzero(codes == code)
            for mass, cell in self._cells(name, world):
                if mass > 0.0:
                    if cell not in found:
                        found.append(cell)
                    rows.append(members)
                    masses.append(self.mass[members] * mass)
                    ids.append(np.full(len(members), found.index(cell)))
        kept = np.concatenate(rows)
        self.mass = np.concatenate(masses)
        self.at = {one: column[kept] for one, column in self.at.items()}
        self.at[name], self.cells[name] = np.concatenate(ids), found

    def codes(self, names: Sequence[str]) -> tuple[Array, list[dict[str, Cell]]]:
        """A number for each combination of cells of some facts that some world has: of each world, and what it is."""
        code = np.zeros(self.count, dtype=np.int64)
        for name in names:
            code = code * len(self.cells[name]) + self.at[name]
        _, first, inverse = np.unique(code, return_index=True, return_inverse=True)
        return inverse, [{name: self.cells[name][self.at[name][row]] for name in names} for row in first]

    def _cells(self, name: str, world: Mapping[str, Cell]) -> list[tuple[float, Cell]]:
        if name in SUMS:
            return self._of_sum(name, world)
        fact = BY_NAME[name]
        if not all(self._word(parent, world) in words for parent, words in fact.applies):
            return [] if name in self.known else [(1.0, None)]
        masses = self._masses(name, world)
        if isinstance(masses, Mapping):
            return [(mass, word) for word, mass in masses.items() if word in self.possibilities.words(name)]
        low, high = self.possibilities.ends(name)
        if fact.whole:
            return self._of_whole(fact, masses, low, high)
        if low == high:
            return [(sum(m / (b - a) for a, b, m in masses if a < low < b), (low, high))]
        inner = [edge for edge in self._edges(name) if low < edge < high]
        return [
            (sum(m * (end - start) / (b - a) for a, b, m in masses if a <= start and end <= b), (start, end))
            for start, end in itertools.pairwise([low, *inner, high])
        ]

    def _word(self, name: str, world: Mapping[str, Cell]) -> Cell:
        """A parent's word; of one that has no prior of ours the one that is known."""
        return world[name] if name in world else self.possibilities.words(name)[0]

    def _edges(self, name: str) -> list[float]:
        """Where a fact's priors change and where open rules compare it."""
        small = self.wide.small
        priors = small.by_parent[name][1].values() if name in small.by_parent else [small.priors[name]]
        ends = {float(end) for prior in priors for stretch in prior for end in stretch[:2]}  # type: ignore[misc]
        return sorted(ends | self.cuts.get(name, set()))

    def _of_whole(self, fact: Fact, masses: Sequence[Any], low: float, high: float) -> list[tuple[float, Cell]]:
        """Whole numbers one by one: a stretch holds its first and not its last, the last one both."""
        last = max(end for _, end, _ in masses)
        each: dict[float, float] = {}
        for start, end, mass in masses:
            numbers = [float(n) for n in range(int(start), int(end) + (end == last))]
            each.update({n: mass / len(numbers) for n in numbers})
        starts = [low, *(e for e in sorted({float(math.ceil(e)) for e in self._edges(fact.name)}) if low < e <= high)]
        ends = [*(start - 1.0 for start in starts[1:]), high]
        return [
            (sum(mass for n, mass in each.items() if start <= n <= end), (start, end))
            for start, end in zip(starts, ends, strict=True)
        ]

    def _masses(self, name: str, world: Mapping[str, Cell]) -> Any:
        small = self.wide.small
        if name not in small.by_parent:
            return small.priors[name]
        parent, priors = small.by_parent[name]
        word = self._word(parent, world)
        return priors[word] if isinstance(word, str) else next(iter(priors.values()))

    def _of_sum(self, name: str, world: Mapping[str, Cell]) -> list[tuple[float, Cell]]:
        stretches = []
        for one, times in SUMS[name].items():
            cell = world[one]
            if cell is not None:
                assert isinstance(cell, tuple)
                stretches.append((min(times * cell[0], times * cell[1]), max(times * cell[0], times * cell[1])))
        limits = sorted(self.cuts[name])
        shares = [0.0, *(below(limit, stretches) for limit in limits), 1.0]
        edges = [-math.inf, *limits, math.inf]
        return [
            (after - before, edge)
            for (before, after), edge in zip(itertools.pairwise(shares), itertools.pairwise(edges), strict=True)
        ]

    # --- columns of numbers --------------------------------------------------------------------------------------

    def mean(self, name: str) -> Array:
        """A number in each world: the mean of its cell, nothing where it has no meaning."""
        if name not in self.at:
            return np.zeros(self.count)
        means = [(cell[0] + cell[1]) / 2.0 if isinstance(cell, tuple) else 0.0 for cell in self.cells[name]]  # type: ignore[operator]
        return np.array(means)[self.at[name]]

    def by_word(self, name: str, table: Mapping[str, float]) -> Array:
        """What a table says in each world."""
        if name not in self.at:
            word = self.possibilities.words(name)[0] if name else ""
            return np.full(self.count, table.get(word, 0.0))
        found = [table.get(cell, 0.0) if isinstance(cell, str) else 0.0 for cell in self.cells[name]]
        return np.array(found)[self.at[name]]

    def barred(self, condition: Condition) -> Array:
        """Whether a condition holds, in each world."""
        codes, groups = self.codes(spoken(condition))
        return np.array([holds(condition, world) for world in groups])[codes]


# --- what choices cost -------------------------------------------------------------------------------------------


class Choices:
    """What each plan and standing off cost in each world: a column a choice, times how likely the world is."""

    def __init__(self, every: Everything, rates: Mapping[str, float]) -> None:
        self.every = every
        self.wide = every.wide
        self.rates = {
            "second_visit_cu": 0.0,
            "stand_off_hours": 0.0,
            "failed_visits_most": 0.0,
            **rates,
        }
        back, hours = self.rates.get("stand_off_return_cu", 0.0), self.rates["stand_off_hours"]
        self.away = back + hours * every.mean("outage_value_cu_per_h")
        self.clear = {i: self._clear(plan) for i, plan in self._offered()}
        self.work = {i: self._work(plan) for i, plan in self._offered()}
        self.lost = {i: self._lost(plan) for i, plan in self._offered()}
        self.owed = self._owed()
        self.columns: dict[int, Array] = {AWAY: every.mass * (self.away + self.owed)}
        for i, plan in self._offered():
            done = self.work[i] + self.wide.later.get(plan.stage, 0.0)
            self.columns[i] = every.mass * np.where(self.clear[i], done, self.lost[i] + self.owed)
        self.surely = {AWAY: every.mass, **{i: every.mass * clear for i, clear in self.clear.items()}}

    def _offered(self) -> list[tuple[int, Plan]]:
        return [(i, self.wide.plans[i]) for i in self.every.offered]

    def _clear(self, plan: Plan) -> Array:
        clear = np.ones(self.every.count, dtype=bool)
        for screen in self.wide.small.screens:
            if fits(plan, screen.plans) and screen in self.every.open:
                clear &= ~self.every.barred(screen.bars_when)
        return clear

    def _persons(self, plan: Plan) -> Array:
        at = {word: float(self.wide.persons_at.get(word, 1)) for word in BY_NAME["place"].words}
        here = np.ones(self.every.count) if plan.position == "indoor_bench" else self.every.by_word("place", at)
        return np.maximum(here, self.wide.persons_on.get(plan.access, 1))

    def _minutes(self, plan: Plan, phases: Sequence[str]) -> Array:
        total = np.zeros(self.every.count)
        for row in self.wide.small.minutes:
            if fits(plan, row.plans) and row.phase in phases:
                total = total + self.every.by_word(row.by, row.p50) * (self.every.mean(row.per) if row.per else 1.0)
        return total

    def _labour(self, plan: Plan, phases: Sequence[str]) -> Array:
        """Sixty an hour and person: one a minute."""
        return self._persons(plan) * self._minutes(plan, phases)

    def _work(self, plan: Plan) -> Array:
        before_service = ("travel", "set_up", "prepare", "join", "test")
        total = self._labour(plan, (*before_service, "clear_away"))
        down = self.every.mean("outage_value_cu_per_h") / 60.0
        total = total + self._minutes(plan, before_service) * down
        for row in self.wide.small.prices:
            if fits(plan, row.plans):
                total = total + self.every.by_word(row.by, row.amount) * (self.every.mean(row.per) if row.per else 1.0)
        if plan.stage == "temporary_then_permanent":
            total = total + self.rates.get("second_interruption_min", 0.0) * down
        return total

    def _lost(self, plan: Plan) -> Array:
        return self._labour(plan, ("travel", "set_up")) + self.away

    def _owed(self) -> Array:
        """The work owed: where the damage is known the work of the plan that stands for it, world by world; else for
        each kind of damage the mean of the plan that stands for that one."""
        every, damage = self.every, "fault_seen"
        if len(every.possibilities.words(damage)) == 1:
            best, in_vain, _ = self._stands(every.mass)
            return np.full(every.count, self.rates["second_visit_cu"]) if best is None else self.work[best] + in_vain
        owed = np.zeros(every.count)
        kinds = every.at[damage]
        for kind in range(len(every.cells[damage])):
            best, in_vain, work = self._stands(every.mass * (kinds == kind))
            owed[kinds == kind] = self.rates["second_visit_cu"] if best is None else work + in_vain
        return owed

    def _stands(self, mass: Array) -> tuple[int | None, float, float]:
        """The permanent plan that comes to the least in some worlds, coming back until it can be done; the visits in
        vain that are owed with it, and its mean work there."""
        best, least, in_vain, mean = None, math.inf, 0.0, 0.0
        for i, plan in self._offered():
            chance = float((mass * self.clear[i]).sum() / mass.sum())
            if plan.stage != "permanent" or chance <= 0.0:
                continue
            work = float((mass * self.work[i]).sum() / mass.sum())
            lost = float((self.every.mass * self.lost[i]).sum())
            visits = 1.0 / chance - 1.0
            if work + visits * lost < least - 1e-6:
                best, least, mean = i, work + visits * lost, work
                in_vain = min(visits, self.rates["failed_visits_most"]) * lost
        return best, in_vain, mean


class Asking:
    """What some of the choices cost, and the least of it after questions; all of it times the chance of what is
    assumed, which is a set of worlds."""

    def __init__(self, choices: Choices, plans: Sequence[int]) -> None:
        self.every = choices.every
        self.order = [*plans, AWAY]
        self.matrix: Array = np.stack([choices.columns[i] for i in self.order], axis=1)
        self.sure: Array = np.stack([choices.surely[i] for i in self.order], axis=1)

    @cached_property
    def all(self) -> Array:
        """All worlds."""
        return np.arange(self.every.count)

    def assuming(self, fact: str, cell: Cell, worlds: Array | None = None) -> Array:
        """Those of some worlds in which a fact lies in a cell."""
        within = self.all if worlds is None else worlds
        return within[self.every.at[fact][within] == self.every.cells[fact].index(cell)]

    def mass(self, worlds: Array) -> float:
        """How likely some worlds are."""
        return float(self.every.mass[worlds].sum())

    def costs(self, worlds: Array) -> dict[int, float]:
        """What each choice costs in some worlds."""
        return dict(zip(self.order, self.matrix[worlds].sum(axis=0).tolist(), strict=True))

    def clear(self, worlds: Array) -> dict[int, float]:
        """How likely it is that nothing bars each choice, together with these worlds."""
        return dict(zip(self.order, self.sure[worlds].sum(axis=0).tolist(), strict=True))

    def told_apart(self, facts: Sequence[str], worlds: Array) -> Array:
        """What each choice costs in some worlds, told apart by the cells of facts: a row for each combination."""
        code = np.zeros(len(worlds), dtype=np.int64)
        for name in facts:
            code = code * len(self.every.cells[name]) + self.every.at[name][worlds]
        order = np.argsort(code, kind="stable")
        starts = np.flatnonzero(np.diff(code[order], prepend=-1))
        return np.add.reduceat(self.matrix[worlds][order], starts, axis=0)

    def knowing(self, facts: Sequence[str], worlds: Array, group: Sequence[int] | None = None) -> float:
        """The least cost when the best of some choices is made once facts are known."""
        chosen = [k for k, index in enumerate(self.order) if group is None or index in group]
        return float(self.told_apart(facts, worlds)[:, chosen].min(axis=1).sum())

    def least(self, prices: Mapping[str, float], depth: int, worlds: Array) -> float:
        """``T(S, depth)``."""
        least = min(self.costs(worlds).values())
        if depth == 0:
            return least
        return min([least, *(self.after(prices, fact, depth, worlds) for fact in prices)])

    def after(self, prices: Mapping[str, float], fact: str, depth: int, worlds: Array) -> float:
        """The price of one fact and the least cost afterwards; what is asked next may differ by answer."""
        price = prices[fact] * self.mass(worlds)
        if depth == 1:
            return price + self.knowing([fact], worlds)
        answers = [self.assuming(fact, cell, worlds) for cell in self.every.cells[fact]]
        return price + sum(self.least(prices, depth - 1, some) for some in answers if len(some))
