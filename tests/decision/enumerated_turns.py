"""What the answer is at every value that one fact could have, from the definitions and every world of a small policy.

The enumeration shares nothing with the product but the numbers it is given: who wins is worked out here anew, at each
value by itself, with no regard to what it was at the value before.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from decision.enumerated import SUMS, Cell, Choices, Everything, Possibilities, Wide, fits, spoken
from repairadvisor.facts.vocabulary import BY_NAME, CREW_AND_STOCK, Fact
from repairadvisor.policy.model import Screen
from repairadvisor.policy.plan import Plan

#: What an answer comes down to: the action, and the plan's number, -1 where there is none.
Answered = tuple[str, int]
TEMPORARY = "temporary_then_permanent"
#: Methods that need a fusion machine, among those of the generated plans.
WITH_A_MACHINE = ("fusion_splice",)
NOBODY = -1


class Sharp(Everything):
    """Every world where numbers may be known exactly, also where a prior changes: a stretch holds its first number,
    the last stretch both of its ends."""

    def _cells(self, name: str, world: Mapping[str, Cell]) -> list[tuple[float, Cell]]:
        found = super()._cells(name, world)
        if len(found) == 1 and isinstance(found[0][1], tuple) and not BY_NAME[name].whole:
            low, high = found[0][1]
            if low == high:
                return [(self._density(name, world, float(low)), (low, high))]
        return found

    def _density(self, name: str, world: Mapping[str, Cell], number: float) -> float:
        stretches = self._masses(name, world)
        last = max(end for _, end, _ in stretches)
        return sum(m / (b - a) for a, b, m in stretches if a <= number < b or number == b == last)


@dataclass(frozen=True)
class Terms:
    """What decides besides costs: how much dearer a plan may be and still count as equal, absolute in cu and as a share
    of the least; how many joints a layout puts in."""

    absolute: float
    share: float
    joints: Mapping[str, int]


class At:
    """The answer where facts are known so."""

    def __init__(self, wide: Wide, known: Mapping[str, Any], terms: Terms) -> None:
        self.wide = wide
        self.known = known
        self.terms = terms
        self.possibilities = Possibilities(wide, known)

    @cached_property
    def bars(self) -> list[Screen]:
        """The rules that surely bar."""
        screens = self.wide.small.screens
        return [one for one in screens if self.possibilities.status(one.bars_when) == "bars"]

    def answer(self) -> Answered:
        """People first; then a plan that nothing bars; then the plan that an event could permit."""
        for kind, action in (("scope", "out_of_scope"), ("danger", "stand_off")):
            if any(screen.kind == kind for screen in self.bars):
                return action, NOBODY
        costs = self.costs()
        if costs:
            return "repair", self.winner(costs)
        return self._waits()

    def costs(self) -> dict[int, float]:
        """What each plan that nothing surely bars is expected to cost."""
        every = Sharp(self.wide, self.known)
        if not every.offered:
            return {}
        later = {TEMPORARY: self._later()} if any(self.wide.plans[i].stage == TEMPORARY for i in every.offered) else {}
        every.wide = replace(self.wide, later=later)
        columns = Choices(every, self.wide.small.rates).columns
        return {i: float(columns[i].sum()) for i in every.offered}

    def _later(self) -> float:
        """The least cost of a permanent repair on another day, when what passes is open again, and nobody waits."""
        known = {
            name: left for name, left in self.known.items() if not BY_NAME[name].passing and name not in CREW_AND_STOCK
        }
        if "outage_value_cu_per_h" in self.wide.facts:
            known["outage_value_cu_per_h"] = (0.0, 0.0)
        permanent = tuple(plan for plan in self.wide.plans if plan.stage != TEMPORARY)
        found = At(replace(self.wide, plans=permanent), known, self.terms).costs() if permanent else {}
        return min(found.values(), default=self.wide.small.rates.get("second_visit_cu", 0.0))

    def winner(self, costs: Mapping[int, float]) -> int:
        """Of the plans within the indifference of the least the one with the fewest visits, joints, people, machines;
        then by its id. No hazard has a control in these policies."""
        least = min(costs.values())
        near = least + max(self.terms.absolute, self.terms.share * least)
        return min((i for i, cost in costs.items() if cost <= near), key=lambda i: self._standing(self.wide.plans[i]))

    def _standing(self, plan: Plan) -> tuple[object, ...]:
        places = self.possibilities.words("place")
        there = self.wide.persons_at.get(places[0], 1) if len(places) == 1 else 1
        persons = max(1 if plan.position == "indoor_bench" else there, self.wide.persons_on.get(plan.access, 1))
        visits = 2 if plan.stage == TEMPORARY else 1
        return (visits, self.terms.joints[plan.layout], persons, plan.method in WITH_A_MACHINE, plan.id)

    def near(self, costs: Mapping[int, float], hair: float) -> bool:
        """Whether some plan is so close to the edge of the indifference that rounding may decide."""
        least = min(costs.values())
        edge = least + max(self.terms.absolute, self.terms.share * least)
        return any(abs(cost - edge) < hair * max(1.0, edge) for cost in costs.values())

    def _waits(self) -> Answered:
        """Where every bar of some plan can be lifted by what changes by itself: the plan with the fewest bars, the one
        that wins among those."""
        bars = {i: [s for s in self.bars if fits(plan, s.plans)] for i, plan in enumerate(self.wide.plans)}
        hopeful = {i: mine for i, mine in bars.items() if all(_may_lift(screen) for screen in mine)}
        if not hopeful:
            return "stand_off", NOBODY
        fewest = min(len(mine) for mine in hopeful.values())
        numbers = [i for i, mine in hopeful.items() if len(mine) == fewest]
        left = tuple(screen for screen in self.wide.small.screens if screen not in self.bars)
        plans = tuple(self.wide.plans[i] for i in numbers)
        then = replace(self.wide, plans=plans, small=replace(self.wide.small, screens=left))
        every = Sharp(then, self.known)
        every.wide = replace(then, later={})
        columns = Choices(every, then.small.rates).columns
        costs = {i: float(columns[k].sum()) for k, i in enumerate(numbers)}
        return "make_safe_and_wait", self.winner(costs)


def _may_lift(screen: Screen) -> bool:
    """Whether weather, people or what is on the van can lift a bar; what keeps people whole may hang on more."""
    names = [one for name in spoken(screen.bars_when) for one in SUMS.get(name, (name,))]
    changes = [name in CREW_AND_STOCK or BY_NAME[name].passing for name in names]
    return any(changes) if screen.kind in ("safety", "competence") else all(changes)


def possible_beside(known: Mapping[str, Any], name: str, value: float | str) -> dict[str, Any] | None:
    """What is known with one fact told otherwise; None where something else that was told has no meaning then."""
    told = {**known, name: (value,) if isinstance(value, str) else (value, value)}
    for stated in told:
        for parent, allowed in BY_NAME[stated].applies:
            if parent in told and not {*told[parent]} & {*allowed}:
                return None
    return told


def grid(fact: Fact) -> list[float]:
    """Every value of a number that a person would tell from the next."""
    first, last = round(fact.low / fact.resolution), round(fact.high / fact.resolution)
    return [round(k * fact.resolution, 9) for k in range(first, last + 1)]


def nearest(
    answers: Sequence[tuple[float, Answered | None]], told: float, now: Answered, step: float
) -> Iterator[tuple[str, float, Answered]]:
    """The nearest value on either side with another answer: the first that is not below it, or the first at least it.
    Beyond a value that cannot be nothing is looked for."""
    for side, walk in (
        ("below", [one for one in reversed(answers) if one[0] < told]),
        ("at_least", [one for one in answers if one[0] > told]),
    ):
        for value, then in walk:
            if then is None:
                break
            if then != now:
                yield side, round(value + step, 9) if side == "below" else value, then
                break
