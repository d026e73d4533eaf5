"""Numbers of the policy that are known as ranges, and rules in which one of them stands at another value."""

from __future__ import annotations

from dataclasses import dataclass, replace

from repairadvisor.decision.plan_rows import rows_of
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.turning import Outcome
from repairadvisor.policy.model import Ends, MinutesRow, Policy, PriceRow
from repairadvisor.policy.plan import PlanBits

#: What tables that no minute and no price goes into are remembered under.
_OF_CHANCES = ("prior", "sum", "screen")


@dataclass(frozen=True, slots=True)
class Ranged:
    """A number of a policy that is a range: of which list or table, its name, which of its amounts, for which word."""

    kind: str
    name: str
    amount: str
    word: str
    unit: str
    ends: Ends


@dataclass(frozen=True, slots=True)
class AtEnd:
    """The answer where one number stands at one of its ends."""

    number: Ranged
    at: float
    then: Outcome


def ranges_of(policy: Policy) -> tuple[Ranged, ...]:
    """Every number of a policy that is a range."""
    found = [
        Ranged("rate", name, "", "", number.unit, number.ends)
        for name, number in policy.rates.items()
        if number.ends is not None
    ]
    kinds: tuple[tuple[str, tuple[MinutesRow | PriceRow, ...]], ...] = (
        ("minutes", policy.minutes),
        ("price", policy.prices),
    )
    for kind, rows in kinds:
        for row in rows:
            found += [Ranged(kind, row.id, amount, word, row.unit, ends) for (amount, word), ends in row.ends.items()]
    return tuple(found)


def with_number(policy: Policy, number: Ranged, value: float) -> Policy:
    """The policy with one number at a value."""
    if number.kind == "rate":
        rate = replace(policy.rates[number.name], value=value)
        return replace(policy, rates={**policy.rates, number.name: rate})
    if number.kind == "price":
        return replace(
            policy,
            prices=tuple(
                replace(row, amount={**row.amount, number.word: value}) if row.id == number.name else row
                for row in policy.prices
            ),
        )
    return replace(policy, minutes=tuple(_minutes(row, number, value) for row in policy.minutes))


def _minutes(row: MinutesRow, number: Ranged, value: float) -> MinutesRow:
    if row.id != number.name:
        return row
    if number.amount == "p50":
        return replace(row, p50={**row.p50, number.word: value})
    return replace(row, p95={**row.p95, number.word: value})


def rules_with(rules: Rules, policy: Policy) -> Rules:
    """Compiled rules with other minutes and prices, which no screen and no light hangs on. What was remembered of
    chances holds on, what was remembered of costs does not."""
    chances = {key: table for key, table in rules.compiled.tables.items() if key[0] in _OF_CHANCES}
    return replace(
        rules,
        policy=policy,
        rows=rows_of(policy, PlanBits(policy.plans)),
        compiled=replace(rules.compiled, tables=chances),
        second_visits={},
    )
