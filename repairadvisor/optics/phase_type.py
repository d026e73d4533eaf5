"""Sums of exponential losses, exactly: the phase-type form and its tail on as few points as will do.

A sum of exponentials, with or without branches, is the time a Markov chain takes to leave its phases. With
the chain's generator S and its entry chances a, the chance that the sum passes y is a exp(S y) 1. Every
matrix here has entries of one sign, so nothing cancels, and equal or nearly equal means need no special case
(partial fractions fail there). Source: Neuts, Matrix-Geometric Solutions in Stochastic Models (1981), for
the form; uniformisation for the exponential.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ENOUGH = 1e-10  # the tail below which a sum is taken as certain not to pass
_LARGEST_DOUBLING = 40


@dataclass(frozen=True, slots=True)
class Term:
    """One branching sum: the exponentials of ``means``, or with ``other_chance`` one of ``other_mean``."""

    means: tuple[float, ...]
    other_chance: float
    other_mean: float


@dataclass(frozen=True, slots=True)
class Chain:
    """Entry chances (they sum to less than 1 when the sum can be nothing) and generator, upper triangular."""

    entry: Array
    generator: Array

    @property
    def exits(self) -> Array:
        """Rate of leaving for good from each phase."""
        rates: Array = -self.generator.sum(axis=1)
        return rates


@dataclass(frozen=True, slots=True)
class Curve:
    """A tail P(sum > y) and its density at rising points y, starting at 0."""

    points: tuple[float, ...]
    tail: tuple[float, ...]
    density: tuple[float, ...]


def chain_of(terms: Sequence[Term]) -> Chain:
    """The chain that goes through ``terms`` one after the other; means must be above zero."""
    size = sum(len(term.means) + (term.other_chance > 0) for term in terms)
    generator = np.zeros((size, size))
    entry = np.zeros(size)  # of what follows the term in hand; built from the last term to the first
    end = size
    for term in reversed(terms):
        start = end - len(term.means) - (term.other_chance > 0)
        following = entry.copy()
        entry = np.zeros(size)
        phase = start
        if term.other_chance > 0:
            _leave(generator, phase, term.other_mean, following)
            entry[phase] = term.other_chance
            phase += 1
        if term.means:
            entry[phase] += 1.0 - term.other_chance
        else:
            entry += (1.0 - term.other_chance) * following
        for mean in term.means:
            generator[phase, phase] = -1.0 / mean
            if phase + 1 < end:
                generator[phase, phase + 1] = 1.0 / mean
            else:
                _leave(generator, phase, mean, following)
            phase += 1
        end = start
    return Chain(entry, generator)


def _leave(generator: Array, phase: int, mean: float, following: Array) -> None:
    generator[phase] += following / mean
    generator[phase, phase] = -1.0 / mean


def propagator(generator: Array, length: float) -> Array:
    """exp(S length), all entries at or above zero, by uniformisation and repeated squaring."""
    size = len(generator)
    fastest = float(np.max(-np.diag(generator))) * length
    squarings = max(0, int(np.ceil(np.log2(fastest)))) if fastest > 1.0 else 0
    scaled = fastest / 2**squarings
    jump = np.eye(size) + generator * (length / fastest)
    total = np.eye(size)
    power = np.eye(size)
    for order in range(1, 25):
        power = power @ jump * (scaled / order)
        total = total + power
    total *= np.exp(-scaled)
    for _ in range(squarings):
        total = total @ total
    return np.maximum(total, 0.0)


def tail_curve(entry: Array, generator: Array, tolerance: float) -> Curve:
    """The tail and its density at points between which a straight line errs by less than ``tolerance``.

    The values at the points are exact; steps are a least step times powers of two, each the longest at
    which the curvature at both ends and in the middle permits it.
    """
    size = len(generator)
    if size == 0 or entry.sum() <= 0.0:
        return Curve((0.0,), (0.0,), (0.0,))
    ones = np.ones(size)
    slope = generator @ ones
    read_off = np.stack([ones, -slope, generator @ slope], axis=1)  # tail, density, second derivative
    least = float(np.min(-1.0 / np.diag(generator))) * (8.0 * tolerance) ** 0.5
    steps = [propagator(generator, least / 2)]  # steps[k] goes least 2^(k-1) on
    looks: list[Array] = [np.empty((size, 0))]  # looks[k] reads off in the middle and at the end of step k
    allowed = 8.0 * tolerance / least**2
    state, y, doubling = entry, 0.0, 1
    here = (state @ read_off).tolist()
    points, tail, density = [0.0], [here[0]], [here[1]]
    while here[0] > _ENOUGH:
        while True:
            if len(steps) <= doubling:
                steps.append(steps[-1] @ steps[-1])
                looks.append(np.hstack([steps[-2] @ read_off, steps[-1] @ read_off]))
            seen = (state @ looks[doubling]).tolist()
            bend = max(abs(here[2]), abs(seen[2]), abs(seen[5])) * 4.0 ** (doubling - 1)
            if bend <= allowed or doubling == 1:
                break
            doubling -= 1
        state, here = state @ steps[doubling], seen[3:]
        y += least * 2.0 ** (doubling - 1)
        points.append(y)
        tail.append(min(here[0], tail[-1]))
        density.append(here[1])
        if abs(here[2]) * 4.0**doubling <= allowed and doubling < _LARGEST_DOUBLING:
            doubling += 1
    tail[-1] = 0.0
    return Curve(tuple(points), tuple(tail), tuple(density))


def overshoot(first: Chain, second: Chain) -> Array:
    """Entry chances, in the phases of ``first``, of what is left of it when ``second`` has run out.

    P(X - Y > z) for z >= 0 is then overshoot exp(S z) 1. Solves S' B + B T = -a' c column by column, both
    generators being triangular.
    """
    left = first.generator.T
    columns = np.zeros((len(first.entry), len(second.entry)))
    for phase in range(len(second.entry)):
        known = -first.entry * second.entry[phase] - columns @ second.generator[:, phase]
        columns[:, phase] = np.linalg.solve(left + second.generator[phase, phase] * np.eye(len(left)), known)
    nothing_to_outlast = 1.0 - float(second.entry.sum())
    result: Array = np.maximum(columns @ second.exits + first.entry * nothing_to_outlast, 0.0)
    return result


def mean_of(terms: Sequence[Term]) -> float:
    """Expected sum of ``terms``."""
    return sum((1.0 - term.other_chance) * sum(term.means) + term.other_chance * term.other_mean for term in terms)
