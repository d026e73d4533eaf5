"""From standard deviations to mean losses: printed figures, samples, properties."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from repairadvisor.errors import OpticsError
from repairadvisor.optics.joint import mode_mismatch_loss_db, offset_loss_db
from repairadvisor.optics.workmanship import (
    mean_eccentric_offset_loss_db,
    mean_multimode_offset_loss_db,
    mean_multimode_pair_loss_db,
    mean_multimode_tilt_loss_db,
    mean_offset_loss_db,
    mean_pair_loss_at_radius_db,
    mean_pair_loss_db,
    mean_radius_tolerance_loss_db,
    mean_tilt_loss_db,
    offset_sigma_from_eccentricity_um,
)

from .printed import assert_printed


def test_s1_01_means_of_offset_and_tilt():
    # Chi-squared of two degrees of freedom with Marcuse 1977.
    assert_printed(mean_offset_loss_db(0.25, 4.6), "0.0256554")
    assert_printed(mean_tilt_loss_db(0.15, 1.45, 4.6, 1.31), "0.0152321")
    assert_printed(mean_offset_loss_db(0.25, 5.2), "0.0200765")
    assert_printed(mean_tilt_loss_db(0.15, 1.45, 5.2, 1.55), "0.0139037")


def test_s1_04_tolerance_of_the_mode_field_diameter():
    # 9.2 ± 0.4 µm read as three standard deviations on both sides; chi-squared of one degree of freedom.
    mean = mean_radius_tolerance_loss_db(0.2 / 3, 4.6)
    assert_printed(mean, "0.00182438")
    assert_printed(float(stats.chi2.ppf(0.95, 1)) * mean, "0.00700829")
    assert_printed(float(stats.chi2.ppf(0.99, 1)) * mean, "0.0121046")
    assert_printed(mode_mismatch_loss_db(4.6, 4.3), "0.0197382")


def test_the_tolerance_is_right_against_a_sample_of_fibres():
    rng = np.random.default_rng(7)
    losses = [mode_mismatch_loss_db(*pair) for pair in rng.normal(4.6, 0.2 / 3, (20_000, 2))]
    error = np.std(losses) / math.sqrt(len(losses))
    assert abs(np.mean(losses) - mean_radius_tolerance_loss_db(0.2 / 3, 4.6)) < 4 * error


def test_s1_05_offset_of_cores_from_the_eccentricity_limit():
    # Limit 0.6 µm read as P99 of a Rayleigh distribution: one fibre, two, two in a groove of 0.155 µm.
    assert_printed(offset_sigma_from_eccentricity_um(0.6) / math.sqrt(2), "0.197703")
    assert_printed(offset_sigma_from_eccentricity_um(0.6), "0.279594")
    assert_printed(offset_sigma_from_eccentricity_um(0.6, 0.155), "0.319684")


def test_s1_06_a_fixed_offset_under_the_random_one():
    # Non-central chi-squared: 0.5 µm fixed, 0.25 µm an axis, radius 4.6 µm: mean, P50, P95, P99.
    assert_printed(mean_eccentric_offset_loss_db(0.5, 0.25, 4.6), "0.0769662")
    for quantile, figure in ((0.5, "0.0646981"), (0.95, "0.187800"), (0.99, "0.258784")):
        offset_um = 0.25 * math.sqrt(stats.ncx2.ppf(quantile, 2, (0.5 / 0.25) ** 2))
        assert_printed(offset_loss_db(offset_um, 4.6, 4.6), figure)


def test_s1_07_unequal_axes_are_nearly_as_good_as_their_mean():
    # 0.32 µm both axes and 0.33 µm more in height: mean, exact P95, P95 of equal axes.
    flat, high = 0.32**2, 0.32**2 + 0.33**2
    mean = mean_offset_loss_db(math.sqrt((flat + high) / 2), 4.6)
    assert_printed(mean, "0.0643848")
    assert_printed(mean * math.log(20), "0.192880")

    def chance_within(square):
        return integrate.quad(
            lambda u: stats.chi2.cdf(max(square - flat * u * u, 0) / high, 1) * 2 * stats.norm.pdf(u),
            0,
            math.sqrt(square / flat),
            epsabs=1e-12,
            limit=200,
        )[0]

    square = optimize.brentq(lambda x: chance_within(x) - 0.95, 1e-9, 20, xtol=1e-12)
    assert_printed(offset_loss_db(math.sqrt(square), 4.6, 4.6), "0.199186")


def test_p3_04_mean_of_a_pair_and_the_offset_it_stands_for():
    # Grades A to D of IEC 61753-1 by their 97 % limits.
    rows = ((0.15, "0.0427770", "0.322817"), (0.25, "0.0712950", "0.416754"))
    rows += ((0.5, "0.142590", "0.589380"), (1.0, "0.285180", "0.833509"))
    for limit, mean, sigma in rows:
        assert_printed(mean_pair_loss_db(limit), mean)
        assert_printed(_sigma_of_mean_um(mean_pair_loss_db(limit)), sigma)


def _sigma_of_mean_um(mean_db):
    return optimize.brentq(lambda sigma_um: mean_offset_loss_db(sigma_um, 4.6) - mean_db, 0, 2)


def test_a_pair_is_carried_to_another_radius_or_core_as_offset_is():
    assert mean_pair_loss_at_radius_db(0.5, 4.6) == mean_pair_loss_db(0.5)
    ratio = mean_offset_loss_db(0.4, 5.2) / mean_offset_loss_db(0.4, 4.6)
    assert mean_pair_loss_at_radius_db(0.5, 5.2) == pytest.approx(ratio * mean_pair_loss_db(0.5), rel=1e-12)
    ratio = mean_multimode_offset_loss_db(1.0, 31.25) / mean_multimode_offset_loss_db(1.0, 25)
    assert mean_multimode_pair_loss_db(0.5, 31.25) == pytest.approx(ratio * mean_pair_loss_db(0.5), rel=1e-12)


def test_unit_displacement_of_a_multimode_core_loses_20_412_db():
    # Two times 2.35 (Gloge 1976) times 4.3429.
    assert_printed(25**2 * mean_multimode_offset_loss_db(1.0, 25), "20.412")
    assert mean_multimode_tilt_loss_db(math.degrees(0.02), 1.0, 0.2) == pytest.approx(0.20412, rel=1e-4)


@settings(deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.001, 0.5), st.floats(3.0, 7.0))
def test_worse_workmanship_loses_more_and_none_loses_nothing(sigma, more, w_um):
    assert mean_offset_loss_db(0.0, w_um) == 0.0
    assert mean_offset_loss_db(sigma + more, w_um) > mean_offset_loss_db(sigma, w_um)
    assert mean_tilt_loss_db(sigma + more, 1.45, w_um, 1.31) > mean_tilt_loss_db(sigma, 1.45, w_um, 1.31)


@pytest.mark.parametrize(
    "call",
    [
        lambda: mean_offset_loss_db(-0.1, 4.6),
        lambda: mean_offset_loss_db(0.1, 25.0),  # a multimode core
        lambda: mean_tilt_loss_db(3.0, 1.45, 4.6, 1.31),
        lambda: mean_tilt_loss_db(0.1, 1.45, 4.6, 1310.0),
        lambda: mean_pair_loss_db(0.0),
        lambda: mean_pair_loss_at_radius_db(0.5, 46.0),
        lambda: mean_multimode_offset_loss_db(1.0, 4.6),
        lambda: mean_multimode_pair_loss_db(0.5, 4.6),
        lambda: mean_multimode_tilt_loss_db(0.5, 1.48, 1.2),
        lambda: mean_eccentric_offset_loss_db(6.0, 0.25, 4.6),
        lambda: mean_radius_tolerance_loss_db(1.1, 4.6),
        lambda: offset_sigma_from_eccentricity_um(4.0),
    ],
)
def test_an_absurd_figure_is_refused(call):
    with pytest.raises(OpticsError):
        call()
