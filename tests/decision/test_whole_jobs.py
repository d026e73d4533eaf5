"""The whole jobs: facts as a ticket brings them, and what a splicer would do, judged beforehand."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from builders import a_plan
from whole_jobs import PLAN_WORDS, Job, disagreements, fits, whole_jobs

from repairadvisor.decision.advice import ACTIONS, Advice
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import Policy

JOBS = whole_jobs()
KNOWN = {
    one["id"]: one["says"]
    for one in tomllib.loads((Path(__file__).parent / "known_disagreements.toml").read_text())["disagreement"]
}

Advised = Callable[[Job], Advice]


@pytest.mark.parametrize("job", JOBS, ids=lambda job: job.says)
def test_the_advice_agrees_with_the_judgement(job: Job, advised: Advised) -> None:
    found = disagreements(job, advised(job))
    if job.id in KNOWN:
        assert found, f"{job.id} agrees now: take it off the list of known disagreements"
    else:
        assert found == []


def test_every_known_disagreement_is_a_job_and_says_who_is_right() -> None:
    assert set(KNOWN) <= {job.id for job in JOBS}
    assert all("is right" in says and "Missing:" in says for says in KNOWN.values())


def test_no_two_jobs_share_a_name_or_a_sentence() -> None:
    assert len({job.id for job in JOBS}) == len({job.says for job in JOBS}) == len(JOBS)


@pytest.mark.parametrize("job", JOBS, ids=lambda job: job.id)
def test_an_advice_that_is_refused_never_agrees(job: Job, advised: Advised) -> None:
    for entry in job.refuse:
        assert disagreements(job, _as_told(advised(job), entry)), entry


def _as_told(advice: Advice, entry: Mapping[str, Any]) -> Advice:
    """An advice that fits a partial answer, whatever was found."""
    told = {word: [given] if isinstance(given, str) else given for word, given in entry.items() if word in PLAN_WORDS}
    plan = replace(advice.plan or a_plan(), **{word: given[0] for word, given in told.items()})
    changed = replace(advice, action=entry.get("action", advice.action), plan=plan if told else advice.plan)
    assert fits(changed, entry)
    return changed


def _accepted(job: Job, word: str) -> list[str]:
    found: list[str] = []
    for entry in job.accept:
        given = entry.get(word, [])
        found += [given] if isinstance(given, str) else given
    return found


@pytest.mark.parametrize("dimension", ["method", "layout"])
def test_every_method_and_layout_is_accepted_somewhere(dimension: str, policy: Policy) -> None:
    wanted = {getattr(plan, dimension) for plan in policy.plans}
    assert wanted - {word for job in JOBS for word in _accepted(job, dimension)} == set()


def test_every_action_is_accepted_somewhere() -> None:
    assert set(ACTIONS) - {word for job in JOBS for word in _accepted(job, "action")} == set()


def test_every_place_occurs_among_the_facts() -> None:
    seen: set[str] = set()
    for job in JOBS:
        place = job.facts.get("place")
        seen.update(place["one_of"] if isinstance(place, Mapping) else [place] if place else [])
    assert set(BY_NAME["place"].words) - seen == set()


@pytest.mark.parametrize("dimension", ["method", "layout"])
def test_every_method_and_layout_wins_some_job(dimension: str, policy: Policy, advised: Advised) -> None:
    plans = [advice.plan for advice in map(advised, JOBS) if advice.plan is not None]
    wanted = {getattr(plan, dimension) for plan in policy.plans}
    assert wanted - {getattr(plan, dimension) for plan in plans} == set()


def test_every_action_is_advised_for_some_job(advised: Advised) -> None:
    assert set(ACTIONS) - {advised(job).action for job in JOBS} == set()
