"""Many fibres and many wavelengths at once."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import compile_sum
from repairadvisor.optics.many_fibres import (
    chance_all_within,
    chance_all_within_each,
    chance_ribbon_within,
    joint_chance_bounds,
    worst_of_loss_db,
)

from .printed import assert_printed
from .workmanship_sets import single_mode

CHANCES = st.floats(0.0, 1.0)


def test_p3_05_a_ribbon_of_twelve():
    # Median of the worst fibre; chance that all keep 0.3 and 0.2 dB. Hypoexponential, to the twelfth power.
    table = compile_sum([single_mode("ribbon fusion")], tolerance=1e-8)
    assert_printed(worst_of_loss_db(table, 12, 0.5), "0.200036")
    assert_printed(chance_all_within(table.chance_above(0.3), 12), "0.882040")
    assert_printed(chance_all_within(table.chance_above(0.2), 12), "0.499783")


@settings(deadline=None)
@given(st.integers(0, 1000), st.integers(0, 300))
def test_the_power_agrees_with_exact_fractions(thousandths, fibres):
    exact = (1 - Fraction(thousandths, 1000)) ** fibres
    assert chance_all_within(thousandths / 1000, fibres) == pytest.approx(float(exact), rel=1e-12, abs=1e-300)


@settings(deadline=None)
@given(CHANCES, st.integers(0, 288))
def test_one_more_fibre_never_helps(chance, fibres):
    assert 0.0 <= chance_all_within(chance, fibres + 1) <= chance_all_within(chance, fibres) <= 1.0


@settings(deadline=None)
@given(CHANCES, st.integers(1, 24), CHANCES, CHANCES)
def test_a_ribbon_lies_between_its_clean_and_its_failed_self(clean_above, fibres, failure, failed_above):
    whole = chance_ribbon_within(clean_above, fibres, failure, failed_above)
    ends = sorted((chance_all_within(clean_above, fibres), 1.0 - failed_above))
    assert ends[0] - 1e-12 <= whole <= ends[1] + 1e-12


def test_ribbons_sampled_fibre_by_fibre_agree_within_four_standard_errors():
    rng = np.random.default_rng(5)
    count = 200_000
    failed = rng.random(count) < 0.03
    clean = rng.exponential(0.05, (count, 12)).max(1) <= 0.25
    within = np.where(failed, rng.exponential(0.5, count) <= 0.25, clean)
    expected = chance_ribbon_within(np.exp(-0.25 / 0.05), 12, 0.03, np.exp(-0.25 / 0.5))
    assert abs(within.mean() - expected) < 4 * np.sqrt(expected * (1 - expected) / count)


def test_the_worst_of_more_fibres_is_worse_and_of_one_is_the_quantile_itself():
    table = compile_sum([single_mode("ribbon fusion")])
    assert worst_of_loss_db(table, 1, 0.95) == pytest.approx(table.p95_db, rel=5e-4)
    assert worst_of_loss_db(table, 24, 0.95) > worst_of_loss_db(table, 12, 0.95) > table.p95_db


@settings(deadline=None)
@given(st.lists(CHANCES, min_size=1, max_size=4))
def test_the_bounds_hold_whether_wavelengths_share_all_or_nothing(misses):
    low, high = joint_chance_bounds(misses)
    together, apart = 1.0 - max(misses), 1.0
    for miss in misses:
        apart *= 1.0 - miss
    assert 0.0 <= low <= high <= 1.0
    assert low - 1e-12 <= apart <= high + 1e-12
    assert low - 1e-12 <= together <= high


def test_the_bounds_are_reached():
    # Misses that never coincide, and misses that always do.
    assert joint_chance_bounds([0.1, 0.2]) == pytest.approx((0.7, 0.8))
    assert joint_chance_bounds([0.7, 0.6]) == pytest.approx((0.0, 0.3))
    assert joint_chance_bounds([]) == (1.0, 1.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: chance_all_within(-0.1, 2),
        lambda: chance_all_within(0.1, -1),
        lambda: chance_ribbon_within(0.1, 12, 1.1, 0.5),
        lambda: worst_of_loss_db(compile_sum([]), 0, 0.5),
        lambda: joint_chance_bounds([0.1, 1.2]),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()


@given(chances=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6), fibres=st.integers(0, 10_000))
def test_many_chances_at_once_are_those_of_each_alone_in_every_bit(chances: list[float], fibres: int) -> None:
    found = chance_all_within_each(np.array(chances), fibres)
    assert found.tolist() == [chance_all_within(chance, fibres) for chance in chances]


@pytest.mark.parametrize("chances", [[0.1, 1.1], [-0.1, 0.5]])
def test_a_chance_among_many_that_is_none_is_refused(chances: list[float]) -> None:
    with pytest.raises(OpticsError):
        chance_all_within_each(np.array(chances), 3)
