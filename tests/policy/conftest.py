"""The policy that ships: its texts, read and compiled, once for all tests of the policy."""

from __future__ import annotations

import pytest
from shipped_policy import shipped_texts

from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.rules import Rules
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy


@pytest.fixture(scope="session")
def texts() -> dict[str, str]:
    """The files of the policy that ships, by name."""
    return shipped_texts()


@pytest.fixture(scope="session")
def policy(texts: dict[str, str]) -> Policy:
    return load_policy(texts)


@pytest.fixture(scope="session")
def rules(policy: Policy) -> Rules:
    return prepare(policy)
