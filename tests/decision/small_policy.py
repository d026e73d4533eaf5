"""A policy small enough to enumerate: three plans, three rules, prices by hand; and the enumeration.

Everything else (the vocabulary, the way a policy is compiled, how plans are weighed) is as it ships. The enumeration
shares nothing with the product but the numbers it is given.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from builders import persons_of

from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.plan_rows import PlanRows
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import compile_rules
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import Below, Condition, IsOneOf, Some
from repairadvisor.policy.model import LiftedBy, MinutesRow, Number, PriceRow, Prior, Screen
from repairadvisor.policy.plan import PartialPlan, Plan
from repairadvisor.policy.read_numbers import ordered_facts

NOW = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
FUSION = Plan("fusion_splice", "join_directly", "tent", "on_foot", "enclosed", "permanent")
MECHANICAL = Plan("mechanical_splice", "join_directly", "in_place", "on_foot", "none", "permanent")
NOTHING = Plan("none", "re_dress", "in_place", "on_foot", "none", "permanent")
PLANS = (FUSION, MECHANICAL, NOTHING)
GAS, SHORT, TIGHT = (
    IsOneOf("gas_test", ("alarm",)),
    Below("spare_near_m", "a limit", 2.0),
    Below("margin_db", "a limit", 1.0),
)


def a_screen(screen_id: str, method: str, condition: Condition) -> Screen:
    return Screen(
        id=screen_id,
        kind="safety",
        plans={"method": (method,)},
        bars_when=condition,
        check=True,
        not_before="Not before somebody has looked.",
        because="It is so.",
        source="made up",
        known="assumed",
        cautions=(),
        needs="",
        stand_off=False,
        lifted_by=LiftedBy("somebody looks", "the crew lead", None, 0.0),
        call=(),
        examples={},
    )


def a_price(
    row_id: str, plans: PartialPlan, amount: float | Mapping[str, float], by: str = "", per: str = ""
) -> PriceRow:
    table = amount if isinstance(amount, Mapping) else {"": amount}
    return PriceRow(row_id, "materials", plans, by, table, per, "made up", "assumed")


def some_minutes(
    row_id: str, phase: str, plans: PartialPlan, minutes: float | Mapping[str, float], by: str = ""
) -> MinutesRow:
    table = minutes if isinstance(minutes, Mapping) else {"": minutes}
    return MinutesRow(row_id, phase, plans, by, table, table, "", 1.0, "made up", "assumed")


@dataclass(frozen=True)
class Small:
    """The numbers of one small policy. A prior of words maps a word to its mass, one of numbers lists stretches."""

    priors: Mapping[str, Mapping[str, float] | Sequence[tuple[float, float, float]]]
    prices: tuple[PriceRow, ...]
    minutes: tuple[MinutesRow, ...] = ()
    screens: tuple[Screen, ...] = (
        a_screen("gas", "fusion_splice", GAS),
        a_screen("short", "fusion_splice", SHORT),
        a_screen("tight", "mechanical_splice", TIGHT),
    )
    by_parent: Mapping[str, tuple[str, Mapping[str, Sequence[tuple[float, float, float]]]]] = field(
        default_factory=dict
    )
    rates: Mapping[str, float] = field(default_factory=dict)


def _prior(masses: Mapping[str, float] | Sequence[tuple[float, float, float]]) -> Prior:
    return Prior(dict(masses), ()) if isinstance(masses, Mapping) else Prior({}, tuple(masses))


def _alone(priors: Mapping[str, Prior]) -> dict[str, Prior]:
    return {"": next(iter(priors.values()))}


def _bits(partial: PartialPlan) -> int:
    """The plans of this policy that fit part of a plan: bit i for the i-th."""
    return sum(1 << i for i, plan in enumerate(PLANS) if plan.fits(partial))


def small_rules(shipped: Rules, small: Small) -> Rules:
    """The shipped rules with the plans, rules, priors and prices of a small policy in their place."""
    # Nothing but the policy's own facts tells of another.
    facts = {name: replace(one, parent="", priors=_alone(one.priors)) for name, one in shipped.policy.facts.items()}
    for name, masses in small.priors.items():
        facts[name] = replace(facts[name], parent="", priors={"": _prior(masses)})
    for name, (parent, priors) in small.by_parent.items():
        facts[name] = replace(
            facts[name], parent=parent, priors={word: _prior(masses) for word, masses in priors.items()}
        )
    rates = {
        "labour_cu_per_person_hour": 60.0,
        "second_visit_cu": 0.0,
        "stand_off_hours": 0.0,
        "workmanship_kept": 1.0,
        "failed_visits_most": 0.0,
        **small.rates,
    }
    once = {"attempts_most": replace(shipped.policy.limits["attempts_most"], value=1.0)}  # joints made again: elsewhere
    policy = replace(
        shipped.policy,
        limits={**shipped.policy.limits, **once},
        plans=PLANS,
        screens=small.screens,
        facts=facts,
        minutes=small.minutes,
        prices=small.prices,
        rates={
            **shipped.policy.rates,
            **{name: Number(name, value, "", "made up", "assumed", "") for name, value in rates.items()},
        },
        crew_by_place=dict.fromkeys(BY_NAME["place"].words, persons_of(1)),
        crew_by_access=dict.fromkeys(shipped.policy.crew_by_access, persons_of(1)),
        controls=(),
        cautions=(),
        steps=(),
        kit=(),
        slots=(),
    )
    conditions = [screen.bars_when for screen in small.screens]
    named = [(screen.id, screen.bars_when) for screen in small.screens]
    return replace(
        shipped,
        policy=policy,
        screens=small.screens,
        screen_plans=tuple(_bits(screen.plans) for screen in small.screens),
        compiled=compile_rules(named, axes_of(policy, conditions), policy.derived),
        starts={"screen": 0, **dict.fromkeys(("caution", "step", "item", "slot", "control"), len(named))},
        order=(*policy.derived, *ordered_facts(facts)),
        rows={
            plan.id: PlanRows(
                tuple(row for row in small.minutes if plan.fits(row.plans)),
                tuple(row for row in small.prices if plan.fits(row.plans)),
            )
            for plan in PLANS
        },
        unused_with_record=frozenset(),
        unused_without_record=frozenset(),
    )


# --- the enumeration ---------------------------------------------------------------------------------------------

#: A world: a word, an interval (low, high) within which a number is even, or None where a fact has no meaning.
Cell = str | tuple[float, float] | None
World = dict[str, Cell]
#: What is known: the words that are left, or the least and greatest number.
Known = Mapping[str, tuple[str, ...] | tuple[float, float]]


def worlds_of(small: Small, known: Known, cuts: Mapping[str, Sequence[float]]) -> list[tuple[float, World]]:
    """Every world compatible with what is known, with its chance, the chances summing to one.

    Facts are told apart in the order place, then what hangs on it. A number that is known to be one number has the
    density of its prior there: what having read it tells of the place.
    """
    names = [*small.priors, *small.by_parent]
    rows: list[tuple[float, World]] = [(1.0, {})]
    for name in names:
        rows = [
            (chance * mass, {**world, name: cell})
            for chance, world in rows
            for mass, cell in _cells(small, name, world, known, cuts)
            if chance * mass > 0.0
        ]
    total = sum(chance for chance, _ in rows)
    return [(chance / total, world) for chance, world in rows]


def _cells(
    small: Small, name: str, world: World, known: Known, cuts: Mapping[str, Sequence[float]]
) -> list[tuple[float, Cell]]:
    fact = BY_NAME[name]
    if not all(world[parent] in words for parent, words in fact.applies):
        return [] if name in known else [(1.0, None)]
    if name in small.by_parent:
        parent, priors = small.by_parent[name]
        masses: Mapping[str, float] | Sequence[tuple[float, float, float]] = priors[str(world[parent])]
    else:
        masses = small.priors[name]
    if isinstance(masses, Mapping):
        return [(mass, word) for word, mass in masses.items() if word in known.get(name, masses)]
    low, high = known.get(name, (fact.low, fact.high))
    assert isinstance(low, float)
    assert isinstance(high, float)
    if low == high:
        density = next(mass / (end - start) for start, end, mass in masses if start <= low < end or low == end)
        return [(density, (low, high))]
    edges = sorted({low, high, *(end for start, stop, _ in masses for end in (start, stop)), *cuts.get(name, ())})
    found: list[tuple[float, Cell]] = []
    for start, end in itertools.pairwise(edge for edge in edges if low <= edge <= high):
        mass = sum(m * (end - start) / (b - a) for a, b, m in masses if a <= start and end <= b)
        found.append((mass, (start, end)))
    return found


def bars(condition: Condition, world: World) -> bool:
    """Whether a rule of words and numbers bars in a world whose cells the rule does not cut."""
    if isinstance(condition, Some):
        return any(bars(part, world) for part in condition.parts)
    assert isinstance(condition, IsOneOf | Below)
    cell = world[condition.fact]
    if isinstance(condition, IsOneOf):
        return cell in condition.words
    if cell is None:
        return False
    assert isinstance(cell, tuple)
    return cell[0] < condition.value


@dataclass(frozen=True)
class Named:
    """One plan of the enumeration: its rules, its cost, and what a failed check loses."""

    screens: Sequence[Condition]
    cost: Callable[[World], float]
    lost: Callable[[World], float]

    def clear(self, world: World) -> bool:
        return not any(bars(screen, world) for screen in self.screens)

    def chance(self, worlds: Sequence[tuple[float, World]]) -> float:
        return sum(mass for mass, world in worlds if self.clear(world))

    def expected_cost(self, worlds: Sequence[tuple[float, World]], owed: Callable[[World], float]) -> float:
        """The cost where nothing bars; where something does, what is lost and the work that is owed then."""
        return sum(
            mass * (self.cost(world) if self.clear(world) else self.lost(world) + owed(world)) for mass, world in worlds
        )


def work_owed(
    worlds: Sequence[tuple[float, World]], plans: Sequence[Named], most_visits: float, *, damage_known: bool
) -> Callable[[World], float]:
    """The work of the plan that comes to the least when one comes back until it can be done, and its failed visits;
    its mean where nobody knows the damage."""
    best, least = None, float("inf")
    for plan in plans:
        chance = plan.chance(worlds)
        if chance <= 0.0:
            continue
        work = sum(mass * plan.cost(world) for mass, world in worlds)
        failed = (1.0 / chance - 1.0) * sum(mass * plan.lost(world) for mass, world in worlds)
        if work + failed < least - 1e-6:
            best, least = plan, work + failed
    assert best is not None
    chosen, chance = best, best.chance(worlds)
    lost = sum(mass * chosen.lost(world) for mass, world in worlds)
    in_vain = min(1.0 / chance - 1.0, most_visits) * lost
    if damage_known:
        return lambda world: chosen.cost(world) + in_vain
    mean = sum(mass * chosen.cost(world) for mass, world in worlds)
    return lambda _: mean + in_vain
