"""On which grounds: the other plans, the barred ones, the facts, the figures and how long they hold."""

from __future__ import annotations

from datetime import datetime, timedelta

from repairadvisor.decision.advice import Alternative, Barred, FactUsed, Lift, Source
from repairadvisor.decision.answer import Told, moment_text
from repairadvisor.decision.loss import median_db
from repairadvisor.decision.plans import standing
from repairadvisor.decision.split_cost import split_cost
from repairadvisor.decision.spoken import screen_because
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import facts_of, limits_of
from repairadvisor.policy.model import Screen
from repairadvisor.policy.plan import Plan
from repairadvisor.policy.read_rules import parents_of

MOST_ALTERNATIVES = 5
MOST_BARRED = 40


def alternatives(told: Told) -> tuple[Alternative, ...]:
    """The cheapest plan of each other way of doing it, not every shade of shelter."""
    if told.answer.chosen is None:
        return ()
    best = told.answer.chosen
    seen = {_way(best.plan)}
    found: list[Alternative] = []
    costs, weighing = told.answer.situation.costs, told.answer.situation.weighing
    assert costs is not None  # there is a plan, so it was weighed
    assert weighing is not None
    for one in sorted(told.answer.order[1:], key=lambda other: (other.cost, other.index)):
        if _way(one.plan) in seen or len(found) == MOST_ALTERNATIVES:
            continue
        seen.add(_way(one.plan))
        lost = median_db(told.rules, told.context, one.plan, costs)
        more = round(one.cost - best.cost, 2)
        key = "why_not_cost" if more > 0.5 else _why_not(told, best.plan, one.plan)
        if told.answer.continuity_only:
            key = "why_not_loss"
        found.append(
            Alternative(
                told.words.plan(one.plan),
                more,
                split_cost(weighing, one, told.currency),
                lost,
                told.words.say("alternative", key),
            )
        )
    return tuple(found)


def _why_not(told: Told, best: Plan, other: Plan) -> str:
    mine, theirs = standing(told.situation, best), standing(told.situation, other)
    keys = ("hazard", "visits", "joints", "people", "machine", "name")
    return "why_not_" + next((key for key, a, b in zip(keys, mine, theirs, strict=True) if a != b), "name")


def barred(told: Told) -> tuple[Barred, ...]:
    """Plans that may not be used, why, and what lifts it."""
    found: list[Barred] = []
    said: set[tuple[str, tuple[str, ...]]] = set()
    for i in told.situation.barred_by:
        screen = told.rules.screens[i]
        key = (screen_because(told, i), _stated(told, screen))
        if key in said or not _worth_saying(told, i):
            continue
        said.add(key)
        lift = screen.lifted_by
        minutes = lift.minutes
        if isinstance(minutes, str):
            state = told.context.state(minutes)
            minutes = state.value if isinstance(state, Known) and isinstance(state.value, float) else None
        found.append(
            Barred(
                screen=screen.id,
                kind=screen.kind,
                plans=told.words.partial(screen.plans),
                because=screen_because(told, i),
                facts=_stated(told, screen),
                source=screen.source,
                how_known=screen.known,
                lifted_by=Lift(lift.what, lift.who, minutes, lift.cost),
            )
        )
    order = {kind: i for i, kind in enumerate(("scope", "danger", "safety", "reflectance", "budget", "permanence"))}
    return tuple(sorted(found, key=lambda one: order.get(one.kind, len(order)))[:MOST_BARRED])


def _worth_saying(told: Told, i: int) -> bool:
    """A bar is told where a fact somebody stated bars a plan that is not plainly of another place."""
    screen = told.rules.screens[i]
    if told.answer.decisive:
        return i in told.answer.decisive
    return bool(_stated(told, screen)) and _stated(told, screen) != ("place",)


def _stated(told: Told, screen: Screen) -> tuple[str, ...]:
    names: list[str] = []
    for name in facts_of(screen.bars_when):
        names += parents_of(told.policy.derived[name]) if name in told.policy.derived else [name]
    return tuple(dict.fromkeys(name for name in names if name in told.context.held))


def _deciding(told: Told) -> list[int]:
    """Screens that decided something: those that speak of the plan, or those that are decisive."""
    if told.answer.prepared is None:
        return list(told.answer.decisive)
    index = told.answer.prepared.index
    return [i for i in range(len(told.rules.screens)) if told.rules.screen_plans[i] >> index & 1]


def facts_used(told: Told) -> tuple[FactUsed, ...]:
    """Every stated fact as it was understood."""
    used = []
    for name, held in told.asked_with.held.items():
        value, unit = told.words.value(name, held)
        seen = "" if held.seen_at is None else moment_text(held.seen_at)
        used.append(FactUsed(name, value, unit, held.source, seen))
    return tuple(used)


def sources(told: Told) -> tuple[Source, ...]:
    """Where the figures that decided something come from."""
    found: dict[str, Source] = {}
    for i in _deciding(told):
        screen = told.rules.screens[i]
        if not _has_meaning(told, screen) or screen.kind == "budget" or not _stated(told, screen):
            continue
        for name in limits_of(screen.bars_when):
            number = told.policy.limits[name]
            value = f"{number.value:g} {told.words.unit(number.unit)}"
            found[name] = Source(told.words.figure(name), value, number.source, number.known, number.since)
    if told.loss is not None and told.plan is not None:
        services = told.context.possible["service_kind"].words
        mode = told.context.possible["fibre_mode"].words[0] if services else ""
        joint = told.policy.joints[told.plan.method, mode]
        figure = told.words.say("plan_word", "method", told.plan.method)
        first = next(iter(told.loss.by_wavelength.values()))
        found["joint"] = Source(
            figure, f"{first.p50_db / told.loss.joints:.2f} dB", joint.source, joint.known, joint.since
        )
    return tuple(found.values())


def valid(told: Told) -> tuple[str, str]:
    """The earliest moment at which a passing fact that was used has to be looked at again. What was too old to count
    was not used: it is not among what is known at the start of work."""
    ends: list[tuple[datetime, str]] = []
    for name, held in told.context.held.items():
        lasts = told.policy.facts[name].lasts_min
        if held.valid_until is not None:
            ends.append((held.valid_until, name))
        if lasts is not None:
            # A time that runs is held as it is now, whenever it was seen.
            seen = None if BY_NAME[name].time_runs else held.seen_at
            ends.append(((seen or told.context.now) + timedelta(minutes=lasts), name))
    if not ends:
        return "", told.words.say("valid", "always")
    end, name = min(ends, key=lambda one: one[0])
    return moment_text(end), told.words.say("valid", "because_fact", fact=told.words.fact(name))


def _has_meaning(told: Told, screen: Screen) -> bool:
    possible = told.context.possible
    return all(name not in possible or possible[name].applies for name in facts_of(screen.bars_when))


def _way(plan: Plan) -> tuple[str, str, str]:
    return plan.method, plan.layout, plan.stage
