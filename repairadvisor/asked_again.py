"""The use case of asking again at the place: what was told of a fault once, what was found there since, a fresh advice.

What was seen stays as old as it is: told again later, nothing becomes fresh by being told again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import orjson

from repairadvisor.decision.replay import context_again
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME, Fact
from repairadvisor.replay import told_again
from repairadvisor.service import Advisor, Answer, KeepAs
from repairadvisor.store.records import StoredAdvice

#: Where the crew is once it has begun to work.
ON_SITE = "on_site"


def ask_again(
    advisor: Advisor, stored: StoredAdvice, found: Mapping[str, object], clock: datetime, plan: str = "", key: str = ""
) -> Answer:
    """Advice on what a kept advice was asked about and what was ``found`` since, kept. ``plan``, the id of the one that
    was given, stays while it is among the best. The same found again under the same ``key`` is answered with what was
    kept the first time.

    Raises :class:`~repairadvisor.errors.InputError` with everything wrong with what was found.
    """
    context, _, _ = told_again(stored)
    now = max(clock.astimezone(UTC), context.now.astimezone(UTC))
    told = told_later(context, now)
    if found.get("crew_place") == ON_SITE:
        told.pop("travel_min", None)  # there is no way left to travel
    told |= {name: {**told[name], "valid_until": now.isoformat()} for name in _too_old(advisor, told, found, now)}
    request: dict[str, object] = {"facts": {**told, **found}, "now": now.isoformat(), "record": True}
    if plan and advisor.knows_plan(plan):
        request["issued_plan"] = plan
    return advisor.advise(request, clock, _keep_as(stored.id, found, key) if key else None)


def told_later(context: Context, now: datetime) -> dict[str, Any]:
    """What is held in a context as it is told at a later moment: each sight with its age, running times moved on."""
    minutes = max((now - context.now).total_seconds() / 60.0, 0.0)
    given: dict[str, Any] = {}
    for name, told in context.as_given().items():
        one = dict(told) if isinstance(told, Mapping) else {"value": told}
        fact = BY_NAME[name]
        if fact.time_runs:
            one = _moved(fact, one, minutes)
        elif name == "crew_place" and one.get("value") == ON_SITE:
            one.pop("seen_at", None)  # whoever asks from there is there
        else:
            one.setdefault("seen_at", context.now.isoformat())
        given[name] = one
    return given


def _too_old(
    advisor: Advisor, told: Mapping[str, object], found: Mapping[str, object], now: datetime
) -> tuple[str, ...]:
    """What was told then and no longer counts. It is told as having run out: an advice that rests on nothing of it must
    not run out with it."""
    context, _ = context_again({name: one for name, one in told.items() if name not in found}, now)
    return tuple(name for name in advisor.method.grown_old(context) if name in told and name not in found)


def _moved(fact: Fact, told: Mapping[str, Any], minutes: float) -> dict[str, Any]:
    """An age grown, or an arrival come nearer, within what the fact can be."""
    by = minutes if fact.time_runs == "ago" else -minutes

    def move(value: float) -> float:
        return min(max(value + by, fact.low), fact.high)

    moved = {key: value for key, value in told.items() if key != "seen_at"}
    if "value" in moved:
        moved["value"] = move(float(moved["value"]))
    if "between" in moved:
        moved["between"] = [move(float(end)) for end in moved["between"]]
    return moved


def _keep_as(advice_id: str, found: Mapping[str, object], key: str) -> KeepAs:
    """What is found says which advice this is; the moment does not, or a second press would be a second advice."""
    asked = hashlib.sha256(orjson.dumps([advice_id, found], option=orjson.OPT_SORT_KEYS)).hexdigest()
    return KeepAs(hashlib.sha256(f"asked-again\0{key}\0{asked}".encode()).hexdigest()[:32], asked)
