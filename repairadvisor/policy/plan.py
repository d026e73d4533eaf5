"""The words a plan is made of, and which combinations make sense."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

DIMENSIONS = ("method", "layout", "position", "access", "shelter", "stage")

#: Part of a plan: for some dimensions, the words that fit. A dimension left out is not judged.
PartialPlan = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Plan:
    """One plan: a word for each dimension. ``id`` joins them, in the order of the dimensions."""

    method: str
    layout: str
    position: str
    access: str
    shelter: str
    stage: str

    @property
    def id(self) -> str:
        """The plan's words joined by slashes: its name in ties, logs and tests."""
        return "/".join(self.words())

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
