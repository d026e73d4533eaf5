"""Readings of a reflectometer: printed figures and what must hold of them."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.otdr import (
    BACKSCATTER_1NS_DB,
    event_dead_zone_m,
    one_way_loss_db,
    one_way_sigma_db,
    reflectance_db,
    step_db,
    two_way_loss_db,
)

from .printed import assert_printed

DIAMETERS = st.floats(7.0, 12.0)


def test_o1_01_a_gainer_and_what_is_true_of_it():
    # 9.2 into 8.6 µm, true loss 0.05 dB.
    step = step_db(9.2, 8.6)
    assert_printed(step, "-0.292894")
    assert_printed(0.05 + step, "-0.242894")
    assert_printed(0.05 - step, "0.342894")
    assert_printed(two_way_loss_db(0.05 + step, 0.05 - step), "0.0500000")


def test_o1_02_steps_into_wider_fibres():
    assert_printed(step_db(9.2, 10.4), "0.532455")
    assert_printed(step_db(8.4, 9.6), "0.579919")


def test_o1_03_dead_zones():
    # c tau/(2 N), N 1.468.
    rows = ((5, "0.510546"), (10, "1.02109"), (30, "3.06327"), (100, "10.2109"), (1000, "102.109"))
    for pulse_ns, figure in rows:
        assert_printed(event_dead_zone_m(pulse_ns, 1.468), figure)


def test_o1_05_reflectance_from_the_height_of_a_peak():
    assert_printed(reflectance_db(10.0, 30.0, BACKSCATTER_1NS_DB[1310].value), "-44.4724")


def test_o1_06_one_way_cannot_police_a_tenth_of_a_decibel():
    sigma = one_way_sigma_db(0.4, 9.2)
    assert_printed(sigma, "0.0890123")
    rng = np.random.default_rng(3)
    widths = rng.normal(9.2, 0.4 / 3, (200_000, 2))
    sampled = 10 * np.log10(widths[:, 1] / widths[:, 0])
    assert sampled.std() == pytest.approx(sigma, rel=0.01)


@settings(deadline=None)
@given(DIAMETERS, DIAMETERS, st.floats(0.0, 1.0))
def test_both_ways_and_one_way_corrected_give_the_true_loss(mfd_a, mfd_b, true_db):
    there, back = true_db + step_db(mfd_a, mfd_b), true_db + step_db(mfd_b, mfd_a)
    assert two_way_loss_db(there, back) == pytest.approx(true_db, abs=1e-12)
    assert one_way_loss_db(there, mfd_a, mfd_b) == pytest.approx(true_db, abs=1e-12)
    assert one_way_loss_db(back, mfd_b, mfd_a) == pytest.approx(true_db, abs=1e-12)


def test_backscatter_goes_with_the_inverse_square_of_the_width():
    # Twice the width: a quarter of the light, seen on a scale that halves decibels.
    assert step_db(5.0, 10.0) == pytest.approx(0.5 * 10 * math.log10(4.0))


@pytest.mark.parametrize(
    "call",
    [
        lambda: step_db(0.0092, 9.2),
        lambda: two_way_loss_db(0.1, 25.0),
        lambda: one_way_loss_db(math.nan, 9.2, 9.2),
        lambda: one_way_sigma_db(-0.1, 9.2),
        lambda: event_dead_zone_m(10, 2.0),
        lambda: reflectance_db(0.0, 30.0, -79.2),
        lambda: reflectance_db(10.0, 30.0, 79.2),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
