"""What may be concluded from readings: averages, steps of unlike fibres, bends, joints within one dead zone."""

import math

import pytest

from repairadvisor.outcome.conclusions import (
    Sides,
    below_record_db,
    bend_excess_db,
    concluded,
    is_bend,
    joints_in_reading,
    sides_of,
)
from repairadvisor.outcome.reported import Reading

from .results import attempt, both, context, near

ALIKE = Sides(0.0, 0.0, 9.2, alike=True)


@pytest.fixture(scope="module")
def figures(rules):
    return rules.policy.after_work


def sides(rules, joint=1, *, inserts=False, **facts):
    return sides_of(rules.light, context(**facts), "single_mode", inserts=inserts, joint=joint)


def test_the_step_is_ten_log_of_the_widths(rules):
    # 10 log (8.6 / 9.2) = -0.293 dB: a gain from the wider into the narrower.
    found = sides(rules, fibre_type_near="g652d", fibre_type_far="g657a2")
    assert found.step_low_db == found.step_high_db == pytest.approx(10 * math.log10(8.6 / 9.2), abs=1e-6)
    assert not found.alike
    back = sides(rules, fibre_type_near="g657a2", fibre_type_far="g652d")
    assert back.step_low_db == pytest.approx(-found.step_low_db)


def test_widths_on_record_count_before_types(rules):
    found = sides(rules, mode_field_near_um=9.2, mode_field_far_um=8.4)
    assert found.step_low_db == pytest.approx(10 * math.log10(8.4 / 9.2), abs=1e-4)


def test_alike_fibres_show_no_step_and_unknown_ones_any(rules):
    alike = sides(rules)
    assert (alike.step_low_db, alike.step_high_db, alike.alike) == (0.0, 0.0, True)
    unknown = sides(rules, fibre_type_far=None)
    assert unknown.step_low_db < 0.0 < unknown.step_high_db
    assert not unknown.alike


def test_a_length_let_in_has_its_own_fibre_at_either_joint(rules):
    told = {"fibre_type_near": "g652d", "fibre_type_far": "g657a2", "insert_fibre_type": "g652d"}
    assert sides(rules, 1, inserts=True, **told).alike
    assert not sides(rules, 2, inserts=True, **told).alike
    assert not sides(rules, 1, inserts=True, **{**told, "insert_fibre_type": None}).alike


def test_both_ways_tell_the_loss_whatever_the_fibres(figures):
    # S + step one way and S - step the other: the mean is S.
    found = concluded(Reading(1310, -0.24, 0.34), Sides(-0.293, -0.293, 8.6, alike=False), figures)
    assert (found.low_db, found.high_db, found.ways) == (pytest.approx(0.05), pytest.approx(0.05), 2)
    assert found.sigma_db == 0.03
    assert not found.gain


def test_one_way_bounds_the_loss_by_the_steps_there_may_be(figures):
    unlike = Sides(-0.293, 0.1, 8.6, alike=False)
    found = concluded(Reading(1310, from_near_db=-0.24), unlike, figures)
    assert (found.low_db, found.high_db) == (pytest.approx(-0.34), pytest.approx(0.053))
    assert found.gain
    # From the far end the step has the other sign.
    back = concluded(Reading(1310, from_far_db=0.34), unlike, figures)
    assert (back.low_db, back.high_db) == (pytest.approx(0.047), pytest.approx(0.44))


def test_what_one_end_errs_by_holds_the_tolerance_of_the_fibres(figures):
    # 4.343 sqrt(2) (0.4/3) / 9.2 = 0.089 dB, and 0.04 dB of the instrument.
    found = concluded(Reading(1310, from_near_db=0.1), ALIKE, figures)
    assert found.sigma_db == pytest.approx(math.hypot(0.089, 0.04), abs=1e-3)


@pytest.mark.parametrize(("long_", "bend"), [(0.16, False), (0.27, False), (0.28, True), (0.6, True)])
def test_more_at_the_longer_wavelength_is_a_bend(figures, long_, bend):
    """0.05 to 0.1 dB more at 1550 than at 1310 nm: common practice, no source."""
    read = {one.nm: concluded(one, ALIKE, figures) for one in both(0.18, long_)}
    assert is_bend(bend_excess_db(read, "single_mode"), figures) is bend


def test_as_much_too_much_at_both_is_the_joint(figures):
    read = {one.nm: concluded(one, ALIKE, figures) for one in both(0.5, 0.48)}
    assert not is_bend(bend_excess_db(read, "single_mode"), figures)


def test_no_bend_is_told_from_one_wavelength_or_from_two_that_were_read_otherwise(figures):
    one = concluded(Reading(1310, both_ways_db=0.1), ALIKE, figures)
    other = concluded(Reading(1550, from_near_db=0.4), ALIKE, figures)
    assert bend_excess_db({1310: one}, "single_mode") is None
    assert bend_excess_db({1310: one, 1550: other}, "single_mode") is None
    assert bend_excess_db({850: one, 1300: concluded(Reading(1300, 0.4), ALIKE, figures)}, "multimode") is None


def test_one_end_tells_a_bend_too(figures):
    """Unlike fibres step by about the same at both wavelengths."""
    read = {one.nm: concluded(one, ALIKE, figures) for one in near(-0.1, 0.1)}
    assert is_bend(bend_excess_db(read, "single_mode"), figures)


def test_joints_within_the_dead_zone_are_read_as_one(figures):
    # c tau / 2N = 10.2 m for 100 ns; three of them are the attenuation dead zone (from memory).
    assert joints_in_reading(attempt(pulse_ns=100.0, to_next_joint_m=30.0), figures) == 2
    assert joints_in_reading(attempt(pulse_ns=100.0, to_next_joint_m=31.0), figures) == 1
    assert joints_in_reading(attempt(pulse_ns=10.0, to_next_joint_m=30.0), figures) == 1
    assert joints_in_reading(attempt(joints_read=3), figures) == 3


def test_the_level_is_told_or_follows_from_power_before_and_after():
    assert below_record_db([attempt(level_below_record_db=4.1)]) == 4.1
    silent = attempt(level_below_record_db=None)
    assert below_record_db([silent]) is None
    power = attempt(level_below_record_db=None, power_before_dbm=-18.0, power_after_dbm=-19.5)
    assert below_record_db([power, silent]) == 1.5


@pytest.mark.parametrize("reading", [-1.0, 0.0, 0.7])
@pytest.mark.parametrize(("low", "width"), [(-0.5, 0.0), (-0.3, 0.6), (0.1, 0.2)])
def test_the_truth_lies_between_what_is_concluded(figures, reading, low, width):
    found = concluded(Reading(1310, from_near_db=reading), Sides(low, low + width, 9.2, alike=False), figures)
    for part in (0.0, 0.5, 1.0):
        truth = reading - (low + part * width)
        assert found.low_db - 1e-9 <= truth <= found.high_db + 1e-9
