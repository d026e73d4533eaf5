"""Whole worlds that go with what was told, drawn without the product's evaluator.

A world gives every fact of the vocabulary a word, a number or no meaning. It is drawn fact by fact: what was told keeps
to it, everything else is anything that the vocabulary permits, however unlikely. Besides a drawing at large there is
one that is steered towards a condition: without that a rule that bars in one world of a thousand would be missed. Only
the vocabulary, the policy's conditions and their own words are used; no cell, no implicant, no mask.
"""

from __future__ import annotations

import functools
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from decision.enumerated import compared, holds
from repairadvisor.facts.context import NOT_MORE_THAN
from repairadvisor.facts.vocabulary import BY_NAME, Fact
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some
from repairadvisor.policy.model import Derived, Policy

Value = str | float | None
World = dict[str, Value]
#: What may stand for a fact: words, or the least and the most of a number.
Range = tuple[str, ...] | tuple[float, float]
#: How often a number is drawn at an end of what it may be, or beside a limit that some rule compares it with.
_AT_AN_END, _AT_A_LIMIT = 0.2, 0.4
#: How often it is tried to draw a world in which facts have no meaning that hang on several others.
_MOST_TURNS = 200
#: Far below any resolution: 0.2 + 0.1 is more than 0.3 in a computer.
_HAIR = 1e-9
#: How it is told that a fact has no meaning.
LACKS: Mapping[str, Any] = {"not_applicable": True}
#: They say how long the way is; that it takes longer than they last is no matter.
_OF_THE_WAY = ("crew_place", "travel_min")


def at_the_start(policy: Policy, told: Mapping[str, Any]) -> dict[str, Any]:
    """What was told, as it counts when work begins: by DEVELOPERS.md, "screens are judged at the planned start".

    What passes by itself and lasts for less than the way takes is not known any more; an age has grown and what comes
    has come nearer; a crew of which nobody has spoken is not sent.
    """
    way = _range(BY_NAME["travel_min"], told["travel_min"])[1] if "travel_min" in told else 0.0
    assert isinstance(way, float)
    left: dict[str, Any] = {}
    for name, raw in told.items():
        fact, lasts = BY_NAME[name], policy.facts[name].lasts_min
        if fact.time_runs and way > 0.0 and raw != LACKS:
            by = way if fact.time_runs == "ago" else -way
            low, high = (min(max(float(end) + by, fact.low), fact.high) for end in _range(fact, raw))
            left[name] = {"between": [low, high]}
        elif (
            fact.time_runs or not fact.passing or name in ("crew_place", "travel_min") or lasts is None or lasts >= way
        ):
            left[name] = raw
    left.setdefault("crew_place", "not_sent")
    return left


def within(fact: Fact, raw: Any, value: Value) -> bool:
    """Whether a value is what was told of a fact. Between two answers lies at most one step of a number's resolution,
    which goes to the lower of them."""
    if value is None or raw == LACKS:
        return value is None and raw == LACKS
    told = _range(fact, raw)
    if fact.words:
        return value in told
    return float(told[0]) <= float(value) < float(told[1]) + fact.resolution - _HAIR


def _range(fact: Fact, raw: Any) -> Range:
    """What a fact may be by what was told of it."""
    if isinstance(raw, Mapping):
        if "one_of" in raw:
            return tuple(raw["one_of"])
        low, high = raw["between"]
        return float(low), float(high)
    return (raw,) if fact.words else (float(raw), float(raw))


@dataclass(frozen=True)
class _Number:
    """What a number may be: between two ends; values at and just before limits of rules; facts it cannot exceed."""

    low: float
    high: float
    limits: list[float]
    bounded_by: tuple[str, ...]


@dataclass
class Compatible:
    """Draws the worlds that go with ``told`` (names to values, ``between`` or ``one_of``), as at the start of work."""

    policy: Policy
    told: Mapping[str, Any]
    chance: random.Random
    #: Facts, by their order of drawing: what others hang on first.
    order: tuple[str, ...] = field(init=False)
    _ranges: dict[str, Range] = field(init=False)
    _lack: tuple[str, ...] = field(init=False)
    _needed: dict[str, set[str]] = field(init=False)
    _numbers: dict[str, _Number] = field(init=False)

    def __post_init__(self) -> None:
        self.order = _drawing_order()
        self._ranges = {name: _range(BY_NAME[name], raw) for name, raw in self.told.items() if raw != LACKS}
        self._lack = tuple(name for name, raw in self.told.items() if raw == LACKS)
        self._needed = _needed_for(self._ranges)
        for name in self._lack:  # what hangs on several facts is drawn until it has no meaning
            if len(BY_NAME[name].applies) == 1:
                ((parent, words),) = BY_NAME[name].applies
                self._needed[parent] = self._needed.get(parent, {*BY_NAME[parent].words}) - {*words}
        limits: dict[str, list[float]] = {}
        for screen in self.policy.screens:
            for one in compared(screen.bars_when):
                if not isinstance(one, IsOneOf):
                    limits.setdefault(one.fact, []).append(one.value)
        self._numbers = {
            fact.name: self._number_of(fact, limits.get(fact.name, [])) for fact in BY_NAME.values() if fact.is_number
        }

    def _number_of(self, fact: Fact, limits: Sequence[float]) -> _Number:
        low, high = (float(end) for end in self._ranges.get(fact.name, (fact.low, fact.high)))
        low = max([low, *(float(self._ranges[less][0]) for less in _less_than(fact.name) if less in self._ranges)])
        beside = [value for limit in limits for value in (limit, _before(fact, limit))]
        return _Number(low, high, [value for value in beside if low <= value <= high], _more_than(fact.name))

    def world(self, towards: Condition | None = None) -> World:
        """A world; with ``towards`` one in which that condition holds, where chance and what was told let it."""
        world = self._of_facts(towards)
        for turn in range(_MOST_TURNS):
            if all(world[name] is None for name in self._lack):
                break
            world = self._of_facts(towards if turn < _MOST_TURNS // 2 else None)
        assert all(world[name] is None for name in self._lack), f"no world in which {self._lack} have no meaning"
        return {**world, **{name: self._derived(derived, world) for name, derived in self.policy.derived.items()}}

    def _of_facts(self, towards: Condition | None) -> World:
        wished: dict[str, Range] = {}
        if towards is not None:
            self._wish(towards, True, wished)
        world: World = {}
        for name in self.order:
            world[name] = self._value(BY_NAME[name], world, wished.get(name))
        return world

    def _value(self, fact: Fact, world: World, wish: Range | None) -> Value:
        if not all(world[parent] in words for parent, words in fact.applies):
            assert fact.name not in self._ranges, f"{fact.name} was told and has no meaning in this world"
            return None
        if fact.words:
            return self._word(fact, world, wish)
        return self._number(fact, world, wish)

    def _word(self, fact: Fact, world: World, wish: Range | None) -> str:
        words: Sequence[Any] = self._ranges.get(fact.name, fact.words)
        if fact.within is not None and world[fact.within[0]] is not None:
            allowed = fact.within[1].get(str(world[fact.within[0]]), fact.words)
            words = [word for word in words if word in allowed]
        needed = self._needed.get(fact.name)
        if needed is not None:
            words = [word for word in words if word in needed]
        assert words, f"no word is left for {fact.name}"
        return str(self.chance.choice([word for word in words if wish is not None and word in wish] or list(words)))

    def _number(self, fact: Fact, world: World, wish: Range | None) -> float:
        mine = self._numbers[fact.name]
        low, high = (
            mine.low,
            min([mine.high, *(bound for more in mine.bounded_by if (bound := world[more]) is not None)]),
        )
        assert low <= high, f"no number is left for {fact.name}"
        if wish is not None and max(low, float(wish[0])) <= min(high, float(wish[1])):
            low, high = max(low, float(wish[0])), min(high, float(wish[1]))
        limits = [limit for limit in mine.limits if low <= limit <= high]
        turn = self.chance.random()
        if turn < _AT_AN_END:
            found = self.chance.choice([low, high])
        elif turn < _AT_AN_END + _AT_A_LIMIT and limits:
            found = self.chance.choice(limits)
        else:
            found = self.chance.uniform(low, high)
        return min(max(float(round(found)), low), high) if fact.whole else found

    def _derived(self, derived: Derived, world: World) -> Value:
        """A sum of facts. It has a meaning where its first has one; what has none counts nothing."""
        if world[derived.terms[0].fact] is None:
            return None
        total = float(derived.constant)
        for term in derived.terms:
            value = world[term.fact]
            if term.if_unknown is not None and term.fact not in self.told:
                value = term.if_unknown
            elif term.where is not None and world[term.where[0]] not in term.where[1]:
                value = None
            total += term.times * float(value) if value is not None else 0.0
        return total

    # --- steering -------------------------------------------------------------------------------------------------

    def _wish(self, condition: Condition, wanted: bool, wished: dict[str, Range]) -> None:
        """One way, drawn by chance, in which a condition holds or does not."""
        if isinstance(condition, Not):
            self._wish(condition.part, not wanted, wished)
        elif isinstance(condition, Every | Some):
            every = isinstance(condition, Every) == wanted
            for part in condition.parts if every else [self.chance.choice(condition.parts)]:
                self._wish(part, wanted, wished)
        else:
            self._wish_comparison(condition, wanted, wished)

    def _wish_comparison(self, one: IsOneOf | Below | AtLeast, wanted: bool, wished: dict[str, Range]) -> None:
        derived = self.policy.derived.get(one.fact)
        if derived is not None:
            upwards = isinstance(one, AtLeast) == wanted
            for term in derived.terms:
                mine = self._numbers[term.fact]
                end = mine.high if (term.times > 0.0) == upwards else mine.low
                self._wish_fact(BY_NAME[term.fact], (end, end), wished)
            return
        fact = BY_NAME[one.fact]
        if isinstance(one, IsOneOf):
            self._wish_fact(fact, tuple(word for word in fact.words if (word in one.words) == wanted), wished)
        elif isinstance(one, Below) == wanted:
            self._wish_fact(fact, (fact.low, _before(fact, one.value)), wished)
        else:
            self._wish_fact(fact, (one.value, fact.high), wished)

    def _wish_fact(self, fact: Fact, values: Range, wished: dict[str, Range]) -> None:
        before = wished.get(fact.name, values)
        if fact.words:
            wished[fact.name] = tuple(str(word) for word in values if word in before) or values
        else:
            low, high = max(float(values[0]), float(before[0])), min(float(values[1]), float(before[1]))
            wished[fact.name] = (low, high) if low <= high else values
        for parent, words in fact.applies:  # a comparison holds only of what has a meaning
            self._wish_fact(BY_NAME[parent], words, wished)


def bars(condition: Condition, world: World) -> bool:
    """Whether a screen's condition holds in a world: by the tests' own reading of conditions."""
    return holds(condition, world)


def _before(fact: Fact, limit: float) -> float:
    return limit - (1.0 if fact.whole else fact.resolution / 2.0)


def _less_than(name: str) -> list[str]:
    """The facts that cannot exceed one, also by way of others."""
    mine = [less for less, more in NOT_MORE_THAN if more == name]
    return [*mine, *(further for less in mine for further in _less_than(less))]


def _more_than(name: str) -> tuple[str, ...]:
    """The facts that one cannot exceed."""
    return tuple(more for less, more in NOT_MORE_THAN if less == name)


def _behind(name: str) -> list[str]:
    """What must be drawn before a fact."""
    fact = BY_NAME[name]
    within = [] if fact.within is None else [fact.within[0]]
    return [*(parent for parent, _ in fact.applies), *within, *_more_than(name)]


@functools.cache
def _drawing_order() -> tuple[str, ...]:
    found: dict[str, None] = {}
    while len(found) < len(BY_NAME):
        found.update(dict.fromkeys(name for name in BY_NAME if all(one in found for one in _behind(name))))
    return tuple(found)


def _needed_for(ranges: Mapping[str, Range]) -> dict[str, set[str]]:
    """The words that facts must have so that everything told has a meaning, and goes with what it lies within."""
    needed: dict[str, set[str]] = {}
    work = list(ranges)
    while work:
        fact = BY_NAME[work.pop()]
        says = [(parent, {*words}) for parent, words in fact.applies]
        if fact.within is not None:
            parent, table = fact.within
            mine = {str(word) for word in ranges.get(fact.name, fact.words)} & needed.get(fact.name, {*fact.words})
            says.append((parent, {key for key in BY_NAME[parent].words if {*table.get(key, fact.words)} & mine}))
        for parent, words in says:
            before = needed.get(parent, {*BY_NAME[parent].words})
            if parent not in needed or before - words:
                needed[parent] = before & words
                work.append(parent)
    return needed
