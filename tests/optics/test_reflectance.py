"""Reflection of surfaces, films, gel joints and angled faces: printed figures, a library, the exact mode."""

import math

import numpy as np
import ofiber
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.mode_field import step_index_mode
from repairadvisor.optics.reflectance import (
    RETURN_LOSS_CLASS_DB,
    air_film_worst_return_loss_db,
    face_loss_db,
    film_loss_db,
    film_worst_loss_db,
    film_worst_reflectance,
    gel_joint_return_loss,
    gel_joint_return_loss_range_db,
    return_loss_db,
    surface_reflectance,
    tilted_face_return_loss_db,
    total_return_loss_db,
)

from .exact_mode import CORE_RADIUS_UM, exact_mode
from .printed import assert_printed

INDICES = st.floats(1.0, 1.9)


def test_c1_11_glass_against_air():
    # Fresnel, n 1.45: one face, two faces, incoherent and coherent film.
    one = surface_reflectance(1.45, 1.0)
    assert_printed(one, "0.0337359")
    assert_printed(return_loss_db(one), "14.7191")
    assert_printed(face_loss_db(one), "0.149042")
    assert_printed(2 * face_loss_db(one), "0.298084")
    assert_printed(film_loss_db(one), "0.293138")
    assert_printed(film_worst_loss_db(one), "0.586276")
    assert_printed(return_loss_db(film_worst_reflectance(one)), "8.98666")
    assert_printed(air_film_worst_return_loss_db(), "8.98666")


@pytest.mark.parametrize(
    ("temperature_c", "gel_index", "one", "both"),
    [
        pytest.param(-40, 1.4516, "41.9756", "35.9556", id="C1.12 -40"),
        pytest.param(-20, 1.4516, "45.1494", "39.1290", id="C1.12 -20"),
        pytest.param(0, 1.4516, "50.2345", "44.2139", id="C1.12 0"),
        pytest.param(40, 1.4516, "54.6306", "48.6100", id="C1.13 40"),
        pytest.param(60, 1.4516, "47.2506", "41.2301", id="C1.13 60"),
        pytest.param(75, 1.4516, "44.1371", "38.1169", id="C1.13 75"),
        pytest.param(-40, 1.4566, "40.3020", "34.2822", id="C1.14 -40"),
        pytest.param(0, 1.4566, "46.3987", "40.3783", id="C1.14 0"),
        pytest.param(60, 1.4566, "51.6807", "45.6601", id="C1.14 60"),
    ],
)
def test_a_gel_joint_over_temperature(temperature_c, gel_index, one, both):
    # Fresnel; silica 8.5e-6 /K, gel -3.5e-4 /K.
    loss = gel_joint_return_loss(temperature_c, gel_index)
    assert_printed(loss.one_surface_db, one)
    assert_printed(loss.worst_db, both)


def test_a_gel_joint_is_credited_with_sixty_decibels_at_most():
    assert gel_joint_return_loss(25.0).worst_db == 60.0
    assert gel_joint_return_loss(26.0).one_surface_db == 60.0


@settings(deadline=None)
@given(st.floats(-40, 75), st.floats(0, 30), st.floats(0, 0.005), st.floats(-4.5e-4, -3e-4), st.floats(0, 1))
def test_no_gel_of_the_envelope_reflects_more_than_its_least_return_loss(coldest_c, wider, excess, per_k, place):
    warmest_c = min(coldest_c + wider, 75.0)
    least, greatest = gel_joint_return_loss_range_db(coldest_c, warmest_c)
    temperature_c = coldest_c + place * (warmest_c - coldest_c)
    found = gel_joint_return_loss(temperature_c, 1.4516 + excess, per_k).worst_db
    assert least - 1e-9 <= found <= greatest + 1e-9


def test_deep_frost_takes_a_gel_joint_below_the_limit_of_a_passive_network_and_mild_weather_does_not():
    assert gel_joint_return_loss_range_db(-40.0, -40.0)[0] < 35.0
    assert gel_joint_return_loss_range_db(10.0, 40.0)[0] > 39.0
    assert gel_joint_return_loss_range_db(-10.0, 40.0)[1] == 60.0


@pytest.mark.parametrize(
    ("angle_deg", "at_1310", "exact_1310", "at_1550", "exact_1550"),
    [
        pytest.param(1.0, "1.32151", "1.36285", "1.22815", "1.30453", id="C1.15"),
        pytest.param(2.0, "5.28604", "5.29165", "4.91262", "4.90633", id="C1.16"),
        pytest.param(4.0, "21.1442", "21.0407", "19.6505", "17.6293", id="C1.17"),
    ],
)
def test_an_angled_face_sends_the_light_aside(angle_deg, at_1310, exact_1310, at_1550, exact_1550):
    # Gaussian and exact mode at twice the angle; the extra over the flat face.
    for wavelength_um, ours, exact in ((1.31, at_1310, exact_1310), (1.55, at_1550, exact_1550)):
        fibre = exact_mode(wavelength_um)
        w_um = step_index_mode(fibre.v).petermann_2_ratio * CORE_RADIUS_UM
        flat = return_loss_db(0.0337)
        extra = tilted_face_return_loss_db(0.0337, angle_deg, w_um, fibre.core_index, wavelength_um) - flat
        assert_printed(extra, ours)
        assert_printed(fibre.tilt_loss_db(2 * angle_deg, fibre.core_index), exact)


def test_c1_18_at_eight_degrees_the_formula_is_refused_because_it_promises_far_too_much():
    # Exact mode: 62.8455 dB (1310) and 44.5365 dB (1550) more than a flat face; the Gaussian says 84.6 and 78.6.
    for wavelength_um, exact in ((1.31, "62.8455"), (1.55, "44.5365")):
        fibre = exact_mode(wavelength_um)
        assert fibre.tilt_loss_db(16.0, fibre.core_index) == pytest.approx(float(exact), abs=2e-3)
    with pytest.raises(OpticsError):
        tilted_face_return_loss_db(0.0337, 8.0, 4.6, 1.45, 1.31)
    assert RETURN_LOSS_CLASS_DB["angled, grade 1"].value == 60.0


def test_o1_04_several_reflections_add_as_powers_behind_their_loss():
    # -55 dB at once, -45 dB behind 1 dB, -40 dB behind 3 dB.
    assert_printed(total_return_loss_db([(-55.0, 0.0), (-45.0, 1.0), (-40.0, 3.0)]), "43.1665")


@settings(deadline=None)
@given(INDICES, INDICES)
def test_an_outside_library_reflects_the_same(n1, n2):
    assert surface_reflectance(n1, n2) == pytest.approx(float(ofiber.R_unpolarized(n2 / n1, 0.0)), rel=1e-9, abs=1e-15)
    assert surface_reflectance(n1, n2) == surface_reflectance(n2, n1)


@settings(deadline=None)
@given(st.floats(0.0, 0.5))
def test_the_worst_film_is_the_worst_of_all_gaps(reflectance):
    # An etalon sampled over its phase: Airy's formula, shares nothing with the closed forms.
    phase = np.linspace(0, np.pi, 2001)
    root = math.sqrt(reflectance)
    amplitude = root * (1 - np.exp(2j * phase)) / (1 - reflectance * np.exp(2j * phase))
    reflected = abs(amplitude) ** 2
    assert film_worst_reflectance(reflectance) == pytest.approx(float(reflected.max()), abs=1e-12)
    assert film_worst_loss_db(reflectance) == pytest.approx(-10 * math.log10(1 - reflected.max()), abs=1e-9)
    mean = float(np.mean(1 - reflected[:-1]))
    assert film_loss_db(reflectance) == pytest.approx(-10 * math.log10(mean), abs=1e-9)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-80, -10), st.floats(0, 20)), min_size=1, max_size=5), st.floats(-80, -10))
def test_one_more_reflection_never_raises_the_return_loss_and_none_counts_for_more_than_it_is(reflections, another):
    total = total_return_loss_db(reflections)
    assert total_return_loss_db([*reflections, (another, 0.0)]) <= total
    assert total <= min(-reflectance + 2 * before for reflectance, before in reflections) + 1e-9


@pytest.mark.parametrize(
    "call",
    [
        lambda: surface_reflectance(0.9, 1.45),
        lambda: return_loss_db(0.0),
        lambda: film_loss_db(1.0),
        lambda: gel_joint_return_loss(150.0),
        lambda: gel_joint_return_loss(0.0, gel_per_k=1e-4),
        lambda: gel_joint_return_loss_range_db(10.0, 0.0),
        lambda: total_return_loss_db([]),
        lambda: total_return_loss_db([(35.0, 0.0)]),  # a return loss given for a reflectance
        lambda: total_return_loss_db([(-35.0, -1.0)]),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
