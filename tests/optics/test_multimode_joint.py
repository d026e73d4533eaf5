"""Multimode joints: printed figures, a sample of phase space, properties."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from repairadvisor.errors import OpticsError
from repairadvisor.optics.constants import STEADY_STATE_AT_JOINT
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.optics.multimode_joint import (
    core_mismatch_loss_db,
    displacement,
    overfilled_gap_loss_db,
    overfilled_loss_db,
    steady_state_loss_at_joint_db,
    steady_state_loss_db,
)

from .printed import assert_printed

RADII = st.floats(20.0, 60.0)
APERTURES = st.floats(0.15, 0.35)


def test_m1_01_large_core_into_small_and_back():
    # 62.5 µm / 0.275 into 50 µm / 0.200, uniform filling; the two-logarithm form for the parts.
    assert_printed(core_mismatch_loss_db(31.25, 0.2, 25, 0.2), "1.93820")
    assert_printed(core_mismatch_loss_db(25, 0.275, 25, 0.2), "2.76605")
    assert_printed(core_mismatch_loss_db(31.25, 0.275, 25, 0.2), "4.70425")
    assert core_mismatch_loss_db(25, 0.2, 31.25, 0.275) == 0.0


def test_m1_02_corners_of_the_tolerance():
    # Core 50 ± 2.5 µm and NA 0.200 ± 0.015 of IEC 60793-2-10 fibres.
    assert_printed(core_mismatch_loss_db(26.25, 0.2, 23.75, 0.2), "0.869314")
    assert_printed(core_mismatch_loss_db(25, 0.215, 25, 0.185), "1.30533")
    assert_printed(core_mismatch_loss_db(26.25, 0.215, 23.75, 0.185), "2.17465")
    assert_printed(core_mismatch_loss_db(26.25, 0.185, 23.75, 0.215), "0.378872")


def test_m1_03_overfilled_offset():
    # 1 µm on a 50 µm core, and five times that; a textbook's case y = 2, a = 21 µm to first order.
    slope = (1 - 10 ** (-overfilled_loss_db(1e-6) / 10)) / 1e-6
    assert slope == pytest.approx(8 / (3 * math.pi), rel=1e-6)
    assert_printed(8 / (3 * math.pi), "0.848826")
    assert_printed(overfilled_loss_db(0.04), "0.149987")
    assert_printed(overfilled_loss_db(0.2), "0.803560")
    assert_printed(-10 * math.log10(1 - 8 / (3 * math.pi) * 2 / 21), "0.366092")
    assert overfilled_loss_db(2 / 21) == pytest.approx(0.366092, rel=0.01)


def test_m1_04_tilt_counts_as_offset():
    # Half a degree at n 1.48, NA 0.2; then 1 µm of offset as well.
    s = displacement(0.0, 0.5, 25, 0.2)
    assert_printed(s, "0.0645772")
    assert_printed(overfilled_loss_db(s), "0.244700")
    assert_printed(overfilled_loss_db(displacement(1.0, 0.5, 25, 0.2)), "0.289246")


def test_m1_05_steady_state():
    # Gloge, Bell Syst. Tech. J. 55 (1976) 905; half of it at the joint, derived for a filling J0(2.405 rho).
    zero = special.jn_zeros(0, 1)[0]
    moment = integrate.quad(lambda r: special.j0(zero * r) * r**3, 0, 1)[0]
    exact = np.pi**2 / 8 * zero * special.j1(zero) / (2 * np.pi**2 * moment)
    assert_printed(exact, "1.17224")
    assert_printed(2 * exact, "2.34449")
    assert STEADY_STATE_AT_JOINT.value == pytest.approx(exact, rel=1e-6)
    assert_printed(steady_state_loss_db(0.04), "0.0163602")
    assert_printed(steady_state_loss_db(0.2), "0.428718")
    assert_printed(steady_state_loss_at_joint_db(0.2), "0.208568")


def test_m1_06_gap():
    # 20 µm, core radius 25 µm, NA 0.2, in gel and in air.
    assert_printed(20 * 0.2 / (1.46 * 25), "0.109589")
    assert_printed(overfilled_gap_loss_db(20, 25, 0.2, 1.46), "0.244738")
    assert_printed(overfilled_gap_loss_db(20, 25, 0.2, 1.0), "0.362122")


def test_m1_07_overfilled_mechanical_joint_by_quadrature():
    # Offsets 1.5 µm and tilts 0.5° an axis on 50 µm: mean, median and P95 of the overfilled loss.
    mean1, mean2 = 2 * (1.5 / 25) ** 2, 2 * (1.48 * math.radians(0.5) / 0.2) ** 2

    def density(x):
        return (math.exp(-x / mean1) - math.exp(-x / mean2)) / (mean1 - mean2)

    mean_db = integrate.quad(lambda x: overfilled_loss_db(math.sqrt(x)) * density(x), 0, 0.3, limit=200)[0]
    squares = compile_sum([LossModel(0.0, (mean1, mean2))])
    assert_printed(mean_db, "0.457223")
    assert_printed(overfilled_loss_db(math.sqrt(squares.p50_db)), "0.441770")
    assert_printed(overfilled_loss_db(math.sqrt(squares.p95_db)), "0.769342")


@pytest.fixture(scope="module")
def phase_space():
    """A million points evenly over the accepted 4-ball (position and direction)."""
    rng = np.random.default_rng(20250101)
    points = rng.normal(size=(1_000_000, 4))
    return points * (rng.random(len(points)) ** 0.25 / np.linalg.norm(points, axis=1))[:, None]


def _within_four_errors(kept, expected, count):
    return abs(kept - expected) < 4 * math.sqrt(expected * (1 - expected) / count)


@pytest.mark.parametrize(("offset", "tilt"), [(0.2, 0.0), (0.0, 0.2), (0.1, 0.1), (0.6, 0.3)])
def test_a_sample_of_rays_loses_what_the_formula_says(phase_space, offset, tilt):
    kept = float(np.mean(((phase_space + np.array([offset, 0, tilt, 0])) ** 2).sum(1) <= 1))
    expected = 10 ** (-overfilled_loss_db(math.hypot(offset, tilt)) / 10)
    assert _within_four_errors(kept, expected, len(phase_space))


@pytest.mark.parametrize("shear", [0.05, 0.1, 0.2, 0.3])
def test_a_gap_of_rays_loses_what_the_formula_says(phase_space, shear):
    moved = phase_space + shear * np.c_[phase_space[:, 2], phase_space[:, 3], 0 * phase_space[:, :2]]
    kept = float(np.mean((moved**2).sum(1) <= 1))
    ours = 10 ** (-overfilled_gap_loss_db(shear * 25 * 1.46 / 0.2, 25, 0.2, 1.46) / 10)
    assert kept == pytest.approx(ours, rel=0.003)  # first order in the gap: 0.22 % at the largest


@pytest.mark.parametrize("fibre2", [(25, 0.2), (28, 0.25), (35, 0.2), (25, 0.3)])
def test_a_sample_of_rays_into_another_core_keeps_the_share_of_the_formula(phase_space, fibre2):
    radius, aperture = fibre2
    scaled = phase_space * [31.25, 31.25, 0.275, 0.275] / np.array([radius, radius, aperture, aperture])
    kept = float(np.mean((scaled**2).sum(1) <= 1))
    expected = 10 ** (-core_mismatch_loss_db(31.25, 0.275, radius, aperture) / 10)
    assert _within_four_errors(kept, expected, len(phase_space))


@settings(deadline=None)
@given(st.floats(1e-6, 0.28), st.floats(0.001, 0.0199))
def test_every_launch_starts_at_nothing_and_grows_and_overfilled_is_worst(s, more):
    for loss in (overfilled_loss_db, steady_state_loss_db, steady_state_loss_at_joint_db):
        assert loss(0.0) == 0.0
        assert loss(s + more) > loss(s) >= 0.0
    assert overfilled_loss_db(s) >= steady_state_loss_db(s) >= steady_state_loss_at_joint_db(s)


@settings(deadline=None)
@given(RADII, APERTURES, RADII, APERTURES)
def test_into_a_fibre_no_smaller_in_core_and_aperture_nothing_is_lost(radius1, aperture1, radius2, aperture2):
    loss = core_mismatch_loss_db(radius1, aperture1, radius2, aperture2)
    assert loss >= 0.0
    if radius2 >= radius1 and aperture2 >= aperture1:
        assert loss < 1e-9
    if radius2 <= radius1 and aperture2 <= aperture1:
        logs = -20 * math.log10(radius2 / radius1) - 20 * math.log10(aperture2 / aperture1)
        assert loss == pytest.approx(logs, abs=1e-9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: overfilled_loss_db(1.6),
        lambda: steady_state_loss_db(0.31),
        lambda: steady_state_loss_at_joint_db(-0.01),
        lambda: overfilled_gap_loss_db(60, 25, 0.2, 1.46),
        lambda: core_mismatch_loss_db(4.6, 0.12, 25, 0.2),  # single-mode into multimode
        lambda: displacement(1.0, 0.5, 25, 0.6),
    ],
)
def test_outside_the_range_of_the_formula_it_is_refused(call):
    with pytest.raises(OpticsError):
        call()
