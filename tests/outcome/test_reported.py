"""What a report may hold: ranges, words, times, pseudonyms; every fault at once, by field, value, range and unit."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.errors import InputError
from repairadvisor.optics.otdr import step_db
from repairadvisor.outcome.reported import (
    BOTH_WAYS_DB,
    CARRIED_NM,
    ONE_WAY_DB,
    Reading,
    Repair,
    held_against,
    no_two_alike,
)

from .results import NOW, attempt, both

REPAIR = Repair(NOW, ("single_mode",), ("fusion_splice", "mechanical_splice"))


def faults(**changes):
    with pytest.raises(InputError) as caught:
        attempt(**changes)
    return caught.value.faults


@pytest.mark.parametrize(
    ("changes", "field", "value", "allowed"),
    [
        ({"attempt": 0}, "attempt", "0", "1 to 20"),
        ({"attempt": 21}, "attempt", "21", "1 to 20"),
        ({"attempt": 1.5}, "attempt", "1.5", "1 to 20"),
        ({"attempt": True}, "attempt", "True", "1 to 20"),
        ({"joint": 0}, "joint", "0", "1 to 50"),
        ({"readings": (Reading(1310, from_near_db=-3.0),)}, "readings.1310.from_near_db", "-3.0", "-2 to 20"),
        ({"readings": (Reading(1310, both_ways_db=-0.5),)}, "readings.1310.both_ways_db", "-0.5", "-0.15 to 20"),
        ({"readings": (Reading(1310, -1.0, -1.0),)}, "readings.1310.both ways, averaged", "-1.0", "-0.15 to 20"),
        ({"readings": (Reading(1310),)}, "readings.1310", "", "from_near_db"),
        ({"readings": (Reading(1310, 0.1, 0.1, 0.1),)}, "readings.1310", "", "both_ways_db alone"),
        ({"readings": (Reading(1311, 0.1),)}, "readings.nm", "1311", "1310, 1490, 1550"),
        ({"readings": (*both(), Reading(1310, 0.1))}, "readings.1310", "1310", "one reading a wavelength"),
        ({"readings": (Reading(1310, 0.1, bound="about"),)}, "readings.1310.bound", "about", "exact, below, above"),
        ({"machine_estimate_db": -0.1}, "machine_estimate_db", "-0.1", "0 to 5"),
        ({"machine_estimate_db": float("nan")}, "machine_estimate_db", "nan", "0 to 5"),
        ({"reflectance_db": 3.0}, "reflectance_db", "3.0", "-90 to 0"),
        ({"level_below_record_db": 61.0}, "level_below_record_db", "61.0", "-20 to 60"),
        ({"power_after_dbm": 30.0}, "power_after_dbm", "30.0", "-60 to 20"),
        ({"tray_fibre_near_m": -0.1}, "tray_fibre_near_m", "-0.1", "0 to 10"),
        ({"joint_bodies_left": -1}, "joint_bodies_left", "-1", "0 to 1000"),
        ({"pull_test": "ok"}, "pull_test", "ok", "passed, failed, unknown"),
        ({"inspection": "seen"}, "inspection", "seen", "clean, dirty, damaged, unknown"),
        ({"person": "Q. Wren"}, "person", "Q. Wren", "pseudonym"),
        ({"fibre": "1,2"}, "fibre", "1,2", "printable"),
        ({"advice": ""}, "advice", "", "printable"),
        ({"made_at": NOW.replace(tzinfo=None)}, "made_at", "datetime", "with its zone"),
    ],
)
def test_a_fault_names_field_value_and_what_is_allowed(changes, field, value, allowed):
    (fault,) = faults(**changes)
    assert fault.field == field
    assert value in fault.value
    assert allowed in fault.sentence()


def test_units_stand_beside_ranges():
    assert [fault.unit for fault in faults(reflectance_db=1.0, tray_fibre_far_m=11.0)] == ["dB", "m"]


def test_every_fault_is_named_at_once():
    found = faults(attempt=0, joint=0, pull_test="?", readings=(Reading(1310, -3.0), Reading(900, 0.1)))
    assert [fault.field for fault in found] == [
        *("joint", "attempt", "pull_test"),
        *("readings.1310.from_near_db", "readings.nm"),
    ]


def test_a_result_of_tomorrow_is_refused():
    with pytest.raises(InputError, match=r"made_at = 2031-05-05T12:00:00\+00:00: lies after now; allowed: up to"):
        held_against(attempt(made_at=NOW + timedelta(days=1)), REPAIR)
    assert held_against(attempt(made_at=NOW), REPAIR).made_at == NOW


def test_a_wavelength_that_the_fibre_does_not_carry_is_refused():
    with pytest.raises(InputError, match=r"850: is no wavelength that the fibre carries; allowed: 1310, 1490.*nm"):
        held_against(attempt(readings=(Reading(850, 0.1),)), REPAIR)
    either = replace(REPAIR, fibre_modes=("single_mode", "multimode"))
    assert held_against(attempt(readings=(Reading(850, 0.1),)), either)


def test_a_method_that_makes_no_joint_is_refused():
    with pytest.raises(InputError, match="no such method makes a joint"):
        held_against(attempt(method="none"), REPAIR)


def test_a_joint_that_the_repair_does_not_make_is_refused_where_that_is_known():
    with pytest.raises(InputError, match=r"joint = 3: the repair makes 2 on each fibre; allowed: 1 to 2"):
        held_against(attempt(joint=3), replace(REPAIR, joints=2))
    with pytest.raises(InputError, match="joints_read = 2"):
        held_against(attempt(joint=2, joints_read=2), replace(REPAIR, joints=2))


def test_the_same_result_twice_is_one_and_two_of_one_name_are_refused():
    first = attempt()
    assert no_two_alike([first, attempt(), attempt(fibre="2")]) == (first, attempt(fibre="2"))
    with pytest.raises(InputError, match="fibre 1, joint 1, attempt 1"):
        no_two_alike([first, attempt(0.06)])


def test_times_are_kept_in_utc():
    there = datetime(2031, 5, 4, 13, 30, tzinfo=timezone(timedelta(hours=2)))
    assert attempt(made_at=there).made_at == datetime(2031, 5, 4, 11, 30, tzinfo=UTC)
    assert attempt(made_at=there).made_at.tzinfo is UTC


def test_the_greatest_gain_is_what_unlike_fibres_make():
    # From 12.5 µm (ITU-T G.654.E, top of its range, from memory) into 8.6 µm: 10 log (8.6 / 12.5).
    assert ONE_WAY_DB[0] <= step_db(12.5, 8.6) <= ONE_WAY_DB[0] + 0.5
    # Three times 0.05 dB, the most by which averaged readings repeat (from memory).
    assert BOTH_WAYS_DB[0] == pytest.approx(-3.0 * 0.05)


@given(st.floats(-2.0, 20.0), st.floats(-2.0, 20.0))
def test_both_ways_are_averaged(there, back):
    reading = Reading(1310, there, back)
    assert reading.loss_db == pytest.approx((there + back) / 2.0)
    assert reading.ways == 2
    assert Reading(1310, there).ways == Reading(1310, from_far_db=back).ways == 1


def test_a_machines_estimate_is_no_reading():
    assert attempt(readings=(), machine_estimate_db=0.01).reading(1310) is None


def test_every_wavelength_of_the_policy_can_be_reported(rules):
    light = rules.policy.light
    assert {nm for many in light.wavelengths.values() for nm in many} <= {
        nm for many in CARRIED_NM.values() for nm in many
    }
