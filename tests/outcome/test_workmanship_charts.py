"""Charts over recorded attempts: who signals, since when, with what in common, and that nothing signals for nothing."""

import dataclasses
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcome.recorded_work import BEGAN, UP_A_POLE, fused, light, made
from outcome.test_control_chart import two_sided
from repairadvisor.decision.reasons import Words
from repairadvisor.errors import PolicyError
from repairadvisor.outcome.attempt_readings import NOTHING_READ
from repairadvisor.outcome.control_chart import LOWER, SIDES, UPPER, average_run_length
from repairadvisor.outcome.reported import Reading
from repairadvisor.outcome.workmanship_charts import KINDS, MOST_POINTS, Companion, workmanship_of
from repairadvisor.outcome.workmanship_said import Said

SEED = 20310504
WHO = {"machine": "m-1", "cleaver": "c-1", "person": "p-1"}


def chart_of(found, id):  # noqa: A002
    return next(one for one in found.charts if one.id == id)


def worn_blade():
    """The blade of c-2 is worn from joint 200 on; persons and machines take turns."""
    rng = np.random.default_rng(SEED)
    for i in range(300):
        cleaver = "c-1" if i % 2 else "c-2"
        scale = 1.8 if cleaver == "c-2" and i >= 200 else 1.0
        who = {"cleaver": cleaver, "machine": f"m-{i % 3}", "person": f"p-{i % 5}"}
        yield from fused(rng, 1, scale, begin=i, **who)


def test_a_worn_blade_is_found_since_when_and_with_what():
    found = workmanship_of(worn_blade(), light())
    chart = chart_of(found, "c-2")
    assert (chart.kind, chart.joints) == ("cleaver", 150)
    signal = chart.signals[0]
    assert signal.side == UPPER
    assert timedelta(minutes=15 * 190) <= signal.since - BEGAN <= timedelta(minutes=15 * 230)
    assert signal.at > signal.since
    assert signal.joints >= 3
    assert signal.mean_score > 0.5
    assert {one.kind for one in signal.companions} == {"machine", "person"}
    assert max(one.joints for one in signal.companions) < signal.joints  # nobody else had a hand in all of them
    assert signal.said[0].startswith("Joints lose more than they should, on average ")
    assert signal.since.date().isoformat() in signal.said[0]
    assert any("blade worn" in one for one in signal.usually)
    assert not chart_of(found, "c-1").signals
    assert chart_of(found, "c-1").said == ("No signal.",)


def test_what_always_goes_together_is_told():
    rng = np.random.default_rng(SEED)
    found = workmanship_of(fused(rng, 60, 2.0, **WHO), light())
    for chart in found.charts:
        signal = chart.signals[0]
        assert {(one.kind, one.id) for one in signal.companions} == set(WHO.items()) - {(chart.kind, chart.id)}
        assert all(one.joints == signal.joints for one in signal.companions)
    machine = chart_of(found, "m-1").signals[0]
    assert machine.said[1:] == ("Made with cleaver c-1: all of them.", "Made by person p-1: all of them.")


def test_what_weighs_most_in_a_signal_is_named_first():
    """One person, two cleavers in turn, one of them bad: the person's chart signals, and names that cleaver."""
    joints = [made(i, 0.2 if i % 2 else 0.04, person="p-1", cleaver=f"c-{i % 2}") for i in range(12)]
    signal = chart_of(workmanship_of(joints, light()), "p-1").signals[0]
    assert signal.companions[0].id == "c-1"
    assert signal.companions[0].mean_score > signal.mean_score
    assert signal.said[1].startswith("Made with cleaver c-1: ")
    assert "worse than they should be" in signal.said[1]


def test_signals_in_a_row_are_told_with_the_first_of_them():
    joints = [made(i, 0.3, machine="m-1") for i in range(40)]
    chart = chart_of(workmanship_of(joints, light()), "m-1")
    assert len(chart.signals) > 3
    assert chart.said[0].startswith(f"{len(chart.signals)} signals in a row say so, the first one on 2031-03-03")


def test_better_joints_signal_too():
    found = workmanship_of(fused(np.random.default_rng(SEED), 200, 0.55, **WHO), light())
    signals = chart_of(found, "c-1").signals
    assert signals
    assert {one.side for one in signals} == {LOWER}
    assert "lose less" in signals[0].said[0]


def test_joints_that_are_made_as_they_should_signal_as_seldom_as_published():
    """465 joints between false signals: of 10,000 about 21, give or take four times the root of that."""
    found = workmanship_of(fused(np.random.default_rng(SEED), 10_000, machine="m-1"), light())
    chart = chart_of(found, "m-1")
    signals = len(chart.signals) + chart.signals_before
    expected = 10_000 / 465
    assert abs(signals - expected) < 4.0 * np.sqrt(expected)


def test_joints_up_a_pole_are_held_against_joints_up_a_pole():
    rng = np.random.default_rng(SEED)
    fair = workmanship_of(fused(rng, 250, 1.4, plan=UP_A_POLE, machine="m-1"), light())
    assert abs(np.mean([one.score for one in chart_of(fair, "m-1").points])) < 0.35
    bench = workmanship_of(fused(rng, 250, 1.4, machine="m-1"), light())
    assert chart_of(bench, "m-1").signals


def test_a_ribbon_counts_once():
    """All twelve fibres of one ribbon failed: that is one bad joint, and no shift."""
    one = {"method": "ribbon_fusion_splice", "ribbon": "r1", "made_at": BEGAN, "machine": "m-1"}
    fibres = [made(0, 0.9, fibre=f"f{i}", **one) for i in range(12)]
    found = workmanship_of(fibres, light())
    chart = chart_of(found, "m-1")
    assert (found.attempts, found.joints, chart.joints) == (12, 1, 1)
    assert not chart.signals
    loose = workmanship_of([dataclasses.replace(made(i, 0.9, machine="m-1")) for i in range(12)], light())
    assert chart_of(loose, "m-1").signals


def test_fibres_of_two_ribbons_may_come_mixed():
    one = {"method": "ribbon_fusion_splice", "made_at": BEGAN, "machine": "m-1"}
    fibres = [made(0, 0.05 + 0.3 * (i % 2), fibre=f"f{i}", ribbon=f"r{i % 2}", **one) for i in range(24)]
    chart = chart_of(workmanship_of(fibres, light()), "m-1")
    assert chart.joints == 2
    assert chart.points[0].score < chart.points[1].score


def test_what_says_nothing_and_what_nobody_made_is_counted():
    found = workmanship_of([made(0), made(1, None, machine="m-1"), made(2, machine="m-1")], light())
    assert (found.attempts, found.joints, found.unnamed) == (3, 2, 1)
    assert found.left_out == {NOTHING_READ: 1}
    assert [(one.id, one.joints) for one in found.charts] == [("m-1", 1)]
    assert "hardly had the time" in found.charts[0].said[1]


def test_without_records_there_is_no_chart_and_still_what_it_would_not_say():
    found = workmanship_of([], light())
    assert (found.attempts, found.charts) == (0, ())
    assert len(found.does_not_say) == 6
    assert "about once in 469 joints" in " ".join(found.does_not_say)


def test_only_the_last_joints_are_held():
    found = workmanship_of(fused(np.random.default_rng(SEED), MOST_POINTS + 50, machine="m-1"), light())
    (chart,) = found.charts
    assert (chart.joints, len(chart.points)) == (MOST_POINTS + 50, MOST_POINTS)
    assert chart.points[-1].at == chart.last


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("kind", KINDS)
def test_the_policy_says_what_usually_lies_behind_every_kind_of_signal(kind, side):
    said = Said(Words(light().policy.wording), 0.5, 5.0)
    causes = said.usually(side, kind)
    assert causes
    assert all(one.strip() for one in causes)
    assert "m-1" in said.together(kind, "m-1", 2, 3, 1.0)


def test_a_wording_without_causes_is_refused():
    with pytest.raises(PolicyError, match=r"workmanship\.causes\.upper\.machine: is no list of sentences"):
        Said(Words({"workmanship": {"causes": {"upper": {"machine": "worn"}}}}), 0.5, 5.0).usually(UPPER, "machine")


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.5, 0.75, 1.0, 1.5])
@pytest.mark.parametrize("interval", [4.0, 5.0])
def test_about_how_long_it_takes_is_about_right(interval, shift):
    """Against the Markov chain of Brook and Evans (1972)."""
    assert average_run_length(shift, 0.5, interval) == pytest.approx(two_sided(interval, shift), rel=0.04)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-0.15, 20.0),
            st.sampled_from(["", "m-1", "m-2"]),
            st.sampled_from(["", "c-1"]),
            st.sampled_from(["", "p-1", "p-2"]),
        ),
        max_size=40,
    )
)
def test_every_joint_is_in_the_charts_of_all_who_made_it(joints):
    attempts = [
        made(i, None, readings=(Reading(1310, both_ways_db=loss),), machine=machine, cleaver=cleaver, person=person)
        for i, (loss, machine, cleaver, person) in enumerate(joints)
    ]
    found = workmanship_of(attempts, light())
    named = [(kind, who) for one in joints for kind, who in zip(KINDS, one[1:], strict=True) if who]
    assert {(one.kind, one.id): one.joints for one in found.charts} == {who: named.count(who) for who in named}
    assert found.unnamed == sum(not any(one[1:]) for one in joints)
    for chart in found.charts:
        assert len(chart.signals) + chart.signals_before == sum(bool(one.signal) for one in chart.points)
        for signal in chart.signals:
            assert chart.first <= signal.since <= signal.at <= chart.last
            assert all(isinstance(one, Companion) and one.joints <= signal.joints for one in signal.companions)
