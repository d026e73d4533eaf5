"""What one attempt says of workmanship: which reading counts, under what condition, and what is left out."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcome.recorded_work import AT_A_BENCH, BEGAN, UP_A_POLE, light, made
from repairadvisor.facts.parse import parse_context
from repairadvisor.outcome.attempt_readings import (
    BOTH_WAYS,
    NO_MODE,
    NO_PLAN,
    NO_SPREAD,
    NOTHING_READ,
    ONE_WAY,
    SHOWN,
    WHY_LEFT_OUT,
    usable,
)
from repairadvisor.outcome.reported import ABOVE, BELOW, BOUNDS, EXACT, Reading


def said(one):
    return usable(one, light())


def context(**facts):
    return parse_context(facts, BEGAN)


def test_both_ways_before_one_way_and_the_shortest_wavelength_first():
    readings = (
        Reading(1550, both_ways_db=0.30),
        Reading(1490, from_near_db=0.01, from_far_db=0.05),
        Reading(1310, from_near_db=-0.2),
    )
    found = said(made(readings=readings))
    assert (found.how, found.condition.nm, found.reading) == (BOTH_WAYS, 1490, 3)


def test_a_gain_seen_one_way_is_a_reading_with_its_noise():
    """Between like fibres: 4.343 sqrt(2) (0.4/3)/9.2 = 0.089 dB from the tolerance of their mode fields (derived in
    optics/otdr.py), and 0.04 dB of the reading itself: 0.098."""
    alike = context(fibre_mode="single_mode", mode_field_near_um=9.2, mode_field_far_um=9.2)
    found = said(made(readings=(Reading(1310, from_near_db=-0.2),), context=alike))
    assert (found.how, found.reading) == (ONE_WAY, -20)
    assert found.condition.noise_db == pytest.approx(0.10)


def test_one_way_the_step_of_unlike_fibres_is_taken_off():
    """From 9.2 into 8.6 µm a trace shows 10 log(8.6/9.2) = -0.293 dB, and as much too much the other way."""
    unlike = context(fibre_mode="single_mode", mode_field_near_um=9.2, mode_field_far_um=8.6)
    there, back = (
        said(made(readings=(reading,), context=unlike))
        for reading in (Reading(1310, from_near_db=-0.173), Reading(1310, from_far_db=0.413))
    )
    assert there.reading == back.reading == 10  # 0.12 dB less 0.02 dB that unlike widths lose


def test_one_way_with_nobody_knows_which_fibres_says_next_to_nothing():
    found = said(made(readings=(Reading(1310, from_near_db=0.1),)))
    assert found.how == ONE_WAY
    assert found.condition.noise_db > 0.5


def test_what_the_machine_showed_counts_only_where_nothing_was_measured():
    told = context(fibre_mode="single_mode")
    shown = said(made(loss_db=None, machine_estimate_db=0.4, context=told))
    assert (shown.how, shown.reading, shown.condition.nm) == (SHOWN, 40, 1310)
    assert said(made(loss_db=0.1, machine_estimate_db=0.4)).how == BOTH_WAYS


@pytest.mark.parametrize("bound", [BELOW, ABOVE])
def test_a_bound_stays_a_bound(bound):
    assert said(made(readings=(Reading(1310, both_ways_db=0.02, bound=bound),))).bound == bound


def test_an_exact_reading_counts_before_a_bound():
    readings = (Reading(1310, both_ways_db=0.02, bound=BELOW), Reading(1550, both_ways_db=0.03))
    assert said(made(readings=readings)).bound == EXACT


def test_the_workplace_is_that_of_the_plan_for_the_method_that_was_used():
    assert said(made(plan=AT_A_BENCH)).condition.factor == 1.0
    assert said(made(plan=UP_A_POLE)).condition.factor == 1.4  # the policy's at-height
    # fitted instead of fused: the policy says less of stubs at height
    assert said(made(plan=UP_A_POLE, method="field_fit_stub")).condition.factor == 1.2


def test_what_unlike_widths_lose_is_no_workmanship():
    """Radii of 4.6 and 4.3 µm: 20 log((w1² + w2²)/(2 w1 w2)) = 0.0197 dB (Marcuse), by hand."""
    unlike = context(fibre_mode="single_mode", mode_field_near_um=9.2, mode_field_far_um=8.6)
    found = said(made(loss_db=0.10, context=unlike))
    assert found.reading == 8
    assert found.condition.size_um == pytest.approx(4.5)  # the root of the mean square, 4.452, to a tenth


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"loss_db": None}, NOTHING_READ),
        ({"loss_db": None, "reflectance_db": -50.0, "pull_test": "failed"}, NOTHING_READ),
        ({"plan": ""}, NO_PLAN),
        ({"plan": "fusion_splice"}, NO_PLAN),
        ({"method": "pre_made_cable"}, NO_SPREAD),
        ({"method": "no_such_method"}, NO_SPREAD),
        ({"loss_db": None, "machine_estimate_db": 0.1, "method": "mechanical_splice"}, NO_MODE),
    ],
)
def test_what_says_nothing_is_left_out_with_the_reason(changes, reason):
    assert said(made(**changes)) == reason


def test_the_mode_is_told_by_wavelengths_else_by_the_facts():
    many = said(made(readings=(Reading(850, both_ways_db=0.1),)))
    assert many.condition.mode == "multimode"
    told = context(fibre_mode="single_mode")
    shown = said(made(loss_db=None, machine_estimate_db=0.1, method="mechanical_splice", context=told))
    assert shown.condition.mode == "single_mode"


@given(
    readings=st.lists(
        st.builds(
            Reading,
            st.sampled_from([850, 1300, 1310, 1550, 1625]),
            both_ways_db=st.floats(-0.15, 20.0),
            bound=st.sampled_from(BOUNDS),
        ),
        max_size=3,
        unique_by=lambda one: one.nm,
    ),
    estimate=st.none() | st.floats(0.0, 5.0),
    method=st.sampled_from(["fusion_splice", "mechanical_splice", "field_fit_stub", "pre_made_cable"]),
    joints=st.integers(1, 3),
    plan=st.sampled_from([AT_A_BENCH, UP_A_POLE, ""]),
)
def test_every_attempt_counts_or_says_why_not(readings, estimate, method, joints, plan):
    one = made(plan=plan, readings=tuple(readings), machine_estimate_db=estimate, method=method, joints_read=joints)
    found = said(one)
    if isinstance(found, str):
        assert found in WHY_LEFT_OUT
    else:
        assert found.condition.joints == joints
        assert plan
    # how well it turned out never decides whether it counts
    other = tuple(Reading(one.nm, both_ways_db=0.0, bound=one.bound) for one in readings)
    same = said(made(plan=plan, readings=other, machine_estimate_db=estimate, method=method, joints_read=joints))
    assert isinstance(same, str) == isinstance(found, str)


def test_times_do_not_count():
    assert said(made(0)) == said(made(0, made_at=BEGAN + timedelta(days=3)))
