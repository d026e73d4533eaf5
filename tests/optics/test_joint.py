"""Single-mode joints: printed figures, an outside library, exact overlaps, brute force, properties."""

import math

import numpy as np
import ofiber
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from repairadvisor.errors import OpticsError
from repairadvisor.optics.joint import (
    cleave_deflection_deg,
    cleave_gap_um,
    gap_loss_db,
    joint_loss_db,
    mode_mismatch_loss_db,
    offset_loss_db,
    tilt_loss_db,
)

from .exact_mode import exact_mode
from .printed import assert_printed

RADII = st.floats(3.5, 7.0)
OFFSETS = st.floats(0.0, 5.0)
TILTS = st.floats(0.0, 3.0)
GAPS = st.floats(0.0, 100.0)


def test_c1_05_mode_field_mismatch():
    # Marcuse 1977: diameters 9.2 into 8.6, 10.4 and 8.4 µm.
    assert_printed(mode_mismatch_loss_db(4.6, 4.3), "0.0197382")
    assert_printed(mode_mismatch_loss_db(4.6, 5.2), "0.0651173")
    assert_printed(mode_mismatch_loss_db(4.6, 4.2), "0.0358922")


def test_c1_06_lateral_offset():
    # Marcuse 1977: 1 µm between like fibres; 0.5 µm between unlike ones, mismatch included.
    assert_printed(offset_loss_db(1.0, 4.6, 4.6), "0.205243")
    assert_printed(offset_loss_db(0.5, 4.6, 4.3), "0.0745042")


def test_c1_07_tilt():
    # Marcuse 1977: half a degree in glass at 1310 and 1550 nm.
    assert_printed(tilt_loss_db(0.5, 4.6, 4.6, 1.45, 1.31), "0.0846229")
    assert_printed(tilt_loss_db(0.5, 5.2, 5.2, 1.45, 1.55), "0.0772428")


def test_c1_08_gap():
    # Gaussian beam: 10 µm of air, 10 and 50 µm of gel.
    assert_printed(gap_loss_db(10, 4.6, 4.6, 1.0, 1.31), "0.0419601")
    assert_printed(gap_loss_db(10, 4.6, 4.6, 1.46, 1.31), "0.0197353")
    assert_printed(gap_loss_db(50, 4.6, 4.6, 1.46, 1.31), "0.468321")


def test_c1_09_everything_together():
    # Joyce and DeLoach, Appl. Opt. 23 (1984) 4187.
    both = {"offset_um": 0.5, "gap_um": 15, "index": 1.46}
    assert_printed(joint_loss_db(4.6, 4.3, tilt_deg=0.5, **both), "0.191885")
    assert_printed(joint_loss_db(4.6, 4.3, tilt_deg=-0.5, **both), "0.218321")
    assert_printed(joint_loss_db(4.6, 4.6, offset_um=1, tilt_deg=0.5, index=1.46), "0.291037")


def _textbook_loss_db(w1, w2, d, theta, z, wavelength, n):
    """Nemoto and Makimoto, Opt. Quantum Electron. 11 (1979) 447, as textbooks print it; W is a 1/e radius."""
    k = 2 * np.pi * n / wavelength
    s, f, g, rho = (w2 / w1) ** 2, d / (k * w1**2), z / (k * w1**2), (k * w1) ** 2
    q = g**2 + (s + 1) ** 2
    u = (s + 1) * f**2 + 2 * s * f * g * np.sin(theta) + s * (g**2 + s + 1) * np.sin(theta) ** 2
    return -10 * np.log10(4 * s / q * np.exp(-rho * u / q))


def test_c1_10_another_form_means_another_radius_and_another_sign():
    root = math.sqrt(2)
    rightly = _textbook_loss_db(4.6 / root, 4.3 / root, 0.5, -math.radians(0.5), 15, 1.31, 1.46)
    wrongly = _textbook_loss_db(4.6, 4.3, 0.5, -math.radians(0.5), 15, 1.31, 1.46)
    assert_printed(rightly, "0.191884")
    assert_printed(wrongly, "0.213468")
    ours = joint_loss_db(4.6, 4.3, offset_um=0.5, tilt_deg=0.5, gap_um=15, index=1.46)
    assert ours == pytest.approx(rightly, rel=1e-5)


def test_c1_19_a_cleave_angle_costs_a_gap_and_turns_the_beam():
    # Geometry of a 125 µm fibre; Snell's law; the two-face gap in gel at 1310 nm.
    assert_printed(cleave_gap_um(1.0, 0.0), "1.09094")
    assert_printed(cleave_gap_um(1.0, 1.0), "2.18188")
    assert_printed(cleave_deflection_deg(1.0, 1.45, 1.0), "0.450000")
    assert_printed(-cleave_deflection_deg(1.0, 1.45, 1.47) * 1.47 / 1.45, "0.0137931")
    assert_printed(gap_loss_db(cleave_gap_um(1.0, 1.0), 4.6, 4.6, 1.46, 1.31), "0.000941556")


@pytest.mark.parametrize(
    ("offset_um", "wavelength_um", "exact", "marcuse", "second", "first"),
    [
        pytest.param(0.25, 1.31, "0.0131687", "0.0127143", "0.0131718", "0.0126013", id="C2.01"),
        pytest.param(0.5, 1.31, "0.0526404", "0.0508571", "0.0526872", "0.0504050", id="C2.02"),
        pytest.param(1.0, 1.31, "0.210071", "0.203428", "0.210749", "0.201620", id="C2.03"),
        pytest.param(2.0, 1.31, "0.833943", "0.813714", "0.842996", "0.806480", id="C2.04"),
        pytest.param(1.0, 1.55, "0.160803", "0.154508", "0.161358", "0.147984", id="C2.05"),
    ],
)
def test_offset_against_the_exact_mode(offset_um, wavelength_um, exact, marcuse, second, first):
    fibre = exact_mode(wavelength_um)
    assert_printed(fibre.offset_and_gap_loss_db(offset_um=offset_um), exact)
    for radius, figure in zip(_radii(fibre), (marcuse, second, first), strict=True):
        assert_printed(offset_loss_db(offset_um, radius, radius), figure)


@pytest.mark.parametrize(
    ("tilt_deg", "wavelength_um", "exact", "marcuse", "second", "first"),
    [
        pytest.param(0.25, 1.31, "0.0215786", "0.0213917", "0.0206486", "0.0215835", id="C2.06"),
        pytest.param(0.5, 1.31, "0.0862561", "0.0855666", "0.0825944", "0.0863341", id="C2.07"),
        pytest.param(1.0, 1.31, "0.344108", "0.342266", "0.330377", "0.345336", id="C2.08"),
        pytest.param(0.5, 1.55, "0.0835513", "0.0801629", "0.0767596", "0.0836968", id="C2.09"),
    ],
)
def test_tilt_against_the_exact_mode(tilt_deg, wavelength_um, exact, marcuse, second, first):
    fibre = exact_mode(wavelength_um)
    assert_printed(fibre.tilt_loss_db(tilt_deg, fibre.core_index), exact)
    for radius, figure in zip(_radii(fibre), (marcuse, second, first), strict=True):
        assert_printed(tilt_loss_db(tilt_deg, radius, radius, fibre.core_index, wavelength_um), figure)


@pytest.mark.parametrize(
    ("gap_um", "wavelength_um", "exact", "marcuse", "second", "first"),
    [
        pytest.param(10.0, 1.31, "0.0290428", "0.0196563", "0.0210930", "0.0193092", id="C2.10"),
        pytest.param(50.0, 1.31, "0.580582", "0.466541", "0.498831", "0.458705", id="C2.11"),
        pytest.param(10.0, 1.55, "0.0272528", "0.0158815", "0.0173181", "0.0145708", id="C2.12"),
    ],
)
def test_gap_against_the_exact_mode(gap_um, wavelength_um, exact, marcuse, second, first):
    fibre = exact_mode(wavelength_um)
    assert_printed(fibre.offset_and_gap_loss_db(gap_um=gap_um), exact)
    for radius, figure in zip(_radii(fibre), (marcuse, second, first), strict=True):
        assert_printed(gap_loss_db(gap_um, radius, radius, 1.45, wavelength_um), figure)


def _radii(fibre):
    """Marcuse's, Petermann's second and first radius, from the exact field and Marcuse's formula."""
    marcuse = (0.65 + 1.619 * fibre.v**-1.5 + 2.879 * fibre.v**-6) * 4.1
    second = math.sqrt(2) * 4.1 * _ratio_of_bessels(fibre.u) / fibre.w
    return marcuse, second, fibre.petermann_1_um


def _ratio_of_bessels(u):
    return special.j1(u) / special.j0(u)


@pytest.mark.parametrize("wavelength_um", [1.31, 1.55])
def test_the_data_sheet_radius_makes_offsets_to_one_micrometre_right_within_half_a_per_cent(wavelength_um):
    fibre = exact_mode(wavelength_um)
    radius = fibre.petermann_2_um
    for offset_um in (0.05, 0.2, 0.4, 0.6, 0.8, 1.0):
        exact = fibre.offset_and_gap_loss_db(offset_um=offset_um)
        assert offset_loss_db(offset_um, radius, radius) == pytest.approx(exact, rel=0.005)


@pytest.mark.parametrize("wavelength_um", [1.31, 1.55])
def test_the_largest_offset_that_is_taken_is_right_within_seven_per_cent(wavelength_um):
    fibre = exact_mode(wavelength_um)
    ours = offset_loss_db(5.0, fibre.petermann_2_um, fibre.petermann_2_um)
    assert 1.04 < ours / fibre.offset_and_gap_loss_db(offset_um=5.0) < 1.07


@pytest.mark.parametrize(("wavelength_um", "least", "most"), [(1.31, 0.03, 0.05), (1.55, 0.07, 0.09)])
def test_a_small_tilt_is_low_by_as_much_as_the_module_says(wavelength_um, least, most):
    fibre = exact_mode(wavelength_um)
    radius = fibre.petermann_2_um
    exact = fibre.tilt_loss_db(0.5, fibre.core_index)
    assert least < 1 - tilt_loss_db(0.5, radius, radius, fibre.core_index, wavelength_um) / exact < most


@pytest.mark.parametrize(("wavelength_um", "gap_um", "low"), [(1.31, 50, 0.14), (1.31, 10, 0.27), (1.55, 10, 0.36)])
def test_a_gap_is_low_by_as_much_as_the_module_says(wavelength_um, gap_um, low):
    fibre = exact_mode(wavelength_um)
    ours = gap_loss_db(gap_um, fibre.petermann_2_um, fibre.petermann_2_um, 1.45, wavelength_um)
    assert 1 - ours / fibre.offset_and_gap_loss_db(gap_um=gap_um) == pytest.approx(low, abs=0.01)


@settings(deadline=None)
@given(RADII, RADII, st.floats(0.0, 3.0))
def test_an_outside_library_loses_the_same_by_offset(w1, w2, offset_um):
    theirs = ofiber.transverse_misalignment_loss_db(w1 * 1e-6, w2 * 1e-6, offset_um * 1e-6)
    assert offset_loss_db(offset_um, w1, w2) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@settings(deadline=None)
@given(RADII, st.floats(0.0, 2.0), st.floats(1.0, 1.6), st.sampled_from([1.31, 1.55, 1.625]))
def test_an_outside_library_loses_the_same_by_tilt(w, tilt_deg, index, wavelength_um):
    theirs = ofiber.angular_misalignment_loss_db(index, w * 1e-6, math.radians(tilt_deg), wavelength_um * 1e-6)
    assert tilt_loss_db(tilt_deg, w, w, index, wavelength_um) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@settings(deadline=None)
@given(RADII, GAPS, st.floats(1.0, 1.6), st.sampled_from([1.31, 1.55, 1.625]))
def test_an_outside_library_loses_the_same_by_gap(w, gap_um, index, wavelength_um):
    theirs = ofiber.longitudinal_misalignment_loss_db(index, w * 1e-6, gap_um * 1e-6, wavelength_um * 1e-6)
    assert gap_loss_db(gap_um, w, w, index, wavelength_um) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("w1", "w2", "offset_um", "tilt_deg", "gap_um"),
    [
        (4.6, 4.3, 0.5, 0.5, 15.0),
        (4.6, 5.4, 1.2, -0.86, 30.0),
        (4.6, 4.6, 1.0, 0.0, 0.0),
        (5.2, 4.2, -0.7, 0.3, 80.0),
    ],
)
def test_the_combined_formula_is_the_overlap_of_two_beams(w1, w2, offset_um, tilt_deg, gap_um):
    ours = joint_loss_db(w1, w2, offset_um=offset_um, tilt_deg=tilt_deg, gap_um=gap_um, index=1.46)
    assert ours == pytest.approx(_brute_force_db(w1, w2, offset_um, math.radians(tilt_deg), gap_um), rel=1e-6)


def _brute_force_db(w1, w2, d, theta, z, wavelength=1.31, n=1.46):
    """Overlap of the spread beam of fibre 1 with the tilted, displaced mode of fibre 2, sample by sample."""
    k = 2 * np.pi * n / wavelength
    curvature = 1 / (z - 1j * np.pi * n * w1**2 / wavelength)
    x = np.linspace(-60, 60, 120001)
    beam = np.exp(1j * k * x**2 / 2 * curvature)
    mode_x = np.exp(-(((x - d) / w2) ** 2) + 1j * k * theta * (x - d))
    mode_y = np.exp(-((x / w2) ** 2))

    def total(values):
        return integrate.simpson(values, x=x)

    kept = abs(total(np.conj(mode_x) * beam) * total(mode_y * beam)) ** 2
    power = total(abs(beam) ** 2) ** 2 * total(abs(mode_x) ** 2) * total(mode_y**2)
    return -10 * np.log10(kept / power)


@settings(deadline=None)
@given(RADII, RADII, st.floats(-5, 5), st.floats(-3, 3), GAPS)
def test_no_joint_gains(w1, w2, offset_um, tilt_deg, gap_um):
    assert joint_loss_db(w1, w2, offset_um=offset_um, tilt_deg=tilt_deg, gap_um=gap_um) >= 0.0


@settings(deadline=None)
@given(RADII, RADII, st.floats(-5, 5), st.floats(-3, 3))
def test_without_a_gap_the_two_fibres_may_be_exchanged(w1, w2, offset_um, tilt_deg):
    there = joint_loss_db(w1, w2, offset_um=offset_um, tilt_deg=tilt_deg)
    assert there == pytest.approx(joint_loss_db(w2, w1, offset_um=offset_um, tilt_deg=tilt_deg), rel=1e-12)


@settings(deadline=None)
@given(RADII, RADII, GAPS)
def test_a_gap_alone_is_the_same_both_ways(w1, w2, gap_um):
    there = gap_loss_db(gap_um, w1, w2, 1.46, 1.31)
    assert there == pytest.approx(gap_loss_db(gap_um, w2, w1, 1.46, 1.31), rel=1e-12)


@settings(deadline=None)
@given(RADII, RADII, st.floats(-5, 5), st.floats(-3, 3), GAPS)
def test_a_joint_seen_in_a_mirror_loses_the_same(w1, w2, offset_um, tilt_deg, gap_um):
    one = joint_loss_db(w1, w2, offset_um=offset_um, tilt_deg=tilt_deg, gap_um=gap_um)
    assert one == joint_loss_db(w1, w2, offset_um=-offset_um, tilt_deg=-tilt_deg, gap_um=gap_um)


@settings(deadline=None)
@given(RADII, st.sampled_from(["offset_um", "tilt_deg", "gap_um"]), st.floats(0.0, 0.9), st.floats(0.001, 0.1))
def test_each_defect_alone_starts_at_nothing_and_grows(w, defect, share, more):
    most = {"offset_um": 5.0, "tilt_deg": 3.0, "gap_um": 100.0}[defect]
    assert joint_loss_db(w, w, **{defect: 0.0}) == 0.0
    smaller, larger = (joint_loss_db(w, w, **{defect: most * part}) for part in (share, share + more))
    assert larger > smaller


@settings(deadline=None)
@given(RADII, st.floats(0.01, 0.2))
def test_mismatch_starts_at_nothing_and_grows(w, more):
    assert mode_mismatch_loss_db(w, w) == 0.0
    assert mode_mismatch_loss_db(w, w + 2 * more) > mode_mismatch_loss_db(w, w + more) > 0.0


def test_an_offset_hurts_less_at_a_longer_wavelength_and_a_tilt_about_as_much():
    # Radii of the reference fibre: 4.6 µm at 1310 nm, 5.2 µm at 1550 nm.
    assert offset_loss_db(0.5, 5.2, 5.2) < 0.8 * offset_loss_db(0.5, 4.6, 4.6)
    ratio = tilt_loss_db(0.5, 5.2, 5.2, 1.45, 1.55) / tilt_loss_db(0.5, 4.6, 4.6, 1.45, 1.31)
    assert 0.9 < ratio < 1.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"w1_um": 0.5, "w2_um": 4.6},
        {"w1_um": 4.6, "w2_um": 62.5},
        {"w1_um": 4.6, "w2_um": 4.6, "offset_um": 5.1},
        {"w1_um": 4.6, "w2_um": 4.6, "tilt_deg": -3.1},
        {"w1_um": 4.6, "w2_um": 4.6, "gap_um": -1.0},
        {"w1_um": 4.6, "w2_um": 4.6, "gap_um": 101.0},
        {"w1_um": 4.6, "w2_um": 4.6, "index": 0.9},
        {"w1_um": 4.6, "w2_um": 4.6, "wavelength_um": 1310.0},
        {"w1_um": math.nan, "w2_um": 4.6},
    ],
)
def test_a_joint_outside_the_range_of_the_formula_is_refused(wrong):
    with pytest.raises(OpticsError):
        joint_loss_db(**wrong)


def test_a_cleave_angle_out_of_range_is_refused():
    with pytest.raises(OpticsError):
        cleave_gap_um(11.0, 0.0)
    with pytest.raises(OpticsError):
        cleave_deflection_deg(-1.0, 1.45, 1.0)
