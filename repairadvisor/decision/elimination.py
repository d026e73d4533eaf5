"""Exact expectations over many facts by summing them out one at a time, carrying (probability, cost) pairs.

A factor gives every assignment of cells to its facts a pair (p, c). Two pairs multiply as (p q, p d + q c) and
add part by part, so chances multiply and costs add: one sweep yields both the chance that no screen bars and the
expected cost where none does. Order of facts and of factors is fixed, so the same input gives the same bits.

Source: variable elimination with expectation pairs, as textbooks on graphical models have it (from memory);
tests compare it with enumeration of every world.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

Pair = tuple[float, float]
Assignment = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Factor:
    """Pairs for assignments of cells to ``names``; an assignment that is missing has no chance."""

    number: int
    names: tuple[str, ...]
    pairs: Mapping[Assignment, Pair]


class Elimination:
    """Sums facts out of factors, and remembers what it has summed: plans share most of their factors."""

    def __init__(self, order: Sequence[str]) -> None:
        self.rank = {name: i for i, name in enumerate(order)}
        self.made: dict[tuple[str, tuple[int, ...]], Factor] = {}
        self.count = 0
        self.widest = 0

    def factor(self, names: tuple[str, ...], pairs: Mapping[Assignment, Pair]) -> Factor:
        """A new factor with a number of its own."""
        self.count += 1
        self.widest = max(self.widest, len(pairs))
        return Factor(self.count, names, pairs)

    def total(self, factors: Sequence[Factor]) -> Pair:
        """The pair that is left when every fact is summed out of the product of ``factors``."""
        left = sorted(factors, key=lambda factor: factor.number)
        while True:
            named = {name for factor in left for name in factor.names}
            if not named:
                break
            first = min(named, key=self.rank.__getitem__)
            bucket = [factor for factor in left if first in factor.names]
            left = [factor for factor in left if first not in factor.names]
            left.append(self._summed(first, bucket))
        chance, cost = 1.0, 0.0
        for factor in left:
            p, c = factor.pairs.get((), (0.0, 0.0))
            chance, cost = chance * p, chance * c + p * cost
        return chance, cost

    def _summed(self, name: str, bucket: Sequence[Factor]) -> Factor:
        key = (name, tuple(factor.number for factor in bucket))
        if key not in self.made:
            joined = bucket[0]
            for factor in bucket[1:]:
                joined = _joined(joined, factor)
                self.widest = max(self.widest, len(joined.pairs))
            i = joined.names.index(name)
            sums: dict[Assignment, list[float]] = {}
            for assignment, (p, c) in joined.pairs.items():
                entry = sums.setdefault(assignment[:i] + assignment[i + 1 :], [0.0, 0.0])
                entry[0] += p
                entry[1] += c
            pairs = {assignment: (entry[0], entry[1]) for assignment, entry in sums.items()}
            self.made[key] = self.factor(joined.names[:i] + joined.names[i + 1 :], pairs)
        return self.made[key]


def _joined(first: Factor, second: Factor) -> Factor:
    """The product of two factors over all their facts."""
    shared = [name for name in second.names if name in first.names]
    rest = [name for name in second.names if name not in first.names]
    at_first = [first.names.index(name) for name in shared]
    at_second = [second.names.index(name) for name in shared]
    at_rest = [second.names.index(name) for name in rest]
    index: dict[Assignment, list[tuple[Assignment, float, float]]] = {}
    for assignment, (p, c) in second.pairs.items():
        key = tuple(assignment[i] for i in at_second)
        index.setdefault(key, []).append((tuple(assignment[i] for i in at_rest), p, c))
    pairs: dict[Assignment, Pair] = {}
    for assignment, (p, c) in first.pairs.items():
        for more, q, d in index.get(tuple(assignment[i] for i in at_first), ()):
            pairs[assignment + more] = (p * q, p * d + q * c)
    return Factor(0, first.names + tuple(rest), pairs)
