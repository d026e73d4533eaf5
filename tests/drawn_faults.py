"""Invented faults: whole worlds drawn from the shipped priors, and what is told of them.

The one place in which worlds are drawn from priors. Whether those are true is not the question: they are assumptions.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from repairadvisor.facts.context import Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import Policy, Prior

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
#: What whoever rings says before he is asked.
TOLD_FIRST = ("place", "fault_seen", "danger_seen")
#: One fault in so many has no more than the following facts told: there a tree has most to ask.
LITTLE_KNOWN_ONE_IN, LITTLE_KNOWN = 5, 6


def a_world(policy: Policy, chance: random.Random) -> dict[str, Held] | None:
    """Every fact that has a meaning, drawn from its prior; None where what was drawn contradicts itself."""
    held: dict[str, Held] = {}
    words: dict[str, str] = {}
    for name in _drawing_order(policy):
        fact, mine = BY_NAME[name], policy.facts[name]
        if not all(words.get(parent) in allowed for parent, allowed in fact.applies):
            continue
        prior = mine.priors.get(words.get(mine.parent, "")) or next(iter(mine.priors.values()))
        allowed = fact.words
        if fact.within is not None:
            allowed = fact.within[1].get(words.get(fact.within[0], ""), fact.words)
        value = _drawn(prior, allowed, chance)
        if isinstance(value, str):
            words[name] = value
        elif fact.whole:
            value = float(math.floor(value))  # a stretch of whole numbers holds its first and not its last
        held[name] = Held(Known(value))
    _, faults = make_context(NOW, held)
    return None if faults else held


def _drawing_order(policy: Policy) -> tuple[str, ...]:
    """The facts, each after those that its meaning, its words or its prior hang on."""
    found: dict[str, None] = {}
    while len(found) < len(BY_NAME):
        for name, fact in BY_NAME.items():
            within = [] if fact.within is None else [fact.within[0]]
            behind = (*(parent for parent, _ in fact.applies), *within, policy.facts[name].parent)
            if all(one in found or not one for one in behind):
                found[name] = None
    return tuple(found)


def _drawn(prior: Prior, allowed: tuple[str, ...], chance: random.Random) -> str | float:
    if prior.words:
        words = [word for word in prior.words if word in allowed] or list(prior.words)
        return chance.choices(words, [prior.words[word] for word in words])[0]
    low, high, _ = chance.choices(prior.stretches, [weight for _, _, weight in prior.stretches])[0]
    return chance.uniform(low, high)


@dataclass(frozen=True)
class Fault:
    """What is told of one fault, in the form in which facts are given; ``of`` so many that have a meaning there."""

    number: int
    told: dict[str, Any]
    of: int


def drawn_fault(policy: Policy, number: int, count: int, seed: int) -> Fault:
    """One of ``count`` faults, which hangs on its number and the seed alone.

    The higher the number the more is told: the first three facts, up to all but one or two. Of every fifth three to six
    are told. Which facts are told beside the first three is drawn too.
    """
    chance = random.Random(f"{seed}/{number}")
    world = None
    while world is None:
        world = a_world(policy, chance)
    first = [name for name in TOLD_FIRST if name in world]
    others = [name for name in world if name not in first]
    more = round(len(others) * number / count)
    if number % LITTLE_KNOWN_ONE_IN == 0:
        more = number // LITTLE_KNOWN_ONE_IN % (LITTLE_KNOWN - len(TOLD_FIRST) + 1)
    names = {*first, *chance.sample(others, more)}
    told = {name: held.state.value for name, held in world.items() if name in names and isinstance(held.state, Known)}
    return Fault(number, told, len(world))
