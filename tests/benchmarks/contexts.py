"""The contexts that are measured: known jobs as they are told, the same with every fact known, and a first call."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache

import orjson
from whole_jobs import Job, whole_jobs

from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED
from repairadvisor.decision.situation import look
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Known, NotApplicable, State
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.settings import cache_folder

#: Jobs that end in a repair with nothing left to check that could change it: at home, below ground, in a data hall.
KNOWN_JOBS = ("lead-crushed-by-the-sofa", "flooded-hole-and-six-dark-fibres", "forklift-over-the-parallel-trunk")
#: What a dispatcher has after the first sentence of a call, and the places where least and most can be done then.
FIRST_CALL = {"fault_seen": "cut", "danger_seen": "none"}
USUAL_PLACE = "customer_home"
WIDEST_PLACES = ("footway_chamber", "pole_top")
FIRST_CALL_AT = datetime.fromisoformat("2031-05-04T07:30:00+00:00")


@dataclass(frozen=True, slots=True)
class Asked:
    """One context to measure with, and the request that tells it."""

    name: str
    context: Context
    body: bytes


@cache
def method() -> PreparedMethod:
    """The policy that ships, compiled once a run."""
    return prepared_method(cache_folder(os.environ))


def told(job: Job) -> Asked:
    """A job as it is told."""
    body = orjson.dumps({"facts": dict(job.facts), "now": job.now.isoformat(), "record": False})
    return Asked(job.id, parse_context(job.facts, job.now), body)


def with_turning(asked: Asked) -> Asked:
    """The same with the turning points asked for."""
    body = orjson.dumps({**orjson.loads(asked.body), "turning_points": True})
    return Asked(f"{asked.name}, with turning points", asked.context, body)


def all_known(job: Job) -> Asked:
    """A job with every fact that was left out told as well."""
    context = _all_known_context(job.id)
    body = orjson.dumps({"facts": context.as_given(), "now": context.now.isoformat(), "record": False})
    return Asked(f"{job.id}, all known", context, body)


@cache
def _all_known_context(job_id: str) -> Context:
    job = next(one for one in known_jobs() if one.id == job_id)
    return completed(method().rules, told(job).context)


@cache
def known_jobs() -> tuple[Job, ...]:
    """The jobs that are measured, in their order."""
    by_id = {job.id: job for job in whole_jobs()}
    return tuple(by_id[name] for name in KNOWN_JOBS)


def first_call(place: str = USUAL_PLACE) -> Asked:
    """Three facts and no more."""
    facts = {"place": place, **FIRST_CALL}
    body = orjson.dumps({"facts": facts, "now": FIRST_CALL_AT.isoformat(), "record": False})
    return Asked(f"three facts, {place}", parse_context(facts, FIRST_CALL_AT), body)


def completed(rules: Rules, context: Context) -> Context:
    """A context with every open fact settled, each where the fewest screens bar."""
    while context.missing():
        context = min(_settled(rules, context, context.missing()[0]), key=lambda one: _bars(rules, one))
    return context


def _bars(rules: Rules, context: Context) -> int:
    return len(look(rules, context).screens(BARRED))


def _settled(rules: Rules, context: Context, name: str) -> list[Context]:
    """The context with one fact settled in every way that contradicts nothing."""
    ways = [context.with_facts({name: state}) for state in _states(rules, context, name)]
    return [changed for changed, faults in ways if not faults and name not in changed.missing()]


def _states(rules: Rules, context: Context, name: str) -> Iterator[State]:
    axis, possible = rules.compiled.axes[name], context.possible[name]
    for cell in axis.cells_of(possible):
        if cell == axis.meant:
            yield NotApplicable()
        elif axis.words:
            yield Known(axis.words[cell])
        else:
            yield Known(max(axis.span(cell)[0], possible.low))
