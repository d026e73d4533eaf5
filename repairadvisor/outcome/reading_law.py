"""What is likely to be read of a joint: the chance of every hundredth of a decibel, with the noise of measuring in it.

A reading is a hundredth; a bin lies half a hundredth about each. What lies beyond the ends counts as at the end.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.optics.valid_range import in_range

Values = npt.NDArray[np.float64]

#: Readings are told to a hundredth.
BIN_DB = 0.01
_LEAST_DB, _MOST_DB = -0.50, 6.0
BINS = round((_MOST_DB - _LEAST_DB) / BIN_DB) + 1
_NOTHING = round(-_LEAST_DB / BIN_DB)
#: Chances between knots: a bin's own is a hundred times as much where readings are common.
_TOLERANCE = 1e-6
#: A chance nearer to nothing or to one says no more than this: one joint shall not signal by itself for a typing error.
LEAST_TAIL = 1e-4
_NORMAL = NormalDist()


def hundredths(loss_db: float) -> int:
    """A reading to the nearest hundredth of a decibel."""
    return int(np.floor(loss_db / BIN_DB + 0.5))


def bin_of(reading: int) -> int:
    """The bin of a reading in hundredths."""
    return min(max(reading + _NOTHING, 0), BINS - 1)


def clean_chances(model: LossModel) -> Values:
    """The chance of a true loss in each bin, of a joint that did not fail."""
    return _in_bins(LossModel(model.l0_db, model.exponential_means_db))


def failed_chances(model: LossModel) -> Values:
    """The same of one that failed."""
    return _in_bins(LossModel(model.l0_db, (model.failure_mean_db,)))


def _in_bins(model: LossModel) -> Values:
    table = compile_sum([model], tolerance=_TOLERANCE)
    edges = _LEAST_DB + BIN_DB * (np.arange(BINS + 1) - 0.5)
    # at a step, a loss that is there at least, the tail before it counts
    tail = np.interp(edges, table.knots_db, table.tail, left=1.0, right=0.0)
    found: Values = tail[:-1] - tail[1:]
    return found


def together(chances: Values, joints: int) -> Values:
    """The chances of the sum of as many alike, 1 to 4, none having to do with another."""
    in_range("joints read together", joints, 1, 4, "joints")
    found = chances
    for _ in range(joints - 1):
        found = np.convolve(found, chances)[_NOTHING : _NOTHING + BINS]
    return found


def noisy(chances: Values, noise_db: float) -> Values:
    """The chances of readings of what has those ``chances``, with normal noise (0 to 1 dB, standard deviation)."""
    in_range("standard deviation of a reading", noise_db, 0.0, 1.0, "dB")
    if noise_db == 0.0:
        return chances
    reach = int(6.0 * noise_db / BIN_DB) + 1
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) * BIN_DB / noise_db) ** 2)
    found: Values = np.convolve(chances, weights / weights.sum())[reach : reach + BINS]
    return found


class ReadingScores:
    """Normal scores of readings that have those ``chances``: the standard normal quantile of the chance of less.

    A bin counts half as less, and so does all that a bound leaves open; that keeps the mean at nothing and takes a
    little off the spread. Within ±3.72.
    """

    def __init__(self, chances: Values) -> None:
        self._chances = chances
        self._upto = np.cumsum(chances)

    def exact(self, reading: int) -> float:
        """Of a reading in hundredths."""
        at = bin_of(reading)
        return _quantile(float(self._upto[at] - 0.5 * self._chances[at]))

    def below(self, bound: int) -> float:
        """Where no more is known than that it lies at a bound or below."""
        return _quantile(0.5 * float(self._upto[bin_of(bound)]))

    def above(self, bound: int) -> float:
        """Where no more is known than that it lies above a bound."""
        return _quantile(0.5 * (1.0 + float(self._upto[bin_of(bound)])))


def _quantile(chance: float) -> float:
    return _NORMAL.inv_cdf(min(max(chance, LEAST_TAIL), 1.0 - LEAST_TAIL))
