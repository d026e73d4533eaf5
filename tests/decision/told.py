"""Contexts for tests: the whole jobs, and what becomes of them when facts are dropped, bounded or changed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from hypothesis import assume
from hypothesis import strategies as st
from whole_jobs import Job, whole_jobs

from repairadvisor.errors import InputError
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME

JOBS = whole_jobs()
BY_ID = {job.id: job for job in JOBS}
#: Facts without which weighing has so much left open that a test would take too long.
KEPT = ("place", "service_kind", "fault_seen", "fibre_mode")

#: A cabinet of which a dispatcher knows the cable and the counts, and nothing else.
CABINET: dict[str, Any] = {
    "place": "street_cabinet",
    "fault_seen": "cut",
    "danger_seen": "none",
    "cable_kind": "loose_tube",
    "fibres_down_count": 24,
    "fibres_in_service_count": 24,
    "service_kind": "passive_network",
}


def job_context(job_id: str, **changes: Any) -> Context:
    """The context of a job with some facts told otherwise; None: nobody has told."""
    job = BY_ID[job_id]
    facts = {name: value for name, value in {**job.facts, **changes}.items() if value is not None}
    return parse_context(facts, job.now)


def consistent(facts: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    """The facts without those that contradict others."""
    left = dict(facts)
    for _ in range(6):
        try:
            parse_context(left, now)
        except InputError as error:
            for fault in error.faults:
                left.pop(fault.field.split(".")[0], None)
        else:
            return left
    assume(False)
    return left


def _told_otherwise(draw: st.DrawFn, name: str, value: Any) -> Any:
    fact = BY_NAME.get(name)
    if fact is None or isinstance(value, Mapping | list):
        return value
    if fact.words:
        word = draw(st.sampled_from(fact.words))
        return draw(st.sampled_from([word, {"one_of": [str(value), word]}]))
    other = min(max(float(value) * draw(st.sampled_from([0.0, 0.5, 2.0, 4.0])), fact.low), fact.high)
    other = float(int(other)) if fact.whole else other
    low, high = sorted([float(value), other])
    return draw(st.sampled_from([other, {"between": [low, high]}])) if fact.low <= low <= high else value


@st.composite
def told_differently(draw: st.DrawFn) -> tuple[Job, dict[str, Any]]:
    """A job of which some facts are dropped, bounded or changed, and the rest is left."""
    job = draw(st.sampled_from(JOBS))
    facts = dict(job.facts)
    names = sorted(facts)
    for name in draw(st.lists(st.sampled_from(names), max_size=6, unique=True)):
        if name not in KEPT:
            del facts[name]
    for name in draw(st.lists(st.sampled_from(names), max_size=3, unique=True)):
        if name in facts and (name != "place" or draw(st.booleans())):
            facts[name] = _told_otherwise(draw, name, facts[name])
    return job, consistent(facts, job.now)
