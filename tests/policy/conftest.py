"""The policy that ships: its texts, read and compiled, once for all tests of the policy."""

from __future__ import annotations

from importlib import resources

import pytest

from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.rules import Rules
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy


@pytest.fixture(scope="session")
def texts() -> dict[str, str]:
    """The files of the policy that ships, by name."""
    folder = resources.files("repairadvisor.policy") / "default"
    return {file.name: file.read_text(encoding="utf-8") for file in folder.iterdir() if file.name.endswith(".toml")}


@pytest.fixture(scope="session")
def policy(texts: dict[str, str]) -> Policy:
    return load_policy(texts)


@pytest.fixture(scope="session")
def rules(policy: Policy) -> Rules:
    return prepare(policy)
