"""Bessel functions J0, J1, K0, K1 for the mode of a step-index fibre.

Both are trapezoidal sums of integral representations whose integrands are periodic (J) or fall off doubly
exponentially (K), where that rule converges faster than any power of the step. Source: Abramowitz and
Stegun, Handbook of Mathematical Functions, 9.1.21 and 9.6.24 (from memory). Prepare time only.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from repairadvisor.optics.valid_range import in_range

Array = NDArray[np.float64]

_J_POINTS = 64  # the error is of the order of J_128(x): nothing for x up to 30
_K_STEP = 1 / 16
_LARGEST_EXPONENT = 745.0  # exp(-745) is the smallest double


def bessel_j(order: int, x: Array | float) -> Array:
    """J of ``order`` 0 or 1 for 0 <= x <= 30; absolute error below 1e-14.

    J_n(x) = (1/pi) integral over 0..pi of cos(n t - x sin t).
    """
    values = np.atleast_1d(np.asarray(x, dtype=np.float64))
    for extreme in (values.min(), values.max()):
        in_range("argument of J", float(extreme), 0.0, 30.0, "1")
    t = np.linspace(0.0, math.pi, _J_POINTS + 1)
    weight = np.full(_J_POINTS + 1, 1.0 / _J_POINTS)
    weight[0] = weight[-1] = 0.5 / _J_POINTS
    result: Array = np.cos(order * t - np.multiply.outer(values, np.sin(t))) @ weight
    return result


def bessel_k(order: int, x: Array | float) -> Array:
    """K of ``order`` 0 or 1 for 0.001 <= x <= 100; relative error below 1e-12.

    K_n(x) = integral over 0..infinity of exp(-x cosh t) cosh(n t).
    """
    values = np.atleast_1d(np.asarray(x, dtype=np.float64))
    smallest = float(values.min())
    in_range("argument of K", smallest, 1e-3, 100.0, "1")
    in_range("argument of K", float(values.max()), 1e-3, 100.0, "1")
    reach = math.acosh(max(2.0, _LARGEST_EXPONENT / smallest))
    t = np.arange(0.0, reach + _K_STEP, _K_STEP)
    weight = _K_STEP * np.cosh(order * t)
    weight[0] *= 0.5
    result: Array = np.exp(-np.multiply.outer(values, np.cosh(t))) @ weight
    return result


def j(order: int, x: float) -> float:
    """:func:`bessel_j` of one number."""
    return float(bessel_j(order, x)[0])


def k(order: int, x: float) -> float:
    """:func:`bessel_k` of one number."""
    return float(bessel_k(order, x)[0])
