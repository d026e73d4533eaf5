"""The cited constants: the two of the decibel to the last bit, the rest against what they stand for."""

import math

from scipy.constants import speed_of_light

from repairadvisor.optics import constants
from repairadvisor.optics.constants import Constant

from .printed import assert_printed


def test_decibels_per_neper_are_what_they_say():
    # S1.01: 20 / ln 10
    assert_printed(constants.DB_PER_SQUARED_NEPER_OF_FIELD, "8.68589")
    assert math.isclose(constants.DB_PER_SQUARED_NEPER_OF_FIELD, 20 / math.log(10), rel_tol=3e-16)
    assert math.isclose(constants.DB_PER_NEPER_OF_POWER, 10 / math.log(10), rel_tol=3e-16)


def test_light_is_as_fast_as_the_metre_says():
    assert constants.LIGHT_SPEED_M_PER_S.value == speed_of_light


def test_every_constant_has_a_source_a_unit_and_a_known_mark():
    named = [c for c in vars(constants).values() if isinstance(c, Constant)]
    found = named + list(constants.GROUP_INDEX.values())
    assert len(found) > 20
    marks = {"read", "derived", "common practice", "from memory", "calibrated", "assumed"}
    for constant in found:
        assert constant.source
        assert constant.unit
        assert constant.mark in marks


def test_the_range_of_a_thermo_optic_coefficient_holds_its_nominal_value():
    silica = (
        constants.SILICA_THERMO_OPTIC_LOW_PER_K,
        constants.SILICA_THERMO_OPTIC_PER_K,
        constants.SILICA_THERMO_OPTIC_HIGH_PER_K,
    )
    gel = (
        constants.GEL_THERMO_OPTIC_STEEP_PER_K,
        constants.GEL_THERMO_OPTIC_PER_K,
        constants.GEL_THERMO_OPTIC_FLAT_PER_K,
    )
    for low, nominal, high in (silica, gel):
        assert low.value < nominal.value < high.value
