"""What an advice owes to the operator's overlay: rules that were loosened, and numbers that are only ranges."""

from __future__ import annotations

from collections.abc import Sequence

from repairadvisor.decision.advice import Alternative, Loosened, RangeEnd
from repairadvisor.decision.answer import Told
from repairadvisor.decision.ranges import AtEnd, ranges_of
from repairadvisor.decision.screens import BARRED
from repairadvisor.decision.spoken import said_then, then_plan
from repairadvisor.policy.plan import Plan


def loosened(told: Told, held_ready: Sequence[Plan], others: Sequence[Alternative]) -> tuple[Loosened, ...]:
    """The loosened screens that, as they were, would have barred a plan this advice names, or left it open."""
    named = _named(told, held_ready, others)
    context, waited = told.answer.ahead.context, told.answer.later is not None
    found = []
    for one in told.rules.as_they_were:
        plans = one.touched(context, named, waited=waited)
        if not plans:
            continue
        was, words = one.loosened, told.words
        phrases = [words.plan(plan).phrase for plan in plans]
        key = "barred" if one.status(context, waited=waited) == BARRED else "open"
        said = words.say(
            "loosened",
            key,
            because=was.screen.because,
            plans=words.listed(phrases),
            by=was.by,
            on=was.on,
            why=was.because,
        )
        found.append(Loosened(was.screen.id, was.by, was.because, was.on, tuple(plan.id for plan in plans), said))
    return tuple(found)


def _named(told: Told, held_ready: Sequence[Plan], others: Sequence[Alternative]) -> tuple[Plan, ...]:
    """The plan advised, prepared for or standing meanwhile, those held ready, and those told as other ways."""
    order = [one.plan for one in told.answer.order[:1]]
    own = [] if told.plan is None else [told.plan]
    ids = {one.plan.id for one in others}
    told_of = [plan for plan in told.policy.plans if plan.id in ids]
    return tuple(dict.fromkeys((*own, *order, *held_ready, *told_of)))


def range_ends(told: Told) -> tuple[RangeEnd, ...]:
    """At which ends of which ranges the answer would be another one."""
    return tuple(_end(told, one) for one in told.answer.at_ends or ())


def ranges_said(told: Told) -> str:
    """Where no end of a range is named though the policy has ranges, why; "" where it has none."""
    if told.answer.at_ends or not ranges_of(told.policy):
        return ""
    return told.words.say("range", "none" if told.answer.at_ends is not None else "not_asked")


def _end(told: Told, one: AtEnd) -> RangeEnd:
    words, number = told.words, one.number
    low, high = number.ends
    figure = words.say("range", number.amount or "rate", name=words.figure(number.name))
    if number.word:
        figure = words.say("range", "for_word", figure=figure, word=number.word.replace("_", " "))
    said = words.say(
        "range",
        "said",
        figure=figure,
        low=f"{low:g}",
        high=f"{high:g}",
        at=f"{one.at:g}",
        unit=words.unit(number.unit),
        then=said_then(told, one.then),
    )
    return RangeEnd(figure, low, high, number.unit, one.at, one.then.action, then_plan(told, one.then), said)
