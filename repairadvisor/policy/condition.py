"""The closed language of conditions, and what a condition says of one world.

``is``, ``is one of``, ``<`` and ``>=`` of one fact with a constant; all, any, not. There is no "is known": a
condition speaks of the world, never of what we know of it. A comparison of a fact that has no meaning in a world
is false there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

#: A world gives every fact a word, a number, or None where it has no meaning.
World = Mapping[str, str | float | None]


@dataclass(frozen=True, slots=True)
class IsOneOf:
    """The fact is one of the words."""

    fact: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Below:
    """The fact is below the limit (strictly)."""

    fact: str
    limit: str
    value: float


@dataclass(frozen=True, slots=True)
class AtLeast:
    """The fact is at the limit or above."""

    fact: str
    limit: str
    value: float


@dataclass(frozen=True, slots=True)
class Every:
    """All parts hold; with no part, always."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Some:
    """At least one part holds; with no part, never."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Not:
    """The part does not hold."""

    part: Condition


Condition = IsOneOf | Below | AtLeast | Every | Some | Not
ALWAYS = Every(())


def holds(condition: Condition, world: World) -> bool:
    """Whether a condition holds in one world."""
    if isinstance(condition, Every):
        return all(holds(part, world) for part in condition.parts)
    if isinstance(condition, Some):
        return any(holds(part, world) for part in condition.parts)
    if isinstance(condition, Not):
        return not holds(condition.part, world)
    value = world[condition.fact]
    if value is None:
        return False
    if isinstance(condition, IsOneOf):
        return value in condition.words
    assert isinstance(value, float)
    return value < condition.value if isinstance(condition, Below) else value >= condition.value


def comparisons(condition: Condition) -> tuple[IsOneOf | Below | AtLeast, ...]:
    """Every comparison in a condition, from left to right."""
    if isinstance(condition, Every | Some):
        return tuple(one for part in condition.parts for one in comparisons(part))
    if isinstance(condition, Not):
        return comparisons(condition.part)
    return (condition,)


def facts_of(condition: Condition) -> tuple[str, ...]:
    """The facts a condition speaks of, each once, in the order of first mention."""
    return tuple(dict.fromkeys(one.fact for one in comparisons(condition)))


def limits_of(condition: Condition) -> tuple[str, ...]:
    """The named limits a condition rests on, each once."""
    return tuple(dict.fromkeys(one.limit for one in comparisons(condition) if not isinstance(one, IsOneOf)))
