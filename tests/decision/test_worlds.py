"""How likely worlds are: sums of even stretches, priors conditioned on what is known, elimination."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decision.small_policy import NOW, Small, small_rules
from repairadvisor.decision.elimination import Elimination
from repairadvisor.decision.expectation import Expectation
from repairadvisor.decision.masses import chance_sum_below
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.worlds import Worlds
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import Below, Condition

# --- sums of even stretches --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "at", "chance"),
    [
        (1, 0.25, 1 / 4),
        (2, 1.0, 1 / 2),
        (2, 0.5, 1 / 8),
        (3, 1.0, 1 / 6),
        (3, 1.5, 1 / 2),
        (3, 2.0, 5 / 6),
        (4, 1.0, 1 / 24),
        (4, 2.0, 1 / 2),
        (4, 3.0, 23 / 24),
        (5, 2.5, 1 / 2),
    ],
)
def test_sums_of_stretches_of_one_are_distributed_as_irwin_and_hall_say(count: int, at: float, chance: float) -> None:
    """J. O. Irwin and P. Hall, Biometrika 19 (1927): the sum of n numbers even between 0 and 1; from memory."""
    assert chance_sum_below(at, [1.0] * count) == pytest.approx(chance, abs=1e-12)


@pytest.mark.parametrize("scale", [0.01, 3.0, 500.0])
def test_the_unit_in_which_stretches_are_measured_does_not_matter(scale: float) -> None:
    assert chance_sum_below(1.5 * scale, [scale] * 3) == pytest.approx(0.5, abs=1e-12)


def test_below_the_least_and_above_the_greatest_sum() -> None:
    assert chance_sum_below(0.0, [1.0, 2.0]) == 0.0
    assert chance_sum_below(-1.0, [1.0]) == 0.0
    assert chance_sum_below(3.0, [1.0, 2.0]) == 1.0
    assert chance_sum_below(0.5, []) == 1.0
    assert chance_sum_below(0.0, []) == 0.0


WIDTHS = st.lists(st.integers(1, 6).map(float), min_size=1, max_size=4)


@settings(max_examples=60, derandomize=True, deadline=None, database=None)
@given(widths=WIDTHS, at=st.integers(0, 96))
def test_a_sum_of_stretches_is_what_counting_small_cubes_gives(widths: list[float], at: int) -> None:
    """Each stretch in pieces: in some cubes the sum lies surely below, in others perhaps, in the rest never."""
    pieces = 6
    x = sum(widths) * at / 96.0
    corners = itertools.product(*(range(pieces) for _ in widths))
    sums = [sum(width * i / pieces for width, i in zip(widths, corner, strict=True)) for corner in corners]
    step = sum(widths) / pieces
    surely = sum(low + step <= x + 1e-9 for low in sums) / len(sums)
    perhaps = sum(low < x - 1e-9 for low in sums) / len(sums)
    assert surely - 1e-9 <= chance_sum_below(x, widths) <= perhaps + 1e-9


@settings(max_examples=60, derandomize=True, deadline=None, database=None)
@given(widths=WIDTHS, at=st.floats(0.0, 1.0))
def test_a_sum_of_stretches_is_as_likely_below_as_its_mirror_image_is_above(widths: list[float], at: float) -> None:
    total = sum(widths)
    below, above = chance_sum_below(at * total, widths), 1.0 - chance_sum_below(total - at * total, widths)
    assert below == pytest.approx(above, abs=1e-9)


# --- elimination -------------------------------------------------------------------------------------------------

NAMES = ("a", "b", "c", "d", "e")
Made = tuple[dict[str, int], list[tuple[tuple[str, ...], np.ndarray]]]


@st.composite
def _factors(draw: st.DrawFn) -> Made:
    sizes = {name: draw(st.integers(1, 3)) for name in NAMES}
    made = []
    for _ in range(draw(st.integers(1, 6))):
        names = tuple(draw(st.lists(st.sampled_from(NAMES), max_size=3, unique=True)))
        shape = [sizes[name] for name in names]
        count = math.prod(shape)
        values = draw(st.lists(st.integers(-3, 5).map(float), min_size=count, max_size=count))
        made.append((names, np.array(values).reshape(shape)))
    return sizes, made


def _by_worlds(made: Made) -> tuple[float, dict[str, list[float]]]:
    """The sum over every world, and the same with each fact held at each of its cells."""
    sizes, factors = made
    named = [name for name in NAMES if any(name in names for names, _ in factors)]
    total, held = 0.0, {name: [0.0] * sizes[name] for name in named}
    for cells in itertools.product(*(range(sizes[name]) for name in named)):
        world = dict(zip(named, cells, strict=True))
        product = 1.0
        for names, values in factors:
            product *= float(values[tuple(world[name] for name in names)])
        total += product
        for name in named:
            held[name][world[name]] += product
    return total, held


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(made=_factors(), order=st.permutations(NAMES))
def test_elimination_in_any_order_is_the_sum_over_all_worlds(made: Made, order: list[str]) -> None:
    wanted, held = _by_worlds(made)
    elimination = Elimination(order)
    factors = [elimination.factor(names, values) for names, values in made[1]]
    assert elimination.total(factors) == pytest.approx(wanted, rel=1e-12, abs=1e-9)
    # Asked again it answers the same, from what it remembers.
    assert elimination.total(list(reversed(factors))) == elimination.total(factors)
    # Backwards: what it comes to with each fact held at each of its cells, also where some cells are worth nothing.
    shares = elimination.shares(factors)
    assert set(shares.names) == set(held)
    for name, wanted_cells in held.items():
        assert shares.margin(name) == pytest.approx(wanted_cells, rel=1e-12, abs=1e-9)


# --- priors ------------------------------------------------------------------------------------------------------

PRIORS = Small(
    priors={
        "place": {"foot_of_pole_box": 0.5, "chamber": 0.25, "wall_box": 0.25},
        "gas_test": {"none": 0.5, "clear": 0.4, "alarm": 0.1},
        "crew_count": [(0.0, 2.0, 0.25), (2.0, 20.0, 0.75)],
    },
    by_parent={
        "spare_near_m": (
            "place",
            {
                "foot_of_pole_box": [(0.0, 10.0, 0.8), (10.0, 500.0, 0.2)],
                "chamber": [(0.0, 10.0, 0.2), (10.0, 500.0, 0.8)],
                "wall_box": [(0.0, 5.0, 0.5), (5.0, 500.0, 0.5)],
            },
        )
    },
    prices=(),
    screens=(),
)
IN_TWO_AND_FOUR = (Below("spare_near_m", "a limit", 2.0), Below("spare_near_m", "a limit", 4.0))


@pytest.fixture(scope="module")
def small(rules: Rules) -> Rules:
    return small_rules(rules, PRIORS)


def _chances(small: Rules, name: str, cuts: tuple[Condition, ...] = (), **told: Any) -> Mapping[str, float]:
    """The chance of each cell of a fact: by its word, or by its least number; "" where it has no meaning."""
    worlds = Worlds(small.compiled, small.policy.facts, parse_context(told, NOW), small.order, cuts, {})
    axis = worlds.axis(name)
    expectation = Expectation(worlds, ())
    shares = [1.0] if worlds.settled(name) else expectation.chances(name)
    found = {}
    for i, (cell, share) in enumerate(zip(worlds.cells(name), shares, strict=True)):
        alone = worlds.factor_of((name,), np.eye(len(shares))[i])
        assert expectation.product([alone]).value == pytest.approx(float(share), abs=1e-12)
        label = "" if cell == axis.meant else axis.words[cell] if axis.words else f"{worlds.stretch(name, cell)[0]:g}"
        if share > 0.0:
            found[label] = share
    return found


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(made=_factors(), more=_factors(), order=st.permutations(NAMES))
def test_sums_with_a_fact_held_are_the_sum_over_the_worlds_in_which_it_is_so(
    made: Made, more: Made, order: list[str]
) -> None:
    """The product of some factors times the sum of others; those others may tie facts that no factor ties."""
    sizes, factors = made
    named = {name for names, _ in factors for name in names}
    addends = [
        (names, np.resize(values, [sizes[name] for name in names]))
        for names, values in more[1]
        if names and set(names) <= named
    ]
    wanted = {name: [0.0] * sizes[name] for name in named}
    for cells in itertools.product(*(range(sizes[name]) for name in NAMES)):
        world = dict(zip(NAMES, cells, strict=True))
        if any(world[name] for name in NAMES if name not in named):
            continue
        product = math.prod(float(values[tuple(world[name] for name in names)]) for names, values in factors)
        added = sum(float(values[tuple(world[name] for name in names)]) for names, values in addends)
        for name in named:
            wanted[name][world[name]] += product * added
    elimination = Elimination(order)
    found = elimination.sums_held(
        [elimination.factor(names, values) for names, values in factors],
        [elimination.factor(names, values) for names, values in addends],
    )
    for name in named:
        assert found[name] == pytest.approx(wanted[name], rel=1e-12, abs=1e-9)


def test_a_prior_of_words_left_alone(small: Rules) -> None:
    assert _chances(small, "place") == pytest.approx({"foot_of_pole_box": 0.5, "chamber": 0.25, "wall_box": 0.25})


def test_a_bounded_word_is_its_prior_conditioned_on_the_bound(small: Rules) -> None:
    told = {"one_of": ["chamber", "foot_of_pole_box"]}
    assert _chances(small, "place", place=told) == pytest.approx({"foot_of_pole_box": 2 / 3, "chamber": 1 / 3})


def test_a_fact_has_no_meaning_as_often_as_its_place_gives_it_none(small: Rules) -> None:
    assert _chances(small, "gas_test") == pytest.approx({"": 0.75, "none": 0.125, "clear": 0.1, "alarm": 0.025})


def test_a_bounded_number_is_its_prior_conditioned_on_the_bound(small: Rules) -> None:
    """0.8 even over ten metres: from 1 to 5 the mass lies evenly, a quarter each metre."""
    told = {"place": "foot_of_pole_box", "spare_near_m": {"between": [1, 5]}}
    assert _chances(small, "spare_near_m", IN_TWO_AND_FOUR, **told) == pytest.approx({"1": 0.25, "2": 0.5, "4": 0.25})


def test_a_bound_over_two_stretches_weighs_each_by_its_mass(small: Rules) -> None:
    """5 to 10 holds half of 0.8, 10 to 255 half of 0.2."""
    told = {"place": "foot_of_pole_box", "spare_near_m": {"between": [5, 255]}}
    assert _chances(small, "spare_near_m", **told) == pytest.approx({"5": 0.8, "10": 0.2})


def test_a_number_that_was_read_tells_of_the_place(small: Rules) -> None:
    """Three metres: 0.08 a metre at the box, 0.02 in the chamber; before, 2 to 1."""
    told = {"place": {"one_of": ["foot_of_pole_box", "chamber"]}, "spare_near_m": 3}
    assert _chances(small, "place", **told) == pytest.approx({"foot_of_pole_box": 8 / 9, "chamber": 1 / 9})


def test_a_number_that_was_read_tells_by_how_closely_it_was_expected(small: Rules) -> None:
    """Three metres: 0.8 over ten metres at the box, 0.5 over five on the wall: 0.08 to 0.1; before, 2 to 1."""
    told = {"place": {"one_of": ["foot_of_pole_box", "wall_box"]}, "spare_near_m": 3}
    assert _chances(small, "place", **told) == pytest.approx({"foot_of_pole_box": 8 / 13, "wall_box": 5 / 13})


def test_a_bound_on_a_number_tells_of_the_place_by_its_mass(small: Rules) -> None:
    """Ten metres and more: 0.2 at the box, 0.8 in the chamber; before, 2 to 1."""
    told = {"place": {"one_of": ["foot_of_pole_box", "chamber"]}, "spare_near_m": {"between": [10, 500]}}
    assert _chances(small, "place", **told) == pytest.approx({"foot_of_pole_box": 1 / 3, "chamber": 2 / 3})


def test_whole_numbers_are_counted_and_the_last_of_all_belongs_to_the_last_stretch(small: Rules) -> None:
    """0 and 1 share a quarter; 2 to 20 are nineteen numbers."""
    limits = tuple(Below("crew_count", "a limit", float(one)) for one in (1, 2, 3, 20))
    found = _chances(small, "crew_count", limits)
    each = 0.75 / 19
    assert found == pytest.approx({"0": 0.125, "1": 0.125, "2": each, "3": 17 * each, "20": each})


def test_a_bounded_whole_number_counts_both_its_ends(small: Rules) -> None:
    limit = (Below("crew_count", "a limit", 3.0),)
    found = _chances(small, "crew_count", limit, crew_count={"between": [1, 3]})
    each = 0.75 / 19
    masses = {"1": 0.125, "2": each, "3": each}
    total = sum(masses.values())
    assert found == pytest.approx({name: mass / total for name, mass in masses.items()})


@pytest.mark.parametrize(
    ("spare", "gap", "share_below_nothing"),
    [
        ({"between": [0, 10]}, {"between": [0, 20]}, 0.5),  # a spare of 0 to 10, half a gap of 0 to 20
        ({"between": [0, 5]}, {"between": [0, 20]}, 0.75),
        ({"between": [2, 10]}, 8, 0.25),
        (3, 4, 0.0),
        (1, 4, 1.0),
    ],
)
def test_a_sum_of_facts_lies_below_a_limit_as_often_as_areas_say(
    rules: Rules, spare: Any, gap: Any, share_below_nothing: float
) -> None:
    """Spare at the break less half of what is missing, all even: the area under a line in a rectangle."""
    small = Small(
        priors={
            "spare_near_m": [(0.0, 500.0, 1.0)],
            "cut_back_near_m": [(0.0, 50.0, 1.0)],
            "gap_m": [(0.0, 2000.0, 1.0)],
        },
        prices=(),
        screens=(),
    )
    name = "spare_at_break_near_m"
    limit = (Below(name, "nothing", 0.0),)
    told = {"fault_seen": "cut", "spare_near_m": spare, "gap_m": gap, "cut_back_near_m": 0}
    made = small_rules(rules, small)
    worlds = Worlds(made.compiled, made.policy.facts, parse_context(told, NOW), made.order, limit, {})
    cells = worlds.cells(name)
    if len(cells) == 1:
        assert (cells[0] == 0) == (share_below_nothing == 1.0)
        return
    assert Expectation(worlds, ()).chances(name)[0] == pytest.approx(share_below_nothing, abs=1e-12)
