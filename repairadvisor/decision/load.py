"""What a crew loads: for the plan that is advised, and for every other one that it may carry out in the end."""

from __future__ import annotations

import math
from collections.abc import Sequence

from repairadvisor.decision.advice import KitLine
from repairadvisor.decision.answer import Told
from repairadvisor.decision.chain import Chain
from repairadvisor.decision.cost import Costs
from repairadvisor.decision.kit import Need, kit_lines
from repairadvisor.decision.loss import inserted_m
from repairadvisor.decision.plan_rows import fibres_fact
from repairadvisor.decision.plans import indifference
from repairadvisor.decision.screens import CLEAR
from repairadvisor.decision.steps import joints_to_make
from repairadvisor.facts.value import Between
from repairadvisor.policy.plan import Plan


def load_of(told: Told, chain: Chain, costs: Costs | None) -> tuple[KitLine, ...]:
    """Kit for the plan, for those that count as equal to it, for those held ready, and for those that may win once more
    is known. Without a plan nothing is loaded for a repair."""
    if told.plan is None or costs is None:
        return ()
    ready = [one.plan.plan for one in chain.fallbacks]
    others = [one.plan for one in told.answer.may_win]
    plans = dict.fromkeys((told.plan, *_level(told), *ready, *others))
    items = [(item, told.answer.ahead.of("item", i) != CLEAR) for i, item in enumerate(told.policy.kit)]
    return kit_lines(items, [_need(told, plan, costs) for plan in plans])


def _level(told: Told) -> list[Plan]:
    if told.answer.chosen is None:
        return []
    least = min(one.cost for one in told.answer.order)
    near = least + indifference(told.rules, least)
    return [one.plan for one in told.answer.order[1:] if one.cost <= near]


def _need(told: Told, plan: Plan, costs: Costs) -> Need:
    fibres = told.fibres
    if fibres is None:
        fibres = _fibres_to_load_for(told, costs, fibres_fact(plan))
    return Need(
        plan, joints_to_make(told.answer.ahead, plan, fibres), fibres, inserted_m(told.rules, told.context, plan)
    )


def _fibres_to_load_for(told: Told, costs: Costs, name: str) -> float:
    """The most fibres there may be where somebody has bounded them, else as many as there are seldom more of."""
    state, worlds = told.context.state(name), costs.worlds
    if isinstance(state, Between):
        return state.high
    cells = worlds.cells(name)
    stretches = [(0.0, 0.0) if cell == worlds.axis(name).meant else worlds.stretch(name, cell) for cell in cells]
    chances = [1.0] if worlds.settled(name) else costs.sums.priced.chances(name).tolist()
    return float(math.ceil(quantile(told.policy.rates["load_pieces_level"].value, chances, stretches)))


def quantile(level: float, chances: Sequence[float], stretches: Sequence[tuple[float, float]]) -> float:
    """The number that is exceeded with 1 - ``level``, where each stretch is even and has its chance; in their order.

    A number on the edge of two stretches belongs to both.
    """
    before = 0.0
    for chance, (low, high) in zip(chances, stretches, strict=True):
        if before + chance >= level and chance > 0.0:
            return low + (high - low) * (level - before) / chance
        before += chance
    return stretches[-1][1]
