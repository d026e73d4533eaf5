"""The scale of workmanship from records: coverage by simulation, a known conjugate case, and what would bias it."""

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel
from repairadvisor.outcome.calibration import (
    NODES,
    SCALES,
    Evidence,
    ReadingRows,
    posterior,
    prior,
    scaled,
)
from repairadvisor.outcome.reported import ABOVE, BELOW, EXACT

FAILING, FAILED_DB = 0.02, 0.4
MODEL = LossModel(0.02, (0.03, 0.02), FAILING, FAILED_DB)
NOISE_DB = 0.02
CAUSE, FAILING_WITH_CAUSE = 0.003, 0.8
FAILING_WITHOUT = (FAILING - CAUSE * FAILING_WITH_CAUSE) / (1.0 - CAUSE)
WEIGHT = 25.0
SEED = 20310504
#: Above it a joint is made again, three times at most.
REDO_ABOVE = 10


@pytest.fixture(scope="module")
def rows():
    return ReadingRows(lambda scale: scaled(MODEL, scale), (FAILING_WITHOUT, FAILING_WITH_CAUSE), 1, NOISE_DB)


def read(rng, scale, failing):
    """Readings of joints at a scale, in hundredths: offset and tilt, or a failure; noise; by numpy, sharing no code."""
    count = len(failing)
    loss = 0.02 + rng.exponential(0.03 * scale**2, count) + rng.exponential(0.02 * scale**2, count)
    loss = np.where(rng.random(count) < failing, 0.02 + rng.exponential(FAILED_DB, count), loss)
    return np.rint((loss + rng.normal(0.0, NOISE_DB, count)) * 100.0).astype(int)


def drawn(rng, scale, count):
    return read(rng, scale, np.full(count, FAILING))


def single(rows, hundredths, bounded=lambda one: (EXACT, one)):
    """Evidence of joints that were made once each."""
    evidence = Evidence(CAUSE)
    for one in hundredths.tolist():
        evidence.add([(rows, *bounded(one))])
    return evidence


def instrument(one):
    """What an instrument shows that reads nothing below 0.03 dB and nothing beyond 0.5 dB."""
    return (BELOW, 3) if one <= 3 else (ABOVE, 50) if one > 50 else (EXACT, one)


def exact(rows, rng, scale, size):
    return single(rows, drawn(rng, scale, size))


def censored(rows, rng, scale, size):
    return single(rows, drawn(rng, scale, size), instrument)


def made_again(rng, scale, size):
    """Attempts at each of ``size`` joints: bad ones cut and made again, some by a common cause."""
    failing = np.where(rng.random(size) < CAUSE, FAILING_WITH_CAUSE, FAILING_WITHOUT)
    attempts = [read(rng, scale, failing) for _ in range(3)]
    for tries in zip(*(one.tolist() for one in attempts), strict=True):
        bad = list(itertools.takewhile(lambda one: one > REDO_ABOVE, tries[:2]))
        yield tries[: len(bad) + 1]


def redone(rows, rng, scale, size):
    evidence = Evidence(CAUSE)
    for tries in made_again(rng, scale, size):
        evidence.add([(rows, *instrument(one)) for one in tries])
    return evidence


@pytest.mark.long
@pytest.mark.parametrize("size", [50, 500, 5000])
@pytest.mark.parametrize("seen", [exact, censored, redone])
def test_intervals_cover_as_often_as_they_say(rows, size, seen, share):
    """The truth is drawn from the prior: 95 % intervals hold it 95 times of 100 (Bayes' rule), within two points in a
    whole run, within four standard errors in a share of it."""
    runs = share(2000, 40, SEED)
    before = prior(WEIGHT)
    rng = np.random.default_rng([SEED, size, (exact, censored, redone).index(seen)])
    held = 0
    for _ in range(runs):
        scale = math.exp(rng.normal(0.0, 0.5 / math.sqrt(WEIGHT)))
        low, high = posterior(seen(rows, rng, scale, size).log_likelihood(), before).interval()
        held += low <= scale <= high
    error = 0.02 if runs == 2000 else 4.0 * math.sqrt(0.95 * 0.05 / runs)
    assert abs(held / runs - 0.95) <= error


@pytest.mark.long
@pytest.mark.whole_run
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.3])
def test_coverage_at_fixed_truths_is_printed(rows, scale, record_property):
    """A prior pulls towards 1, so intervals need not cover a truth far from it as often: how often is told, not
    asserted; that what is learnt lies between the truth and 1 is."""
    before = prior(WEIGHT)
    rng = np.random.default_rng([SEED, round(100 * scale)])
    held, means = 0, []
    for _ in range(400):
        learnt = posterior(exact(rows, rng, scale, 500).log_likelihood(), before)
        low, high = learnt.interval()
        held += low <= scale <= high
        means.append(learnt.mean)
    record_property("coverage", held / 400)
    four_errors = 4.0 * float(np.std(means)) / math.sqrt(len(means))
    assert min(scale, 1.0) - four_errors <= float(np.mean(means)) <= max(scale, 1.0) + four_errors
    print(f"500 records at a scale of {scale}: 95 % intervals cover {held / 4:.1f} %")


def test_one_exponential_without_noise_is_the_conjugate_case():
    """Loss exponential of mean 0.2 s²: the likelihood of s² after n losses of sum S is s^(-2n) exp(-S / (0.2 s²))."""
    readings = {2: 7, 10: 9, 25: 8, 41: 6}
    total = sum(0.01 * value * count for value, count in readings.items())
    n = sum(readings.values())
    squares = np.array(SCALES) ** 2
    weights = np.array(prior(4.0)) * squares**-n * np.exp(-total / (0.2 * squares))
    wanted = weights / weights.sum()
    law = ReadingRows(lambda scale: scaled(LossModel(0.0, (0.2,), 0.0), scale), (0.0, 0.8), 1, 0.0)
    evidence = Evidence(0.0)
    for reading, count in readings.items():
        for _ in range(count):
            evidence.add([(law, EXACT, reading)])
    got = posterior(evidence.log_likelihood(), prior(4.0))
    # a bin of a hundredth instead of a density, which errs by some thousandths of the width of the posterior
    assert got.mean == pytest.approx(float((wanted * SCALES).sum()), abs=2e-4)
    assert np.array(got.chances).cumsum() == pytest.approx(wanted.cumsum(), abs=2e-3)


def test_two_attempts_at_one_joint_share_their_cause(rows):
    """By hand: P(x, y) = P(cause) f1(x) f1(y) + (1 - P(cause)) f0(x) f0(y), f by sampling a million joints."""
    rng = np.random.default_rng(7)
    f = [Counter(read(rng, 1.0, np.full(1_000_000, q)).tolist()) for q in (FAILING_WITHOUT, FAILING_WITH_CAUSE)]
    pair = (6, 45)
    wanted = sum(
        chance * math.prod(of[one] / 1e6 for one in pair) for chance, of in zip((1.0 - CAUSE, CAUSE), f, strict=True)
    )
    evidence = Evidence(CAUSE)
    evidence.add([(rows, EXACT, one) for one in pair])
    assert math.exp(evidence.log_likelihood()[NODES.index(1.0)]) == pytest.approx(wanted, rel=0.1)


def test_two_joints_read_together_are_their_sum():
    """Sampled: the sum of two joints, read within 0.10 dB."""
    law = ReadingRows(lambda scale: scaled(MODEL, scale), (FAILING, FAILING), 2, NOISE_DB)
    rng = np.random.default_rng(11)
    loss = sum(drawn(rng, 1.0, 400_000) for _ in range(2)) / 100.0  # noise of both
    kept = float((loss <= 0.105).mean())
    two = ReadingRows(lambda scale: scaled(MODEL, scale), (FAILING, FAILING), 2, math.sqrt(2.0) * NOISE_DB)
    at = NODES.index(1.0)
    assert math.exp(two.logs(BELOW, 10)[0][at]) == pytest.approx(kept, abs=0.004)
    assert math.exp(law.logs(BELOW, 10)[0][at]) != pytest.approx(kept, abs=1e-6)


def test_learning_from_the_last_attempts_alone_makes_joints_look_better(rows):
    """What was above 0.1 dB was made again: by the kept ones alone a crew of scale 1.3 looks far better than it is."""
    rng = np.random.default_rng(SEED)
    every, last = Evidence(CAUSE), Evidence(CAUSE)
    for tries in made_again(rng, 1.3, 4000):
        every.add([(rows, EXACT, one) for one in tries])
        last.add([(rows, EXACT, tries[-1])])
    low, high = posterior(every.log_likelihood(), prior(WEIGHT)).interval()
    assert low <= 1.3 <= high
    assert posterior(last.log_likelihood(), prior(WEIGHT)).interval()[1] < 1.2


def test_ten_records_barely_move_the_prior(rows):
    """A joint is at most two exponentials: twenty of them against a prior worth a hundred, a sixth of the way to a
    truth of 1.5 in the logarithm and, since exponentials are skewed, a little more; less than a fifth."""
    rng = np.random.default_rng(SEED)
    moved = [posterior(exact(rows, rng, 1.5, 10).log_likelihood(), prior(100.0)) for _ in range(50)]
    assert 0.0 < float(np.mean([math.log(one.mean) for one in moved])) < math.log(1.5) / 5.0
    least, most = posterior(np.zeros(len(NODES)), prior(100.0)).interval()
    assert sum(least < one.mean < most for one in moved) >= 45  # seldom beyond what the prior itself allows


def test_no_record_leaves_the_prior():
    before = prior(WEIGHT)
    evidence = Evidence(CAUSE)
    evidence.add([])
    assert posterior(evidence.log_likelihood(), before).chances == pytest.approx(before)


def test_many_records_find_the_truth_whatever_the_prior(rows):
    rng = np.random.default_rng(SEED)
    found = posterior(exact(rows, rng, 0.8, 50_000).log_likelihood(), prior(WEIGHT))
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


@settings(max_examples=50, deadline=None)
@given(
    tries=st.lists(st.tuples(st.sampled_from([EXACT, BELOW, ABOVE]), st.integers(-60, 700)), min_size=1, max_size=30),
    weight=st.floats(1.0, 10_000.0),
)
def test_whatever_is_read_a_scale_comes_of_it(rows, tries, weight):
    evidence = Evidence(CAUSE)
    evidence.add([(rows, *one) for one in tries])
    found = posterior(evidence.log_likelihood(), prior(weight))
    low, high = found.interval()
    assert sum(found.chances) == pytest.approx(1.0)
    assert 0.49 < low <= found.quantile(0.5) <= high < 2.02
    assert evidence.attempts == len(tries)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 60), min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_records_does_not_count(rows, hundredths, random):
    shuffled = list(hundredths)
    random.shuffle(shuffled)
    one, other = (single(rows, np.array(many)).log_likelihood() for many in (hundredths, shuffled))
    assert one == pytest.approx(other)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: scaled(MODEL, 2.1),
        lambda: prior(0.0),
        lambda: prior(float("nan")),
        lambda: Evidence(1.5),
        lambda: ReadingRows(lambda _: MODEL, (0.0, 0.8), 1, 1.5),
        lambda: ReadingRows(lambda _: MODEL, (0.0, 0.8), 5, 0.02),
        lambda: posterior(np.zeros(len(NODES)), (1.0,)),
        lambda: posterior(np.zeros(len(NODES)), (2.0 / len(SCALES),) * len(SCALES)),
    ],
)
def test_what_is_out_of_range_is_refused(wrong):
    with pytest.raises(OpticsError, match="allowed"):
        wrong()
