"""Where costs that move along straight lines make another plan win.

Between two values of a fact at which the rules say the same, what plans cost moves with the fact, mostly along straight
lines. A plan is among the equals where it costs no more than each other plan and the indifference, so which plans are
equal can change only where a line meets another one raised by the indifference: few places, found without a search.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
#: Costs that are off a straight line by less are on it, cu.
STRAIGHT = 1e-2


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """What plans cost, those first that are preferred among equals. ``plans`` are their indices; ``absolute`` and
    ``share`` say how much more than the least still counts as equal."""

    plans: tuple[int, ...]
    costs: Values
    absolute: float
    share: float

    def bend(self, end: Prices, between: Prices, part: float) -> float:
        """How far costs ``between``, part of the way to ``end``, are off a straight line at most, cu."""
        if not self.plans == between.plans == end.plans:
            return math.inf
        off = np.abs(self.costs + part * (end.costs - self.costs) - between.costs)
        return float(off.max())

    def room(self, index: int) -> float:
        """By how much all costs may be off, each by itself, and a plan still wins, cu; nothing or less where it does
        not win. The edge of the indifference moves with the least by no more than that and its share."""
        if index not in self.plans:
            return -math.inf
        place = self.plans.index(index)
        edge = float(self.raised(self.costs.min()))
        inside = edge - float(self.costs[place])
        before = self.costs[:place]
        outside = float(before.min()) - edge if len(before) else math.inf
        return min(inside, outside) / (2.0 + self.share)

    def raised(self, costs: Values) -> Values:
        """Costs with the indifference on top."""
        raised: Values = costs + np.maximum(self.absolute, self.share * costs)
        return raised

    def winner_at(self, end: Prices, part: float) -> int:
        """The plan that wins part of the way to ``end``, by its index."""
        costs = self.costs + part * (end.costs - self.costs)
        return self.plans[int(np.argmax(costs <= self.raised(costs.min())))]


def meetings(start: Prices, end: Prices) -> list[float]:
    """The parts of the way from ``start`` to ``end``, rising, at which another plan may come to win."""
    mine = _may_win(start, end)
    first, last = start.costs[mine], end.costs[mine]
    found: list[Values] = []
    for times, more in ((1.0, start.absolute), (1.0 + start.share, 0.0)):
        ahead = first[:, None] - (times * first[None, :] + more)
        behind = last[:, None] - (times * last[None, :] + more)
        crosses = ahead * behind < 0.0
        found.append(ahead[crosses] / (ahead[crosses] - behind[crosses]))
    # Where the share begins to count for more than the absolute part, the raised line has a corner.
    if start.share > 0.0:
        corner = start.absolute / start.share
        crosses = (first - corner) * (last - corner) < 0.0
        found.append((corner - first[crosses]) / (last[crosses] - first[crosses]))
    parts: list[float] = np.unique(np.concatenate(found)).tolist()
    return parts


def _may_win(start: Prices, end: Prices) -> NDArray[np.intp]:
    """The plans, by place, that can be among the equals somewhere on the way, or be the least. One that costs more than
    some other one and the indifference at both ends does so all the way."""
    out = np.zeros(len(start.plans), dtype=bool)
    for least in (int(np.argmin(start.costs)), int(np.argmin(end.costs))):
        out |= (start.costs > start.raised(start.costs[least])) & (end.costs > end.raised(end.costs[least]))
    return np.flatnonzero(~out)
