"""The scale of workmanship from records: coverage by simulation, a known conjugate case, and what would bias it."""

import math

import numpy as np
import pytest
from scipy import stats

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel
from repairadvisor.outcome.calibration import SCALES, Likelihood, Readings, posterior, prior, scaled

MODEL = LossModel(0.02, (0.03, 0.02), 0.02, 0.4)
NOISE_DB = 0.02
WEIGHT = 25.0
SEED = 20310504


@pytest.fixture(scope="module")
def likelihood():
    return Likelihood(MODEL, NOISE_DB)


def drawn(rng, scale, count):
    """Readings of joints at a scale: offset and tilt, a failure now and then, noise; by numpy, sharing no code."""
    loss = 0.02 + rng.exponential(0.03 * scale**2, count) + rng.exponential(0.02 * scale**2, count)
    failed = rng.random(count) < 0.02
    loss = np.where(failed, 0.02 + rng.exponential(0.4, count), loss)
    return np.rint((loss + rng.normal(0.0, NOISE_DB, count)) * 100.0).astype(int)


def counted(hundredths):
    values, counts = np.unique(hundredths, return_counts=True)
    return dict(zip(values.tolist(), counts.tolist(), strict=True))


def exact(hundredths):
    return Readings(counted(hundredths), {}, {})


def censored(hundredths):
    """What an instrument shows that reads nothing below 0.03 dB and nothing beyond 0.5 dB."""
    low, high = hundredths <= 3, hundredths > 50
    return Readings(counted(hundredths[~low & ~high]), {3: int(low.sum())}, {50: int(high.sum())})


@pytest.mark.long
@pytest.mark.parametrize("size", [50, 500, 5000])
@pytest.mark.parametrize("seen", [exact, censored])
def test_intervals_cover_as_often_as_they_say(likelihood, size, seen, share):
    """The truth is drawn from the prior: 95 % intervals hold it 95 times of 100 (Bayes' rule)."""
    runs = share(2000, 60, SEED)
    rng = np.random.default_rng([SEED, size, seen is censored])
    before = prior(WEIGHT)
    held = 0
    for _ in range(runs):
        scale = float(rng.choice(SCALES, p=before)) * 2.0 ** (rng.uniform(-0.5, 0.5) / 60.0)
        low, high = posterior(likelihood, seen(drawn(rng, scale, size)), before).interval()
        held += low <= scale <= high
    error = 0.02 if runs == 2000 else 4.0 * math.sqrt(0.95 * 0.05 / runs)
    assert abs(held / runs - 0.95) <= error


def test_one_exponential_without_noise_is_the_conjugate_case():
    """Loss exponential of mean 0.2 s²: the likelihood of s² after n losses of sum S is s^(-2n) exp(-S / (0.2 s²))."""
    readings = {2: 7, 10: 9, 25: 8, 41: 6}
    total = sum(0.01 * value * count for value, count in readings.items())
    n = sum(readings.values())
    squares = np.array(SCALES) ** 2
    weights = np.array(prior(4.0)) * squares**-n * np.exp(-total / (0.2 * squares))
    wanted = weights / weights.sum()
    got = posterior(Likelihood(LossModel(0.0, (0.2,), 0.0), 0.0), Readings(readings, {}, {}), prior(4.0))
    assert got.chances == pytest.approx(wanted.tolist(), abs=2e-4)
    assert got.mean == pytest.approx(float((wanted * SCALES).sum()), abs=2e-4)


def test_learning_from_the_last_attempts_alone_makes_joints_look_better(likelihood):
    """What was above 0.1 dB was made again: by the kept ones alone a crew of scale 1.3 looks like one of about 1."""
    rng = np.random.default_rng(SEED)
    every = drawn(rng, 1.3, 4000)
    whole = posterior(likelihood, exact(every), prior(WEIGHT))
    kept = posterior(likelihood, exact(every[every <= 10]), prior(WEIGHT))
    low, high = whole.interval()
    assert low <= 1.3 <= high
    assert kept.interval()[1] < 1.2


def test_ten_records_barely_move_the_prior(likelihood):
    rng = np.random.default_rng(SEED)
    moved = [posterior(likelihood, exact(drawn(rng, 1.5, 10)), prior(200.0)).mean for _ in range(20)]
    assert 1.0 < float(np.mean(moved)) < 1.08


def test_no_record_leaves_the_prior(likelihood):
    before = prior(WEIGHT)
    assert posterior(likelihood, Readings({}, {}, {}), before).chances == pytest.approx(before)


def test_many_records_find_the_truth_whatever_the_prior(likelihood):
    rng = np.random.default_rng(SEED)
    found = posterior(likelihood, exact(drawn(rng, 0.8, 50_000)), prior(WEIGHT))
    assert found.mean == pytest.approx(0.8, abs=0.01)
    low, high = found.interval()
    assert high - low < 0.02


def test_the_prior_is_log_normal_about_one():
    before = np.array(prior(9.0))
    logs = np.log(SCALES)
    assert float((before * logs).sum()) == pytest.approx(0.0, abs=1e-12)
    wanted = stats.norm(0.0, 0.5 / 3.0)
    assert before.cumsum() == pytest.approx(wanted.cdf(logs + 0.5 * (logs[1] - logs[0])), abs=1e-4)


def test_a_wider_spread_loses_by_its_square():
    assert scaled(MODEL, 2.0).exponential_means_db == pytest.approx((0.12, 0.08))


@pytest.mark.parametrize("wrong", [lambda: scaled(MODEL, 2.1), lambda: prior(0.0), lambda: Likelihood(MODEL, 1.5)])
def test_what_is_out_of_range_is_refused(wrong):
    with pytest.raises(OpticsError, match="allowed"):
        wrong()
