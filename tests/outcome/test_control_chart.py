"""Run lengths of the chart against published ones, a Markov chain that shares no code, and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel
from repairadvisor.outcome.control_chart import LOWER, UPPER, Cusum, Signal, chart
from repairadvisor.outcome.reading_law import ReadingScores, clean_chances, failed_chances, noisy

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
    running = Cusum(0.5, interval)
    while True:
        for score in rng.normal(shift, 1.0, 64).tolist():
            if running.add(score)[1]:
                return running.count


def test_by_hand():
    # Allowance 0.5: upper 0.5, 2, 3.5, 5, 6.5 after five scores of 1, 2, 2, 2, 2; it passes 5 at the fifth.
    found = chart([0.0, 1.0, 2.0, 2.0, 2.0, 2.0, 0.0], 0.5, 5.0)
    assert found.upper == (0.0, 0.5, 2.0, 3.5, 5.0, 6.5, 0.0)
    assert found.signals == (Signal(5, UPPER, 1, 9.0 / 5.0),)
    assert chart([0.0, -1.0, -2.0, -2.0, -2.0, -2.0], 0.5, 5.0).signals == (Signal(5, LOWER, 1, -9.0 / 5.0),)


@given(st.lists(st.floats(-3.7, 3.7), max_size=60))
def test_both_sides_mirror_each_other(scores):
    there, back = chart(scores), chart([-one for one in scores])
    assert there.upper == back.lower
    assert [one.at for one in there.signals] == [one.at for one in back.signals]
    for signal in there.signals:
        assert 0 <= signal.since <= signal.at


@given(st.lists(st.floats(-3.7, 3.7), max_size=60), st.floats(0.0, 2.0), st.floats(1.0, 20.0))
def test_the_mean_since_is_the_mean_of_the_scores_since(scores, allowance, interval):
    for signal in chart(scores, allowance, interval).signals:
        wanted = float(np.mean(scores[signal.since : signal.at + 1]))
        assert signal.mean_score == pytest.approx(wanted, abs=1e-9)
        assert (signal.mean_score > allowance) if signal.side == UPPER else (signal.mean_score < -allowance)


MODEL = LossModel(0.02, (0.03, 0.05), 0.02, 0.4)


@pytest.fixture(scope="module")
def as_read():
    """Scores of readings of joints that fail twice in a hundred, with a noise of 0.02 dB."""
    return ReadingScores(noisy(0.98 * clean_chances(MODEL) + 0.02 * failed_chances(MODEL), 0.02))


def _read(rng, count):
    """By numpy, sharing no code."""
    clean = 0.02 + rng.exponential(0.03, count) + rng.exponential(0.05, count)
    loss = np.where(rng.random(count) < 0.02, 0.02 + rng.exponential(0.4, count), clean)
    return np.rint((loss + rng.normal(0.0, 0.02, count)) * 100.0).astype(int)


def test_readings_that_come_from_their_distribution_score_standard_normal(as_read):
    scores = np.array([as_read.exact(one) for one in _read(np.random.default_rng(5), 20_000).tolist()])
    assert abs(scores.mean()) < 4.0 / np.sqrt(20_000)
    # hundredths take a little off the spread: a bin at the median holds about a twelfth of all readings
    assert 1.0 - 0.03 < scores.var() < 1.0 + 4.0 * np.sqrt(2.0 / 20_000)
    assert as_read.exact(-1000) == pytest.approx(-3.719, abs=0.001)
    assert as_read.exact(5000) == pytest.approx(3.719, abs=0.001)


def test_bounds_score_half_of_what_they_leave_open(as_read):
    """Their mean stays nothing, and a bound never says more than the reading that it hides."""
    read = _read(np.random.default_rng(6), 20_000).tolist()
    scores = np.array(
        [as_read.below(5) if one <= 5 else as_read.above(30) if one > 30 else as_read.exact(one) for one in read]
    )
    assert abs(scores.mean()) < 0.03
    assert scores.var() < 1.0 + 4.0 * np.sqrt(2.0 / 20_000)
    assert as_read.exact(-20) < as_read.below(5) < as_read.exact(5)
    assert as_read.exact(31) < as_read.above(30) < as_read.exact(200)


@given(st.integers(-300, 900), st.integers(-300, 900))
def test_who_loses_more_never_scores_less(as_read, one, other):
    low, high = sorted((one, other))
    assert as_read.exact(low) <= as_read.exact(high)
    assert as_read.below(low) <= as_read.below(high)
    assert as_read.above(low) <= as_read.above(high)


@pytest.mark.parametrize(("allowance", "interval"), [(-0.1, 5.0), (0.5, 0.9), (0.5, 21.0), (float("nan"), 5.0)])
def test_what_is_out_of_range_is_refused(allowance, interval):
    with pytest.raises(OpticsError, match=r"allowance|decision interval"):
        chart([0.0], allowance, interval)
