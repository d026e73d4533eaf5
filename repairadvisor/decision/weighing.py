"""What each of several plans is expected to cost if it is chosen now.

``Q(p) = E[a C] + E[(1 - a) K]``: a is 1 where no screen bars the plan, C its cost. K is what a failed check loses (the
way and setting up, standing off, coming back) and the work that is owed then (:mod:`repairadvisor.decision.owed`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cached_property

from repairadvisor.decision.cost import Costs
from repairadvisor.decision.expectation import Product
from repairadvisor.decision.owed import owed_terms
from repairadvisor.decision.sums import Term
from repairadvisor.policy.plan import Plan


class Weighing:
    """Plans weighed beside each other. ``open_screens`` are those of each plan, by their index; ``besides`` are plans
    that are weighed too, but cannot be what stays owed: nobody knows yet whether they may be used at all."""

    def __init__(
        self, costs: Costs, open_screens: Mapping[Plan, Sequence[int]], besides: Collection[Plan] = ()
    ) -> None:
        self.costs = costs
        self.plans = tuple(plan for plan in open_screens if plan not in besides)
        self.clear: dict[str, Product] = {
            plan.id: costs.sums.screened.product([costs.sums.screen(i) for i in screens])
            for plan, screens in open_screens.items()
        }
        self._of_owed: dict[tuple[tuple[str, ...], ...], tuple[list[Term], float]] = {}

    @cached_property
    def owed(self) -> list[Term]:
        """The work that is owed after a check has failed."""
        return owed_terms(self.costs, self.plans, self.clear)

    @cached_property
    def _owed_keys(self) -> set[tuple[str, ...]]:
        return {term.key for term in self.owed}

    def chance(self, plan: Plan) -> float:
        """P(no screen bars the plan)."""
        return self.clear[plan.id].value

    def cost(self, plan: Plan) -> float:
        """Q(p), without what a temporary repair owes besides."""
        clear, work = self.clear[plan.id], self.costs.terms(plan)
        sums = self.costs.sums
        if not clear.parts:
            return sums.expected(work)
        both, only = self._shared(work)
        lost = self.costs.lost_terms(plan)
        when_barred = sums.expected(lost) - sums.expected_if_clear(lost, clear) + self._owed_instead(clear, both)
        return sums.expected(both) + sums.expected_if_clear(only, clear) + when_barred

    def work(self, plan: Plan, part: str) -> float:
        """What one part of the plan's work is expected to cost in Q(p): where nothing bars it, and where it is owed."""
        return self._paid(plan, [term for term in self.costs.terms(plan) if term.part == part])

    def made_again(self, plan: Plan) -> float:
        """What attempts beyond the first are expected to cost in Q(p): a part of what joints cost besides."""
        if plan.method == "none":
            return 0.0
        clear, sums, redo = self.clear[plan.id], self.costs.sums, [self.costs.redo(plan)]
        is_owed = self.costs.joints(plan).key in self._owed_keys if clear.parts else True
        return sums.expected(redo) if is_owed else sums.expected_if_clear(redo, clear)

    def _paid(self, plan: Plan, terms: Sequence[Term]) -> float:
        clear, sums = self.clear[plan.id], self.costs.sums
        if not clear.parts:
            return sums.expected(terms)
        both, only = self._shared(terms)
        return sums.expected(both) + sums.expected_if_clear(only, clear)

    def always_and_if_clear(self, plan: Plan) -> tuple[tuple[list[Term], ...], list[Term], list[Term]]:
        """Q(p) as E[terms that are paid always] + E[a x (terms paid where nothing bars, less terms saved there)]; the
        first in lists that plans share."""
        work = self.costs.terms(plan)
        if not self.clear[plan.id].parts:
            return (work,), [], []
        both, only = self._shared(work)
        paid = {term.key for term in both}
        owed = [term for term in self.owed if term.key not in paid]
        lost = self.costs.lost_terms(plan)
        return (both, lost, owed), only, [*lost, *owed]

    def _shared(self, work: Sequence[Term]) -> tuple[list[Term], list[Term]]:
        """What the plan and the work owed have in common, which is paid in either case, and what it has alone."""
        both = [term for term in work if term.key in self._owed_keys]
        return both, [term for term in work if term.key not in self._owed_keys]

    def _owed_instead(self, clear: Product, both: Sequence[Term]) -> float:
        """E[(1 - a) x work owed], without what the plan pays in either case."""
        key = tuple(term.key for term in both)
        if key not in self._of_owed:
            paid = set(key)
            instead = [term for term in self.owed if term.key not in paid]
            self._of_owed[key] = (instead, self.costs.sums.expected(instead))
        instead, whole = self._of_owed[key]
        return whole - self.costs.sums.expected_if_clear(instead, clear)
