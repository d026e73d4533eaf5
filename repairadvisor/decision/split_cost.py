"""What a plan is expected to cost, part by part: the parts of any plan add up to the cost by which it is ranked.

Work counts in its part where nothing bars the plan, and where it is owed all the same after a check has failed. What is
left is what failed checks are expected to cost. So no part is less than nothing.
"""

from __future__ import annotations

from repairadvisor.decision.advice import Cost
from repairadvisor.decision.cost import PARTS
from repairadvisor.decision.situation import Judged
from repairadvisor.decision.weighing import Weighing

_FAILED, _WAITING = "failed_check", "waiting"


def split_cost(weighing: Weighing, judged: Judged, currency: str, *, waiting: float = 0.0, saves: float = 0.0) -> Cost:
    """The cost of a judged plan. ``waiting`` is what the wait for its start costs besides; ``saves`` what plans held
    ready for a failed check are expected to save, told beside the total and not taken off it: plans are ranked without.
    """
    plan = judged.plan
    parts = {part: weighing.work(plan, part) for part in PARTS}
    parts["redo"] = weighing.made_again(plan)
    parts["second_visit"] = max(0.0, parts["second_visit"] - parts["redo"])
    parts["later_visit"] += judged.chance * judged.later
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
