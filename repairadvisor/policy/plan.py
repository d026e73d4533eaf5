"""The words a plan is made of, and which combinations make sense."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

DIMENSIONS = ("method", "layout", "position", "access", "shelter", "stage")

#: Part of a plan: for some dimensions, the words that fit. A dimension left out is not judged.
PartialPlan = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Plan:
    """One plan: a word for each dimension. ``id`` joins them by slashes: its name in ties, logs and tests."""

    method: str
    layout: str
    position: str
    access: str
    shelter: str
    stage: str
    id: str = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "id", "/".join(self.words()))

    def words(self) -> tuple[str, ...]:
        """Its words in the order of the dimensions."""
        return (self.method, self.layout, self.position, self.access, self.shelter, self.stage)

    def fits(self, partial: PartialPlan) -> bool:
        """Whether every dimension that ``partial`` judges has one of its words here."""
        return all(getattr(self, dimension) in words for dimension, words in partial.items())


def sensible_plans(words: Mapping[str, Sequence[str]], allowed: Sequence[PartialPlan]) -> tuple[Plan, ...]:
    """Every plan whose words stand together in one allowed row, each once, in the order of the words."""
    found = {
        combination
        for row in allowed
        for combination in itertools.product(*(row[dimension] for dimension in DIMENSIONS))
    }
    rank = {dimension: {word: i for i, word in enumerate(words[dimension])} for dimension in DIMENSIONS}
    ordered = sorted(found, key=lambda plan: tuple(rank[d][word] for d, word in zip(DIMENSIONS, plan, strict=True)))
    return tuple(Plan(*combination) for combination in ordered)


class PlanBits:
    """Plans as bits: which of them fit part of a plan, by a look-up a dimension."""

    def __init__(self, plans: Sequence[Plan]) -> None:
        self.every = (1 << len(plans)) - 1
        self._by_word: dict[tuple[str, str], int] = {}
        for i, plan in enumerate(plans):
            for dimension, word in zip(DIMENSIONS, plan.words(), strict=True):
                self._by_word[dimension, word] = self._by_word.get((dimension, word), 0) | 1 << i

    def fitting(self, partial: PartialPlan) -> int:
        """The plans that fit, bit i for the i-th plan."""
        bits = self.every
        for dimension, words in partial.items():
            of_dimension = 0
            for word in words:
                of_dimension |= self._by_word.get((dimension, word), 0)
            bits &= of_dimension
        return bits
