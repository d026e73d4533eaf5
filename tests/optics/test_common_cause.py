"""When bad joints in a row are one thing."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.common_cause import (
    bad_results_to_look_for_cause,
    chance_of_common_cause,
    failing_without,
    failure_chances,
)


@settings(deadline=None)
@given(st.integers(0, 100), st.integers(1, 100), st.integers(1, 100), st.integers(0, 8))
def test_the_chance_is_bayes_rule_in_exact_fractions(prior, bad_if_cause, bad_if_none, bad):
    p, b, q = Fraction(prior, 100), Fraction(bad_if_cause, 100), Fraction(bad_if_none, 100)
    exact = p * b**bad / (p * b**bad + (1 - p) * q**bad)
    assert chance_of_common_cause(prior / 100, bad_if_cause / 100, bad_if_none / 100, bad) == pytest.approx(
        float(exact)
    )


@settings(deadline=None)
@given(st.floats(0.01, 0.5), st.floats(0.5, 0.95), st.floats(0.01, 0.4), st.integers(0, 10))
def test_each_bad_result_makes_a_cause_likelier(prior, bad_if_cause, bad_if_none, bad):
    before = chance_of_common_cause(prior, bad_if_cause, bad_if_none, bad)
    assert chance_of_common_cause(prior, bad_if_cause, bad_if_none, bad + 1) >= before


def test_after_how_many_one_looks_for_it():
    # Prior 1 in 20, bad 0.9 with a cause and 0.15 without: 0.24 after one, 0.65 after two, 0.92 after three.
    assert bad_results_to_look_for_cause(0.05, 0.9, 0.15, 0.5) == 2
    assert bad_results_to_look_for_cause(0.05, 0.9, 0.15, 0.9) == 3
    assert bad_results_to_look_for_cause(0.05, 0.9, 0.15, 0.04) == 0


def test_a_sample_of_crews_agrees_within_four_standard_errors():
    rng = np.random.default_rng(29)
    cause = rng.random(400_000) < 0.05
    bad = (rng.random((400_000, 3)) < np.where(cause, 0.9, 0.15)[:, None]).all(1)
    expected = chance_of_common_cause(0.05, 0.9, 0.15, 3)
    assert abs(cause[bad].mean() - expected) < 4 * np.sqrt(expected * (1 - expected) / bad.sum())


def test_after_a_failure_the_next_attempt_fails_oftener():
    # By hand: calibrated 0.03, cause 0.003, failing 0.8 with it: without it 0.0276 / 0.997.
    first, second, third = failure_chances(0.03, 0.003, 0.8, 3)
    without = 0.0276 / 0.997
    assert first == pytest.approx(0.03)
    cause = 0.003 * 0.8 / 0.03
    assert second == pytest.approx(cause * 0.8 + (1 - cause) * without)
    cause = 0.003 * 0.8**2 / (0.003 * 0.8**2 + 0.997 * without**2)
    assert third == pytest.approx(cause * 0.8 + (1 - cause) * without)
    assert failure_chances(0.0, 0.0, 0.8, 3) == (0.0, 0.0, 0.0)


def test_crews_that_failed_twice_fail_a_third_time_as_often_as_is_said():
    rng = np.random.default_rng(41)
    cause = rng.random(2_000_000) < 0.02
    fails = rng.random((2_000_000, 3)) < np.where(cause, 0.7, failing_without(0.1, 0.02, 0.7))[:, None]
    twice = fails[:, 0] & fails[:, 1]
    expected = failure_chances(0.1, 0.02, 0.7, 3)[2]
    assert abs(fails[twice, 2].mean() - expected) < 4 * np.sqrt(expected * (1 - expected) / twice.sum())


@pytest.mark.parametrize(
    "call",
    [
        lambda: chance_of_common_cause(1.5, 0.9, 0.1, 1),
        lambda: chance_of_common_cause(0.0, 0.9, 0.0, 1),
        lambda: chance_of_common_cause(0.1, 0.9, 0.1, -1),
        lambda: bad_results_to_look_for_cause(0.05, 0.1, 0.15, 0.5),
        lambda: failure_chances(0.03, 0.05, 0.8, 3),
        lambda: failure_chances(0.03, 0.003, 0.8, 0),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
