from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
from counterpart import TOKEN, CounterpartDesk, running
from repairadvisor_template import DeskCarrier, DeskSource

# How long an example takes depends on what else the machine does.
hypothesis.settings.register_profile("any_time", deadline=None)
hypothesis.settings.load_profile("any_time")

EXAMPLES = Path(__file__).parent.parent / "examples"
SECRET = "a-secret-of-the-tests-0123456789"


@pytest.fixture
def source() -> DeskSource:
    return DeskSource(secret=SECRET)


@pytest.fixture
def desk() -> Iterator[CounterpartDesk]:
    with running() as desk:
        yield desk


@pytest.fixture
def carrier(desk: CounterpartDesk) -> DeskCarrier:
    return DeskCarrier(url=desk.url, token=TOKEN, timeout_s=5)
