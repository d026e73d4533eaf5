"""One context judged: which plans are permitted, which may be once something is checked, and what each costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from repairadvisor.decision.cost import Costs
from repairadvisor.decision.light import BUDGET_DIRECT, BUDGET_INSERT
from repairadvisor.decision.owed import DAMAGE
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN, statuses
from repairadvisor.decision.weighing import Weighing
from repairadvisor.decision.worlds import Worlds
from repairadvisor.facts.context import Context
from repairadvisor.policy.plan import Plan

#: Where the budget for the joints is cut for ranking, dB: finer where the chance to close changes.
BUDGET_GRID_DB = (-1.0, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0)


@dataclass(frozen=True, slots=True)
class Judged:
    """A plan that is permitted, or will be once its open screens are checked; what it is expected to cost."""

    plan: Plan
    index: int
    open_screens: tuple[int, ...]
    chance: float
    cost: float
    later: float = 0.0


@dataclass(slots=True)
class Situation:
    """A context under rules. ``status`` is that of every compiled condition; plans are bits by index."""

    rules: Rules
    context: Context
    status: list[str]
    barred_by: dict[int, int] = field(default_factory=dict)
    barred: int = 0
    closed: int = 0
    worlds: Worlds | None = None
    costs: Costs | None = None
    weighing: Weighing | None = None

    def of(self, kind: str, i: int) -> str:
        """The status of the condition of the i-th row of a kind."""
        return self.status[self.rules.index(kind, i)]

    def screens(self, wanted: str) -> list[int]:
        """The screens, by index, that have a status."""
        return [i for i in range(len(self.rules.screens)) if self.status[i] == wanted]

    def candidates(self) -> int:
        """Plans that no screen bars and that no open screen closes, as bits."""
        return ((1 << len(self.rules.policy.plans)) - 1) & ~self.barred & ~self.closed


def look(rules: Rules, context: Context) -> Situation:
    """Judge every screen of a context; no costs yet."""
    status = statuses(rules.compiled, context)
    recorded = "recorded_loss_cut_out_db" in context.held
    for i in rules.unused_with_record if recorded else rules.unused_without_record:
        status[i] = CLEAR
    situation = Situation(rules, context, status)
    for i, screen in enumerate(rules.screens):
        if status[i] == BARRED:
            situation.barred |= rules.screen_plans[i]
            situation.barred_by[i] = rules.screen_plans[i]
        elif status[i] == OPEN and not screen.check:
            situation.closed |= rules.screen_plans[i]
    return situation


def worlds_of(situation: Situation, plans: int) -> tuple[Worlds, Costs, list[tuple[str, ...]]]:
    """The worlds in which plans (bits) are weighed, their costs, and which facts stand together in a rule or a term."""
    rules = situation.rules
    spoken_of = [i for i in situation.screens(OPEN) if rules.screen_plans[i] & plans]
    conditions = [rules.screens[i].bars_when for i in spoken_of]
    grids = {BUDGET_DIRECT: BUDGET_GRID_DB, BUDGET_INSERT: BUDGET_GRID_DB}
    worlds = Worlds(rules.compiled, rules.policy.facts, situation.context, rules.order, conditions, grids)
    screened = [rules.compiled.facts[i] for i in spoken_of]
    costs = Costs(rules.policy, rules.light, worlds, rules.rows, screened)
    weighed = [plan for index, plan in enumerate(rules.policy.plans) if plans >> index & 1]
    terms = dict.fromkeys(
        term.facts
        for plan in weighed
        for term in (*costs.terms(plan), *costs.lost_terms(plan), *costs.stand_off_terms())
    )
    names = [DAMAGE, *(name for facts in (*screened, *terms) for name in facts)]
    costs.sums.spoken_of = tuple(dict.fromkeys(names))
    return worlds, costs, [*screened, *terms]


def weigh(situation: Situation, plans: int, later: Mapping[str, float] | None = None, besides: int = 0) -> list[Judged]:
    """What each of the plans (bits) is expected to cost if it is chosen now, in the order of the plans.

    ``later`` is what plans of a stage owe besides once they have been carried out, by stage. ``besides`` are plans that
    are weighed too, though nobody knows yet whether they may be used at all.
    """
    rules = situation.rules
    plans |= besides
    worlds, costs, spoken = worlds_of(situation, plans)
    worlds.order_by_size(spoken)
    situation.worlds, situation.costs = worlds, costs
    open_screens = [i for i in situation.screens(OPEN) if rules.screen_plans[i] & plans]
    mine = {
        index: tuple(i for i in open_screens if rules.screen_plans[i] >> index & 1)
        for index in range(len(rules.policy.plans))
        if plans >> index & 1
    }
    unsure = {rules.policy.plans[index] for index in mine if besides >> index & 1}
    weighing = Weighing(costs, {rules.policy.plans[index]: open_of for index, open_of in mine.items()}, unsure)
    situation.weighing = weighing
    owed = later or {}
    judged = []
    for index, open_of in mine.items():
        plan = rules.policy.plans[index]
        more = owed.get(plan.stage, 0.0)
        chance = weighing.chance(plan)
        judged.append(Judged(plan, index, open_of, chance, weighing.cost(plan) + chance * more, more))
    return judged


def least_cost(situation: Situation, plans: int) -> float | None:
    """The least that any of the plans (bits) is expected to cost; None where there is no plan."""
    return min((one.cost for one in weigh(situation, plans)), default=None)
