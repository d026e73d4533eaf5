"""What a reading says about the true loss."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from repairadvisor.errors import OpticsError
from repairadvisor.optics.noisy_reading import chance_within, given_reading, reading_noise

PRIOR = tuple(
    stats.expon.cdf((i + 0.5) * 0.01, scale=0.06) - stats.expon.cdf(max(i - 0.5, 0) * 0.01, scale=0.06)
    for i in range(200)
)


@pytest.mark.parametrize("reading_db", [0.05, 0.1, 0.2])
def test_the_posterior_agrees_with_quadrature(reading_db):
    # Exponential prior of mean 0.06 dB, normal noise of 0.03 dB: a truncated normal, by the library.
    after = given_reading(PRIOR, reading_db, reading_noise(0.03))

    def weight(x):
        return stats.expon.pdf(x, scale=0.06) * stats.norm.pdf(reading_db, x, 0.03)

    whole = integrate.quad(weight, 0, 1, points=[reading_db])[0]
    mean = integrate.quad(lambda x: x * weight(x), 0, 1, points=[reading_db])[0] / whole
    assert sum(after) == pytest.approx(1.0)
    assert sum(i * 0.01 * chance for i, chance in enumerate(after)) == pytest.approx(mean, abs=5e-4)
    within = integrate.quad(weight, 0, 0.1)[0] / whole
    assert chance_within(after, 0.1) == pytest.approx(within, abs=5e-3)


def test_without_noise_the_reading_is_the_truth():
    after = given_reading(PRIOR, 0.071, reading_noise(0.0))
    assert after[7] == 1.0
    assert sum(after) == 1.0


@settings(deadline=None)
@given(st.floats(0.0, 0.5), st.floats(0.01, 0.3), st.floats(0.01, 0.1))
def test_a_higher_reading_never_makes_it_likelier_that_the_limit_is_kept(reading_db, more_db, sigma_db):
    noise = reading_noise(sigma_db)
    there = chance_within(given_reading(PRIOR, reading_db, noise), 0.1)
    assert chance_within(given_reading(PRIOR, reading_db + more_db, noise), 0.1) <= there + 1e-12


@settings(deadline=None)
@given(st.integers(0, 3000))
def test_the_chance_within_a_limit_grows_from_none_to_all(thousandths):
    limit_db = thousandths / 1000
    assert 0.0 <= chance_within(PRIOR, limit_db) <= chance_within(PRIOR, limit_db + 0.003) <= 1.0 + 1e-12


def test_a_node_on_the_limit_counts_half():
    assert chance_within((0.0, 0.0, 1.0), 0.02) == pytest.approx(0.5)
    assert chance_within((0.0, 0.0, 1.0), 0.025) == pytest.approx(1.0)
    assert chance_within((0.0, 0.0, 1.0), 0.015) == pytest.approx(0.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: reading_noise(-0.1),
        lambda: reading_noise(0.03, step_db=0.0),
        lambda: given_reading(PRIOR, 3.0, reading_noise(0.01)),  # no loss of the grid reads like that
        lambda: given_reading(PRIOR, 90.0, reading_noise(0.03)),
        lambda: chance_within(PRIOR, -0.1),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()


def test_the_noise_is_normal():
    weights = np.array(reading_noise(0.05).weights)
    assert weights[:30] == pytest.approx(stats.norm.pdf(np.arange(30) * 0.01, 0, 0.05) / stats.norm.pdf(0, 0, 0.05))
