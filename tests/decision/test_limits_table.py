"""The table of limits in an advice: each row is what the rule says there, equal rows are folded, none is lost."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.decision.limits_table import LOST_DB, limits_table
from repairadvisor.decision.method import advise
from repairadvisor.decision.reasons import Words
from repairadvisor.methods import default_policy
from repairadvisor.optics.distribution import LossModel
from repairadvisor.optics.joint_law import compile_joint_law
from repairadvisor.optics.redo import Attempts, Budget, Redo

from .told import job_context

LAW = compile_joint_law({1310: LossModel(0.002, (0.0257, 0.0152), 0.03, 0.5)}, 1310, (0.03, 0.08, 0.58))
WORDS = Words(default_policy().wording)


def redo(margin, owner, joints=2, cost=20.0, shared=None):
    return Redo([LAW] * joints, Budget(margin, 300.0), Attempts(cost, 3, shared, owner, 0.0))


def row_of(rows, joint, attempt, lost):
    """The only row that speaks of a joint, an attempt and a loss so far."""
    (found,) = (
        one
        for one in rows
        if one.joint_from <= joint <= one.joint_to
        and one.attempt_from <= attempt <= one.attempt_to
        and one.lost_from_db <= lost < (math.inf if one.lost_to_db is None else one.lost_to_db)
    )
    return found


@given(st.floats(0.05, 1.0), st.sampled_from([None, 0.1, 0.15, 0.3]), st.integers(1, 3), st.sampled_from([0.0, 0.02]))
@settings(max_examples=25, deadline=None)
def test_every_row_is_what_the_rule_says_at_the_stricter_end_of_its_stretch(margin, owner, joints, unlike):
    rule = redo(margin, owner, joints)
    rows = limits_table(rule, 3, unlike, WORDS)
    for joint in range(1, joints + 1):
        for attempt in (1, 2):
            for i, lost in enumerate(LOST_DB if joint > 1 else (0.0,)):
                row = row_of(rows, joint, attempt, lost + 1e-9)
                ends = LOST_DB[i : i + 2] if joint > 1 else (0.0,)
                limits = [
                    rule.limit_db(
                        joint - 1, rule.redos_at_first - attempt + 1, attempt - 1, max(end - (joint - 1) * unlike, 0.0)
                    )
                    for end in ends
                ]
                wanted = min(limits)
                if row.keep_up_to_db is None:
                    assert wanted == math.inf
                else:
                    assert max(wanted, 0.0) + unlike - 0.0101 <= row.keep_up_to_db <= max(wanted, 0.0) + unlike + 1e-4


def test_equal_rows_are_folded_into_one():
    (row,) = limits_table(redo(5.0, 0.15), 3, 0.0, WORDS)
    assert (row.joint_from, row.joint_to, row.attempt_from, row.attempt_to) == (1, 2, 1, 2)
    assert (row.lost_from_db, row.lost_to_db, row.keep_up_to_db) == (0.0, None, 0.15)
    assert row.said == "Kept up to 0.15 dB: every joint"


def test_rows_that_differ_say_in_what():
    said = [row.said for row in limits_table(redo(0.3, 0.15), 3, 0.0, WORDS)]
    assert said[0] == "Kept up to 0.15 dB: joint 1"
    assert any("joint 2" in line and "lost before" in line for line in said)


def test_a_joint_that_is_made_once_has_no_limit():
    assert limits_table(redo(0.3, 0.15), 1, 0.0, WORDS) == ()


@pytest.mark.parametrize("joints", [1, 2])
def test_the_first_joints_limits_are_those_that_the_advice_names_besides(rules, joints):
    layout = "join_directly" if joints == 1 else "insert_section"
    job = "twelve-cut-by-a-spade-with-slack" if joints == 1 else "digger-driver-rings-himself"
    loss = advise(job_context(job, margin_db=0.35, owner_joint_limit_db=None), rules).loss
    assert loss is not None
    assert loss.joints == joints, layout
    for attempt, limit in enumerate(loss.keep_up_to_db, start=1):
        kept = row_of(loss.limits, 1, attempt, 0.0).keep_up_to_db
        assert kept is not None
        assert limit - 0.01 <= kept <= limit + 1e-6


def test_an_owner_who_allows_more_is_taken_at_his_word_up_to_what_is_ever_accepted(rules):
    """Fused joints: 0.15 dB as a rule, up to 0.3 where the owner allows it (TIA-568.3, from memory)."""
    job = "twelve-cut-by-a-spade-with-slack"
    found = [
        advise(job_context(job, owner_joint_limit_db=owner, margin_db=3.0, mode_field_loss_db=0.0), rules).loss
        for owner in (None, 0.12, 0.25, 1.0)
    ]
    assert [loss.good_up_to_db for loss in found] == [0.15, 0.12, 0.25, 0.3]
    assert [loss.keep_up_to_db[0] for loss in found] == [0.15, 0.12, 0.25, 0.3]
