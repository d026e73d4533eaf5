"""Invented faults: a whole world drawn from a policy's priors, and what is told of it.

Whether the priors are true is not the question: what two policies say of the same faults is. Chance comes from outside,
one number between 0 and 1 after the other, so that a seed gives the same faults everywhere.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Protocol

from repairadvisor.facts.context import NOT_MORE_THAN, Context, Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import FactPolicy, Policy, Prior

#: What whoever rings says before he is asked.
TOLD_FIRST = ("place", "fault_seen", "danger_seen")
#: Of the other facts that have a meaning at least this share is told, of some faults all.
LEAST_TOLD = 0.5


class Chance(Protocol):
    """Where chance comes from."""

    def random(self) -> float:
        """The next number, 0 or more and less than 1."""


class Numbers:
    """Numbers that look drawn and hang on a text alone: the same on every machine and in every version of Python."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._made = 0

    def random(self) -> float:
        """The next one: 0 or more and less than 1, with 53 bits."""
        self._made += 1
        digest = hashlib.sha256(f"{self._text}/{self._made}".encode()).digest()
        return (int.from_bytes(digest[:8]) >> 11) / 2.0**53


def known_throughout(policy: Policy, now: datetime, count: int) -> tuple[Context, ...]:
    """So many contexts without contradictions in which everything is known that has a meaning; each hangs on its number
    alone."""
    order = _drawing_order(policy)
    found: list[Context] = []
    for number in itertools.count():
        if len(found) == count:
            break
        context, faults = make_context(now, _a_world(policy, order, Numbers(str(number))))
        if not faults:
            found.append(context)
    return tuple(found)


def drawn_context(policy: Policy, now: datetime, chance: Chance) -> Context:
    """A fault at ``now``: from half to all of what there is to be told of a world drawn from the priors."""
    order = _drawing_order(policy)
    while True:
        world = _a_world(policy, order, chance)
        share = LEAST_TOLD + (1.0 - LEAST_TOLD) * chance.random()
        told = {name: held for name, held in world.items() if chance.random() < share or name in TOLD_FIRST}
        context, faults = make_context(now, told)
        if not faults:
            return context


def _drawing_order(policy: Policy) -> tuple[str, ...]:
    """The facts, each after those that its meaning, its words or its prior hang on."""
    behind = {
        fact.name: {policy.facts[fact.name].parent, *(one for one, _ in fact.applies), *(fact.within or ("",))[:1]}
        - {""}
        for fact in BY_NAME.values()
    }
    found: dict[str, None] = {}
    while len(found) < len(behind):
        found.update(dict.fromkeys(name for name, others in behind.items() if others <= found.keys()))
    return tuple(found)


def _a_world(policy: Policy, order: Sequence[str], chance: Chance) -> dict[str, Held]:
    """Every fact that has a meaning, each after those that it hangs on."""
    held: dict[str, Held] = {}
    words: dict[str, str] = {}
    numbers: dict[str, float] = {}
    for name in order:
        fact = BY_NAME[name]
        if not all(words.get(parent) in allowed for parent, allowed in fact.applies):
            continue
        prior = _prior(policy.facts[name], words)
        if prior.words:
            words[name] = _word(prior, name, words, chance)
        else:
            numbers[name] = _number(prior, name, numbers, chance)
        held[name] = Held(Known(words[name] if prior.words else numbers[name]), "drawn")
    return held


def _prior(mine: FactPolicy, words: Mapping[str, str]) -> Prior:
    return mine.priors.get(words.get(mine.parent, "")) or next(iter(mine.priors.values()))


def _word(prior: Prior, name: str, words: Mapping[str, str], chance: Chance) -> str:
    fact = BY_NAME[name]
    allowed = fact.words if fact.within is None else fact.within[1].get(words.get(fact.within[0], ""), fact.words)
    names = [word for word in prior.words if word in allowed] or list(prior.words)
    return names[_one_of([prior.words[word] for word in names], chance)]


def _number(prior: Prior, name: str, numbers: Mapping[str, float], chance: Chance) -> float:
    """A number between those that bound it and are drawn already: else impossible worlds would have to be thrown away,
    and places that have more of such numbers would be drawn less often than the priors say."""
    least = max((numbers[one] for one in _ABOVE[name] & numbers.keys()), default=-math.inf)
    most = min((numbers[one] for one in _BELOW[name] & numbers.keys()), default=math.inf)
    whole = BY_NAME[name].whole
    beyond = most + 1.0 if whole else most  # a stretch of whole numbers holds its first and not its last
    cut = [(max(low, least), min(high, beyond), mass / (high - low)) for low, high, mass in prior.stretches]
    left = [(low, high, dense * (high - low)) for low, high, dense in cut if high > low]
    if not left:
        return most if math.isfinite(most) else least
    low, high, _ = left[_one_of([mass for _, _, mass in left], chance)]
    value = low + (high - low) * chance.random()
    return float(math.floor(value)) if whole else value


def _over(pairs: Sequence[tuple[str, str]]) -> dict[str, frozenset[str]]:
    """For each number all that stand on the far side of it, link by link."""
    found = {name: frozenset[str]() for name in BY_NAME}
    for _ in pairs:
        for one, other in pairs:
            found[one] |= {other} | found[other]
    return found


#: For each number those that it cannot exceed, and those that cannot exceed it.
_BELOW = _over(NOT_MORE_THAN)
_ABOVE = _over([(more, less) for less, more in NOT_MORE_THAN])


def _one_of(masses: Sequence[float], chance: Chance) -> int:
    """One of several, by their masses."""
    left = chance.random() * math.fsum(masses)
    for i, mass in enumerate(masses):
        left -= mass
        if left < 0.0:
            return i
    return len(masses) - 1
