"""A world that speaks against a claim, put to the evaluator, and made as small as it can be and still speak against it.

Nothing is told here that the service does not really answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from repairadvisor.decision.cautions import owed
from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.method import advise
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, CLEAR, compile_rules, statuses
from repairadvisor.decision.situation import Situation, look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import Claim
from repairadvisor.policy.plan import Plan

World = Mapping[str, str | float | None]
Told = dict[str, str | float]
#: Told besides, so that nothing grows old on the way and the light decides nothing: what a claim is about is elsewhere.
_BESIDES: Told = {"crew_place": "on_site", "margin_db": 40.0, "owner_joint_limit_db": 3.0}
#: Told where nothing is to be done at all.
_NOTHING_DONE: Told = {"danger_seen": "hurt"}


@dataclass(frozen=True, slots=True)
class Counterexample:
    """Facts told at a moment, and what the service makes of them: the plan that it permits ("" where the claim speaks
    of none), the action it advises ("" where only a count was looked at), and what is wrong with that."""

    told: Mapping[str, object]
    now: datetime
    plan: str
    action: str
    said: str


@dataclass(frozen=True, slots=True)
class Refuted:
    """A counterexample, or how it is known that there is none; ``decided`` is false where neither is so."""

    counterexample: Counterexample | None
    how: str
    decided: bool


def permission_refuted(claim: Claim, rules: Rules, plan: Plan, world: World, now: datetime) -> Counterexample | None:
    """The counterexample that a world is: the service permits the plan, and what is known does not settle the claim's
    condition. None where the service does not permit it."""
    condition = compile_rules([(claim.id, claim.where)], axes_of(rules.policy, [claim.where]), rules.policy.derived)

    def speaks_against(context: Context) -> bool:
        situation = look(rules, as_it_stands(context, rules))
        return permitted(situation, plan) and statuses(condition, situation.context)[0] != BARRED

    told = _least_told(_told(world, _BESIDES), now, speaks_against)
    if told is None:
        return None
    action = advise(_context(told, now), rules).action
    return Counterexample(told, now, plan.id, action, "the plan is permitted, and the condition does not surely hold")


def unbarred_refuted(rules: Rules, plan: Plan, screen: int, world: World, now: datetime) -> Counterexample | None:
    """The counterexample that a world is in which the claim's condition holds: the service bars the plan by a screen
    (by its index). None where it does not."""

    def speaks_against(context: Context) -> bool:
        return look(rules, as_it_stands(context, rules)).status[screen] == BARRED

    told = _least_told(_told(world, {}), now, speaks_against)
    if told is None:
        return None
    action = advise(_context(told, now), rules).action
    said = f"the plan is barred by {rules.policy.screens[screen].id}"
    return Counterexample(told, now, plan.id, action, said)


def caution_refuted(
    claim: Claim, rules: Rules, plan: Plan | None, world: World, now: datetime
) -> Counterexample | None:
    """The counterexample that a world is: the plan may be used (or nothing is done), the hazard may be there, and the
    caution is neither owed nor brought by a screen. None where it is."""
    condition = compile_rules([(claim.id, claim.where)], axes_of(rules.policy, [claim.where]), rules.policy.derived)

    def speaks_against(context: Context) -> bool:
        situation = look(rules, as_it_stands(context, rules))
        if statuses(condition, situation.context)[0] == CLEAR or (plan is not None and not permitted(situation, plan)):
            return False
        rows = [(row, situation.of("caution", i)) for i, row in enumerate(rules.policy.cautions)]
        return claim.caution not in {one.row.tag for one in owed(rows, plan)}

    besides = _BESIDES if plan is not None else {**_BESIDES, **_NOTHING_DONE}
    told = _least_told(_told(world, besides), now, speaks_against)
    if told is None:
        return None
    advice = advise(_context(told, now), rules)
    if plan is None and claim.caution in {one.tag for one in advice.cautions}:
        return None
    said = f"the hazard may be there, and no caution {claim.caution} is owed"
    return Counterexample(told, now, "" if plan is None else plan.id, advice.action, said)


def permitted(situation: Situation, plan: Plan) -> bool:
    """Whether every screen on a plan is clear, so that it may be used with nothing left to check."""
    bit = situation.rules.policy.plans.index(plan)
    return all(situation.status[i] == CLEAR for i, plans in enumerate(situation.rules.screen_plans) if plans >> bit & 1)


def _told(world: World, besides: Told) -> Told:
    """The world's facts as they are told, with what is told besides where the world leaves it open."""
    of_world: Told = {name: value for name, value in world.items() if name in BY_NAME and value is not None}
    more = {name: value for name, value in besides.items() if name not in world}
    return {**of_world, **more}


def _context(told: Told, now: datetime) -> Context:
    context, _ = make_context(now, {name: Held(Known(value)) for name, value in told.items()})
    return context


def _least_told(told: Told, now: datetime, speaks_against: Callable[[Context], bool]) -> Told | None:
    """What is told, with every fact left out without which it still speaks against the claim. None where it does not,
    or where the service would refuse it as contradictory."""
    _, faults = make_context(now, {name: Held(Known(value)) for name, value in told.items()})
    if faults or not speaks_against(_context(told, now)):
        return None
    for name in reversed(list(told)):
        without = {one: value for one, value in told.items() if one != name}
        if speaks_against(_context(without, now)):
            told = without
    return told
