"""The use case of asking again at the place: what was told of a fault once, what was found there since, a fresh advice.

What was seen stays as old as it is: told again later, nothing becomes fresh by being told again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import orjson

from repairadvisor.facts.context import Context
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
    told = told_later(context)
    if found.get("crew_place") == ON_SITE:
        told.pop("travel_min", None)  # there is no way left to travel
    request: dict[str, object] = {"facts": {**told, **found}, "now": now.isoformat(), "record": True}
    if plan and advisor.knows_plan(plan):
        request["issued_plan"] = plan
    return advisor.advise(request, clock, _keep_as(stored.id, found, key) if key else None)


def told_later(context: Context) -> dict[str, Any]:
    """What is held in a context as it is told at a later moment: each with the moment at which it was seen, so that it
    is as old then as it is, and a time that runs has run on."""
    given: dict[str, Any] = {}
    for name, told in context.as_given().items():
        one = dict(told) if isinstance(told, Mapping) else {"value": told}
        if name == "crew_place" and one.get("value") == ON_SITE:
            one.pop("seen_at", None)  # whoever asks from there is there
        else:
            one.setdefault("seen_at", context.now.isoformat())
        given[name] = one
    return given


def _keep_as(advice_id: str, found: Mapping[str, object], key: str) -> KeepAs:
    """What is found says which advice this is; the moment does not, or a second press would be a second advice."""
    asked = hashlib.sha256(orjson.dumps([advice_id, found], option=orjson.OPT_SORT_KEYS)).hexdigest()
    return KeepAs(hashlib.sha256(f"asked-again\0{key}\0{asked}".encode()).hexdigest()[:32], asked)
