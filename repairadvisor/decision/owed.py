"""The work that is owed after a check has failed: what the repair will cost on another day.

A repair is owed also when the plan that somebody came with cannot be carried out; but not the same plan, or a plan
would look the cheaper the surer it is to fail. For each kind of damage that is still possible one plan stands for it:
of the permanent ones the one that costs least when one comes back until it can be done, work and failed visits counted,
``E[C] + (1 / P - 1) E[lost]`` with P its chance that nothing bars it. Those failed visits are owed too, up to as many
as the policy says, since each of them teaches something: or standing off would seem to make tomorrow certain. Where
the damage is known, that work is the plan's own terms; where it is not, its mean for each kind.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from repairadvisor.decision.cost import Costs
from repairadvisor.decision.expectation import Product
from repairadvisor.decision.sums import Term
from repairadvisor.policy.plan import Plan

DAMAGE = "fault_seen"
#: Costs that differ by less are equal: sums that are equal on paper may differ in their last bits.
_EQUAL = 1e-6


def owed_terms(costs: Costs, plans: Sequence[Plan], clear: Mapping[str, Product]) -> list[Term]:
    """The terms of the work owed. ``clear`` are the products of each plan's open screens, by the plan's id."""
    permanent = [plan for plan in plans if plan.stage == "permanent"]
    worlds, sums = costs.worlds, costs.sums
    if worlds.settled(DAMAGE):
        once = [_Stands(plan, clear[plan.id].value, costs.expected(costs.terms(plan)), costs) for plan in permanent]
        return _least(costs, once)
    may_be = sums.screened.chances(DAMAGE).tolist()
    by_damage: list[list[_Stands]] = [[] for _ in may_be]
    for plan in permanent:
        chances = sums.screened.held(clear[plan.id], DAMAGE).tolist()
        work = sums.expected_where(costs.terms(plan), DAMAGE).tolist()
        for i, whole in enumerate(may_be):
            if whole > 0.0:
                by_damage[i].append(_Stands(plan, chances[i] / whole, work[i] / whole, costs))
    return [_by_damage(tuple(_mean(costs, stands) for stands in by_damage), worlds.cells(DAMAGE))]


def _by_damage(prices: tuple[float, ...], cells: tuple[int, ...]) -> Term:
    """What is owed by kind of damage."""
    by_cell = dict(zip(cells, prices, strict=True))
    return Term(("owed", "by damage"), "owed", (DAMAGE,), lambda world: by_cell[world[DAMAGE]], lambda: prices)


class _Stands:
    """A plan that may stand for the work owed: what it comes to when one comes back until it can be done."""

    def __init__(self, plan: Plan, chance: float, work: float, costs: Costs) -> None:
        self.plan = plan
        self.work = work
        self.lost = costs.expected(costs.lost_terms(plan)) if chance > 0.0 else 0.0
        self.failed_visits = 1.0 / chance - 1.0 if chance > 0.0 else math.inf
        self.comes_to = work + self.failed_visits * self.lost if chance > 0.0 else math.inf


def _best(plans: Sequence[_Stands]) -> _Stands | None:
    """The plan that comes to the least, the first of equal ones; None where none can be."""
    best: _Stands | None = None
    for one in plans:
        if one.comes_to < math.inf and (best is None or one.comes_to < best.comes_to - _EQUAL):
            best = one
    return best


def _least(costs: Costs, plans: Sequence[_Stands]) -> list[Term]:
    """The terms of the plan that comes to the least, and its failed visits; what a second visit costs at large where
    none can be."""
    best = _best(plans)
    if best is None:
        return [_number(("owed-at-large",), costs.policy.rates["second_visit_cu"].value)]
    return [*costs.terms(best.plan), _number(("failed-visits", best.plan.id), _in_vain(costs, best))]


def _mean(costs: Costs, plans: Sequence[_Stands]) -> float:
    """The same as one number."""
    best = _best(plans)
    at_large = costs.policy.rates["second_visit_cu"].value
    return at_large if best is None else best.work + _in_vain(costs, best)


def _in_vain(costs: Costs, stands: _Stands) -> float:
    return min(stands.failed_visits, costs.policy.rates["failed_visits_most"].value) * stands.lost


def _number(key: tuple[str, ...], price: float) -> Term:
    return Term(key, "owed", (), lambda _: price, lambda: (price,))
