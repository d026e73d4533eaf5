"""Whether rules can hold, and whether one lies inside another, beside an enumeration of every world.

The enumeration shares no code with the search: it has its own reading of conditions, its own ranges and its own rule of
which facts mean something where. It is the definition, so there is no other source.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decision.read_by_hand import is_true
from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, CLEAR, compile_rules, statuses
from repairadvisor.decision.witnesses import ANY_MOMENT, Ranges, UndecidedError, surely, witness
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some

#: Facts of the vocabulary that the rules are made of, and under which places they mean something (None: everywhere).
PLACES = ("pole_top", "chamber", "dug_pit", "data_hall")
ELSEWHERE = ("customer_home", "footway_chamber")
WORDS = {"gas_test": ("none", "clear", "alarm"), "cable_spoilt": ("yes", "no")}
MEANT = {"gas_test": ("chamber", "footway_chamber"), "cable_spoilt": None, "spare_near_m": None, "margin_db": None}
NUMBERS = {"spare_near_m": (0.0, 2.0, 5.0), "margin_db": (-1.0, 0.5, 3.0)}
#: One number of each stretch between the limits, the ends of the range included.
SAMPLES = {"spare_near_m": (0.0, 1.0, 2.0, 3.0, 5.0, 9.0), "margin_db": (-5.0, -1.0, 0.0, 0.5, 1.0, 3.0, 30.0)}

Value = str | float | None


def worlds() -> Iterator[dict[str, Value]]:
    """Every world of the facts: a place, then a value for each fact that means something there."""
    names = [*WORDS, *NUMBERS]
    for place in (*PLACES, *ELSEWHERE):
        choices: list[tuple[Value, ...]] = []
        for name in names:
            meant = MEANT[name]
            if meant is not None and place not in meant:
                choices.append((None,))
            else:
                choices.append(WORDS[name] if name in WORDS else SAMPLES[name])
        for values in itertools.product(*choices):
            yield {"place": place, **dict(zip(names, values, strict=True))}


ALL_WORLDS = list(worlds())


def _of_words(name: str, words: tuple[str, ...]) -> st.SearchStrategy[Condition]:
    chosen = st.lists(st.sampled_from(words), min_size=1, max_size=3, unique=True)
    return chosen.map(lambda some: IsOneOf(name, tuple(word for word in words if word in some)))


def _of_numbers(name: str, limits: tuple[float, ...]) -> st.SearchStrategy[Condition]:
    kinds = st.sampled_from((Below, AtLeast))
    return st.tuples(kinds, st.sampled_from(limits)).map(lambda one: one[0](name, "a limit", one[1]))


COMPARISONS = st.one_of(
    _of_words("place", PLACES),
    *(_of_words(name, words) for name, words in WORDS.items()),
    *(_of_numbers(name, limits) for name, limits in NUMBERS.items()),
)
CONDITIONS = st.recursive(
    COMPARISONS,
    lambda inner: st.one_of(
        st.lists(inner, min_size=1, max_size=3).map(lambda parts: Every(tuple(parts))),
        st.lists(inner, min_size=1, max_size=3).map(lambda parts: Some(tuple(parts))),
        inner.map(Not),
    ),
    max_leaves=6,
)


RangesOf = Callable[..., Ranges]


@pytest.fixture(scope="module")
def ranges(rules: Rules) -> RangesOf:
    """The cells of all facts as some conditions cut them."""
    return lambda *conditions: Ranges(axes_of(rules.policy, conditions), rules.policy.derived)


@settings(max_examples=150, deadline=None)
@given(condition=CONDITIONS)
def test_a_rule_is_dead_if_it_holds_in_no_world(ranges: RangesOf, condition: Condition) -> None:
    found = witness(ranges(condition), [condition])
    assert (found is not None) == any(is_true(condition, world) for world in ALL_WORLDS)


@settings(max_examples=150, deadline=None)
@given(inner=CONDITIONS, outer=CONDITIONS)
def test_a_rule_lies_inside_another_if_it_does_so_in_every_world(
    ranges: RangesOf, inner: Condition, outer: Condition
) -> None:
    found = witness(ranges(inner, outer), [inner], [outer])
    alone = any(is_true(inner, world) and not is_true(outer, world) for world in ALL_WORLDS)
    assert (found is not None) == alone


@settings(max_examples=100, deadline=None)
@given(inner=CONDITIONS, outer=CONDITIONS)
def test_in_the_context_that_is_found_the_rules_surely_do_what_was_asked(
    ranges: RangesOf, inner: Condition, outer: Condition
) -> None:
    cut = ranges(inner, outer)
    found = witness(cut, [inner], [outer])
    if found is not None:
        asked = compile_rules([("inner", inner), ("outer", outer)], cut.axes, cut.derived)
        assert statuses(asked, found) == [BARRED, CLEAR]


@settings(max_examples=150, deadline=None)
@given(condition=CONDITIONS, data=st.data())
def test_what_part_of_a_world_settles_every_way_on_from_it_agrees_with(
    condition: Condition, data: st.DataObject
) -> None:
    world = data.draw(st.sampled_from(ALL_WORLDS))
    names = data.draw(st.sets(st.sampled_from(sorted(world))))
    part = {name: world[name] for name in names}
    settled = surely(condition, part)
    onward = {is_true(condition, one) for one in ALL_WORLDS if all(one[name] == part[name] for name in names)}
    if settled is not None:
        assert onward == {settled}


# --- sums: by arithmetic, with the ranges of the vocabulary -------------------------------------------------------
# A gust of 0 to 100 m/s less a plate's figure of 0 to 20 m/s, both out of doors only.

OVER = "gust_over_plate_mps"
ONE_OVER = AtLeast(OVER, "", 1.0)


@pytest.mark.parametrize(
    ("conditions", "possible"),
    [
        ((ONE_OVER,), True),
        ((AtLeast(OVER, "", 100.0),), True),  # 100 over a plate of 0
        ((AtLeast(OVER, "", 100.5),), False),
        ((Below(OVER, "", -20.0),), False),
        ((Below(OVER, "", -19.5),), True),
        ((ONE_OVER, Below("wind_gust_mps", "", 1.0)), False),
        ((ONE_OVER, Below("wind_gust_mps", "", 1.5)), True),
        ((ONE_OVER, AtLeast("platform_wind_limit_mps", "", 15.0), Below("wind_gust_mps", "", 15.5)), False),
        ((ONE_OVER, IsOneOf("place", ("data_hall",))), False),
    ],
)
def test_a_sum_is_held_against_the_numbers_it_is_made_of(
    ranges: RangesOf, conditions: tuple[Condition, ...], possible: bool
) -> None:
    cut = ranges(*conditions)
    found = witness(cut, conditions)
    assert (found is not None) is possible
    if found is not None:
        asked = compile_rules([(str(i), one) for i, one in enumerate(conditions)], cut.axes, cut.derived)
        assert set(statuses(asked, found)) == {BARRED}


def test_what_is_too_entangled_is_left_undecided_and_not_called_dead(
    ranges: RangesOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("repairadvisor.decision.witnesses.MOST_BRANCHES", 3)
    condition = Every((IsOneOf("place", ("dug_pit",)), IsOneOf("cable_spoilt", ("no",)), Below("margin_db", "", 0.0)))
    with pytest.raises(UndecidedError):
        witness(ranges(condition), [condition], [IsOneOf("lightning", ("none", "distant"))])


def test_a_number_at_the_end_of_its_range_is_not_below_it(ranges: RangesOf) -> None:
    """Nobody has less than no spare: such a rule bars nothing, though cuts lie close to the end."""
    below_nothing, close = Below("spare_near_m", "", 0.0), Below("spare_near_m", "", 0.25)
    cut = ranges(below_nothing, close)
    asked = compile_rules([("below nothing", below_nothing)], cut.axes, cut.derived)
    assert statuses(asked, parse_context({"spare_near_m": 0.0}, ANY_MOMENT)) == [CLEAR]
    assert witness(cut, [below_nothing]) is None
