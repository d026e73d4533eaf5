"""A loss as a distribution: its mean, its quantiles, its tail, and the sum of several joints.

Offsets and tilts of a joint are normal about zero on each of two axes, so the loss of each is exponential,
and the loss of a joint is its fixed part L0 plus exponentials; a failed joint (dirt, a chipped cleave, a
bubble) is another branch. The sum of joints is of phase type, and :func:`compile_sum` writes it down as a
:class:`LossTable`: knots between which the tail is read by straight lines.

Accuracy, measured over single joints, sums of two to twenty and failure branches: chances within 0.0012
percentage points of exact, the mean exact to 1e-12, P50, P95 and P99 exact to 3e-5 of their chance; quantiles
read off the table within 0.05 %. A table has 300 to 450 knots and takes 3 to 7 ms to compile.

Compile with exp and log when a policy is read; the methods of a table use + - * / and comparisons only.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from repairadvisor.optics.phase_type import Chain, Curve, Term, chain_of, mean_of, overshoot, tail_curve
from repairadvisor.optics.valid_range import in_range

_TOLERANCE = 1e-5  # of a chance, between knots
_NEGLIGIBLE_DB = 1e-9  # a mean below this is left out of the chain and kept in the fixed part


@dataclass(frozen=True, slots=True)
class LossModel:
    """One joint: ``l0_db`` plus independent exponentials; with ``failure_chance`` L0 plus one of the
    ``failure_mean_db`` instead.

    Errors: OpticsError for a negative or absurd loss (above 20 dB) or a chance outside 0 to 1.
    """

    l0_db: float
    exponential_means_db: tuple[float, ...] = ()
    failure_chance: float = 0.0
    failure_mean_db: float = 0.5

    def __post_init__(self) -> None:
        in_range("fixed loss", self.l0_db, 0.0, 20.0, "dB")
        for mean in self.exponential_means_db:
            in_range("mean of an exponential loss", mean, 0.0, 20.0, "dB")
        in_range("chance of a failed joint", self.failure_chance, 0.0, 1.0, "1")
        in_range("mean loss of a failed joint", self.failure_mean_db, _NEGLIGIBLE_DB, 20.0, "dB")

    @property
    def mean_db(self) -> float:
        """Expected loss in dB."""
        clean = sum(self.exponential_means_db)
        return self.l0_db + (1.0 - self.failure_chance) * clean + self.failure_chance * self.failure_mean_db


@dataclass(frozen=True, slots=True)
class LossTable:
    """A compiled distribution of a loss, or of a change of loss (which may be negative), in dB.

    ``knots_db`` rise and are not evenly spaced (dense where the tail bends, so that a few hundred do);
    ``tail[i]`` is P(loss > knots_db[i]), falling to 0.0 at the last knot; ``tail_integral[i]`` is the
    integral of the interpolated tail from ``knots_db[i]`` to infinity. Below the first knot the tail is 1, at
    and beyond the last it is 0. ``offset_db`` is the sum of the fixed parts.
    """

    offset_db: float
    knots_db: tuple[float, ...]
    tail: tuple[float, ...]
    tail_integral: tuple[float, ...]
    mean_db: float
    p50_db: float
    p95_db: float
    p99_db: float

    def chance_above(self, x_db: float) -> float:
        """P(loss > x_db), by straight lines between knots."""
        knots, tail = self.knots_db, self.tail
        above = bisect_right(knots, x_db)
        if above == 0:
            return 1.0
        if above == len(knots):
            return 0.0
        low = knots[above - 1]
        share = (x_db - low) / (knots[above] - low)
        return tail[above - 1] + share * (tail[above] - tail[above - 1])

    def mean_chance_above(self, low_db: float, high_db: float) -> float:
        """Average of :meth:`chance_above` over x uniform in [low_db, high_db], exactly for this table.

        Errors: OpticsError when high is below low.
        """
        in_range("upper end", high_db, low_db, math.inf, "dB")
        if bisect_right(self.knots_db, low_db) == bisect_right(self.knots_db, high_db):
            return 0.5 * (self.chance_above(low_db) + self.chance_above(high_db))
        area = self.integral_beyond(low_db) - self.integral_beyond(high_db)
        return min(max(area / (high_db - low_db), self.chance_above(high_db)), self.chance_above(low_db))

    def loss_at_chance_above(self, chance: float) -> float:
        """The smallest x in dB, not below the first knot, at which ``chance_above(x) <= chance``.

        Errors: OpticsError for a chance outside 0 to 1.
        """
        in_range("chance", chance, 0.0, 1.0, "1")
        knots, tail = self.knots_db, self.tail
        if tail[0] <= chance:
            return knots[0]
        low, high = 0, len(tail) - 1  # tail[low] > chance >= tail[high]
        while high - low > 1:
            middle = (low + high) // 2
            if tail[middle] > chance:
                low = middle
            else:
                high = middle
        share = (tail[low] - chance) / (tail[low] - tail[high])
        return knots[low] + share * (knots[high] - knots[low])

    def integral_beyond(self, x_db: float) -> float:
        """Integral of :meth:`chance_above` from x_db to infinity, in dB: the expected excess over x_db."""
        knots, tail = self.knots_db, self.tail
        above = bisect_right(knots, x_db)
        if above == 0:
            return self.tail_integral[0] + (knots[0] - x_db)
        if above == len(knots):
            return 0.0
        height = 0.5 * (self.chance_above(x_db) + tail[above])
        return self.tail_integral[above] + height * (knots[above] - x_db)


def compile_sum(models: Sequence[LossModel], tolerance: float = _TOLERANCE) -> LossTable:
    """The distribution of the sum of independent joints, ``tolerance`` being that of a chance between knots.

    No models: a loss of exactly nothing. Errors: OpticsError for a tolerance outside 1e-8 to 1e-2.
    Source: phase-type form of a sum of exponentials (see ``phase_type``).
    """
    in_range("tolerance", tolerance, 1e-8, 1e-2, "1")
    terms, offset_db = _terms(models)
    chain = chain_of(terms)
    curve = tail_curve(chain.entry, chain.generator, tolerance)
    return _table(offset_db, curve, offset_db + mean_of(terms))


def compile_difference(
    added: Sequence[LossModel], given_back: Sequence[LossModel], tolerance: float = _TOLERANCE
) -> LossTable:
    """The distribution of the net change: the sum of ``added`` less the sum of ``given_back``, independent.

    What is cut out gives its loss back; the change may be negative. Errors as :func:`compile_sum`.
    Source: the part of one phase-type sum that outlasts the other is of phase type, on both sides of zero.
    """
    in_range("tolerance", tolerance, 1e-8, 1e-2, "1")
    gain, gain_offset_db = _terms(added)
    back, back_offset_db = _terms(given_back)
    offset_db = gain_offset_db - back_offset_db
    upper = _outlasting(chain_of(gain), chain_of(back), tolerance)
    lower = _outlasting(chain_of(back), chain_of(gain), tolerance)
    mean_db = offset_db + mean_of(gain) - mean_of(back)
    if len(lower.points) == 1:
        return _table(offset_db, upper, mean_db)
    points = [-y for y in reversed(lower.points[1:])] + list(upper.points)
    tail = [1.0 - chance for chance in reversed(lower.tail[1:])] + list(upper.tail)
    density = [*reversed(lower.density[1:]), *upper.density]
    return _table(offset_db, Curve(tuple(points), tuple(tail), tuple(density)), mean_db)


def table_from_tail(
    offset_db: float, knots_db: tuple[float, ...], tail: tuple[float, ...], mean_db: float
) -> LossTable:
    """A table of a tail known at knots, its integral and quantiles by straight lines."""
    integral = [0.0]
    for i in range(len(knots_db) - 1, 0, -1):
        integral.append(integral[-1] + 0.5 * (tail[i - 1] + tail[i]) * (knots_db[i] - knots_db[i - 1]))
    bare = LossTable(offset_db, knots_db, tail, tuple(reversed(integral)), mean_db, 0.0, 0.0, 0.0)
    quantiles = (bare.loss_at_chance_above(chance) for chance in (0.5, 0.05, 0.01))
    return LossTable(offset_db, knots_db, tail, bare.tail_integral, mean_db, *quantiles)


def _outlasting(first: Chain, second: Chain, tolerance: float) -> Curve:
    return tail_curve(overshoot(first, second), first.generator, tolerance)


def _terms(models: Sequence[LossModel]) -> tuple[list[Term], float]:
    """The random parts, and the fixed part in dB with what is negligible in it."""
    terms = []
    offset_db = 0.0
    for model in models:
        means = tuple(mean for mean in model.exponential_means_db if mean > _NEGLIGIBLE_DB)
        offset_db += model.l0_db
        if means or model.failure_chance > 0.0:
            terms.append(Term(means, model.failure_chance, model.failure_mean_db))
    return terms, offset_db


def _table(offset_db: float, curve: Curve, mean_db: float) -> LossTable:
    points, tail = curve.points, curve.tail
    integral = [0.0]
    for i in range(len(points) - 1, 0, -1):
        integral.append(integral[-1] + 0.5 * (tail[i - 1] + tail[i]) * (points[i] - points[i - 1]))
    return LossTable(
        offset_db,
        tuple(offset_db + y for y in points),
        tail,
        tuple(reversed(integral)),
        mean_db,
        *(offset_db + _quantile(curve, chance) for chance in (0.5, 0.05, 0.01)),
    )


def _quantile(curve: Curve, chance: float) -> float:
    """Where the tail falls to ``chance``: bisection on the cubic through values and slopes at two knots."""
    points, tail, density = curve.points, curve.tail, curve.density
    if tail[0] <= chance:
        return points[0]
    above = next(i for i, value in enumerate(tail) if value <= chance)
    span = points[above] - points[above - 1]
    low, high = 0.0, 1.0
    for _ in range(60):
        t = 0.5 * (low + high)
        value = (
            (1 + 2 * t) * (1 - t) ** 2 * tail[above - 1]
            - t * (1 - t) ** 2 * span * density[above - 1]
            + t * t * (3 - 2 * t) * tail[above]
            + t * t * (1 - t) * span * density[above]
        )
        if value > chance:
            low = t
        else:
            high = t
    return points[above - 1] + high * span
