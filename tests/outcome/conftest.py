"""The shipped policy, compiled once."""

import os

import pytest

from repairadvisor.decision.rules import Rules
from repairadvisor.methods import prepared_method
from repairadvisor.settings import cache_folder


@pytest.fixture(scope="package")
def rules() -> Rules:
    return prepared_method(cache_folder(os.environ)).rules
