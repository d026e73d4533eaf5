"""Optimal stopping in money: published and worked values, brute force by recursion, a sample, properties."""

import functools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.optics.noisy_reading import given_reading, reading_noise
from repairadvisor.optics.redo import JointToMake, compile_redo, draw_values, grid_chances, miss_costs
from repairadvisor.optics.redo_limit import stopping_values_db

from .workmanship_sets import single_mode


def _on_grid(losses):
    """{cell: chance} as a tuple of chances."""
    return tuple(losses.get(cell, 0.0) for cell in range(max(losses) + 1))


FOUR_LOSSES = _on_grid({1: 0.5, 10: 0.25, 30: 0.125, 50: 0.125})


def test_worked_values_of_one_joint():
    # Losses 0.01, 0.1, 0.3, 0.5 dB with chances 1/2, 1/4, 1/8, 1/8; missed above 0.2 dB; visit 200, redo 6.
    assert draw_values((0.0, 0.0, 200.0, 200.0), (0.5, 0.25, 0.125, 0.125), 6.0, 3) == (50.0, 14.0, 5.0)
    plan = compile_redo([JointToMake((FOUR_LOSSES,) * 3, 6.0)], miss_costs(0.2, 0.2, 200.0, 80), 9)
    values = [plan.values[0][-1][used][0] for used in (2, 1, 0)]
    assert values == pytest.approx([50.0, 14.0, 5.0])
    assert plan.expected_cost == pytest.approx(5.0)
    assert plan.cost_if_kept(0, 9, 0.0, 0.3) == 200.0
    assert plan.cost_if_redone(0, 9, 1, 0.0) == pytest.approx(20.0)
    assert plan.limit_db(0, 9, 1, 0.0) == pytest.approx(0.19)


def test_the_published_sequence_of_cayley_and_moser():
    # Uniform on (0, 1), cost equal to the loss, nothing paid for a draw: 1 minus 1/2, 5/8, 89/128.
    count = 20_000
    costs = [(i + 0.5) / count for i in range(count)]
    values = draw_values(costs, [1 / count] * count, 0.0, 4)
    assert values == pytest.approx((1 / 2, 3 / 8, 39 / 128, 0.2583), abs=3e-5)


def test_with_cost_equal_to_loss_it_is_the_rule_in_decibels():
    # S2.09: mu 0.06, a try costs 0.02: the same values from the grid as from the closed form.
    joint = compile_sum([LossModel(0.0, (0.06,))])
    chances = grid_chances(joint, 300)
    plan = compile_redo([JointToMake((chances,) * 4, 0.02)], [0.01 * i for i in range(300)], 9)
    in_db = stopping_values_db(joint, 0.02, 4)
    for tries in (1, 2, 3, 4):
        assert plan.values[0][-1][4 - tries][0] == pytest.approx(in_db[tries - 1], abs=2e-4)


def _least_cost(joints, end_costs, redos):
    """Plain recursion over every draw; shares no code and no order of work with the compiled tables."""
    last = len(end_costs) - 1

    @functools.cache
    def before(number, used, left, so_far):
        if number == len(joints):
            return end_costs[min(so_far, last)]
        joint = joints[number]
        total = 0.0
        for cell, chance in enumerate(joint.chances_by_try[used]):
            if chance == 0.0:
                continue
            too_much = joint.owner_limit_db is not None and cell * 0.01 > joint.owner_limit_db + 1e-9
            keep = before(number + 1, 0, left, min(so_far + cell, last)) + too_much * joint.over_limit_cost
            if left > 0 and used + 1 < len(joint.chances_by_try):
                again = joint.redo_cost + before(number, used + 1, left - 1, so_far)
                keep = again if too_much else min(keep, again)
            total += chance * keep
        return total

    return before(0, 0, redos, 0)


def _distribution(rng, cells):
    weights = rng.random(cells) * (rng.random(cells) < 0.4)
    weights[rng.integers(cells)] += 1.0
    return tuple((weights / weights.sum()).tolist())


@pytest.mark.parametrize("seed", range(10))
def test_ten_random_plans_cost_what_plain_recursion_says(seed):
    rng = np.random.default_rng(seed)
    joints = []
    for _ in range(rng.integers(1, 4)):
        tries = tuple(_distribution(rng, int(rng.integers(3, 12))) for _ in range(rng.integers(1, 5)))
        limit = [None, 0.05][int(rng.integers(2))]
        joints.append(JointToMake(tries, float(rng.random() * 20), limit, float(rng.random() * 50)))
    margin = float(rng.random() * 0.2)
    end_costs = miss_costs(margin, margin + float(rng.random() * 0.05), 200.0, 40)
    redos = int(rng.integers(0, 5))
    plan = compile_redo(joints, end_costs, redos)
    assert plan.expected_cost == pytest.approx(_least_cost(joints, end_costs, redos), rel=1e-12, abs=1e-12)
    _assert_outcome_costs_as_much(plan, joints)


def _assert_outcome_costs_as_much(plan, joints):
    """What the forward pass reaches, priced, is what the backward pass promised."""
    outcome = plan.outcome
    assert sum(outcome.chances) == pytest.approx(1.0)
    priced = sum(chance * cost for chance, cost in zip(outcome.chances, plan.end_costs, strict=True))
    priced += sum(count * joint.redo_cost for count, joint in zip(outcome.expected_redos, joints, strict=True))
    costs = {joint.over_limit_cost for joint in joints if joint.owner_limit_db is not None}
    if len(costs) <= 1:
        priced += outcome.expected_over_limit * (costs.pop() if costs else 0.0)
        assert priced == pytest.approx(plan.expected_cost, rel=1e-9)


def _section(second_visit=200.0, tries=3, redos=4, margin=(0.3, 0.3)):
    chances = grid_chances(compile_sum([single_mode("mechanical, field", failure_chance=0.05)]), 400)
    joint = JointToMake((chances,) * tries, 6.0)
    return compile_redo([joint] * 2, miss_costs(*margin, second_visit, 300), redos)


def test_a_sample_of_crews_that_follow_the_limits_pays_what_is_promised():
    plan = _section(margin=(0.5, 0.9))
    rng = np.random.default_rng(31)
    chances = np.array(plan.joints[0].chances_by_try[0])
    limits = {
        (joint, left, used, so_far): plan.limit_db(joint, left, used, so_far * 0.01)
        for joint in (0, 1)
        for left in range(5)
        for used in (1, 2, 3)
        for so_far in range(300)
    }
    count = 20_000
    draws = rng.choice(len(chances), size=(count, 2, 3), p=chances / chances.sum())
    paid = np.zeros(count)
    for crew in range(count):
        left, so_far = 4, 0
        for joint in (0, 1):
            for used in (1, 2, 3):
                cell = int(draws[crew, joint, used - 1])
                if cell * 0.01 <= limits[joint, left, used, so_far] + 1e-9:
                    break
                left -= 1
                paid[crew] += 6.0
            so_far = min(so_far + cell, 299)
        paid[crew] += plan.end_costs[so_far]
    assert abs(paid.mean() - plan.expected_cost) < 4 * paid.std() / math.sqrt(count)


def test_joints_share_one_redo_and_it_is_gone_once_used():
    # Good or bad by the toss of a coin; any bad one kept misses. By hand: all three good in 5 cases of 16.
    coin = JointToMake((_on_grid({0: 0.5, 10: 0.5}),) * 3, 1.0)
    plan = compile_redo([coin] * 3, miss_costs(0.05, 0.05, 100.0, 40), 1)
    assert plan.outcome.expected_redos == (0.5, 0.25, 0.125)
    assert plan.outcome.chances[0] == pytest.approx(5 / 16)
    assert plan.expected_cost == pytest.approx(0.875 + 100 * 11 / 16)


def test_limits_rise_as_tries_and_shared_redos_run_out():
    plan = _section(margin=(0.5, 0.9))
    for joint in (0, 1):
        by_tries = [plan.limit_db(joint, 4, used, 0.1) for used in (1, 2, 3)]
        assert by_tries == sorted(by_tries)
        assert by_tries[-1] == math.inf
        by_redos = [plan.limit_db(joint, left, 1, 0.1) for left in (4, 3, 2, 1, 0)]
        assert by_redos == sorted(by_redos)
        assert by_redos[-1] == math.inf
    assert plan.limit_db(1, 4, 1, 0.1) < math.inf


def test_what_is_already_lost_lowers_the_limit_while_the_budget_can_still_be_kept():
    plan = _section(margin=(0.8, 0.8))
    assert plan.limit_db(1, 4, 1, 0.3) < plan.limit_db(1, 4, 1, 0.1)
    # Nothing to save once the budget is missed for certain: anything is kept.
    assert plan.limit_db(1, 4, 1, 1.5) == math.inf


def test_an_owners_limit_caps_what_money_would_keep():
    chances = grid_chances(compile_sum([single_mode("cladding-aligned fusion")]), 200)
    ends = miss_costs(5.0, 5.0, 200.0, 600)
    free = compile_redo([JointToMake((chances,) * 3, 6.0)], ends, 4)
    capped = compile_redo([JointToMake((chances,) * 3, 6.0, 0.1, 40.0)], ends, 4)
    assert free.limit_db(0, 4, 1, 0.0) == pytest.approx(4.99)  # one grid step below the margin
    assert capped.limit_db(0, 4, 1, 0.0) == pytest.approx(0.1)
    assert capped.limit_db(0, 4, 3, 0.0) == math.inf
    q = sum(chances[11:])
    assert capped.outcome.expected_over_limit == pytest.approx(q**3, rel=1e-9)
    assert capped.expected_cost == pytest.approx(6.0 * (q + q * q) + 40.0 * q**3, rel=1e-9)


def test_a_reading_with_noise_is_judged_by_what_the_loss_may_be():
    plan = _section(margin=(0.6, 0.6))
    prior = plan.joints[0].chances_by_try[0]
    sharp = given_reading(prior, 0.3, reading_noise(0.0))
    assert plan.cost_if_kept_given(1, 4, 0.2, sharp) == plan.cost_if_kept(1, 4, 0.2, 0.3)
    noisy = given_reading(prior, 0.3, reading_noise(0.089))
    expected = sum(chance * plan.cost_if_kept(1, 4, 0.2, 0.01 * cell) for cell, chance in enumerate(noisy))
    assert plan.cost_if_kept_given(1, 4, 0.2, noisy) == pytest.approx(expected, rel=1e-12)
    assert 0.0 < plan.cost_if_kept_given(1, 4, 0.2, noisy) < 200.0


def test_the_grid_keeps_the_mean_and_the_chances():
    joint = compile_sum([single_mode("stub connector", failure_chance=0.02)])
    chances = grid_chances(joint, 800)
    assert sum(chances) == pytest.approx(1.0, abs=1e-12)
    assert sum(0.01 * i * chance for i, chance in enumerate(chances)) == pytest.approx(joint.mean_db, rel=1e-3)
    above = sum(chances[51:]) + 0.5 * chances[50]
    assert above == pytest.approx(joint.chance_above(0.5), abs=2e-4)


def test_the_cost_of_a_miss_follows_the_margin():
    # Known margin: the node on it counts half. Uniform margin: the expected share of it.
    known = miss_costs(0.2, 0.2, 200.0, 40)
    assert (known[19], known[20], known[21]) == pytest.approx((0.0, 100.0, 200.0))
    uniform = miss_costs(0.1, 0.3, 200.0, 40)
    assert (uniform[5], uniform[20], uniform[25], uniform[35]) == pytest.approx((0.0, 100.0, 150.0, 200.0))
    assert miss_costs(-0.1, -0.1, 200.0, 3) == (200.0, 200.0, 200.0)
    off_grid = miss_costs(0.197, 0.197, 200.0, 40)
    assert (off_grid[19], off_grid[20], off_grid[21]) == pytest.approx((0.0, 160.0, 200.0))


CHANCES = st.lists(st.integers(0, 9), min_size=2, max_size=8).filter(any).map(lambda w: tuple(x / sum(w) for x in w))


@settings(deadline=None, max_examples=60)
@given(CHANCES, st.floats(0.0, 30.0), st.floats(0.0, 0.1), st.integers(1, 4), st.integers(0, 4))
def test_more_tries_more_redos_and_more_margin_never_cost_more(chances, redo_cost, margin, tries, redos):
    def cost(extra_tries=0, extra_redos=0, extra_margin=0.0, extra_price=0.0):
        joint = JointToMake((chances,) * (tries + extra_tries), redo_cost + extra_price)
        ends = miss_costs(margin + extra_margin, margin + extra_margin, 100.0, 40)
        return compile_redo([joint] * 2, ends, redos + extra_redos).expected_cost

    least = cost()
    assert cost(extra_tries=1) <= least + 1e-9
    assert cost(extra_redos=1) <= least + 1e-9
    assert cost(extra_margin=0.02) <= least + 1e-9
    assert cost(extra_price=1.0) >= least - 1e-9


@pytest.mark.parametrize(
    "call",
    [
        lambda: draw_values((1.0,), (0.9,), 1.0, 2),
        lambda: draw_values((1.0,), (1.0,), -1.0, 2),
        lambda: draw_values((1.0,), (1.0,), 1.0, 0),
        lambda: JointToMake((), 1.0),
        lambda: JointToMake(((0.5, 0.4),), 1.0),
        lambda: JointToMake(((1.5, -0.5),), 1.0),
        lambda: JointToMake(((1.0,),), -1.0),
        lambda: compile_redo([], (0.0, 1.0), 1),
        lambda: compile_redo([JointToMake(((1.0,),), 1.0)], (1.0, 0.0), 1),
        lambda: compile_redo([JointToMake(((1.0,),), 1.0)], (0.0, 1.0), -1),
        lambda: miss_costs(0.3, 0.2, 200.0, 40),
        lambda: grid_chances(compile_sum([]), 1),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
