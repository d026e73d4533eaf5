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

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.valid_range import in_range

UPPER, LOWER = "upper", "lower"
#: A chance nearer to nothing or to one says no more than this: one joint shall not signal by itself for a typing error.
_LEAST_CHANCE = 1e-4
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Signal:
    """A sum passed the decision interval: at which score (counted from 0), on which side, since which one."""

    at: int
    side: str
    since: int


@dataclass(frozen=True, slots=True)
class Chart:
    """Both sums after each score, and the signals; after a signal both sums begin again at nothing."""

    upper: tuple[float, ...]
    lower: tuple[float, ...]
    signals: tuple[Signal, ...]


def normal_score(loss_db: float, table: LossTable) -> float:
    """The standard normal quantile of the chance of losing less than a joint did, by the distribution that holds.

    Where the distribution has a step (a loss that is there at least) half of the step counts as less. Within ±3.72.
    """
    step = 1.0 - table.tail[0] if loss_db == table.knots_db[0] else 0.0
    chance = 1.0 - table.chance_above(loss_db) - 0.5 * step
    return _NORMAL.inv_cdf(min(max(chance, _LEAST_CHANCE), 1.0 - _LEAST_CHANCE))


def chart(scores: Sequence[float], allowance: float = 0.5, interval: float = 5.0) -> Chart:
    """The chart over scores in the order of the work, in standard deviations.

    ``allowance`` (0 to 2) is half the shift that is to be found soon, ``interval`` (1 to 20) the decision interval:
    with 0.5 and 5 a false signal every 465 scores, and a shift of one standard deviation is found after 10.4 on
    average. Errors: OpticsError for what lies outside.
    """
    in_range("allowance", allowance, 0.0, 2.0, "standard deviations")
    in_range("decision interval", interval, 1.0, 20.0, "standard deviations")
    upper: list[float] = []
    lower: list[float] = []
    signals: list[Signal] = []
    high = low = 0.0
    high_since = low_since = 0
    for at, score in enumerate(scores):
        high, high_since = _next(high, score - allowance, high_since, at)
        low, low_since = _next(low, -score - allowance, low_since, at)
        upper.append(high)
        lower.append(low)
        if high > interval or low > interval:
            signals += [Signal(at, UPPER, high_since)] if high > interval else []
            signals += [Signal(at, LOWER, low_since)] if low > interval else []
            high = low = 0.0
    return Chart(tuple(upper), tuple(lower), tuple(signals))


def _next(total: float, more: float, since: int, at: int) -> tuple[float, int]:
    """A sum after one more score, and since when it stands above nothing."""
    return max(0.0, total + more), (at if total == 0.0 else since)
