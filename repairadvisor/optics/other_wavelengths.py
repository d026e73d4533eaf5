"""What a joint loses at one wavelength, given what it loses at another: two lines, by which one half each go.

Offset and tilt lose in fixed ratios between two wavelengths, so the loss at one lies in a narrow band in the loss at
the other. The lines are the conditional mean less and plus the conditional standard deviation. Made when a policy is
compiled, by quadrature; read with + - * / and comparisons.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, LossTable

_ANGLES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


@dataclass(frozen=True, slots=True)
class Line:
    """A rising map from governing loss to loss at another wavelength, straight between points."""

    governing_db: tuple[float, ...]
    other_db: tuple[float, ...]

    def other(self, x_db: float) -> float:
        """Loss in dB at the other wavelength; beyond the last point the last slope holds."""
        return _along(self.governing_db, self.other_db, x_db)

    def governing(self, y_db: float) -> float:
        """Governing loss in dB at which the other wavelength loses ``y_db``."""
        return _along(self.other_db, self.governing_db, y_db)


def _along(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    place = min(max(bisect_right(xs, x), 1), len(xs) - 1)
    low, high = xs[place - 1], xs[place]
    return ys[place - 1] + (x - low) / (high - low) * (ys[place] - ys[place - 1])


def clean_lines(governing: LossModel, other: LossModel, table: LossTable) -> tuple[Line, Line]:
    """Conditional mean less and plus the conditional deviation of another wavelength, given the governing loss."""
    parts = [
        (mean, (other_mean / mean if mean > 0.0 else 1.0))
        for mean, other_mean in zip(governing.exponential_means_db, other.exponential_means_db, strict=True)
        if mean > 0.0
    ]
    groups: dict[float, list[float]] = {}
    for mean, ratio in parts:
        groups.setdefault(round(ratio, 12), []).append(mean)
    top = table.knots_db[-1] - governing.l0_db
    points = [0.0, *(top * (i / 24.0) ** 2 for i in range(1, 25))] if top > 0.0 else [0.0, 1.0]
    spread = [_given_sum(groups, s) for s in points]
    xs = tuple(governing.l0_db + s for s in points)
    low = tuple(other.l0_db + mean - deviation for mean, deviation in spread)
    high = tuple(other.l0_db + mean + deviation for mean, deviation in spread)
    return Line(xs, _rising(low)), Line(xs, _rising(high))


def _rising(ys: Sequence[float]) -> tuple[float, ...]:
    """The same, each a hair above the one before where rounding says otherwise."""
    found = [ys[0]]
    for y in ys[1:]:
        found.append(max(y, found[-1] + 1e-12))
    return tuple(found)


def _given_sum(groups: Mapping[float, Sequence[float]], total: float) -> tuple[float, float]:
    """Mean and deviation of sum(ratio x part) given that the parts add up to ``total``."""
    ratios = list(groups)
    if len(ratios) == 0:
        return total, 0.0
    if len(ratios) == 1 or total <= 0.0:
        return ratios[0] * total if len(ratios) == 1 else 0.0, 0.0
    if len(ratios) > 2:
        raise OpticsError("ratios between wavelengths", len(ratios), "at most 2 within one joint", "1")
    first, second = ratios
    share = 0.5 * (np.asarray(_ANGLES) + 1.0) * total  # of the second group
    density = _density(groups[first], total - share) * _density(groups[second], share) * np.asarray(_WEIGHTS)
    mass = float(density.sum())
    mean = float((density * share).sum()) / mass
    variance = max(0.0, float((density * share**2).sum()) / mass - mean * mean)
    return first * (total - mean) + second * mean, abs(second - first) * math.sqrt(variance)


def _density(means: Sequence[float], x: np.ndarray) -> np.ndarray:
    """Density of a sum of one or two exponentials, up to a factor."""
    if len(means) == 1:
        return np.asarray(np.exp(-x / means[0]))
    if len(means) > 2:
        raise OpticsError("exponential parts of one ratio", len(means), "at most 2", "1")
    a, b = sorted(means)
    gap = 1.0 / a - 1.0 / b
    if gap * float(np.max(x)) < 1e-9:
        return np.asarray(x * np.exp(-x / b))
    return np.asarray(np.exp(-x / b) * -np.expm1(-x * gap) / gap)


def failed_lines(governing: LossModel, other: LossModel, table: LossTable) -> tuple[Line, Line]:
    """Dirt and bubbles lose much the same at every wavelength."""
    scale = other.failure_mean_db / governing.failure_mean_db
    top = max(table.knots_db[-1], governing.l0_db + 1.0)
    line = Line((governing.l0_db, top), (other.l0_db, other.l0_db + scale * (top - governing.l0_db)))
    return line, line
