"""When does workmanship slip? A two-sided tabular CUSUM over normal scores of losses.

A loss is far from normal, so it enters as its normal score: the standard normal quantile of the chance of losing less
under the distribution that holds at present. In control scores are standard normal whatever the method; joints that
lose more than they should push the upper sum up, joints that lose less the lower one. A sum that passes the decision
interval signals; what slipped began after it last stood at nothing. A chart does not say why, and a signal that comes
once in 465 joints without any cause comes to a busy crew once a year.

Source: tabular CUSUM (E. S. Page, "Continuous inspection schemes", Biometrika 41, 1954; D. C. Montgomery,
Introduction to Statistical Quality Control), from memory; tests find the published run lengths again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from repairadvisor.optics.valid_range import in_range

UPPER, LOWER = "upper", "lower"
SIDES = (UPPER, LOWER)


@dataclass(frozen=True, slots=True)
class Signal:
    """A sum passed the decision interval: at which score (counted from 0), on which side, since which one, and the
    mean of the scores since then."""

    at: int
    side: str
    since: int
    mean_score: float


@dataclass(frozen=True, slots=True)
class Chart:
    """Both sums after each score, and the signals; after a signal both sums begin again at nothing."""

    upper: tuple[float, ...]
    lower: tuple[float, ...]
    signals: tuple[Signal, ...]


class Cusum:
    """Both sums, score by score, in standard deviations.

    ``allowance`` (0 to 2) is half the shift that is to be found soon, ``interval`` (1 to 20) the decision interval:
    with 0.5 and 5 a false signal every 465 scores, and a shift of one standard deviation is found after 10.4 on
    average. Errors: OpticsError for what lies outside.
    """

    def __init__(self, allowance: float = 0.5, interval: float = 5.0) -> None:
        in_range("allowance", allowance, 0.0, 2.0, "standard deviations")
        in_range("decision interval", interval, 1.0, 20.0, "standard deviations")
        self._allowance, self._interval = allowance, interval
        self._begin = {UPPER: 0, LOWER: 0}
        self._scores = {UPPER: 0.0, LOWER: 0.0}
        self.sums = {UPPER: 0.0, LOWER: 0.0}
        self.count = 0

    def since(self, side: str) -> int:
        """The score with which a sum rose from nothing; the next one where it stands at nothing."""
        return self._begin[side] if self.sums[side] > 0.0 else self.count

    def add(self, score: float) -> tuple[dict[str, float], tuple[Signal, ...]]:
        """Both sums after one more score, before they begin again where one of them signals, and the signals."""
        at = self.count
        self.count += 1
        for side, signed in ((UPPER, score), (LOWER, -score)):
            if self.sums[side] == 0.0:
                self._begin[side], self._scores[side] = at, 0.0
            self._scores[side] += score
            self.sums[side] = max(0.0, self.sums[side] + signed - self._allowance)
        reached = dict(self.sums)
        signals = tuple(
            Signal(at, side, self._begin[side], self._scores[side] / (at - self._begin[side] + 1))
            for side in SIDES
            if reached[side] > self._interval
        )
        if signals:
            self.sums = {UPPER: 0.0, LOWER: 0.0}
        return reached, signals


def average_run_length(shift: float, allowance: float, interval: float) -> float:
    """About how many scores a two-sided chart takes to signal, all of them shifted (-5 to 5 standard deviations).

    Source: D. Siegmund's approximation, Sequential Analysis (1985), from memory: within a few in a hundred where the
    shift is below two. Errors: OpticsError.
    """
    in_range("shift", shift, -5.0, 5.0, "standard deviations")
    in_range("allowance", allowance, 0.0, 2.0, "standard deviations")
    in_range("decision interval", interval, 1.0, 20.0, "standard deviations")
    sides = [_one_sided(signed - allowance, interval + 1.166) for signed in (shift, -shift)]
    return 1.0 / (1.0 / sides[0] + 1.0 / sides[1])


def _one_sided(drift: float, height: float) -> float:
    if abs(drift) < 1e-6:
        return height * height
    steps = 2.0 * drift * height
    return (math.exp(-steps) + steps - 1.0) / (2.0 * drift * drift)


def chart(scores: Iterable[float], allowance: float = 0.5, interval: float = 5.0) -> Chart:
    """The whole chart over scores in the order of the work; its ranges and errors are those of :class:`Cusum`."""
    running = Cusum(allowance, interval)
    upper: list[float] = []
    lower: list[float] = []
    signals: list[Signal] = []
    for score in scores:
        reached, found = running.add(score)
        upper.append(reached[UPPER])
        lower.append(reached[LOWER])
        signals += found
    return Chart(tuple(upper), tuple(lower), tuple(signals))
