"""The moment of all tests, and no network."""

from __future__ import annotations

from datetime import datetime

import pytest
from weather_scene import NOW


@pytest.fixture
def now() -> datetime:
    return NOW
