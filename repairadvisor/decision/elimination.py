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
from functools import lru_cache
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
_NUMBER = attrgetter("number")


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


class Shares:
    """A sum over all worlds, divided by ``whole`` and told apart: for each fact, by the cells of those that stood with
    it when it was summed out, itself first. Worked out backward from the end, as far as somebody asks."""

    def __init__(
        self, elimination: Elimination, steps: Sequence[_Step], scalars: Sequence[float], whole: float
    ) -> None:
        self._elimination = elimination
        self._whole = whole
        self._step = {step.name: step for step in steps}
        #: By the number of a message, the step that took it in, and as which of its messages.
        self._taken_in = {one.number: (step, i) for step in steps for i, one in enumerate(step.messages)}
        ends = [step for step in steps if not step.left.names]
        others = products_of_others(scalars)[len(scalars) - len(ends) :]
        self._weights = {step.left.number: np.asarray(other) for step, other in zip(ends, others, strict=True)}
        self._joint: dict[str, Values] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """The facts that are told apart."""
        return tuple(self._step)

    def margin(self, name: str) -> Values:
        """The sum with a fact held at each of its cells."""
        return _summed_to(self._joint_at(name), self._step[name].names, (name,))

    def over(self, names: Sequence[str]) -> Values | None:
        """The sum with ``names`` held at each combination of their cells, an axis for each in the order of summing out;
        None where they did not stand together."""
        first = min(names, key=self._elimination.rank.__getitem__)
        together = self._step[first].names
        return _summed_to(self._joint_at(first), together, names) if set(names) <= set(together) else None

    def _joint_at(self, name: str) -> Values:
        if name not in self._joint:
            step = self._step[name]
            self._joint[name] = step.joined * self._weight(step)[np.newaxis, ...] / self._whole
        return self._joint[name]

    def _weight(self, step: _Step) -> Values:
        """What everything that was summed out later lends to what a step has left."""
        number = step.left.number
        if number not in self._weights:
            later, place = self._taken_in[number]
            self._weights[number] = self._elimination.lent(later, place, self._weight(later)[np.newaxis, ...])
        return self._weights[number]


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

    def shares(self, factors: Sequence[Factor], whole: float = 1.0) -> Shares:
        """The same sum, divided by ``whole``, told apart by what facts are that stood together when one of them was
        summed out."""
        return Shares(self, *self._forward(factors), whole)

    def sums_held(self, factors: Sequence[Factor], addends: Sequence[Factor]) -> dict[str, Values]:
        """The sum of the product of ``factors`` times the sum of ``addends``, with a fact held at each of its cells,
        for every fact that is named. Every addend speaks of facts that the factors name."""
        steps, scalars = self._forward(factors)
        apart = [one for one in addends if not _stand_together(steps, one.names)]
        if apart:  # facts that no factor ties, tied by one that says nothing
            ones = [self.factor(one.names, np.ones_like(one.values)) for one in apart]
            steps, scalars = self._forward([*factors, *ones])
        return _Slopes(self, steps, scalars, addends).held()

    # --- forward ---------------------------------------------------------------------------------------------

    def _forward(self, factors: Sequence[Factor]) -> tuple[list[_Step], list[float]]:
        """The steps in their order, and the numbers that are left: those given as such, then those of the steps."""
        buckets: dict[int, list[Factor]] = {}
        steps: list[_Step] = []
        scalars: list[float] = []
        rank = self.rank
        for factor in sorted(factors, key=_NUMBER):
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
            self._made[key] = self._step(sorted(bucket, key=_NUMBER))
        return self._made[key]

    def _step(self, bucket: Sequence[Factor]) -> _Step:
        names = tuple(sorted({name for factor in bucket for name in factor.names}, key=self.rank.__getitem__))
        messages = tuple(one for one in bucket if one.number in self._messages)
        given = [one for one in bucket if one.number not in self._messages]
        leaves = self._product(given, names)
        joined = leaves
        for message in messages:
            aligned = self.aligned(message.names, message.values, names)
            joined = aligned if joined is None else joined * aligned
        assert joined is not None
        joined = _filled(joined, tuple([self._sizes[name] for name in names]))
        self._count += 1
        left = Factor(self._count, names[1:], np.asarray(np.add.reduce(joined, axis=0)))
        self._messages.add(left.number)
        return _Step(names[0], names, leaves, messages, joined, left)

    def _product(self, factors: Sequence[Factor], names: tuple[str, ...]) -> Values | None:
        found: Values | None = None
        for factor in factors:
            aligned = self.aligned(factor.names, factor.values, names)
            found = aligned if found is None else found * aligned
        return found

    def aligned(self, own: tuple[str, ...], values: Values, names: tuple[str, ...]) -> Values:
        """Values with an axis for each of ``names``; both are in the order of summing out."""
        if len(own) == len(names):
            return values
        return values.reshape([self._sizes[name] if name in own else 1 for name in names])

    # --- backward --------------------------------------------------------------------------------------------

    def lent(self, step: _Step, place: int, weight: Values) -> Values:
        """What everything else lends to one message of a step."""
        outside = weight if step.leaves is None else weight * step.leaves
        for i, other in enumerate(step.messages):
            if i != place:
                outside = outside * self.aligned(other.names, other.values, step.names)
        return _summed_to(_filled(outside, step.joined.shape), step.names, step.messages[place].names)


class _Slopes:
    """A sum over all worlds and its slope, as each factor that is named grows by what is added to it.

    Messages and weights carry both: what they are, and how they grow.
    """

    def __init__(
        self, elimination: Elimination, steps: list[_Step], scalars: list[float], addends: Sequence[Factor]
    ) -> None:
        self.aligned = elimination.aligned
        self.steps = steps
        self.scalars = scalars
        self.added = self._attached(addends, elimination.rank)
        self.grown: dict[int, Values] = {}
        self.joined: dict[int, Values] = {}
        for step in steps:
            joined = self._grown(step)
            if joined is not None:
                self.joined[step.left.number] = joined
                self.grown[step.left.number] = np.asarray(np.add.reduce(joined, axis=0))

    def _attached(self, addends: Sequence[Factor], rank: Mapping[str, int]) -> dict[str, Values]:
        """Each addend with the step that sums out the first of its facts."""
        names = {step.name: step.names for step in self.steps}
        found: dict[str, Values] = {}
        for one in addends:
            first = min(one.names, key=rank.__getitem__)
            values = self.aligned(one.names, one.values, names[first])
            found[first] = found[first] + values if first in found else values
        return found

    def _grown(self, step: _Step) -> Values | None:
        """How the product of a step grows; None where it does not."""
        added = self.added.get(step.name)
        total = None if added is None else step.joined * added
        for i in range(len(step.messages)):
            growing = self.grown.get(step.messages[i].number)
            if growing is not None:
                slope = self._others(step, i) * self.aligned(step.messages[i].names, growing, step.names)
                total = slope if total is None else total + slope
        return None if total is None else _filled(total, step.joined.shape)

    def _others(self, step: _Step, i: int, also: int = -1) -> Values:
        """The product of a step without its i-th message (and another one)."""
        found = step.leaves
        for k, message in enumerate(step.messages):
            if k not in (i, also):
                values = self.aligned(message.names, message.values, step.names)
                found = values if found is None else found * values
        return np.ones([1] * len(step.names)) if found is None else found

    def held(self) -> dict[str, Values]:
        """For each fact and each of its cells, how the sum grows."""
        weights, slopes = self._of_ends()
        found: dict[str, Values] = {}
        for step in reversed(self.steps):
            weight = weights.pop(step.left.number)[np.newaxis, ...]
            slope = slopes.pop(step.left.number)[np.newaxis, ...]
            grown = step.joined * slope
            if step.left.number in self.joined:
                grown = grown + self.joined[step.left.number] * weight
            found[step.name] = _summed_to(grown, step.names, (step.name,))
            for i, message in enumerate(step.messages):
                self._pass_back(step, i, weight, slope, weights, slopes)
                assert message.number in weights
        return found

    def _of_ends(self) -> tuple[dict[int, Values], dict[int, Values]]:
        """What stands beside each end, and how that grows."""
        ends = [step.left.number for step in self.steps if not step.left.names]
        first = len(self.scalars) - len(ends)
        growth = [0.0] * first + [float(self.grown.get(number, np.zeros(()))) for number in ends]
        weights, slopes = {}, {}
        for i, number in enumerate(ends):
            others = [*self.scalars[: first + i], *self.scalars[first + i + 1 :]]
            grown = [*growth[: first + i], *growth[first + i + 1 :]]
            slope = 0.0
            for part, beside in zip(grown, products_of_others(others), strict=True):
                slope += part * beside
            weight = 1.0
            for one in others:
                weight *= one
            weights[number], slopes[number] = np.asarray(weight), np.asarray(slope)
        return weights, slopes

    def _pass_back(
        self,
        step: _Step,
        i: int,
        weight: Values,
        slope: Values,
        weights: dict[int, Values],
        slopes: dict[int, Values],
    ) -> None:
        """Give the i-th message of a step the weight that everything else lends it, and how that grows."""
        others = self._others(step, i)
        grown = slope * others
        added = self.added.get(step.name)
        if added is not None:
            grown = grown + weight * others * added
        for k, other in enumerate(step.messages):
            growing = self.grown.get(other.number) if k != i else None
            if growing is not None:
                grown = grown + weight * self._others(step, i, k) * self.aligned(other.names, growing, step.names)
        message = step.messages[i]
        shape = step.joined.shape
        weights[message.number] = _summed_to(_filled(weight * others, shape), step.names, message.names)
        slopes[message.number] = _summed_to(_filled(grown, shape), step.names, message.names)


def _stand_together(steps: Sequence[_Step], names: tuple[str, ...]) -> bool:
    return any(step.name in names and set(names) <= set(step.names) for step in steps)


def _summed_to(values: Values, names: tuple[str, ...], kept: Sequence[str]) -> Values:
    """Values over ``names`` summed to those over ``kept``; axes beside each other at once, from the last."""
    if len(kept) == len(names):
        return values
    shape, axes = _axes_to_sum(values.shape, tuple([name in kept for name in names]))
    found = values.reshape(shape)
    for axis in axes:
        found = np.add.reduce(found, axis=axis)
    return found


@lru_cache(maxsize=4_096)
def _axes_to_sum(sizes: tuple[int, ...], kept: tuple[bool, ...]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The shape in which axes that are summed and stand beside each other are one, and those axes from the last."""
    shape: list[int] = []
    axes: list[int] = []
    for i, (size, keep) in enumerate(zip(sizes, kept, strict=True)):
        if not keep and i and not kept[i - 1]:
            shape[-1] *= size
            continue
        if not keep:
            axes.append(len(shape))
        shape.append(size)
    return tuple(shape), tuple(reversed(axes))


def _filled(values: Values, shape: tuple[int, ...]) -> Values:
    """Values at their full size: an axis of one is repeated. Adding nothing is quicker than a view on small tables."""
    return values if values.shape == shape else values + np.zeros(shape)


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
