"""How much of a prior lies between two numbers, and how a sum of even stretches is distributed."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from repairadvisor.policy.model import Prior


def mass_between(prior: Prior, low: float, high: float) -> float:
    """The prior's mass from low to high; of a single number, its density (what having seen it tells)."""
    mass = 0.0
    for start, end, weight in prior.stretches:
        if low == high:
            if start <= low < end or (low == end and end == prior.stretches[-1][1]):
                return weight / (end - start)
            continue
        overlap = min(high, end) - max(low, start)
        if overlap > 0.0:
            mass += weight * overlap / (end - start)
    return mass


def mass_of_whole(prior: Prior, first: float, last: float) -> float:
    """The prior's mass of the whole numbers from first to last: a stretch holds its first, the last one both ends."""
    mass = 0.0
    for start, end, weight in prior.stretches:
        final = end if end == prior.stretches[-1][1] else end - 1.0
        overlap = min(last, final) - max(first, start) + 1.0
        if overlap > 0.0:
            mass += weight * overlap / (final - start + 1.0)
    return mass


def chance_sum_below(x: float, widths: Sequence[float]) -> float:
    """P(sum of independent even stretches from 0 to each width < x).

    Inclusion and exclusion over the corners of the box (the distribution of a sum of uniforms, from memory;
    tests compare it with the published Irwin-Hall values and with counting).
    """
    total = sum(widths)
    if x <= 0.0:
        return 0.0
    if x >= total:
        return 1.0
    volume = 0.0
    for corner in itertools.product((0, 1), repeat=len(widths)):
        gap = x - sum(width for width, taken in zip(widths, corner, strict=True) if taken)
        if gap > 0.0:
            power = 1.0
            for _ in widths:
                power *= gap
            volume += -power if sum(corner) % 2 else power
    box = 1.0
    for i, width in enumerate(widths):
        box *= width * (i + 1)
    return min(max(volume / box, 0.0), 1.0)
