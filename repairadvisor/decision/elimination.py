"""Exact sums over many facts, by summing them out one at a time, and back again.

A factor gives every assignment of cells to its facts a number: a chance, or what something comes to there. The sum over
all worlds of the product of factors is an expectation. One pass forward gives that sum; a second one, backward over
what the first has left, gives the same sum with each fact held at each of its cells: what one more answer would make of
it, for all facts at once.

Order of facts and of factors is fixed, and all that happens is multiplying element by element and adding up, so the
same input gives the same numbers. What has been summed is remembered, since plans share most of their factors.

A plan's cost is a sum of terms, each of a few facts. Each group of terms with the same facts goes through on its own:
put together they would tie facts to each other that have nothing to do with one another.

Source: variable elimination, and derivatives of the sum by its evidence (A. Darwiche, "A differential approach to
inference in Bayesian networks", Journal of the ACM 50, 2003), both from memory; tests compare with enumeration of every
world.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Numbers for every assignment to ``names``, an axis a fact, in the order in which facts are summed out."""

    number: int
    names: tuple[str, ...]
    values: Values


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """One fact summed out of what named it. ``leaves`` is the product of the factors that were given, over ``names``;
    ``messages`` are those that earlier steps have left."""

    name: str
    names: tuple[str, ...]
    leaves: Values | None
    messages: tuple[Factor, ...]
    joined: Values
    left: Factor


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """A sum over all worlds, told apart: for each fact, by the cells of those that stood with it when it was summed
    out, itself first."""

    by_step: Mapping[str, tuple[tuple[str, ...], Values]]
    rank: Mapping[str, int]

    def margin(self, name: str) -> Values:
        """The sum with a fact held at each of its cells."""
        names, values = self.by_step[name]
        return _summed_to(values, names, (name,))

    def divided_by(self, whole: float) -> Shares:
        """The shares of the sum in another one."""
        return Shares({name: (names, values / whole) for name, (names, values) in self.by_step.items()}, self.rank)

    def over(self, names: Sequence[str]) -> Values | None:
        """The sum with ``names`` held at each combination of their cells, an axis for each in the order of summing out;
        None where they did not stand together."""
        together, values = self.by_step[min(names, key=self.rank.__getitem__)]
        return _summed_to(values, together, names) if set(names) <= set(together) else None


class Elimination:
    """Sums facts out of factors. ``order`` names every fact, the first to be summed out first."""

    def __init__(self, order: Sequence[str]) -> None:
        self.rank = {name: i for i, name in enumerate(order)}
        self._sizes: dict[str, int] = {}
        self._made: dict[tuple[int, ...], _Step] = {}
        self._messages: set[int] = set()
        self._count = 0

    def factor(self, names: Sequence[str], values: Values) -> Factor:
        """A new factor; an axis of ``values`` for each of ``names``, in their order."""
        order = sorted(range(len(names)), key=lambda i: self.rank[names[i]])
        self._sizes.update(zip(names, values.shape, strict=True))
        self._count += 1
        arranged = np.ascontiguousarray(np.transpose(values, order)) if order != list(range(len(names))) else values
        return Factor(self._count, tuple(names[i] for i in order), arranged)

    def total(self, factors: Sequence[Factor]) -> float:
        """The sum of the product of ``factors`` over everything they name."""
        result = 1.0
        for scalar in self._forward(factors)[1]:
            result *= scalar
        return result

    def shares(self, factors: Sequence[Factor]) -> Shares:
        """The same sum told apart by what facts are that stood together when one of them was summed out."""
        steps, scalars = self._forward(factors)
        ends = [step for step in steps if not step.left.names]
        others = products_of_others(scalars)[len(scalars) - len(ends) :]
        weights: dict[int, Values] = {
            step.left.number: np.asarray(other) for step, other in zip(ends, others, strict=True)
        }
        found: dict[str, tuple[tuple[str, ...], Values]] = {}
        for step in reversed(steps):
            weight = weights.pop(step.left.number)[np.newaxis, ...]
            found[step.name] = (step.names, step.joined * weight)
            self._pass_back(step, weight, weights)
        return Shares(found, self.rank)

    # --- forward ---------------------------------------------------------------------------------------------

    def _forward(self, factors: Sequence[Factor]) -> tuple[list[_Step], list[float]]:
        """The steps in their order, and the numbers that are left: those given as such, then those of the steps."""
        buckets: dict[int, list[Factor]] = {}
        steps: list[_Step] = []
        scalars: list[float] = []
        rank = self.rank
        for factor in sorted(factors, key=lambda one: one.number):
            if factor.names:
                buckets.setdefault(rank[factor.names[0]], []).append(factor)
            else:
                scalars.append(float(factor.values))
        waiting = sorted(buckets)
        while waiting:
            first = waiting.pop(0)
            step = self._summed(buckets.pop(first))
            steps.append(step)
            if not step.left.names:
                scalars.append(float(step.left.values))
                continue
            place = rank[step.left.names[0]]
            if place not in buckets:
                buckets[place] = []
                insort(waiting, place)
            buckets[place].append(step.left)
        return steps, scalars

    def _summed(self, bucket: Sequence[Factor]) -> _Step:
        key = tuple(sorted([factor.number for factor in bucket])) if len(bucket) > 1 else (bucket[0].number,)
        if key not in self._made:
            self._made[key] = self._step(sorted(bucket, key=lambda one: one.number))
        return self._made[key]

    def _step(self, bucket: Sequence[Factor]) -> _Step:
        names = tuple(sorted({name for factor in bucket for name in factor.names}, key=self.rank.__getitem__))
        messages = tuple(one for one in bucket if one.number in self._messages)
        given = [one for one in bucket if one.number not in self._messages]
        leaves = self._product(given, names)
        joined = leaves
        for message in messages:
            aligned = self._aligned(message.names, message.values, names)
            joined = aligned if joined is None else joined * aligned
        assert joined is not None
        joined = np.broadcast_to(joined, tuple(self._sizes[name] for name in names))
        self._count += 1
        left = Factor(self._count, names[1:], np.asarray(np.add.reduce(joined, axis=0)))
        self._messages.add(left.number)
        return _Step(names[0], names, leaves, messages, joined, left)

    def _product(self, factors: Sequence[Factor], names: tuple[str, ...]) -> Values | None:
        found: Values | None = None
        for factor in factors:
            aligned = self._aligned(factor.names, factor.values, names)
            found = aligned if found is None else found * aligned
        return found

    def _aligned(self, own: tuple[str, ...], values: Values, names: tuple[str, ...]) -> Values:
        """Values with an axis for each of ``names``; both are in the order of summing out."""
        if len(own) == len(names):
            return values
        return values.reshape([self._sizes[name] if name in own else 1 for name in names])

    # --- backward --------------------------------------------------------------------------------------------

    def _pass_back(self, step: _Step, weight: Values, weights: dict[int, Values]) -> None:
        """Give each message of a step the weight that everything else lends it."""
        aligned = [self._aligned(one.names, one.values, step.names) for one in step.messages]
        shared = weight if step.leaves is None else weight * step.leaves
        for i, message in enumerate(step.messages):
            outside = shared
            for k, other in enumerate(aligned):
                if k != i:
                    outside = outside * other
            full = np.broadcast_to(outside, step.joined.shape)
            weights[message.number] = _summed_to(full, step.names, message.names)


def _summed_to(values: Values, names: tuple[str, ...], kept: Sequence[str]) -> Values:
    """Values over ``names`` summed to those over ``kept``, axis by axis from the last."""
    found = values
    for axis in range(len(names) - 1, -1, -1):
        if names[axis] not in kept:
            found = np.add.reduce(found, axis=axis)
    return found


def products_of_others(numbers: Sequence[float]) -> list[float]:
    """For each number the product of all others."""
    after = [1.0] * (len(numbers) + 1)
    for i in range(len(numbers) - 1, -1, -1):
        after[i] = after[i + 1] * numbers[i]
    found, before = [], 1.0
    for i, number in enumerate(numbers):
        found.append(before * after[i + 1])
        before *= number
    return found
