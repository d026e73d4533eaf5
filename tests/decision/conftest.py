"""The policy that ships, compiled once for all tests of the decision, and each whole job advised once."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest
from whole_jobs import Job

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import default_policy, prepared_method
from repairadvisor.policy.model import Policy
from repairadvisor.settings import cache_folder


@pytest.fixture(scope="session")
def rules() -> Rules:
    return prepared_method(cache_folder(os.environ)).rules


@pytest.fixture(scope="session")
def policy() -> Policy:
    return default_policy()


@pytest.fixture(scope="session")
def advised(rules: Rules) -> Callable[[Job], Advice]:
    """The advice on a whole job, reached once."""
    known: dict[str, Advice] = {}

    def of(job: Job) -> Advice:
        if job.id not in known:
            known[job.id] = advise(parse_context(job.facts, job.now), rules)
        return known[job.id]

    return of
