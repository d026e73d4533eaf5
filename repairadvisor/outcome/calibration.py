"""What an operator's own joints say of how well they are made: one scale for each set of joints.

Losses of offset and of tilt go with the square of their spread, so one scale on the spreads moves all of a method's
random loss. Its posterior is worked out on a grid: prior times the likelihood of every attempt that was recorded, with
the noise of measuring in it. An attempt of which only a bound was read ("below 0.02 dB", "beyond the range") counts as
that bound. What was cut again counts as much as what was kept: judged by what was kept, joints look better than they
are.

Source: Bayes' rule on a grid.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from repairadvisor.optics.distribution import LossModel, LossTable, compile_sum
from repairadvisor.optics.valid_range import in_range

Values = npt.NDArray[np.float64]

#: Scales on the spreads that are looked at: from half as wide to twice as wide, evenly in their ratio.
SCALES = tuple(2.0 ** (i / 60.0 - 1.0) for i in range(121))
#: Readings are told to a hundredth; a bin lies half a hundredth about each.
BIN_DB = 0.01
_LEAST_DB, _MOST_DB = -0.30, 6.0
_BINS = round((_MOST_DB - _LEAST_DB) / BIN_DB) + 1
#: What a chance of a reading is at least: a typing error shall not rule a scale out by itself.
_LEAST_CHANCE = 1e-9


@dataclass(frozen=True, slots=True)
class Readings:
    """Attempts by what was read, in hundredths of a decibel, and how many; ``below`` and ``above`` hold bounds."""

    exact: Mapping[int, int]
    below: Mapping[int, int]
    above: Mapping[int, int]

    @property
    def count(self) -> int:
        """All attempts."""
        return sum(sum(part.values()) for part in (self.exact, self.below, self.above))


@dataclass(frozen=True, slots=True)
class Posterior:
    """How likely each of :data:`SCALES` is after the readings; adds up to one."""

    chances: tuple[float, ...]
    count: int

    @property
    def mean(self) -> float:
        """The expected scale."""
        return math.fsum(scale * chance for scale, chance in zip(SCALES, self.chances, strict=True))

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Between which two scales it lies with a chance (0.5 to 0.999), as much beyond either end."""
        in_range("level of an interval", level, 0.5, 0.999, "1")
        outside = 0.5 * (1.0 - level)
        return self.quantile(outside), self.quantile(1.0 - outside)

    def quantile(self, chance: float) -> float:
        """The scale that is not passed with a chance; each scale of the grid stands for the ratios around it."""
        before = 0.0
        for scale, one in zip(SCALES, self.chances, strict=True):
            if before + one >= chance:
                share = (chance - before) / one if one > 0.0 else 0.5
                return scale * math.exp2((share - 0.5) / 60.0)
            before += one
        return SCALES[-1]


class Likelihood:
    """How likely readings are of one joint of ``model`` under each scale, with normal noise of ``noise_db``.

    Errors: OpticsError for a noise outside 0 to 1 dB.
    """

    def __init__(self, model: LossModel, noise_db: float) -> None:
        in_range("standard deviation of a reading", noise_db, 0.0, 1.0, "dB")
        self._model = model
        rows = [_bins(compile_sum([scaled(model, scale)], tolerance=1e-7)) for scale in SCALES]
        noise = _noise(noise_db)
        self.chances: Values = np.array([np.convolve(row, noise, mode="same") for row in rows])

    def log_of(self, readings: Readings) -> Values:
        """The logarithm of the likelihood of readings, a number for each scale."""
        total = np.zeros(len(SCALES))
        upto = np.cumsum(self.chances, axis=1)
        for hundredths, count in sorted(readings.exact.items()):
            total += count * _log(self.chances[:, _bin(hundredths)])
        for hundredths, count in sorted(readings.below.items()):
            total += count * _log(upto[:, _bin(hundredths)])
        for hundredths, count in sorted(readings.above.items()):
            total += count * _log(1.0 - upto[:, _bin(hundredths)])
        return total


def scaled(model: LossModel, scale: float) -> LossModel:
    """A joint whose spreads are wider by a factor (0.5 to 2): means of offset and tilt go with its square."""
    in_range("scale", scale, 0.5, 2.0, "1")
    means = tuple(mean * scale * scale for mean in model.exponential_means_db)
    return LossModel(model.l0_db, means, model.failure_chance, model.failure_mean_db)


def prior(weight: float) -> tuple[float, ...]:
    """The policy's prior on the scale: log-normal about 1, worth as much as ``weight`` (1 to 10,000) joints of one
    exponential loss, each of which tells the logarithm of the scale to within a half. Adds up to one."""
    in_range("weight of the prior", weight, 1.0, 10_000.0, "joints")
    spread = 0.5 / math.sqrt(weight)
    found = [math.exp(-0.5 * (math.log(scale) / spread) ** 2) for scale in SCALES]
    total = math.fsum(found)
    return tuple(one / total for one in found)


def posterior(likelihood: Likelihood, readings: Readings, before: Sequence[float]) -> Posterior:
    """The scale after readings, ``before`` being what was thought of it: one chance for each of :data:`SCALES`."""
    in_range("chances of the prior", float(len(before)), float(len(SCALES)), float(len(SCALES)), "1")
    in_range("sum of the prior", math.fsum(before), 1.0 - 1e-6, 1.0 + 1e-6, "1")
    with np.errstate(divide="ignore"):  # what the prior rules out stays so
        logs = likelihood.log_of(readings) + np.log(np.array(before))
    weights = np.exp(logs - logs.max())
    return Posterior(tuple((weights / weights.sum()).tolist()), readings.count)


def _bins(table: LossTable) -> Values:
    """The chance of a true loss in each bin of a hundredth."""
    edges = _LEAST_DB + BIN_DB * (np.arange(_BINS + 1) - 0.5)
    tail = np.array([table.chance_above(float(edge)) for edge in edges])
    found: Values = tail[:-1] - tail[1:]
    return found


def _noise(noise_db: float) -> Values:
    """Chances of reading so many hundredths too little or too much."""
    if noise_db == 0.0:
        return np.ones(1)
    reach = int(6.0 * noise_db / BIN_DB) + 1
    steps = np.arange(-reach, reach + 1) * BIN_DB
    weights = np.exp(-0.5 * (steps / noise_db) ** 2)
    found: Values = weights / weights.sum()
    return found


def _bin(hundredths: int) -> int:
    """The bin of a reading; what lies beyond the ends counts as at the end."""
    return min(max(hundredths - round(_LEAST_DB / BIN_DB), 0), _BINS - 1)


def _log(chances: Values) -> Values:
    found: Values = np.log(np.maximum(chances, _LEAST_CHANCE))
    return found
