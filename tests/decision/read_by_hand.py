"""A condition read by the tests themselves, sharing no code with the product: what enumerations are held against."""

from __future__ import annotations

from collections.abc import Mapping

from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some

Value = str | float | None


def is_true(condition: Condition, world: Mapping[str, Value]) -> bool:
    """Whether it holds in a world in which everything is known."""
    match condition:
        case Every(parts):
            return all(is_true(part, world) for part in parts)
        case Some(parts):
            return any(is_true(part, world) for part in parts)
        case Not(part):
            return not is_true(part, world)
        case IsOneOf(fact, words):
            return world[fact] in words
        case Below(fact, _, limit):
            value = world[fact]
            return isinstance(value, float) and value < limit
        case AtLeast(fact, _, limit):
            value = world[fact]
            return isinstance(value, float) and value >= limit
