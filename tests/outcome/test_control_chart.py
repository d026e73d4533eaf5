"""Run lengths of the chart against published ones, a Markov chain that shares no code, and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.outcome.control_chart import LOWER, UPPER, Signal, chart, normal_score

#: Average run lengths of the two-sided tabular CUSUM, k = 0.5: by h and shift in standard deviations. Montgomery,
#: Introduction to Statistical Quality Control, table of CUSUM run lengths; from memory.
PUBLISHED = {(4.0, 0.0): 168.0, (5.0, 0.0): 465.0, (4.0, 1.0): 8.38, (5.0, 1.0): 10.4}


def one_sided(interval, shift, states=400, allowance=0.5):
    """Average run length of a one-sided CUSUM by the Markov chain of D. Brook and D. A. Evans, "An approach to the
    probability distribution of CUSUM run length", Biometrika 59, 1972 (from memory)."""
    width = 2.0 * interval / (2 * states - 1)
    middles = np.arange(states) * width
    step = middles[np.newaxis, :] - middles[:, np.newaxis] + allowance - shift
    chances = norm.cdf(step + width / 2) - norm.cdf(step - width / 2)
    chances[:, 0] = norm.cdf(-middles + width / 2 + allowance - shift)
    return float(np.linalg.solve(np.eye(states) - chances, np.ones(states))[0])


def two_sided(interval, shift):
    """Both sides together, where one that is above nothing finds the other at nothing when it signals."""
    return 1.0 / (1.0 / one_sided(interval, shift) + 1.0 / one_sided(interval, -shift))


@pytest.mark.parametrize(("interval", "shift"), PUBLISHED)
def test_the_markov_chain_finds_the_published_run_lengths(interval, shift):
    assert two_sided(interval, shift) == pytest.approx(PUBLISHED[interval, shift], rel=0.005)


@pytest.mark.long
@pytest.mark.parametrize(("interval", "shift"), PUBLISHED)
def test_run_lengths_are_those_of_the_markov_chain(interval, shift, share):
    runs = share(20_000, 400, 20310504)
    rng = np.random.default_rng([20310504, int(interval), int(shift)])
    lengths = np.array([_run_length(rng, interval, shift) for _ in range(runs)])
    error = lengths.std() / np.sqrt(runs)
    assert abs(lengths.mean() - two_sided(interval, shift)) < 4.0 * error


def _run_length(rng, interval, shift):
    scores = []
    while not (found := chart(scores, 0.5, interval).signals):
        scores += rng.normal(shift, 1.0, max(50, len(scores))).tolist()
    return found[0].at + 1


def test_by_hand():
    # Allowance 0.5: upper 0.5, 2, 3.5, 5, 6.5 after five scores of 1, 2, 2, 2, 2; it passes 5 at the fifth.
    found = chart([0.0, 1.0, 2.0, 2.0, 2.0, 2.0, 0.0], 0.5, 5.0)
    assert found.upper == (0.0, 0.5, 2.0, 3.5, 5.0, 6.5, 0.0)
    assert found.signals == (Signal(5, UPPER, 1),)
    assert chart([0.0, -1.0, -2.0, -2.0, -2.0, -2.0], 0.5, 5.0).signals == (Signal(5, LOWER, 1),)


@given(st.lists(st.floats(-3.7, 3.7), max_size=60))
def test_both_sides_mirror_each_other(scores):
    there, back = chart(scores), chart([-one for one in scores])
    assert there.upper == back.lower
    assert [one.at for one in there.signals] == [one.at for one in back.signals]
    for signal in there.signals:
        assert 0 <= signal.since <= signal.at


def test_losses_that_come_from_their_distribution_score_standard_normal():
    model = LossModel(0.02, (0.03, 0.05), 0.02, 0.4)
    table = compile_sum([model])
    rng = np.random.default_rng(5)
    clean = 0.02 + rng.exponential(0.03, 20_000) + rng.exponential(0.05, 20_000)
    loss = np.where(rng.random(20_000) < 0.02, 0.02 + rng.exponential(0.4, 20_000), clean)
    scores = np.array([normal_score(float(one), table) for one in loss])
    assert abs(scores.mean()) < 4.0 / np.sqrt(20_000)
    assert abs(scores.var() - 1.0) < 4.0 * np.sqrt(2.0 / 20_000)
    assert normal_score(table.p50_db, table) == pytest.approx(0.0, abs=0.01)
    assert normal_score(-1.0, table) == pytest.approx(-3.719, abs=0.001)
    assert normal_score(50.0, table) == pytest.approx(3.719, abs=0.001)


@pytest.mark.parametrize(("allowance", "interval"), [(-0.1, 5.0), (0.5, 0.9), (0.5, 21.0), (float("nan"), 5.0)])
def test_what_is_out_of_range_is_refused(allowance, interval):
    with pytest.raises(OpticsError, match=r"allowance|decision interval"):
        chart([0.0], allowance, interval)
