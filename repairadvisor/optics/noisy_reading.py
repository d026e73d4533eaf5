"""What a reading says about the true loss: chances on a grid, before and after the measurement.

Node i of a grid stands for losses within half a step of ``i * step_db``. The weights of the noise take an exponential,
of which twelve places are kept, the same on every machine; a verdict then only adds, multiplies and divides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from repairadvisor.errors import OpticsError
from repairadvisor.optics.valid_range import in_range

_FARTHEST = 6.0  # standard deviations


@dataclass(frozen=True, slots=True)
class ReadingNoise:
    """``weights[d]``: how likely a reading lies d grid steps from the truth, relative to none (1.0)."""

    step_db: float
    weights: tuple[float, ...]


def reading_noise(sigma_db: float, step_db: float = 0.01) -> ReadingNoise:
    """Normal noise of ``sigma_db`` (0 to 1 dB) on a reading, cut off at six standard deviations.

    An averaged two-way loss repeats within 0.02 to 0.05 dB in the field (from memory); a one-way one see
    ``otdr.one_way_sigma_db``. Zero: the reading is the truth. Errors: OpticsError.
    """
    in_range("standard deviation of a reading", sigma_db, 0.0, 1.0, "dB")
    in_range("step", step_db, 1e-4, 0.1, "dB")
    if sigma_db == 0.0:
        return ReadingNoise(step_db, (1.0,))
    count = int(_FARTHEST * sigma_db / step_db) + 1
    weights = (math.exp(-0.5 * (d * step_db / sigma_db) ** 2) for d in range(count))
    # the last bits of exp differ between machines, so none that a verdict could hang on is kept
    return ReadingNoise(step_db, tuple(round(weight, 12) for weight in weights))


def given_reading(chances: Sequence[float], reading_db: float, noise: ReadingNoise) -> tuple[float, ...]:
    """Chances of the true loss on the grid once ``reading_db`` (rounded to the grid) is known.

    Errors: OpticsError when no loss of the grid could have given that reading. Source: Bayes' rule.
    """
    in_range("reading", reading_db, -5.0, 60.0, "dB")
    at = math.floor(reading_db / noise.step_db + 0.5)
    reach = len(noise.weights)
    weighed = [chance * noise.weights[abs(i - at)] if abs(i - at) < reach else 0.0 for i, chance in enumerate(chances)]
    total = sum(weighed)
    if total <= 0.0:
        raise OpticsError("reading", reading_db, "one that some possible loss could give", "dB")
    return tuple(value / total for value in weighed)


def chance_within(chances: Sequence[float], limit_db: float, step_db: float = 0.01) -> float:
    """Chance that the true loss is at most ``limit_db``; the node at the limit counts by its share below it."""
    in_range("limit", limit_db, 0.0, 60.0, "dB")
    total = 0.0
    for i, chance in enumerate(chances):
        share = (limit_db - (i - 0.5) * step_db) / step_db
        total += chance * min(max(share, 0.0), 1.0)
    return total
