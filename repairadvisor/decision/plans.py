"""The order of plans that cost about the same, and the second visit a temporary repair owes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import CLEAR
from repairadvisor.decision.situation import Judged, Situation, least_cost, look
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known, State
from repairadvisor.facts.vocabulary import BY_NAME, CREW_AND_STOCK
from repairadvisor.policy.plan import Plan

PROCEDURE = 4
#: Second visits that are remembered for a policy.
_MOST_REMEMBERED = 2_000
TEMPORARY = "temporary_then_permanent"
_MACHINE_METHODS = ("fusion_splice", "ribbon_fusion_splice", "field_fit_spliced_on", "factory_pigtail")


def indifference(rules: Rules, least: float) -> float:
    """How much more a plan may be expected to cost and still count as equal."""
    rates = rules.policy.rates
    return max(rates["indifference_absolute_cu"].value, rates["indifference_relative"].value * least)


def ranked(situation: Situation, judged: Sequence[Judged], issued_plan: str = "") -> list[Judged]:
    """Plans, the winner first: those within the indifference of the least by hazard control, visits, joints, people,
    machine and id; then the others by cost. A plan already issued is kept while it is among the first."""
    if not judged:
        return []
    least = min(one.cost for one in judged)
    near = least + indifference(situation.rules, least)
    level = [one for one in judged if one.cost <= near]
    rest = sorted((one for one in judged if one.cost > near), key=lambda one: (one.cost, one.index))
    level.sort(key=lambda one: (one.plan.id != issued_plan, *standing(situation, one.plan)))
    return level + rest


def preferred(situation: Situation, costs: Mapping[int, float]) -> int:
    """The plan, by index, that wins at these expected costs: see :func:`ranked`."""
    least = min(costs.values())
    near = least + indifference(situation.rules, least)
    plans = situation.rules.policy.plans
    level = [index for index, cost in costs.items() if cost <= near]
    return min(level, key=lambda index: standing(situation, plans[index]))


def standing(situation: Situation, plan: Plan) -> tuple[float | str, ...]:
    """What decides among plans of equal cost, smaller first."""
    policy = situation.rules.policy
    place = situation.context.state("place")
    word = str(place.value) if isinstance(place, Known) else ""
    return (
        hazard_step(situation, plan),
        2 if plan.stage == TEMPORARY else 1,
        policy.light.joints_in_layout[plan.layout],
        persons(policy, plan, word),
        1 if plan.method in _MACHINE_METHODS else 0,
        plan.id,
    )


def hazard_step(situation: Situation, plan: Plan) -> int:
    """Steps of hazard control, summed over the hazards that may be present: 1 takes the hazard away."""
    total = 0
    for i, control in enumerate(situation.rules.policy.controls):
        if situation.of("control", i) != CLEAR:
            total += min((step for step, partial in control.steps if plan.fits(partial)), default=PROCEDURE)
    return total


def second_visit(rules: Rules, context: Context) -> float:
    """The least expected cost of a permanent repair on a later visit: everything that passes has gone back to its
    prior, another crew comes with another van, and the service is up until it is interrupted."""
    changes: dict[str, State | None] = {name: None for name in context.held if _of_the_day(name)}
    changes["crew_place"] = Known("not_sent")
    changes["outage_value_cu_per_h"] = Known(0.0)
    later, _ = context.with_facts(changes)
    key = (later.now, *((name, held.state) for name, held in later.held.items()))
    memory = rules.second_visits
    if key not in memory:
        if len(memory) >= _MOST_REMEMBERED:
            memory.clear()
        memory[key] = _on_a_second_visit(rules, later)
    return memory[key]


def with_second_visits(situation: Situation, judged: Sequence[Judged]) -> list[Judged]:
    """Temporary repairs with the later visit that they owe in this situation; left out where none of them could win
    even without, since what it costs takes as long to find as all the rest."""
    temporary = [one for one in judged if one.plan.stage == TEMPORARY]
    rest = [one for one in judged if one.plan.stage != TEMPORARY]
    least = min((one.cost for one in rest), default=None)
    near = None if least is None else least + indifference(situation.rules, least)
    if not temporary or (near is not None and min(_without(one) for one in temporary) > near):
        return rest or list(judged)
    later = second_visit(situation.rules, situation.context)
    return [*rest, *(replace(one, cost=_without(one) + one.chance * later, later=later) for one in temporary)]


def _without(one: Judged) -> float:
    """What a plan costs without the later visit, which is owed where it could be carried out."""
    return one.cost - one.chance * one.later


def _on_a_second_visit(rules: Rules, later: Context) -> float:
    situation = look(rules, later)
    permanent = [i for i, plan in enumerate(rules.policy.plans) if plan.stage != TEMPORARY]
    mask = sum(1 << i for i in permanent) & situation.candidates()
    least = least_cost(situation, mask) if mask else None
    return rules.policy.rates["second_visit_cu"].value if least is None else least


def _of_the_day(name: str) -> bool:
    """Whether a fact belongs to the day and the crew rather than to the fault."""
    return BY_NAME[name].passing or name in CREW_AND_STOCK
