"""Where along the cable: printed figures, and a group index from the mode itself."""

import itertools
import math

import ofiber
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.constants import GROUP_INDEX
from repairadvisor.optics.distance import fibre_length_m, helix_factor, length_at_index_m, sheath_length_m
from repairadvisor.optics.mode_field import step_index_mode

from .exact_mode import ExactMode
from .printed import assert_printed


@pytest.mark.parametrize(
    ("wavelength_um", "bulk", "fibre"), [(1.31, "1.46164", "1.46705"), (1.55, "1.46260", "1.46771")]
)
def test_d1_01_group_index_of_silica_and_of_the_test_fibre(wavelength_um, bulk, fibre):
    # Sellmeier plus waveguide dispersion: n_eff - lambda d n_eff / d lambda, with our own mode.
    silica = ofiber.glass(ofiber.find_glass("SiO2"))
    assert_printed(float(ofiber.n_group(silica, wavelength_um * 1e-6)), bulk)

    def effective_index(at_um):
        exact = ExactMode(at_um)
        b = step_index_mode(exact.v).b
        return math.sqrt(exact.cladding_index**2 + b * (exact.core_index**2 - exact.cladding_index**2))

    slope = (effective_index(wavelength_um + 1e-4) - effective_index(wavelength_um - 1e-4)) / 2e-4
    group_index = effective_index(wavelength_um) - wavelength_um * slope
    assert_printed(group_index, fibre)
    tabled = GROUP_INDEX["G.652", round(wavelength_um * 1000)].value
    assert tabled == pytest.approx(group_index, abs=5e-4)


def test_d1_02_round_trip_to_length_and_what_a_wrong_index_costs():
    assert_printed(fibre_length_m(98.0, 1.468) / 1000, "10.0067")
    # An index set 0.001 too low: 0.68 m a kilometre; 6.8 m in ten.
    assert_printed(length_at_index_m(1000.0, 1.468, 1.467) - 1000.0, "0.681663")
    assert_printed(10_000.0 - length_at_index_m(10_000.0, 1.467, 1.468), "6.81199")


def test_d1_03_helix_and_sheath():
    # Diameter 5 mm, lay 90 mm; 10,000 m of fibre by division, and by the subtraction that we do not use.
    factor = helix_factor(5.0, 90.0)
    assert_printed(factor, "1.01512")
    sheath = sheath_length_m(10_000.0, factor - 1.0)
    assert_printed(sheath, "9851.08")
    assert_printed(10_000.0 * (2.0 - factor), "9848.83")
    assert_printed(sheath - 10_000.0 * (2.0 - factor), "2.25109")


@settings(deadline=None)
@given(st.floats(0.0, 20.0), st.floats(20.0, 500.0))
def test_a_helix_is_as_long_as_its_steps_summed(diameter_mm, lay_mm):
    steps = 2000
    points = [
        (
            diameter_mm / 2 * math.cos(2 * math.pi * i / steps),
            diameter_mm / 2 * math.sin(2 * math.pi * i / steps),
            lay_mm * i / steps,
        )
        for i in range(steps + 1)
    ]
    length = sum(math.dist(a, b) for a, b in itertools.pairwise(points))
    assert helix_factor(diameter_mm, lay_mm) == pytest.approx(length / lay_mm, rel=1e-5)


@settings(deadline=None)
@given(st.floats(0, 50_000), st.floats(0, 0.1))
def test_the_sheath_is_never_longer_than_the_fibre_and_gives_it_back(fibre_m, overlength):
    sheath = sheath_length_m(fibre_m, overlength)
    assert sheath <= fibre_m
    assert sheath * (1 + overlength) == pytest.approx(fibre_m, rel=1e-12)


@pytest.mark.parametrize(
    "call",
    [
        lambda: fibre_length_m(-1.0, 1.468),
        lambda: fibre_length_m(98.0, 14.68),
        lambda: helix_factor(5.0, 0.0),
        lambda: sheath_length_m(100.0, 2.0),
        lambda: length_at_index_m(100.0, 1.468, 1.0),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
