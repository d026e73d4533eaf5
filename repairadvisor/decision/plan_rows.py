"""Which minutes and prices a plan fits, for how many fibres and persons they count."""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.policy.model import MinutesRow, Number, Policy, PriceRow
from repairadvisor.policy.plan import Plan, PlanBits


@dataclass(frozen=True, slots=True)
class PlanRows:
    """The minutes and prices that a plan fits."""

    minutes: tuple[MinutesRow, ...]
    prices: tuple[PriceRow, ...]


def rows_of(policy: Policy, bits: PlanBits) -> dict[str, PlanRows]:
    """The rows of every plan, by its id."""
    minutes = [(row, bits.fitting(row.plans)) for row in policy.minutes]
    prices = [(row, bits.fitting(row.plans)) for row in policy.prices]
    return {
        plan.id: PlanRows(
            tuple(row for row, plans in minutes if plans >> i & 1),
            tuple(row for row, plans in prices if plans >> i & 1),
        )
        for i, plan in enumerate(policy.plans)
    }


def fibres_fact(plan: Plan) -> str:
    """The fact that counts the fibres a plan joins: a temporary repair joins those that carry service."""
    return "fibres_in_service_count" if plan.stage == "temporary_then_permanent" else "fibres_down_count"


def expected_minutes(policy: Policy, row: MinutesRow, word: str) -> float:
    """The mean of one row for a word: the median and part of the way to the pessimistic figure."""
    low, high = row.p50.get(word, 0.0), row.p95.get(word, 0.0)
    return low + (high - low) * policy.rates["mean_between_median_and_p95"].value


def persons(policy: Policy, plan: Plan, place: str) -> int:
    """The least persons for a plan at a place: the larger of what place and access ask for."""
    return max(1, *(int(number.value) for number in persons_rows(policy, plan, place)))


def persons_rows(policy: Policy, plan: Plan, place: str) -> list[Number]:
    """What place and access ask for; away from the place, at a bench indoors, only the access."""
    found = [policy.crew_by_access[plan.access]]
    if plan.position != "indoor_bench" and place in policy.crew_by_place:
        found.append(policy.crew_by_place[place])
    return found


def of_one_joint(row: MinutesRow) -> bool:
    """Whether a row is the work on one fibre's joint, and not what is done once for all."""
    return row.phase == "join" and row.per in ("fibres_down_count", "fibres_in_service_count")
