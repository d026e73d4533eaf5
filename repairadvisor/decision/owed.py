"""The work that is owed after a check has failed: what the repair will cost on another day.

A repair is owed also when the plan that somebody came with cannot be carried out; but not the same plan, or a plan
would look the cheaper the surer it is to fail. For each kind of damage that is still possible one plan stands for it:
of the permanent ones the one that costs least when one comes back until it can be done, work and failed visits counted,
``E[C] + (1 / P - 1) E[lost]`` with P its chance that nothing bars it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from repairadvisor.decision.cost import Costs
from repairadvisor.decision.expectation import Product
from repairadvisor.decision.sums import Term, Value, World
from repairadvisor.policy.plan import Plan

DAMAGE = "fault_seen"
#: Costs that differ by less are equal: sums that are equal on paper may differ in their last bits.
_EQUAL = 1e-6


def owed_terms(costs: Costs, plans: Sequence[Plan], clear: Mapping[str, Product]) -> list[Term]:
    """The terms of the work owed. ``clear`` are the products of each plan's open screens, by the plan's id."""
    permanent = [plan for plan in plans if plan.stage == "permanent"]
    worlds, sums = costs.worlds, costs.sums
    if worlds.settled(DAMAGE):
        comes_to = [
            _comes_to(clear[plan.id].value, costs.expected(costs.terms(plan)), costs, plan) for plan in permanent
        ]
        stands = _least(permanent, comes_to)
        return [_elsewhere(costs)] if stands is None else costs.terms(stands)
    may_be = sums.screened.chances(DAMAGE)
    rows = [
        [
            _comes_to(chance / whole, work / whole, costs, plan) if whole > 0.0 else math.inf
            for chance, work, whole in zip(
                sums.screened.held(clear[plan.id], DAMAGE).tolist(),
                sums.expected_where(costs.terms(plan), DAMAGE).tolist(),
                may_be.tolist(),
                strict=True,
            )
        ]
        for plan in permanent
    ]
    found: list[Term] = []
    for i, cell in enumerate(worlds.cells(DAMAGE)):
        stands = _least(permanent, [row[i] for row in rows])
        terms = [_elsewhere(costs)] if stands is None else costs.terms(stands)
        found += [_of_damage(term, cell) for term in terms]
    return found


def _comes_to(chance: float, work: float, costs: Costs, plan: Plan) -> float:
    """What it comes to when one comes back until it can be done."""
    if chance <= 0.0:
        return math.inf
    return work + (1.0 / chance - 1.0) * costs.expected(costs.lost_terms(plan))


def _least(plans: Sequence[Plan], comes_to: Sequence[float]) -> Plan | None:
    """The plan that comes to the least, the first of equal ones; None where none can be."""
    best: tuple[float, Plan] | None = None
    for plan, cost in zip(plans, comes_to, strict=True):
        if cost < math.inf and (best is None or cost < best[0] - _EQUAL):
            best = cost, plan
    return None if best is None else best[1]


def _elsewhere(costs: Costs) -> Term:
    """Where nothing that is weighed can be the repair, what a second visit costs at large."""
    price = costs.policy.rates["second_visit_cu"].value
    return Term(("owed-at-large",), "owed", (), lambda _: price)


def _of_damage(term: Term, cell: int) -> Term:
    """A term that counts where the damage is of one kind."""
    return replace(
        term,
        key=("owed", str(cell), *term.key),
        part="owed",
        facts=tuple(dict.fromkeys((*term.facts, DAMAGE))),
        value=partial(_where, term.value, cell),
    )


def _where(value: Value, cell: int, world: World) -> float:
    return value(world) if world[DAMAGE] == cell else 0.0
