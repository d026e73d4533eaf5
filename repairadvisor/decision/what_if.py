"""Two answers side by side: what differs between them, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repairadvisor.decision.advice import Advice, PlanWords
from repairadvisor.decision.reasons import Words


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing in which two answers differ: which part, what the first and the second say; "" is nothing."""

    part: str
    first: str
    second: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two answers, what differs between them, and the sentences that say why."""

    first: Advice
    second: Advice
    differences: tuple[Difference, ...]
    because: tuple[str, ...]


def compare(first: Advice, second: Advice, wording: Words) -> Comparison:
    """What differs between two answers: facts, action, plan, light, cost, time, people and kit."""
    found = [
        *_facts(first, second, wording),
        *_said("action", wording.say("action", first.action), wording.say("action", second.action)),
        *_said("plan", _plan(first.plan), _plan(second.plan)),
        *_said("crew", first.crew.in_words, second.crew.in_words),
        *_light(first, second),
        *_money_and_time(first, second, wording),
        *_kit(first, second, wording),
        *_checks(first, second),
    ]
    return Comparison(first, second, tuple(found), _because(first, second, wording))


def _said(part: str, first: str, second: str) -> list[Difference]:
    return [] if first == second else [Difference(part, first, second)]


def _plan(plan: PlanWords | None) -> str:
    return "" if plan is None else plan.phrase


def _facts(first: Advice, second: Advice, wording: Words) -> list[Difference]:
    one, other = (
        {fact.fact: f"{fact.value} {wording.unit(fact.unit)}".strip() for fact in advice.facts_used}
        for advice in (first, second)
    )
    names = dict.fromkeys((*one, *other))
    return [more for name in names for more in _said(f"fact {name}", one.get(name, ""), other.get(name, ""))]


def _light(first: Advice, second: Advice) -> list[Difference]:
    one = {} if first.loss is None else first.loss.by_wavelength
    other = {} if second.loss is None else second.loss.by_wavelength
    found = []
    for nm in dict.fromkeys((*one, *other)):
        for name in ("p50_db", "p95_db", "margin_left_db"):
            values = [getattr(rows[nm], name) if nm in rows else None for rows in (one, other)]
            said = ["" if value is None else f"{value:.2f}" for value in values]
            found += _said(f"{name} at {nm} nm", said[0], said[1])
    return found


def _money_and_time(first: Advice, second: Advice, wording: Words) -> list[Difference]:
    found = []
    costs = [advice.expected_cost for advice in (first, second)]
    said = ["" if cost is None else f"{cost.total:.0f} {cost.currency}" for cost in costs]
    found += _said("expected cost", said[0], said[1])
    for part in ("work_min", "restored_after_min"):
        minutes = [getattr(advice, part) for advice in (first, second)]
        told = ["" if one is None else f"{_between(one.p50, one.p95, wording)} min" for one in minutes]
        found += _said(part, told[0], told[1])
    return found


def _between(low: float, high: float, wording: Words) -> str:
    return wording.say("fact", "between", low=f"{low:.0f}", high=f"{high:.0f}")


def _kit(first: Advice, second: Advice, wording: Words) -> list[Difference]:
    if not first.kit or not second.kit:
        return _said("kit", _how_many(first, wording), _how_many(second, wording))
    one = {line.item: f"{line.quantity:g} {line.unit}" for line in first.kit}
    other = {line.item: f"{line.quantity:g} {line.unit}" for line in second.kit}
    items = dict.fromkeys((*one, *other))
    return [more for item in items for more in _said(f"kit: {item}", one.get(item, ""), other.get(item, ""))]


def _how_many(advice: Advice, wording: Words) -> str:
    return wording.say("what_if", "lines", n=len(advice.kit)) if advice.kit else ""


def _checks(first: Advice, second: Advice) -> list[Difference]:
    if first.plan is None or second.plan is None:
        return []
    one = {check.screen: check.not_before for check in first.checks_on_arrival}
    other = {check.screen: check.not_before for check in second.checks_on_arrival}
    names = [name for name in dict.fromkeys((*one, *other)) if (name in one) != (name in other)]
    return [Difference("check", one.get(name, ""), other.get(name, "")) for name in names]


def _because(first: Advice, second: Advice, wording: Words) -> tuple[str, ...]:
    """Why the second answer is another one: what bars there that did not before, and what no longer does."""
    if first.action == second.action and first.plan == second.plan:
        return (wording.say("what_if", "same"),)
    found = [_new(wording, "barred", second, first), _new(wording, "free", first, second)]
    lines = [line for group in found for line in group]
    return tuple(lines) or (wording.say("what_if", "price"),)


def _new(wording: Words, key: str, one: Advice, other: Advice) -> Sequence[str]:
    """A sentence for every bar of one answer that the other has not."""
    before = {barred.screen for barred in other.barred}
    new = [barred for barred in one.barred if barred.screen not in before]
    return [wording.say("what_if", key, plans=barred.plans, because=barred.because) for barred in new]
