"""Many margins at once: held to the rule margin by margin, to a fine grid that shares no code, and to worked values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.optics.joint_law import compile_joint_law
from repairadvisor.optics.redo import Attempts, Budget, Redo
from repairadvisor.optics.redo_over_margins import OverMargins, RedoOverMargins

from .workmanship_sets import SINGLE_MODE, single_mode

MARGINS_DB = np.array([-59.0, -3.0, -0.4, -0.05, 0.0, 0.03, 0.06, 0.11, 0.17, 0.25, 0.4, 0.65, 1.0, 1.7, 3.0, 10.0])
LAWS = {
    name: compile_joint_law({1310: single_mode(name, failure_chance=0.05)}, 1310, (0.05, 0.2, 0.6))
    for name in SINGLE_MODE
}
BACK = {name: compile_sum([single_mode(name, failure_chance=0.05)]) for name in SINGLE_MODE}


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(sorted(SINGLE_MODE)),
    joints=st.integers(1, 3),
    back=st.sampled_from([None, *sorted(SINGLE_MODE)]),
    redo_cost=st.sampled_from([3.0, 20.0, 150.0, 900.0]),
    each=st.integers(1, 4),
    shared=st.sampled_from([None, 0, 1, 2]),
    owner_db=st.sampled_from([None, 0.1, 0.25]),
    visit=st.sampled_from([0.0, 200.0, 700.0]),
)
def test_it_is_the_rule_margin_by_margin(name, joints, back, redo_cost, each, shared, owner_db, visit):
    law, given_back = LAWS[name], None if back is None else BACK[back]
    attempts = Attempts(redo_cost, each, shared, owner_db, 40.0)
    # Three joints take the rule itself too long for all margins.
    margins = MARGINS_DB if joints < 3 else MARGINS_DB[6:11:4]
    got = RedoOverMargins(law, joints, margins, visit, given_back, attempts).expected
    for i, margin in enumerate(margins):
        one = Redo([law] * joints, Budget(float(margin), visit, given_back), attempts).expected
        found = [float(part[i]) for part in got]
        assert found == pytest.approx([one.cost, one.redos, one.missed, one.over_limit], rel=1e-9, abs=1e-9)


def test_worked_values_of_one_joint_that_closes_or_does_not():
    # An exponential of mean 0.2 dB and a margin of 0.2 ln 4: q = 1/4. By hand, visit 200, one more attempt 6:
    # V(1) = 50, V(2) = (6 + 50) / 4 = 14, V(3) = (6 + 14) / 4 = 5; redone 1/4 + 1/16; missed 1/64.
    law = compile_joint_law({1310: LossModel(0.0, (0.2,), 0.0)}, 1310, (0.0, 0.0, 0.0))
    margin_db = np.array([0.2 * np.log(4.0)])
    got = RedoOverMargins(law, 1, margin_db, 200.0, None, Attempts(6.0, 3)).expected
    assert [float(part[0]) for part in got] == pytest.approx([5.0, 0.3125, 1 / 64, 0.0], rel=2e-3)


@pytest.mark.parametrize("name", ["core-aligned fusion", "mechanical, field", "stub connector"])
@pytest.mark.parametrize("redo_cost", [6.0, 60.0])
def test_two_joints_cost_what_a_fine_grid_says(name, redo_cost):
    """An even grid of 0.00025 dB by numpy, sharing no code with either way of working the rule out."""
    model = single_mode(name, failure_chance=0.05)
    law = compile_joint_law({1310: model}, 1310, (0.05,) * 3)
    exact = compile_sum([model], tolerance=1e-7)
    margins = np.array([0.25, 0.7])
    got = RedoOverMargins(law, 2, margins, 200.0, None, Attempts(redo_cost, 3)).expected

    def last(left):
        q = exact.chance_above(left)
        value = 200.0 * q
        for _ in range(2):
            value = q * min(200.0, redo_cost + value)
        return value

    for margin, cost in zip(margins, got.cost, strict=True):
        edges = np.arange(int(margin / 0.00025) + 2) * 0.00025
        tail = np.array([exact.chance_above(x) for x in edges])
        masses, beyond = tail[:-1] - tail[1:], tail[-1]
        following = np.array([last(margin - x) for x in 0.5 * (edges[:-1] + edges[1:])])
        value = float(masses @ following + beyond * last(-1.0))
        for _ in range(2):
            again = redo_cost + value
            value = float(masses @ np.minimum(following, again) + beyond * min(last(-1.0), again))
        assert cost == pytest.approx(value, abs=200.0 * 2e-4)


@given(st.sampled_from(sorted(SINGLE_MODE)), st.integers(1, 2), st.booleans())
def test_more_margin_never_costs_more(name, joints, on_record):
    law = LAWS[name]
    got = RedoOverMargins(law, joints, MARGINS_DB, 200.0, None if on_record else BACK[name], Attempts(6.0, 3)).expected
    assert (np.diff(got.cost) <= 1e-9).all()


def test_parts_add_up_to_the_cost():
    attempts = Attempts(6.0, 3, None, 0.1, 40.0)
    got: OverMargins = RedoOverMargins(LAWS["mechanical, field"], 2, MARGINS_DB, 200.0, None, attempts).expected
    parts = got.redos * 6.0 + got.missed * 200.0 + got.over_limit * 40.0
    assert parts == pytest.approx(got.cost, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("joints", "visit", "said"),
    [
        (51, 200.0, "number of joints = 51: out of range; allowed: 0 to 50"),
        (1, -1.0, "cost of a second visit = -1.0: out of range; allowed: 0 to 1e+09"),
    ],
)
def test_what_is_out_of_range_is_refused_by_name(joints, visit, said):
    with pytest.raises(OpticsError) as refused:
        RedoOverMargins(LAWS["stub connector"], joints, MARGINS_DB, visit, None, Attempts(6.0, 3))
    assert said in str(refused.value)
