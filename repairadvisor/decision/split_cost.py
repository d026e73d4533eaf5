"""What a plan is expected to cost, part by part: the parts of any plan add up to the cost by which it is ranked."""

from __future__ import annotations

from repairadvisor.decision.advice import Cost
from repairadvisor.decision.cost import PARTS, Costs
from repairadvisor.decision.situation import Judged

_FAILED, _WAITING = "failed_check", "waiting"


def split_cost(costs: Costs, judged: Judged, currency: str, *, waiting: float = 0.0, saves: float = 0.0) -> Cost:
    """The cost of a judged plan. ``waiting`` is what the wait for its start costs besides; ``saves`` what plans held
    ready for a failed check are expected to save, told beside the total and not taken off it: plans are ranked without.

    What is not a part of the work itself is what a failed check is expected to cost.
    """
    plan = judged.plan
    terms = costs.terms(plan)
    parts = {part: costs.expected([term for term in terms if term.part == part]) for part in PARTS}
    if plan.method != "none":
        parts["redo"] = costs.expected([costs.redo(plan)])
        parts["second_visit"] = max(0.0, parts["second_visit"] - parts["redo"])
    parts["later_visit"] += judged.later
    parts[_FAILED] = judged.cost - sum(parts.values())
    parts[_WAITING] = waiting
    total = round(judged.cost + waiting, 2)
    return Cost(total=total, currency=currency, held_ready_saves=round(saves, 2), **_rounded(parts, total))


def _rounded(parts: dict[str, float], total: float) -> dict[str, float]:
    """The parts in hundredths; the greatest takes what rounding leaves, so that they add up to the total as told."""
    tidy = {part: round(amount, 2) + 0.0 for part, amount in parts.items()}
    greatest = max(tidy, key=lambda part: tidy[part])
    tidy[greatest] = round(tidy[greatest] + total - sum(tidy.values()), 2)
    return tidy
