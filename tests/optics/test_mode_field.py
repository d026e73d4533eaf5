"""How wide the mode is: printed figures, an outside library, and the exact mode by other means."""

import numpy as np
import ofiber
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.mode_field import (
    marcuse_radius_ratio,
    numerical_aperture,
    petermann_2_approximate_ratio,
    radius_at_wavelength_um,
    step_index_mode,
    v_number,
)

from .exact_mode import CORE_RADIUS_UM, INDEX_DIFFERENCE, exact_mode
from .printed import assert_printed

A = CORE_RADIUS_UM


def test_c1_01_v_number_of_the_test_fibre():
    # Definition of V; indices of pure silica from ofiber's Sellmeier coefficients.
    at_1310, at_1550 = exact_mode(1.31), exact_mode(1.55)
    assert_printed(at_1310.cladding_index, "1.44680")
    assert_printed(at_1310.core_index, "1.45160")
    aperture = numerical_aperture(at_1310.core_index, at_1310.cladding_index)
    assert_printed(aperture, "0.117929")
    assert_printed(v_number(A, aperture, 1.31), "2.31906")
    assert_printed(v_number(A, numerical_aperture(at_1550.core_index, at_1550.cladding_index), 1.55), "1.95621")


def test_c1_02_gaussian_radius():
    # Marcuse, Bell Syst. Tech. J. 56 (1977) 703.
    assert_printed(marcuse_radius_ratio(2.0), "1.26739")
    assert_printed(marcuse_radius_ratio(exact_mode(1.31).v), "1.12694")
    assert_printed(marcuse_radius_ratio(exact_mode(1.31).v) * A, "4.62047")
    assert_printed(marcuse_radius_ratio(exact_mode(1.55).v) * A, "5.30172")


def test_c1_03_propagation_constant_and_second_radius():
    # Exact LP01 of a step-index fibre.
    at_1310, at_1550 = step_index_mode(exact_mode(1.31).v), step_index_mode(exact_mode(1.55).v)
    assert_printed(at_1310.b, "0.509435")
    assert_printed(at_1310.petermann_2_ratio, "1.10720")
    assert_printed(at_1310.petermann_2_ratio * A, "4.53951")
    assert_printed(at_1550.petermann_2_ratio * A, "5.18796")


def test_c1_04_diameter_of_data_sheets_and_first_radius():
    # Definitions of ITU-T G.650.1 (second) and Petermann (first).
    at_1310, at_1550 = step_index_mode(exact_mode(1.31).v), step_index_mode(exact_mode(1.55).v)
    assert_printed(2 * at_1310.petermann_2_ratio * A, "9.07903")
    assert_printed(2 * at_1550.petermann_2_ratio * A, "10.3759")
    assert_printed(at_1310.petermann_1_ratio * A, "4.64115")
    assert_printed(at_1550.petermann_1_ratio * A, "5.41732")


@pytest.mark.parametrize(
    ("wavelength_um", "v", "mfd_um", "scaled_mfd_um"),
    [
        pytest.param(1.270, "2.39285", "8.88738", "9.00580", id="C3.01"),
        pytest.param(1.310, "2.31906", "9.07903", "9.20000", id="C3.02"),
        pytest.param(1.383, "2.19539", "9.44552", "9.57137", id="C3.03"),
        pytest.param(1.490, "2.03599", "10.0257", "10.1593", id="C3.04"),
        pytest.param(1.550, "1.95621", "10.3759", "10.5142", id="C3.05"),
        pytest.param(1.577, "1.92229", "10.5398", "10.6803", id="C3.06"),
        pytest.param(1.625, "1.86475", "10.8416", "10.9861", id="C3.07"),
    ],
)
def test_mode_field_diameter_over_wavelength(wavelength_um, v, mfd_um, scaled_mfd_um):
    # Exact LP01 of the test fibre; the last column is scaled to 9.2 µm at 1310 nm.
    fibre = exact_mode(wavelength_um)
    assert_printed(v_number(A, numerical_aperture(fibre.core_index, fibre.cladding_index), wavelength_um), v)
    assert_printed(2 * step_index_mode(fibre.v).petermann_2_ratio * A, mfd_um)
    assert_printed(2 * radius_at_wavelength_um(4.6, wavelength_um), scaled_mfd_um)


@settings(max_examples=40, deadline=None)
@given(st.floats(1.27, 1.625))
def test_carrying_a_radius_follows_the_exact_fibre_between_the_tabled_wavelengths(wavelength_um):
    # Silica by the coefficients of Malitson, J. Opt. Soc. Am. 55 (1965) 1205, through ofiber.
    exact = step_index_mode(_v(wavelength_um)).petermann_2_ratio / step_index_mode(_v(1.31)).petermann_2_ratio
    assert radius_at_wavelength_um(4.6, wavelength_um) == pytest.approx(4.6 * exact, rel=1e-4)


def _v(wavelength_um):
    cladding = ofiber.n(ofiber.glass(ofiber.find_glass("SiO2")), wavelength_um * 1e-6)
    core = cladding / np.sqrt(1 - 2 * INDEX_DIFFERENCE)
    return v_number(A, numerical_aperture(core, cladding), wavelength_um)


@pytest.mark.parametrize("v", [1.5, 1.8, 1.95621, 2.2, 2.31906, 2.4, 2.5])
def test_an_outside_library_gives_the_same_mode(v):
    # ofiber 1.0.1; MFR is a ratio to the core radius.
    assert step_index_mode(v).b == pytest.approx(ofiber.LP_mode_value(v, 0, 1), abs=1e-7)
    assert step_index_mode(v).petermann_2_ratio == pytest.approx(ofiber.PetermannW(v), rel=1e-7)
    assert marcuse_radius_ratio(v) == pytest.approx(ofiber.MFR(v), rel=1e-9)
    assert petermann_2_approximate_ratio(v) == pytest.approx(ofiber.PetermannW_Approx(v), rel=1e-9)


def test_an_outside_library_gives_the_same_v_number():
    assert v_number(4.1, 0.12, 1.31) == pytest.approx(ofiber.V_parameter(4.1e-6, 0.12, 1.31e-6), rel=1e-9)
    assert numerical_aperture(1.4516, 1.4468) == pytest.approx(ofiber.numerical_aperture(1.4516, 1.4468), rel=1e-9)


@pytest.mark.parametrize("wavelength_um", [1.31, 1.55])
def test_both_radii_agree_with_quadrature_of_the_library_field(wavelength_um):
    fibre = exact_mode(wavelength_um)
    mode = step_index_mode(fibre.v)
    assert mode.u == pytest.approx(fibre.u, abs=1e-9)
    assert mode.petermann_1_ratio * A == pytest.approx(fibre.petermann_1_um, rel=1e-7)
    assert mode.petermann_2_ratio * A == pytest.approx(fibre.petermann_2_um, rel=1e-6)


def test_c2_13_effective_index_and_area_of_the_exact_mode():
    # Exact LP01; agrees with an outside mode solver to 1e-8 (index) and 0.02 % (area).
    for wavelength_um, index, area in ((1.31, "1.44925", "64.7708"), (1.55, "1.44595", "82.0361")):
        fibre = exact_mode(wavelength_um)
        b = step_index_mode(fibre.v).b
        squares = fibre.cladding_index**2 + b * (fibre.core_index**2 - fibre.cladding_index**2)
        assert_printed(float(np.sqrt(squares)), index)
        assert_printed(fibre.effective_area_um2, area)


def test_c2_14_two_approximations_against_what_they_stand_for():
    # ofiber's Omega is a 1/e radius of intensity, so sqrt(2) times it stands for the Gaussian radius.
    for wavelength_um, omega, approximate in ((1.31, "1.00601", "0.999460"), (1.55, "0.965786", "0.997987")):
        v = exact_mode(wavelength_um).v
        assert_printed(2**0.5 * ofiber.gaussian_envelope_Omega(v) / marcuse_radius_ratio(v), omega)
        assert_printed(petermann_2_approximate_ratio(v) / step_index_mode(v).petermann_2_ratio, approximate)


@settings(max_examples=40, deadline=None)
@given(st.floats(1.0, 4.9), st.floats(0.01, 0.1))
def test_a_larger_v_holds_the_mode_tighter(v, more):
    assert step_index_mode(v + more).b > step_index_mode(v).b
    assert 0 < step_index_mode(v).b < 1


@settings(deadline=None)
@given(st.floats(1.27, 1.62), st.floats(0.001, 0.005), st.floats(3.0, 7.0))
def test_a_radius_grows_with_wavelength_and_is_kept_at_1310(wavelength_um, more, radius_um):
    assert radius_at_wavelength_um(radius_um, wavelength_um + more) > radius_at_wavelength_um(radius_um, wavelength_um)
    assert radius_at_wavelength_um(radius_um, 1.31) == pytest.approx(radius_um, rel=1e-12)


@pytest.mark.parametrize(
    "call",
    [
        lambda: v_number(0.1, 0.12, 1.31),
        lambda: v_number(4.1, 0.7, 1.31),
        lambda: v_number(4.1, 0.12, 3.0),
        lambda: numerical_aperture(1.4468, 1.4468),
        lambda: marcuse_radius_ratio(1.1),
        lambda: petermann_2_approximate_ratio(2.6),
        lambda: step_index_mode(0.9),
        lambda: radius_at_wavelength_um(4.6, 1.65),
        lambda: radius_at_wavelength_um(9.2, 1.31),  # a diameter given for a radius
    ],
)
def test_outside_its_range_a_formula_is_refused(call):
    with pytest.raises(OpticsError):
        call()
