"""Minutes of work, and when service is back: median and pessimistic, by priority group.

Sums of rows: the median of a sum is taken as the sum of medians, and its pessimistic figure as that plus the root of
the summed squares of what each row adds. Joints made again enter with how many are expected, and spread as rare events
do. A fact that is not known enters with its mean under the prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from repairadvisor.decision.advice import GroupRestored, Minutes, Restored
from repairadvisor.decision.cost import RESTORING, Costs
from repairadvisor.decision.plan_rows import fibres_fact
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.sums import Term
from repairadvisor.facts.value import Known
from repairadvisor.policy.model import MinutesRow
from repairadvisor.policy.plan import Plan

_P95 = 1.645  # standard deviations that 95 in 100 keep
_PER_FIBRE = ("fibres_down_count", "fibres_in_service_count")


def _row(costs: Costs, row: MinutesRow, figure: str) -> float:
    """The expected median, or pessimistic figure, of one row over what is not known."""
    table = row.p50 if figure == "p50" else row.p95
    names = tuple(dict.fromkeys(name for name in (row.by, row.per) if name))

    def value(world: dict[str, int]) -> float:
        word = costs.worlds.word(row.by, world[row.by]) if row.by else ""
        count = costs.worlds.mean(row.per, world[row.per]) if row.per else 1.0
        return row.times * table.get(word, 0.0) * count

    term = Term(("minutes", row.id, figure), "minutes", names, value)  # type: ignore[arg-type]
    return costs.expected([term])


def _sum(costs: Costs, plan: Plan, rows: Sequence[MinutesRow], waited: float, share: float = 1.0) -> Minutes:
    """Rows summed, with the joints made again; of those counted per fibre only ``share``."""
    one, again = costs.redone_minutes(plan)
    middle = waited + one * again * share
    squares = _P95 * _P95 * one * one * again * share
    for row in rows:
        part = share if row.per in _PER_FIBRE and row.phase == "join" else 1.0
        p50 = _row(costs, row, "p50") * part
        more = _row(costs, row, "p95") * part - p50
        middle += p50
        squares += more * more
    return Minutes(round(middle, 1), round(middle + math.sqrt(squares), 1))


def work_minutes(costs: Costs, plan: Plan) -> Minutes:
    """Minutes on the spot, from setting up to clearing away."""
    rows = [row for row in costs.rows[plan.id].minutes if row.phase != "travel"]
    return _sum(costs, plan, rows, 0.0)


def restored(costs: Costs, plan: Plan, waited: float) -> Restored:
    """When service is back, counted from now; ``waited`` minutes pass first. Groups one after the other: life lines,
    the other fibres in service, dark fibres."""
    rows = [row for row in costs.rows[plan.id].minutes if row.phase in RESTORING]
    groups = _groups(costs, plan)
    whole = sum(count for _, count in groups)
    words = Words(costs.policy.wording)
    done, by_group = 0.0, []
    for name, count in groups:
        done += count
        minutes = _sum(costs, plan, rows, waited, done / whole if whole else 1.0)
        by_group.append(GroupRestored(words.say("group", name), count, minutes.p50, minutes.p95))
    last = _sum(costs, plan, rows, waited)
    return Restored(last.p50, last.p95, tuple(by_group))


def _groups(costs: Costs, plan: Plan) -> list[tuple[str, float]]:
    """Fibres by priority: life lines, others in service, dark. One group where nobody has said how many work."""
    total = _count(costs, fibres_fact(plan))
    serving = _count(costs, "fibres_in_service_count")
    if total is None or serving is None:
        return []
    lines = min(_count(costs, "life_line_fibres_count") or 0.0, serving)
    groups = [("life_line", lines), ("in_service", serving - lines)]
    if plan.stage == "permanent":
        groups.append(("dark", max(total - serving, 0.0)))
    return [group for group in groups if group[1] > 0.0]


def _count(costs: Costs, name: str) -> float | None:
    state = costs.worlds.context.state(name)
    return state.value if isinstance(state, Known) and isinstance(state.value, float) else None
