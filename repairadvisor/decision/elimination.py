"""Exact expectations over many facts, by summing them out one at a time.

A factor gives assignments of cells to its facts a number: a chance, or what something comes to there. The sum over
all worlds of the product of factors is an expectation. Order of facts and of factors is fixed, so the same input
gives the same bits; what has been summed is remembered, since plans share most of their factors.

A plan's cost is a sum of terms, each of a few facts. Each group of terms with the same facts goes through on its own:
put together they would tie facts to each other that have nothing to do with one another.

Source: variable elimination, as textbooks on graphical models have it (from memory); tests compare it with enumeration
of every world.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

Assignment = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Factor:
    """Numbers for assignments of cells to ``names``; one that is missing is nought."""

    number: int
    names: tuple[str, ...]
    values: Mapping[Assignment, float]


class Elimination:
    """Sums facts out of factors."""

    def __init__(self, order: Sequence[str]) -> None:
        self.rank = {name: i for i, name in enumerate(order)}
        self.made: dict[tuple[int, ...], Factor] = {}
        self.count = 0
        self.widest = 0

    def factor(self, names: tuple[str, ...], values: Mapping[Assignment, float]) -> Factor:
        """A new factor with a number of its own."""
        self.count += 1
        self.widest = max(self.widest, len(values))
        return Factor(self.count, names, values)

    def total(self, factors: Sequence[Factor]) -> float:
        """The sum of the product of ``factors`` over everything they name."""
        buckets: dict[int, list[Factor]] = {}
        result = 1.0
        for factor in sorted(factors, key=lambda one: one.number):
            result *= self._place(buckets, factor)
        while buckets:
            rank = min(buckets)
            result *= self._place(buckets, self._summed(rank, buckets.pop(rank)))
        return result

    def _place(self, buckets: dict[int, list[Factor]], factor: Factor) -> float:
        """Put a factor with the first of its facts to be summed out; one without facts is a number."""
        if not factor.names:
            return factor.values.get((), 0.0)
        buckets.setdefault(min(self.rank[name] for name in factor.names), []).append(factor)
        return 1.0

    def _summed(self, rank: int, bucket: Sequence[Factor]) -> Factor:
        key = tuple(sorted(factor.number for factor in bucket))
        if key not in self.made:
            joined = bucket[0]
            for factor in bucket[1:]:
                joined = joint(joined, factor)
                self.widest = max(self.widest, len(joined.values))
            i = next(k for k, name in enumerate(joined.names) if self.rank[name] == rank)
            sums: dict[Assignment, float] = {}
            for assignment, value in joined.values.items():
                rest = assignment[:i] + assignment[i + 1 :]
                sums[rest] = sums.get(rest, 0.0) + value
            self.made[key] = self.factor(joined.names[:i] + joined.names[i + 1 :], sums)
        return self.made[key]


def joint(first: Factor, second: Factor) -> Factor:
    """The product of two factors over all their facts."""
    shared = [name for name in second.names if name in first.names]
    rest = [name for name in second.names if name not in first.names]
    at_first = [first.names.index(name) for name in shared]
    at_second = [second.names.index(name) for name in shared]
    at_rest = [second.names.index(name) for name in rest]
    index: dict[Assignment, list[tuple[Assignment, float]]] = {}
    for assignment, value in second.values.items():
        key = tuple(assignment[i] for i in at_second)
        index.setdefault(key, []).append((tuple(assignment[i] for i in at_rest), value))
    values: dict[Assignment, float] = {}
    for assignment, value in first.values.items():
        for more, other in index.get(tuple(assignment[i] for i in at_first), ()):
            values[assignment + more] = value * other
    return Factor(0, first.names + tuple(rest), values)
