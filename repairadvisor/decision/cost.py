"""What choosing a plan now is expected to cost, exactly, with whatever is not known.

``Q(p) = E[a C] + E[(1 - a) K]``: a is 1 in worlds where no screen bars the plan, C its cost (labour, outage,
materials, machine, joints made again, a second visit where the budget is missed, a later visit it owes), K what is
spent until a check fails, standing off, coming back and doing the work then. Each is a sum of terms of at most three
facts, so an elimination over the facts that are open gives it; terms whose facts are settled are plain numbers. There
are no weights or scores.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from repairadvisor.decision.elimination import Values
from repairadvisor.decision.light import Light
from repairadvisor.decision.plan_rows import PlanRows, expected_minutes, fibres_fact, of_one_joint, persons
from repairadvisor.decision.redone import Redone
from repairadvisor.decision.sums import Sums, Term, Value, World
from repairadvisor.decision.worlds import Worlds
from repairadvisor.optics.many_fibres import chance_all_within_each
from repairadvisor.optics.redo_over_margins import OverMargins
from repairadvisor.policy.model import MinutesRow, Policy, PriceRow
from repairadvisor.policy.plan import Plan

PARTS = ("labour", "outage", "materials", "machine", "redo", "second_visit", "later_visit")
#: Phases before service is back; clearing away is work, but nobody waits for it.
RESTORING = ("travel", "set_up", "prepare", "join", "test")


class Costs:
    """The cost terms of plans in one context's worlds, each made once."""

    def __init__(
        self,
        policy: Policy,
        light: Light,
        worlds: Worlds,
        rows: Mapping[str, PlanRows],
        screened: Sequence[Sequence[str]] = (),
    ) -> None:
        self.policy = policy
        self.light = light
        self.worlds = worlds
        self.rows = rows
        self._terms: dict[str, list[Term]] = {}
        self._shared: dict[tuple[str, ...], Term] = {}
        self.sums = Sums(worlds, screened)
        self._attempt_keys: dict[str, tuple[str, ...]] = {}
        self._in_cells: dict[
            tuple[tuple[str, ...], tuple[str, ...]], dict[tuple[int, tuple[int, ...]], OverMargins]
        ] = {}
        self.redone = Redone(policy, light, worlds.context, self.attempt_key, self.one_more_joint)

    # --- terms -------------------------------------------------------------------------------------------

    def terms(self, plan: Plan) -> list[Term]:
        """Every term of C, in a fixed order."""
        if plan.id not in self._terms:
            self._terms[plan.id] = self._terms_of(plan)
        return self._terms[plan.id]

    def _terms_of(self, plan: Plan) -> list[Term]:
        rows = self.rows[plan.id]
        found = []
        for row in rows.minutes:
            found.append(self._labour(row, plan))
            if row.phase in RESTORING:
                found.append(self._outage(row))
        found += [self._price(row) for row in rows.prices]
        if plan.method != "none":
            found.append(self.joints(plan))
        if plan.stage == "temporary_then_permanent":
            found.append(self._second_interruption())
        return found

    def term_facts(self) -> list[tuple[str, ...]]:
        """The facts of every term asked for so far, each combination once."""
        return list(dict.fromkeys(term.facts for terms in self._terms.values() for term in terms))

    def lost_terms(self, plan: Plan) -> list[Term]:
        """What a failed check loses: the way there and setting up, standing off, coming back."""
        return [*self.journey_terms(plan), *self.set_up_terms(plan), *self.stand_off_terms()]

    def journey_terms(self, plan: Plan) -> list[Term]:
        """Work on the way there."""
        return [self._labour(row, plan) for row in self.rows[plan.id].minutes if row.phase == "travel"]

    def set_up_terms(self, plan: Plan) -> list[Term]:
        """Work until the first check on the spot is made."""
        return [self._labour(row, plan) for row in self.rows[plan.id].minutes if row.phase == "set_up"]

    def outage_an_hour(self) -> float:
        """What an hour without service is expected to cost."""
        name = "outage_value_cu_per_h"
        return self.expected([Term(("outage-an-hour",), "outage", (name,), lambda world: self._mean(name, world))])

    def stand_off_terms(self) -> list[Term]:
        """What standing off costs: the service down meanwhile, and coming back."""
        hours = self.policy.rates["stand_off_hours"].value
        back = self.policy.rates["stand_off_return_cu"].value
        return [
            Term(
                ("stand-off-outage",),
                "outage",
                ("outage_value_cu_per_h",),
                lambda world: hours * self._mean("outage_value_cu_per_h", world),
            ),
            Term(("stand-off-return",), "stand_off", (), lambda _: back),
        ]

    def _mean(self, fact: str, world: World) -> float:
        return self.worlds.mean(fact, world[fact])

    def _word(self, fact: str, world: World) -> str:
        return self.worlds.word(fact, world[fact]) if fact else ""

    def _facts(self, *names: str) -> tuple[str, ...]:
        return tuple(dict.fromkeys(name for name in names if name))

    def _amount(self, row: MinutesRow, world: World) -> float:
        count = self._mean(row.per, world) if row.per else 1.0
        return row.times * expected_minutes(self.policy, row, self._word(row.by, world)) * count

    def _labour(self, row: MinutesRow, plan: Plan) -> Term:
        """Work of one row; plans of the same access share it."""
        bench = "indoors" if plan.position == "indoor_bench" else ""
        key = ("labour", row.id, plan.access, bench)
        if key not in self._shared:
            self._shared[key] = self._labour_term(key, row, plan)
        return self._shared[key]

    def _labour_term(self, key: tuple[str, ...], row: MinutesRow, plan: Plan) -> Term:
        rate = self.policy.rates["labour_cu_per_person_hour"].value / 60.0

        def value(world: World) -> float:
            return rate * persons(self.policy, plan, self._word("place", world)) * self._amount(row, world)

        return Term(key, "labour", self._facts("place", row.by, row.per), value)

    def _outage(self, row: MinutesRow) -> Term:
        """Service lost while a row's work is done; all plans share it."""
        key = ("outage", row.id)
        if key not in self._shared:
            self._shared[key] = self._outage_term(key, row)
        return self._shared[key]

    def _outage_term(self, key: tuple[str, ...], row: MinutesRow) -> Term:
        """Service comes back fibre by fibre: of work done per fibre, half is waited for, and half of one more."""

        def value(world: World) -> float:
            minutes = self._amount(row, world)
            if row.per in ("fibres_down_count", "fibres_in_service_count"):
                one = row.times * expected_minutes(self.policy, row, self._word(row.by, world))
                minutes = 0.5 * minutes + 0.5 * one
            return minutes * self._mean("outage_value_cu_per_h", world) / 60.0

        return Term(key, "outage", self._facts(row.by, row.per, "outage_value_cu_per_h"), value)

    def _price(self, row: PriceRow) -> Term:
        """Money of one row; all plans share it."""
        key = ("price", row.id)
        if key not in self._shared:
            self._shared[key] = self._price_term(key, row)
        return self._shared[key]

    def _price_term(self, key: tuple[str, ...], row: PriceRow) -> Term:
        def value(world: World) -> float:
            count = self._mean(row.per, world) if row.per else 1.0
            return row.amount.get(self._word(row.by, world), 0.0) * count

        return Term(key, row.part, self._facts(row.by, row.per), value)

    def _second_interruption(self) -> Term:
        minutes = self.policy.rates["second_interruption_min"].value

        def value(world: World) -> float:
            return minutes * self._mean("outage_value_cu_per_h", world) / 60.0

        return Term(("second-interruption",), "later_visit", ("outage_value_cu_per_h",), value)

    def joints(self, plan: Plan) -> Term:
        """What joints cost beyond making each once: attempts beyond the first, and P(some fibre misses its budget) x a
        second visit; within each cell of the budget their mean. One term, since they hang on the same facts."""
        price = self.policy.rates["second_visit_cu"].value
        again = self._made_again(plan)

        def come_to(one: OverMargins, fibres: float) -> Values:
            within = chance_all_within_each(np.minimum(np.maximum(one.missed, 0.0), 1.0), max(1, round(fibres)))
            return again(one, fibres) + price * (1.0 - within)

        return self._of_joints("second_visit", plan, come_to)

    def redo(self, plan: Plan) -> Term:
        """The part of that term that is attempts beyond the first."""
        return self._of_joints("redo", plan, self._made_again(plan))

    def _made_again(self, plan: Plan) -> Callable[[OverMargins, float], Values]:
        """Attempts that are expected beyond the first: the work of each, and the service that waits for it. As with the
        first attempts half of the fibres' are waited for, and half of one more."""
        leave = self.policy.rates["owner_leave_cu"].value

        def come_to(one: OverMargins, fibres: float) -> Values:
            if not one.redos.any() and not one.over_limit.any():
                return np.zeros_like(one.redos)
            price, count = self.redone.price(plan), max(1.0, fibres)
            again = one.redos * (count * price.work + 0.5 * (count + 1.0) * price.outage)
            return again + count * one.over_limit * leave

        return come_to

    def _of_joints(self, part: str, plan: Plan, come_to: Callable[[OverMargins, float], Values]) -> Term:
        """A term that plans share whose joints are the same and cost the same to make again. ``come_to`` says it for
        every kind of service and budget at once, for so many fibres."""
        budget, count = self.light.budget_fact(plan), fibres_fact(plan)
        facts = ("service_kind", budget, count)
        key = (part, *self.light.joint(plan).key, *self.attempt_key(plan), *facts)

        def beside() -> tuple[object, ...]:
            interval = self.light.budget_interval(budget, self.worlds.context)
            return self.redone.depends_on(plan, self.worlds.context.possible["service_kind"].words, interval)

        def over(services: Sequence[int], budgets: Sequence[int], counts: Sequence[int]) -> Values:
            one = self._expected_over(plan, services, budgets)
            return np.stack([come_to(one, self.worlds.mean(count, cell)) for cell in counts], axis=-1)

        def table() -> Values:
            return over(*(self.worlds.cells(name) for name in facts))

        def value(world: World) -> float:
            return float(over(*([world[name]] for name in facts)).item())

        if key not in self._shared:
            self._shared[key] = Term(key, part, facts, value, beside, table)
        return self._shared[key]

    def _expected_over(self, plan: Plan, services: Sequence[int], budgets: Sequence[int]) -> OverMargins:
        """What the joints of one fibre come to for kinds of service and budgets; each worked out once."""
        budget = self.light.budget_fact(plan)
        found = self._in_cells.setdefault((self.light.joint(plan).key, self.attempt_key(plan)), {})
        cells = tuple(budgets)
        for service in services:
            if (service, cells) not in found:
                stretches = tuple([self._budget_stretch(budget, cell) for cell in cells])
                word = self.worlds.word("service_kind", service)
                found[service, cells] = self.redone.expected_each(plan, word, stretches)
        rows = [found[service, cells] for service in services]
        return OverMargins(*(np.stack([row[i] for row in rows]) for i in range(len(OverMargins._fields))))

    def attempt_key(self, plan: Plan) -> tuple[str, ...]:
        """What decides what one more attempt costs and how many there may be."""
        if plan.id not in self._attempt_keys:
            self._attempt_keys[plan.id] = self._attempt_key(plan)
        return self._attempt_keys[plan.id]

    def _attempt_key(self, plan: Plan) -> tuple[str, ...]:
        bench = "indoors" if plan.position == "indoor_bench" else ""
        rows = self.rows[plan.id]
        return (
            plan.method,
            plan.layout,
            plan.access,
            bench,
            *(row.id for row in rows.minutes if of_one_joint(row)),
            *(row.id for row in rows.prices if row.per == fibres_fact(plan)),
        )

    def redone_minutes(self, plan: Plan) -> tuple[float, float]:
        """Minutes that one more attempt takes, and how many attempts beyond the first are expected for all fibres."""
        if plan.method == "none":
            return 0.0, 0.0

        def come_to(one: OverMargins, fibres: float) -> Values:
            return one.redos * max(1.0, fibres)

        found = self.expected([self._of_joints("redos", plan, come_to)])
        return self._one_joint_min(plan), found

    def _one_joint_min(self, plan: Plan) -> float:
        joints = max(1, self.light.joint(plan).joints)
        total = 0.0
        for row in self.rows[plan.id].minutes:
            if of_one_joint(row):

                def minutes(world: World, row: MinutesRow = row) -> float:
                    return row.times * expected_minutes(self.policy, row, self._word(row.by, world)) / joints

                key = ("again-minutes", row.id, plan.layout)
                total += self.expected([Term(key, "redo", self._facts(row.by), minutes)])
        return total

    def one_more_joint(self, plan: Plan) -> tuple[float, float]:
        """What making one joint of one fibre again is expected to cost: work and material; the service that waits."""
        rate = self.policy.rates["labour_cu_per_person_hour"].value / 60.0
        joints = max(1, self.light.joint(plan).joints)
        rows = self.rows[plan.id]
        work = outage = 0.0
        for row in rows.minutes:
            if not of_one_joint(row):
                continue

            def minutes(world: World, row: MinutesRow = row) -> float:
                return row.times * expected_minutes(self.policy, row, self._word(row.by, world)) / joints

            def labour(world: World, minutes: Value = minutes) -> float:
                return rate * persons(self.policy, plan, self._word("place", world)) * minutes(world)

            def waiting(world: World, minutes: Value = minutes) -> float:
                return minutes(world) * self._mean("outage_value_cu_per_h", world) / 60.0

            by = self._facts("place", row.by)
            work += self.expected([Term(("again", row.id, *self.attempt_key(plan)), "redo", by, labour)])
            lost = self._facts(row.by, "outage_value_cu_per_h")
            outage += self.expected([Term(("again-waiting", row.id, plan.layout), "redo", lost, waiting)])
        for price in rows.prices:
            if price.per == fibres_fact(plan):

                def material(world: World, price: PriceRow = price) -> float:
                    return price.amount.get(self._word(price.by, world), 0.0) / joints

                key = ("again-material", price.id, plan.layout)
                work += self.expected([Term(key, "redo", self._facts(price.by), material)])
        return work, outage

    def _budget_stretch(self, name: str, cell: int) -> tuple[float, float]:
        """The part of a budget's cell that is left; a settled budget is one number."""
        interval = self.light.budget_interval(name, self.worlds.context)
        low, high = self.worlds.axis(name).span(cell)
        return max(low, interval[0]), min(high, interval[1])

    # --- expectations ------------------------------------------------------------------------------------

    def expected(self, terms: Sequence[Term]) -> float:
        """E[sum of terms]."""
        return self.sums.expected(terms)
