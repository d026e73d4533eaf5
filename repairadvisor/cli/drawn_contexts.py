"""Contexts in which everything is known, spread as a policy's priors are: where a search begins.

Nothing is left to chance. What a fact is in a context hangs on the number of the context and the fact's name alone, by
the digits of a digest: the same on every machine.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from datetime import UTC, datetime

from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import Policy, Prior

MOMENT = datetime(2000, 1, 1, 9, 0, tzinfo=UTC)


def drawn_contexts(policy: Policy, count: int) -> tuple[Context, ...]:
    """So many contexts without contradictions, every fact that has a meaning known."""
    found: list[Context] = []
    number = 0
    while len(found) < count:
        context, faults = make_context(MOMENT, _drawn(policy, number))
        number += 1
        if not faults:
            found.append(context)
    return tuple(found)


def _drawn(policy: Policy, number: int) -> dict[str, Held]:
    held: dict[str, Held] = {}
    words: dict[str, str] = {}
    for name in _behind_what_they_hang_on(policy):
        fact, mine = BY_NAME[name], policy.facts[name]
        if not all(words.get(parent) in allowed for parent, allowed in fact.applies):
            continue
        prior = mine.priors.get(words.get(mine.parent, "")) or next(iter(mine.priors.values()))
        allowed = fact.words
        if fact.within is not None:
            allowed = fact.within[1].get(words.get(fact.within[0], ""), fact.words)
        value = _value(prior, allowed, _share(f"{number} {name}"))
        if isinstance(value, str):
            words[name] = value
        elif fact.whole:
            value = float(math.floor(value))  # a stretch of whole numbers holds its first and not its last
        held[name] = Held(Known(value))
    return held


def _behind_what_they_hang_on(policy: Policy) -> tuple[str, ...]:
    """The facts, each after those that its meaning, its words or its prior hang on."""
    found: dict[str, None] = {}
    while len(found) < len(BY_NAME):
        for name, fact in BY_NAME.items():
            within = [] if fact.within is None else [fact.within[0]]
            behind = (*(parent for parent, _ in fact.applies), *within, policy.facts[name].parent)
            if all(one in found or not one for one in behind):
                found[name] = None
    return tuple(found)


def _share(of_what: str) -> float:
    """A number from 0 to below 1 that looks like any other: the first digits of a digest."""
    return int.from_bytes(hashlib.sha256(of_what.encode()).digest()[:6]) / 2.0**48


def _value(prior: Prior, allowed: tuple[str, ...], share: float) -> str | float:
    """What lies so far along a prior: a word, or a number within its stretch."""
    if prior.words:
        words = [word for word in prior.words if word in allowed] or list(prior.words)
        return words[_at([prior.words[word] for word in words], share)[0]]
    i, rest = _at([mass for _, _, mass in prior.stretches], share)
    low, high, _ = prior.stretches[i]
    return low + rest * (high - low)


def _at(masses: Sequence[float], share: float) -> tuple[int, float]:
    """In which of some masses, laid end to end, a share of their sum lies, and how far along it."""
    left = share * sum(masses)
    for i, mass in enumerate(masses[:-1]):
        if left < mass:
            return i, left / mass
        left -= mass
    return len(masses) - 1, min(left / masses[-1], 1.0)
