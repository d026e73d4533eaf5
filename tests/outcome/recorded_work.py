"""Attempts as they are recorded, drawn by numpy from the policy's own figures: a generator that shares no code."""

from __future__ import annotations

import functools
import os
from datetime import UTC, datetime, timedelta

import numpy as np

from repairadvisor.decision.light import Light
from repairadvisor.methods import prepared_method
from repairadvisor.outcome.attempt_readings import Made
from repairadvisor.outcome.reported import Attempt, Reading
from repairadvisor.settings import cache_folder

BEGAN = datetime(2031, 3, 3, 8, 0, tzinfo=UTC)
AT_A_BENCH = "fusion_splice/direct/vehicle/on_foot/cover/permanent"
UP_A_POLE = "fusion_splice/direct/in_place/climbing/cover/permanent"
#: Single-mode fused joints of the policy: mean losses of offset and tilt at 1310 nm and a radius of
#: 4.6 µm as the comment at the head of joints.toml gives them, the constant, failures.
OFFSET_DB, TILT_DB, L0_DB, FAILING, FAILED_DB = 0.0257, 0.0152, 0.002, 0.03, 0.5
NOISE_DB = 0.03


@functools.cache
def light() -> Light:
    return prepared_method(cache_folder(os.environ)).rules.light


def attempt(number: int = 0, loss_db: float | None = 0.05, **said) -> Attempt:
    """One attempt, read both ways at 1310 nm; the ``number``-th joint, a quarter of an hour after the one before."""
    readings = () if loss_db is None else (Reading(1310, both_ways_db=round(loss_db, 2)),)
    given = {
        "advice": f"advice-{number // 12}",
        "fibre": f"f{number % 12 + 1}",
        "joint": 1,
        "method": "fusion_splice",
        "attempt": 1,
        "made_at": BEGAN + timedelta(minutes=15 * number),
        "readings": readings,
    }
    return Attempt(**{**given, **said})


def made(number: int = 0, loss_db: float | None = 0.05, plan: str = AT_A_BENCH, context=None, **said) -> Made:
    return Made(attempt(number, loss_db, **said), plan, context)


def losses(rng, count: int, scale: float = 1.0) -> np.ndarray:
    """Fused joints at a bench, as read both ways, dB."""
    clean = L0_DB + rng.exponential(OFFSET_DB * scale**2, count) + rng.exponential(TILT_DB * scale**2, count)
    loss = np.where(rng.random(count) < FAILING, L0_DB + rng.exponential(FAILED_DB, count), clean)
    return np.maximum(loss + rng.normal(0.0, NOISE_DB, count), -0.15)  # no less is taken for a reading


def fused(rng, count: int, scale: float = 1.0, begin: int = 0, **said) -> list[Made]:
    """As many joints, made once each."""
    return [made(begin + i, float(one), **said) for i, one in enumerate(losses(rng, count, scale))]
