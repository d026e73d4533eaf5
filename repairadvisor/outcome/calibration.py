"""What an operator's own joints say of how well they are made: one scale for each set of joints.

Losses of offset and of tilt go with the square of their spread, so one scale on the spreads moves all of a method's
random loss. Its posterior is worked out on a grid: prior times the likelihood of every attempt that was recorded, with
the noise of measuring in it. An attempt of which only a bound was read ("below 0.02 dB", "beyond the range") counts as
that bound. What was cut again counts as much as what was kept: judged by what was kept, joints look better than they
are. Attempts at one joint share a common cause, or none, by the policy's chance of one: three bad ones in a row say
little of the spread.

Source: Bayes' rule on a grid.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from repairadvisor.optics.distribution import LossModel
from repairadvisor.optics.valid_range import in_range
from repairadvisor.outcome.reading_law import Values, bin_of, clean_chances, failed_chances, noisy, together
from repairadvisor.outcome.reported import ABOVE, BELOW, EXACT

_PER_OCTAVE, _FINER = 30, 16
#: Scales for which likelihoods are worked out: from half as wide to twice as wide, evenly in their ratio.
NODES = tuple(math.exp2(i / _PER_OCTAVE - 1.0) for i in range(2 * _PER_OCTAVE + 1))
#: Scales that have a chance; between nodes the logarithm of a likelihood is read off a cubic.
SCALES = tuple(math.exp2(i / (_PER_OCTAVE * _FINER) - 1.0) for i in range(2 * _PER_OCTAVE * _FINER + 1))
#: What a chance of a reading is at least: a typing error shall not rule a scale out by itself.
_LEAST_CHANCE = 1e-9


class ReadingRows:
    """How likely readings are under each of :data:`NODES`, where no common cause is at work and where one is.

    ``model_at`` gives the joint's model for a scale on its spreads; ``failing`` the chances of failing without and with
    a common cause; ``joints``, how many are read together (1 to 4); ``noise_db``, the standard deviation of a reading.
    Errors: OpticsError.
    """

    def __init__(
        self, model_at: Callable[[float], LossModel], failing: tuple[float, float], joints: int, noise_db: float
    ) -> None:
        failed = failed_chances(model_at(1.0))
        clean = [clean_chances(model_at(scale)) for scale in NODES]
        self._chances = np.array(
            [[noisy(together((1.0 - q) * one + q * failed, joints), noise_db) for one in clean] for q in failing]
        )
        self._upto = np.cumsum(self._chances, axis=2)
        self._known: dict[tuple[str, int], Values] = {}

    def logs(self, bound: str, reading: int) -> Values:
        """The logarithm of the chance of a reading in hundredths: for no common cause and for one, by node."""
        found = self._known.get((bound, reading))
        if found is None:
            found = self._known[bound, reading] = np.log(np.maximum(self._of(bound, reading), _LEAST_CHANCE))
        return found

    def _of(self, bound: str, reading: int) -> Values:
        at = bin_of(reading)
        parts: dict[str, Values] = {
            EXACT: self._chances[:, :, at],
            BELOW: self._upto[:, :, at],
            ABOVE: 1.0 - self._upto[:, :, at],
        }
        return parts[bound]


#: One reading: under which rows, its bound, its hundredths.
RowReading = tuple[ReadingRows, str, int]


class Evidence:
    """All that was read of one set of joints; ``common_cause`` is the chance (0 to 1) that one is at work at a joint.

    Readings of joints that were made once are only counted, so a million of them take no more room than a thousand.
    """

    def __init__(self, common_cause: float) -> None:
        in_range("chance of a common cause", common_cause, 0.0, 1.0, "1")
        with np.errstate(divide="ignore"):
            self._log_causes = np.log(np.array([[1.0 - common_cause], [common_cause]]))
        self._single: Counter[RowReading] = Counter()
        self._several = np.zeros(len(NODES))
        self.joints = self.attempts = 0

    def add(self, readings: Sequence[RowReading]) -> None:
        """The readings of all attempts at one joint, or at all joints of one ribbon."""
        if not readings:
            return
        self.joints += 1
        self.attempts += len(readings)
        if len(readings) == 1:
            self._single[readings[0]] += 1
        else:
            self._several += self._log_of(readings)

    def log_likelihood(self) -> Values:
        """Its logarithm, a number for each of :data:`NODES`."""
        total = self._several.copy()
        for reading, count in self._single.items():
            total += count * self._log_of([reading])
        return total

    def _log_of(self, readings: Sequence[RowReading]) -> Values:
        logs = self._log_causes + sum(rows.logs(bound, reading) for rows, bound, reading in readings)
        found: Values = np.logaddexp(logs[0], logs[1])
        return found


@dataclass(frozen=True, slots=True)
class Posterior:
    """How likely each of :data:`SCALES` is; adds up to one."""

    chances: tuple[float, ...]

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
                return scale * math.exp2((share - 0.5) / (_PER_OCTAVE * _FINER))
            before += one
        return SCALES[-1]


def scaled(model: LossModel, scale: float) -> LossModel:
    """A joint whose spreads are all wider by a factor (0.5 to 2): their means go with its square."""
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


def posterior(log_likelihood: Values, before: Sequence[float]) -> Posterior:
    """The scale after evidence, ``before`` being what was thought of it: one chance for each of :data:`SCALES`."""
    in_range("chances of the prior", float(len(before)), float(len(SCALES)), float(len(SCALES)), "1")
    in_range("sum of the prior", math.fsum(before), 1.0 - 1e-6, 1.0 + 1e-6, "1")
    with np.errstate(divide="ignore"):  # what the prior rules out stays so
        logs = _between_nodes(log_likelihood) + np.log(np.array(before))
    weights = np.exp(logs - logs.max())
    return Posterior(tuple((weights / weights.sum()).tolist()))


def _between_nodes(values: Values) -> Values:
    """Values at :data:`NODES` carried to :data:`SCALES` by the cubic through the four nearest nodes."""
    at = np.arange(len(SCALES)) / _FINER
    first = np.clip(np.floor(at).astype(int) - 1, 0, len(values) - 4)
    t = at - first
    found: Values = (
        -values[first] * (t - 1) * (t - 2) * (t - 3) / 6
        + values[first + 1] * t * (t - 2) * (t - 3) / 2
        - values[first + 2] * t * (t - 1) * (t - 3) / 2
        + values[first + 3] * t * (t - 1) * (t - 2) / 6
    )
    return found
