"""Screens judged by look-up say what enumeration of every world says, for all that may be known.

The enumeration shares nothing with the implicants: it takes the statements as they were made, goes through every
world in which each fact has a meaning exactly where the vocabulary gives it one, and reads the condition by itself.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decision.read_by_hand import is_true
from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.implicants import primes
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN, compile_rules, open_facts, statuses
from repairadvisor.facts.context import NOT_MORE_THAN, Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some
from repairadvisor.policy.model import Derived, Policy

NOW = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
Value = str | float | None
World = dict[str, Value]
#: Narrowest step between a limit and a number just below it.
STEP = 0.001


# --- the enumeration ---------------------------------------------------------------------------------------------


def _comparisons(condition: Condition) -> list[IsOneOf | Below | AtLeast]:
    if isinstance(condition, Every | Some):
        return [one for part in condition.parts for one in _comparisons(part)]
    return _comparisons(condition.part) if isinstance(condition, Not) else [condition]


def _with_parents(names: Sequence[str]) -> list[str]:
    """The facts, each after those that give it meaning or narrow its words."""
    found: list[str] = []

    def add(name: str) -> None:
        fact = BY_NAME[name]
        for parent, _ in fact.applies:
            add(parent)
        if fact.within is not None:
            add(fact.within[0])
        if name not in found:
            found.append(name)

    for name in names:
        add(name)
    return found


def _can_be(name: str, value: Value, world: Mapping[str, Value]) -> bool:
    """Whether a fact may have this value beside those that stand before it."""
    fact = BY_NAME[name]
    if all(world[parent] in words for parent, words in fact.applies) != (value is not None):
        return False
    if fact.within is None or value is None:
        return True
    parent, table = fact.within
    return world[parent] is None or value in table.get(str(world[parent]), fact.words)


def _points(name: str, limits: Sequence[float]) -> list[float]:
    """Numbers that stand for all a condition can tell apart: at each limit, below it, and both ends."""
    fact = BY_NAME[name]
    near = [point for limit in limits for point in ((limit, limit - 1.0) if fact.whole else (limit, limit - STEP))]
    inside = {fact.low, fact.high, *(float(-(-point // 1)) if fact.whole else point for point in near)}
    return sorted(point for point in inside if fact.low <= point <= fact.high)


def _values(name: str, limits: Mapping[str, Sequence[float]]) -> list[Value]:
    fact = BY_NAME[name]
    meant: list[Value] = list(fact.words) if fact.words else list(_points(name, limits.get(name, ())))
    return [*meant, None] if fact.applies else meant


def _worlds(names: Sequence[str], values: Mapping[str, Sequence[Value]]) -> list[World]:
    """Every world of ``names`` in which each fact means something exactly where it can."""
    worlds: list[World] = [{}]
    for name in names:
        worlds = [{**world, name: value} for world in worlds for value in values[name] if _can_be(name, value, world)]
    return worlds


@dataclass(frozen=True)
class Said:
    """What somebody said of one fact: between two numbers, one of some words, or that it has no meaning."""

    words: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0
    lacks: bool = False

    def allows(self, value: Value) -> bool:
        if self.lacks or value is None:
            return self.lacks and value is None
        return value in self.words if isinstance(value, str) else self.low <= value <= self.high

    def as_told(self) -> Any:
        if self.lacks:
            return {"not_applicable": True}
        return {"one_of": list(self.words)} if self.words else {"between": [self.low, self.high]}


def _brute(condition: Condition, worlds: Sequence[World], said: Mapping[str, Said]) -> str:
    answers = {
        is_true(condition, world) for world in worlds if all(one.allows(world[name]) for name, one in said.items())
    }
    assert answers, "what was said is possible"
    return OPEN if len(answers) == 2 else BARRED if True in answers else CLEAR


# --- what may be known -------------------------------------------------------------------------------------------


@st.composite
def _knowledge(draw: st.DrawFn, worlds: Sequence[World], values: Mapping[str, Sequence[Value]]) -> dict[str, Said]:
    """One world, of which each fact is told, narrowed or left out."""
    world = draw(st.sampled_from(worlds))
    said: dict[str, Said] = {}
    for name, value in world.items():
        how = draw(st.sampled_from(("known", "bounded", "unknown")))
        if how == "unknown":
            continue
        if value is None:
            said[name] = Said(lacks=True)
        elif isinstance(value, str):
            others = draw(st.sets(st.sampled_from(BY_NAME[name].words), max_size=4)) if how == "bounded" else set()
            said[name] = Said(words=tuple(word for word in BY_NAME[name].words if word in {value, *others}))
        else:
            numbers = [one for one in values[name] if isinstance(one, float)]
            ends = sorted([value, draw(st.sampled_from(numbers))]) if how == "bounded" else [value, value]
            said[name] = Said(low=ends[0], high=ends[1])
    return said


def _context(said: Mapping[str, Said]) -> Context:
    return parse_context({name: one.as_told() for name, one in said.items()}, NOW)


def _limits(conditions: Sequence[Condition]) -> dict[str, list[float]]:
    limits: dict[str, list[float]] = {}
    for condition in conditions:
        for one in _comparisons(condition):
            if not isinstance(one, IsOneOf):
                limits.setdefault(one.fact, []).append(one.value)
    return limits


# --- every shipped screen ----------------------------------------------------------------------------------------


def _plain(rules: Rules) -> list[int]:
    """Screens of facts of the vocabulary alone."""
    return [
        i
        for i, screen in enumerate(rules.screens)
        if all(one.fact in BY_NAME for one in _comparisons(screen.bars_when))
    ]


def test_every_screen_of_plain_facts_is_judged_as_enumeration_judges_it(rules: Rules) -> None:
    checked = {BARRED: 0, CLEAR: 0, OPEN: 0}
    for i in _plain(rules):
        for status in _compare(rules, i, examples=12):
            checked[status] += 1
    assert len(_plain(rules)) > 60
    assert min(checked.values()) > 100


def _compare(rules: Rules, i: int, examples: int) -> list[str]:
    condition = rules.screens[i].bars_when
    limits = _limits([condition])
    names = _with_parents([one.fact for one in _comparisons(condition)])
    assert not any(less in names and more in names for less, more in NOT_MORE_THAN)
    values = {name: _values(name, limits) for name in names}
    worlds = _worlds(names, values)
    seen: list[str] = []

    @settings(max_examples=examples, derandomize=True, deadline=None, database=None)
    @given(_knowledge(worlds, values))
    def look_up_is_enumeration(said: dict[str, Said]) -> None:
        wanted = _brute(condition, worlds, said)
        assert statuses(rules.compiled, _context(said))[rules.index("screen", i)] == wanted, rules.screens[i].id
        seen.append(wanted)

    look_up_is_enumeration()
    return seen


def _derived_value(derived: Derived, world: Mapping[str, Value], said: Mapping[str, Said]) -> Value:
    """A derived fact in one world: a sum of what has a meaning; it has none where its first fact has none."""
    if world[derived.terms[0].fact] is None:
        return None
    total = derived.constant
    for term in derived.terms:
        value = world[term.fact]
        if term.if_unknown is not None and term.fact not in said:
            value = term.if_unknown
        if isinstance(value, float) and (term.where is None or world[term.where[0]] in term.where[1]):
            total += term.times * value
    return total


def test_a_screen_of_derived_facts_never_settles_what_the_facts_behind_them_leave_open(rules: Rules) -> None:
    """The sum of facts is compared with its own bounds, so that open may be said too often, settled never."""
    settled = 0
    derived_screens = [i for i in range(len(rules.policy.screens)) if i not in set(_plain(rules))]
    assert len(derived_screens) > 20
    for i in derived_screens:
        settled += _compare_derived(rules, i)
    assert settled > 100


def _compare_derived(rules: Rules, i: int) -> int:
    condition = rules.screens[i].bars_when
    mentioned = [one.fact for one in _comparisons(condition)]
    behind = [
        name
        for fact in mentioned
        for name in (
            [fact]
            if fact in BY_NAME
            else [
                name
                for term in rules.policy.derived[fact].terms
                for name in (term.fact, *([term.where[0]] if term.where else []))
            ]
        )
    ]
    names = _with_parents(behind)
    few = {name: [BY_NAME[name].low, 1.0, 2.0, 5.0, 12.0] for name in names if BY_NAME[name].is_number}
    values = {name: _values(name, few) if BY_NAME[name].words else [*few[name], None] for name in names}
    for name in names:
        if BY_NAME[name].is_number:
            low, high = BY_NAME[name].low, BY_NAME[name].high
            kept: list[Value] = [one for one in few[name] if low <= one <= high]
            values[name] = [*kept, None] if BY_NAME[name].applies else kept
        elif name == "place":
            values[name] = ["pole_top", "aerial_span", "chamber", "customer_home"]
    worlds = _worlds(names, values)
    count = 0

    @settings(max_examples=10, derandomize=True, deadline=None, database=None)
    @given(_knowledge(worlds, values))
    def nothing_is_settled_too_early(said: dict[str, Said]) -> None:
        nonlocal count
        status = statuses(rules.compiled, _context(said))[rules.index("screen", i)]
        if status == OPEN:
            return
        count += 1
        for world in worlds:
            if all(one.allows(world[name]) for name, one in said.items()):
                full = {**world}
                for name in mentioned:
                    if name not in BY_NAME:
                        full[name] = _derived_value(rules.policy.derived[name], world, said)
                assert is_true(condition, full) == (status == BARRED), (rules.screens[i].id, full)

    nothing_is_settled_too_early()
    return count


# --- any condition -----------------------------------------------------------------------------------------------

#: Facts with and without a meaning of their own, in words and in numbers, one narrowing the other.
SPOKEN_OF = (
    "place",
    "gas_test",
    "oxygen_pct",
    "height_m",
    "fibre_mode",
    "fibre_type_near",
    "wind_gust_mps",
    "crew_count",
)
LIMITS = {"oxygen_pct": (19.5, 23.5), "height_m": (2.0, 4.0), "wind_gust_mps": (8.0, 12.5), "crew_count": (2.0, 3.0)}
FEW_PLACES = ("customer_home", "pole_top", "chamber", "rail_side")


def _one_comparison(name: str) -> st.SearchStrategy[Condition]:
    if name in LIMITS:
        limit = st.sampled_from(LIMITS[name])
        return st.one_of(
            limit.map(lambda value: Below(name, "a limit", value)),
            limit.map(lambda value: AtLeast(name, "a limit", value)),
        )
    words = FEW_PLACES if name == "place" else BY_NAME[name].words
    some = st.sets(st.sampled_from(words), min_size=1, max_size=3)
    return some.map(lambda chosen: IsOneOf(name, tuple(word for word in words if word in chosen)))


@st.composite
def _conditions(draw: st.DrawFn) -> Condition:
    names = draw(st.lists(st.sampled_from(SPOKEN_OF), min_size=1, max_size=3, unique=True))
    leaf = st.sampled_from(names).flatmap(_one_comparison)
    return draw(
        st.recursive(
            leaf,
            lambda inner: st.one_of(
                inner.map(Not),
                st.lists(inner, max_size=3).map(lambda parts: Every(tuple(parts))),
                st.lists(inner, max_size=3).map(lambda parts: Some(tuple(parts))),
            ),
            max_leaves=6,
        )
    )


def test_any_condition_is_judged_as_enumeration_judges_it(policy: Policy) -> None:
    seen = []

    @settings(max_examples=120, derandomize=True, deadline=None, database=None)
    @given(condition=_conditions(), data=st.data())
    def look_up_is_enumeration(condition: Condition, data: Any) -> None:
        compiled = compile_rules([("made up", condition)], axes_of(policy, [condition]), policy.derived)
        names = _with_parents([one.fact for one in _comparisons(condition)] or ["mains_power"])
        values = {name: _values(name, _limits([condition])) for name in names}
        worlds = _worlds(names, values)
        said = data.draw(_knowledge(worlds, values))
        context = _context(said)
        wanted = _brute(condition, worlds, said)
        seen.append(wanted)
        assert statuses(compiled, context) == [wanted]
        if wanted == OPEN:
            named = open_facts(compiled, context, 0)
            alone = _that_change(condition, worlds, said)
            assert set(named) == set(alone) if alone else len(named) > 1

    look_up_is_enumeration()
    assert min(seen.count(status) for status in (BARRED, CLEAR, OPEN)) > 10


def _that_change(condition: Condition, worlds: Sequence[World], said: Mapping[str, Said]) -> list[str]:
    """Facts in which alone two worlds differ that the condition judges differently."""
    left = [world for world in worlds if all(one.allows(world[name]) for name, one in said.items())]
    found = []
    for name in worlds[0]:
        answers: dict[tuple[Value, ...], set[bool]] = {}
        for world in left:
            rest = tuple(value for other, value in world.items() if other != name)
            answers.setdefault(rest, set()).add(is_true(condition, world))
        if any(len(both) == 2 for both in answers.values()):
            found.append(name)
    return found


BELOW, FROM = Below("wind_gust_mps", "a limit", 5.0), AtLeast("wind_gust_mps", "a limit", 5.0)


@pytest.mark.parametrize("gust", [None, 4.0, 5.0, {"between": [3, 9]}, {"between": [5, 5.0]}])
@pytest.mark.parametrize(
    ("condition", "wanted"),
    [
        (Some((BELOW, FROM)), BARRED),
        (Every((BELOW, FROM)), CLEAR),
        (Some((BELOW, Not(BELOW))), BARRED),
        (Every(()), BARRED),
        (Some(()), CLEAR),
    ],
)
def test_what_holds_whatever_a_number_is_needs_no_number(
    policy: Policy, condition: Condition, wanted: str, gust: Any
) -> None:
    told = {"place": "street_cabinet"} | ({} if gust is None else {"wind_gust_mps": gust})
    compiled = compile_rules([("either way", condition)], axes_of(policy, [BELOW, FROM]), policy.derived)
    assert statuses(compiled, parse_context(told, NOW)) == [wanted]


def test_a_number_without_meaning_is_neither_below_a_limit_nor_at_it(policy: Policy) -> None:
    """Indoors there is no gust; where nobody has said the place there may be one."""
    either = Some((BELOW, FROM))
    compiled = compile_rules([("either way", either)], axes_of(policy, [either]), policy.derived)
    assert statuses(compiled, parse_context({"place": "data_hall"}, NOW)) == [CLEAR]
    assert statuses(compiled, parse_context({}, NOW)) == [OPEN]
    # A place without gusts and one with them differ in the gust as well: neither fact changes the answer alone.
    assert set(open_facts(compiled, parse_context({}, NOW), 0)) == {"place", "wind_gust_mps"}


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(
    sizes=st.lists(st.integers(1, 3), min_size=1, max_size=3),
    data=st.data(),
)
def test_prime_implicants_are_all_the_largest_products_inside(sizes: list[int], data: Any) -> None:
    """Every product of class sets, by counting: those that lie inside and in no larger one that does."""
    everything = list(itertools.product(*(range(size) for size in sizes)))
    worlds = frozenset(data.draw(st.sets(st.sampled_from(everything))))
    subsets = [
        [chosen for count in range(1, size + 1) for chosen in itertools.combinations(range(size), count)]
        for size in sizes
    ]
    inside = [box for box in itertools.product(*subsets) if all(world in worlds for world in itertools.product(*box))]
    largest = [
        box
        for box in inside
        if not any(box != other and all(set(a) <= set(b) for a, b in zip(box, other, strict=True)) for other in inside)
    ]
    assert sorted(primes(worlds, sizes)) == sorted(largest)
