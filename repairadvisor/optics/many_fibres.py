"""Several fibres, and several wavelengths of one fibre: the chance that all are well.

Numbers at call time are made with + - * and comparisons only, but for :func:`worst_of_loss_db`, which takes a
root and belongs to prepare time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.valid_range import in_range

Values = NDArray[np.float64]


def chance_all_within(chance_above_one: float, fibres: int) -> float:
    """(1 - chance_above_one)^fibres for independent fibres, by repeated squaring in one fixed order.

    Errors: OpticsError for a chance outside 0 to 1 or fibres outside 0 to 10,000.
    """
    in_range("chance", chance_above_one, 0.0, 1.0, "1")
    in_range("number of fibres", fibres, 0, 10_000, "1")
    result, square, left = 1.0, 1.0 - chance_above_one, fibres
    while left:
        if left & 1:
            result *= square
        square *= square
        left >>= 1
    return result


def chance_all_within_each(chances_above_one: Values, fibres: int) -> Values:
    """:func:`chance_all_within` for many chances at once, of any shape; equal to it in every bit.

    Errors: OpticsError for a chance outside 0 to 1 or fibres outside 0 to 10,000.
    """
    if chances_above_one.size:
        in_range("chance", float(chances_above_one.min()), 0.0, 1.0, "1")
        in_range("chance", float(chances_above_one.max()), 0.0, 1.0, "1")
    in_range("number of fibres", fibres, 0, 10_000, "1")
    result, square, left = np.ones_like(chances_above_one), 1.0 - chances_above_one, fibres
    while left:
        if left & 1:
            result = result * square
        square = square * square
        left >>= 1
    return result


def chance_ribbon_within(
    clean_chance_above: float, fibres: int, failure_chance: float, failed_chance_above: float
) -> float:
    """The same for one ribbon: its fibres are independent when it is clean, and fail together.

    ``failed_chance_above`` is the chance that a failed ribbon's loss passes the limit, one draw for all its
    fibres. Errors: OpticsError. Source: dirt or a bad cleave of a ribbon hits all its fibres (common
    practice).
    """
    in_range("chance of a failed ribbon", failure_chance, 0.0, 1.0, "1")
    in_range("chance", failed_chance_above, 0.0, 1.0, "1")
    clean = chance_all_within(clean_chance_above, fibres)
    return (1.0 - failure_chance) * clean + failure_chance * (1.0 - failed_chance_above)


def worst_of_loss_db(table: LossTable, fibres: int, quantile: float) -> float:
    """Loss in dB that the worst of ``fibres`` independent fibres keeps with chance ``quantile`` (0 to 1).

    Errors: OpticsError, also for fibres outside 1 to 10,000. Prepare time only.
    """
    in_range("quantile", quantile, 1e-12, 1.0, "1")
    in_range("number of fibres", fibres, 1, 10_000, "1")
    return table.loss_at_chance_above(-math.expm1(math.log(quantile) / fibres))


def joint_chance_bounds(miss_chances: Sequence[float]) -> tuple[float, float]:
    """Least and greatest chance that none of several wavelengths misses, whatever they share.

    Offsets and tilts of a joint are the same at every wavelength, so the chances must not be multiplied.
    Least: max(0, 1 - sum of misses); greatest: 1 - largest miss. No wavelength: (1, 1).
    Errors: OpticsError for a chance outside 0 to 1. Source: Boole's and Fréchet's inequalities.
    """
    total, largest = 0.0, 0.0
    for miss in miss_chances:
        in_range("chance", miss, 0.0, 1.0, "1")
        total += miss
        largest = max(largest, miss)
    return max(0.0, 1.0 - total), 1.0 - largest
