"""Optimal stopping in money: published and worked values, brute force by recursion, samples, properties."""

import functools
import math
import os
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, LossTable, compile_sum
from repairadvisor.optics.joint_law import compile_joint_law
from repairadvisor.optics.kept_loss import KeptLoss
from repairadvisor.optics.noisy_reading import given_reading, reading_noise
from repairadvisor.optics.redo import Attempts, Budget, Redo, draw_values

from .printed import assert_printed
from .workmanship_sets import SINGLE_MODE, single_mode


@dataclass(frozen=True)
class Listed:
    """A loss of a few values with exact chances, by attempt: nothing is rounded, so brute force must agree."""

    by_try: tuple[tuple[tuple[float, float], ...], ...]

    @property
    def tries(self):
        return len(self.by_try)

    def tail(self, used, x_db):
        return sum(chance for loss, chance in self.by_try[used] if loss > x_db)

    def tails(self, x_db):
        return [self.tail(used, x_db) for used in range(self.tries)]

    def weights_within(self, used, limit_db):
        return [(loss, chance) for loss, chance in self.by_try[used] if loss <= limit_db]

    def tail_within(self, used, _nm, y_db, limit_db):
        return sum(chance for loss, chance in self.by_try[used] if y_db < loss <= limit_db)

    def mean_within(self, used, _nm, limit_db):
        return sum(loss * chance for loss, chance in self.weights_within(used, limit_db))

    def losses_at(self, used, _nm, limit_db):
        return [(loss, loss, chance) for loss, chance in self.weights_within(used, limit_db)]


def listed(losses, tries):
    return Listed((tuple(sorted(losses)),) * tries)


@dataclass(frozen=True)
class CostIsLoss:
    """g(x) = x: the worth of a decibel is one, wherever it is."""

    second_visit: float = 1.0
    given_back: bool = True

    def missed(self, lost_db):
        return lost_db

    def most_lost_db(self, missed):
        return missed


FOUR = ((0.01, 0.5), (0.1, 0.25), (0.3, 0.125), (0.5, 0.125))


def test_worked_values_of_one_joint():
    # Losses 0.01, 0.1, 0.3, 0.5 dB with chances 1/2, 1/4, 1/8, 1/8; missed above 0.2 dB; visit 200, redo 6.
    # By hand: V(1) = 200/4, V(2) = 56/4, V(3) = 20/4.
    assert draw_values((0.0, 0.0, 200.0, 200.0), (0.5, 0.25, 0.125, 0.125), 6.0, 3) == (50.0, 14.0, 5.0)
    redo = Redo([listed(FOUR, 3)], Budget(0.2, 200.0), Attempts(6.0, 3))
    assert [redo.value(0, 2 - used, used, 0.0).cost for used in (2, 1, 0)] == pytest.approx([50.0, 14.0, 5.0])
    assert redo.expected.cost == pytest.approx(5.0)
    assert redo.expected.redos == pytest.approx(0.25 + 0.0625)
    assert redo.expected.missed == pytest.approx(1 / 64)
    assert redo.cost_if_kept(0, 2, 0.0, 0.3) == 200.0
    assert redo.again(0, 2, 0, 0.0) == pytest.approx(20.0)
    assert redo.limit_db(0, 2, 0, 0.0) == pytest.approx(0.2)


def test_the_published_sequence_of_cayley_and_moser():
    # Uniform on (0, 1), nothing paid for a draw; Moser (1956), for the greatest: 1/2, 5/8, 89/128, ...; for a loss
    # to be kept small 1/2, 3/8, 39/128.
    count = 4000
    uniform = listed([((i + 0.5) / count, 1 / count) for i in range(count)], 4)
    redo = Redo([uniform], CostIsLoss(), Attempts(0.0, 4))
    values = [redo.value(0, 3 - used, used, 0.0).cost for used in (3, 2, 1, 0)]
    assert values == pytest.approx((1 / 2, 3 / 8, 39 / 128, 0.2583), abs=5e-5)
    assert draw_values([(i + 0.5) / count for i in range(count)], [1 / count] * count, 0.0, 4) == pytest.approx(
        values, rel=1e-12
    )


def law_of(model, tries=3, failure_chances=None):
    return compile_joint_law({1310: model}, 1310, failure_chances or (model.failure_chance,) * tries)


def test_s2_09_best_limits_of_an_exponential():
    # mu 0.06, an attempt costs as much as 0.02 dB: V_k = mu (1 - exp(-(V_(k-1) + c)/mu)).
    redo = Redo([law_of(LossModel(0.0, (0.06,)), 4)], CostIsLoss(), Attempts(0.02, 4))
    values = [redo.value(0, 3 - used, used, 0.0).cost for used in (3, 2, 1, 0)]
    assert values == pytest.approx((0.06, 0.0441842, 0.0394141, 0.0377106), abs=1e-5)
    limits = [redo.limit_db(0, 3 - used, used, 0.0) for used in (2, 1, 0)]
    assert limits == pytest.approx((0.08, 0.0641842, 0.0594141), abs=1e-5)


@pytest.mark.parametrize(
    ("name", "limit_db", "tries", "q", "mean", "expected_tries", "above", "p95"),
    [
        pytest.param(
            "core-aligned fusion", 0.1, 3, "0.0516322", "0.0383676", "1.05430", "0.000137646", "0.0826208", id="S2.04"
        ),
        pytest.param(
            "cladding-aligned fusion", 0.1, 3, "0.151456", "0.0448034", "1.17440", "0.00347426", "0.0901028", id="S2.05"
        ),
        pytest.param(
            "mechanical, field", 0.3, 3, "0.474412", "0.231869", "1.69948", "0.106774", "0.445168", id="S2.06"
        ),
        pytest.param("stub connector", 0.5, 2, "0.161664", "0.286029", "1.16166", "0.0261354", "0.480259", id="S2.07"),
    ],
)
def test_accept_within_the_owners_limit_and_keep_the_last(name, limit_db, tries, q, mean, expected_tries, above, p95):
    # Geometric trials over hypoexponential losses, by matrix exponential and quadrature; tables are good to 1e-5.
    redo = Redo([law_of(single_mode(name), tries)], Budget(60.0, 0.0), Attempts(0.0, tries, None, limit_db))
    assert redo.laws[0].tail(0, limit_db) == pytest.approx(float(q), abs=1e-5)
    assert KeptLoss(redo).mean_db(1310) == pytest.approx(float(mean), abs=2e-5)
    assert redo.expected.redos + 1 == pytest.approx(float(expected_tries), abs=3e-5)
    assert redo.expected.over_limit == pytest.approx(float(above), abs=1e-5)
    assert KeptLoss(redo).chance_above(1310, limit_db) == pytest.approx(float(above), abs=1e-5)
    assert KeptLoss(redo).loss_at_chance_above(1310, 0.05, 0.1) == pytest.approx(float(p95), abs=1e-4)


def test_s2_08_one_exponential_in_closed_form():
    # mu 0.06, limit 0.1, three tries: q = exp(-t/mu), M_t = mu - q (t + mu).
    redo = Redo([law_of(LossModel(0.0, (0.06,)))], Budget(60.0, 0.0), Attempts(0.0, 3, None, 0.1))
    assert redo.laws[0].tail(0, 0.1) == pytest.approx(0.188876, abs=1e-5)
    assert KeptLoss(redo).mean_db(1310) == pytest.approx(0.0375450, abs=1e-5)
    assert redo.expected.redos + 1 == pytest.approx(1.22455, abs=2e-5)
    assert redo.expected.over_limit == pytest.approx(0.00673795, abs=1e-5)


def test_s2_10_three_tries_with_a_failure_branch():
    model = single_mode("core-aligned fusion", failure_chance=0.03)
    redo = Redo([law_of(model)], Budget(60.0, 0.0), Attempts(0.0, 3, None, 0.1))
    assert redo.laws[0].tail(0, 0.1) == pytest.approx(0.0747436, abs=1e-5)
    assert_printed(redo.expected.over_limit, "0.00042")
    assert redo.expected.over_limit == pytest.approx(0.000417563, abs=1e-6)


def _least_cost(laws, budget, attempts):
    """Plain recursion over every draw; shares no code and no order of work with the product."""
    redos = sum(min(law.tries, attempts.each) - 1 for law in laws)
    redos = redos if attempts.shared_redos is None else min(redos, attempts.shared_redos)

    @functools.cache
    def before(number, used, left, so_far):
        if number == len(laws):
            return budget.second_visit * (so_far > budget.margin_db)
        total = 0.0
        for loss, chance in laws[number].by_try[used]:
            too_much = attempts.owner_limit_db is not None and loss > attempts.owner_limit_db
            keep = before(number + 1, 0, left, so_far + loss) + too_much * attempts.over_limit_cost
            if left > 0 and used + 1 < min(laws[number].tries, attempts.each):
                again = attempts.redo_cost + before(number, used + 1, left - 1, so_far)
                keep = again if too_much else min(keep, again)
            total += chance * keep
        return total

    return before(0, 0, redos, 0.0)


def _distribution(rng):
    losses = np.cumsum(rng.random(int(rng.integers(2, 9))) * 0.08)
    weights = rng.random(len(losses)) + 0.01
    return tuple(zip(losses.tolist(), (weights / weights.sum()).tolist(), strict=True))


@pytest.mark.parametrize("seed", range(20))
def test_plans_over_random_distributions_cost_what_plain_recursion_says(seed):
    rng = np.random.default_rng(seed)
    laws = [Listed(tuple(_distribution(rng) for _ in range(rng.integers(1, 5)))) for _ in range(rng.integers(1, 4))]
    owner = [None, 0.09, 0.2][int(rng.integers(3))]
    shared = [None, 0, 1, 2][int(rng.integers(4))]
    attempts = Attempts(float(rng.random() * 20), 4, shared, owner, float(rng.random() * 50))
    budget = Budget(float(rng.random() * 0.5), 200.0)
    redo = Redo(laws, budget, attempts)
    got = redo.expected
    assert got.cost == pytest.approx(_least_cost(laws, budget, attempts), rel=1e-9, abs=1e-9)
    parts = got.redos * attempts.redo_cost + got.missed * 200.0 + got.over_limit * attempts.over_limit_cost
    assert parts == pytest.approx(got.cost, rel=1e-9, abs=1e-9)
    assert KeptLoss(redo).chance_above(1310, budget.margin_db) == pytest.approx(got.missed, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("name", list(SINGLE_MODE))
@pytest.mark.parametrize(("margin_db", "redo_cost"), [(0.25, 6.0), (0.7, 60.0)])
def test_two_joints_cost_what_a_fine_grid_says(name, margin_db, redo_cost):
    """Ten distributions and more of real workmanship: an even grid of 0.00025 dB, by numpy, sharing no code."""
    model = single_mode(name, failure_chance=0.05)
    step, cells = 0.00025, int(margin_db / 0.00025) + 1
    edges = np.arange(cells + 1) * step
    exact = compile_sum([model], tolerance=1e-7)
    tail = np.array([exact.chance_above(x) for x in edges])
    masses = tail[:-1] - tail[1:]  # at the middles of the cells
    beyond = tail[-1]

    def last(remaining):
        q = exact.chance_above(remaining)
        value = 200.0 * q
        for _ in range(2):
            value = q * min(200.0, redo_cost + value)
        return value

    following = np.array([last(margin_db - x) for x in edges[:-1] + step / 2])
    value = float(masses @ following + beyond * last(-1.0))
    for _ in range(2):
        again = redo_cost + value
        value = float(masses @ np.minimum(following, again) + beyond * min(last(-1.0), again))
    redo = Redo([law_of(model)] * 2, Budget(margin_db, 200.0), Attempts(redo_cost, 3))
    assert redo.expected.cost == pytest.approx(value, abs=200.0 * 2e-4)


def _section(margin=0.8, shared=None, **given):
    model = single_mode("mechanical, field", failure_chance=0.05)
    return Redo([law_of(model)] * 2, Budget(margin, 200.0), Attempts(6.0, 3, shared, **given))


def test_joints_share_one_redo_and_it_is_gone_once_used():
    # Good or bad by the toss of a coin; any bad one kept misses. By hand: all three good in 5 cases of 16.
    coin = listed(((0.0, 0.5), (0.1, 0.5)), 3)
    redo = Redo([coin] * 3, Budget(0.05, 100.0), Attempts(1.0, 3, 1))
    assert redo.expected.redos == pytest.approx(0.5 + 0.25 + 0.125)
    assert redo.expected.missed == pytest.approx(11 / 16)
    assert redo.expected.cost == pytest.approx(0.875 + 100 * 11 / 16)


def test_limits_rise_as_tries_and_shared_redos_run_out():
    redo = _section(shared=4)
    for joint in (0, 1):
        by_tries = [redo.limit_db(joint, 4 - used, used, 0.1) for used in (0, 1, 2)]
        assert by_tries == sorted(by_tries)
        assert by_tries[-1] == math.inf
        by_redos = [redo.limit_db(joint, left, 0, 0.1) for left in (4, 3, 2, 1, 0)]
        assert by_redos == sorted(by_redos)
        assert by_redos[-1] == math.inf
    assert redo.limit_db(1, 4, 0, 0.1) < math.inf


def test_what_is_already_lost_lowers_the_limit_while_the_budget_can_still_be_kept():
    redo = _section()
    assert redo.limit_db(1, 2, 0, 0.3) == pytest.approx(0.5)
    assert redo.limit_db(1, 2, 0, 0.1) == pytest.approx(0.7)
    # The last joint can no longer close it: nothing is kept before the attempts run out, or all, as money says.
    assert redo.value(1, 2, 0, 1.5).missed == 1.0


def test_a_redo_that_costs_more_than_the_second_visit_is_not_made():
    model = single_mode("mechanical, field", failure_chance=0.05)
    dear = Redo([law_of(model)], Budget(0.3, 200.0), Attempts(201.0, 3))
    assert dear.limit_db(0, 2, 0, 0.0) == math.inf
    assert dear.expected.redos == 0.0
    assert dear.expected.missed == pytest.approx(dear.laws[0].tail(0, 0.3))


def test_an_owners_limit_caps_what_money_would_keep():
    law = law_of(single_mode("cladding-aligned fusion"))
    free = Redo([law], Budget(5.0, 200.0), Attempts(6.0, 3))
    capped = Redo([law], Budget(5.0, 200.0), Attempts(6.0, 3, None, 0.1, 40.0))
    assert free.limit_db(0, 2, 0, 0.0) == pytest.approx(5.0)
    assert capped.limit_db(0, 2, 0, 0.0) == 0.1
    assert capped.limit_db(0, 0, 2, 0.0) == math.inf
    q = law.tail(0, 0.1)
    assert capped.expected.over_limit == pytest.approx(q**3, rel=1e-9)
    assert capped.expected.cost == pytest.approx(6.0 * (q + q * q) + 40.0 * q**3, rel=1e-9)


def test_a_common_cause_makes_a_second_attempt_worth_less():
    model = single_mode("mechanical, field", failure_chance=0.05)
    alike = Redo([law_of(model)], Budget(0.5, 200.0), Attempts(6.0, 3))
    cause = Redo([law_of(model, 3, (0.05, 0.3, 0.7))], Budget(0.5, 200.0), Attempts(6.0, 3))
    assert cause.expected.cost > alike.expected.cost
    assert cause.limit_db(0, 2, 0, 0.0) == alike.limit_db(0, 2, 0, 0.0)


def test_what_comes_back_unrecorded_leaves_a_doubt_that_a_good_joint_lessens():
    model = single_mode("stub connector", failure_chance=0.02)
    back = compile_sum([LossModel(0.0, (0.1426,), 0.01)])
    redo = Redo([law_of(model)], Budget(0.2, 200.0, back), Attempts(6.0, 3))
    limit = redo.limit_db(0, 2, 0, 0.0)
    assert 200.0 * redo.budget.missed(limit) == pytest.approx(redo.again(0, 2, 0, 0.0), rel=1e-6)
    once = Redo([law_of(model)], Budget(0.2, 200.0, back), Attempts(6.0, 1))
    assert redo.expected.missed < once.expected.missed
    rng = np.random.default_rng(3)
    lost = _draw(rng, model, 1_000_000)
    came = np.where(rng.random(1_000_000) < 0.01, rng.exponential(0.5, 1_000_000), rng.exponential(0.1426, 1_000_000))
    missed = float(np.mean(lost - came > 0.2))
    assert once.expected.missed == pytest.approx(missed, abs=4 * math.sqrt(missed / 1_000_000))


def test_a_reading_with_noise_is_judged_by_what_the_loss_may_be():
    redo = _section(margin=0.6)
    prior = [0.0, *(0.02,) * 50]
    sharp = enumerate(given_reading(prior, 0.3, reading_noise(0.0)))
    assert redo.cost_if_kept_given(1, 4, 0.2, [(0.01 * i, p) for i, p in sharp]) == redo.cost_if_kept(1, 4, 0.2, 0.3)
    noisy = [(0.01 * i, p) for i, p in enumerate(given_reading(prior, 0.4, reading_noise(0.089)))]
    assert 0.0 < redo.cost_if_kept_given(1, 4, 0.2, noisy) < 200.0


def _draw(rng, model, count):
    clean = sum(rng.exponential(mean, count) for mean in model.exponential_means_db)
    failed = rng.random(count) < model.failure_chance
    return model.l0_db + np.where(failed, rng.exponential(model.failure_mean_db, count), clean)


def sampled_section(redo, models, nms, count, seed, chunk=500_000):
    """Two joints drawn as offsets' and tilts' exponentials shared by the wavelengths, kept by the product's limits.

    Returns per wavelength the total losses, and how many joints were made again."""
    rng = np.random.default_rng(seed)
    totals, redone, done = {nm: [] for nm in nms}, 0, 0
    grid = np.linspace(0.0, 3.0, 3001)
    limits = {
        (joint, used): np.array(
            [min(redo.limit_db(joint, 4 - used, used, float(s)), 1e6) for s in (grid if joint else [0.0])]
        )
        for joint in (0, 1)
        for used in (0, 1, 2)
    }
    while done < count:
        size = min(chunk, count - done)
        so_far = {nm: np.zeros(size) for nm in nms}
        for joint in (0, 1):
            waiting = np.ones(size, dtype=bool)
            kept = {nm: np.zeros(size) for nm in nms}
            for used in (0, 1, 2):
                parts = rng.exponential(size=(len(models[nms[0]].exponential_means_db), size))
                failed = rng.random(size) < redo.laws[joint].failure_chances[used]
                long = rng.exponential(models[nms[0]].failure_mean_db, size)
                drawn = {
                    nm: models[nm].l0_db + np.where(failed, long, np.array(models[nm].exponential_means_db) @ parts)
                    for nm in nms
                }
                limit = np.interp(so_far[nms[0]], grid, limits[1, used]) if joint else limits[0, used][0]
                keeps = waiting & (drawn[nms[0]] <= limit)
                redone += int((waiting & ~keeps).sum())
                for nm in nms:
                    kept[nm] = np.where(keeps, drawn[nm], kept[nm])
                waiting &= ~keeps
            for nm in nms:
                so_far[nm] = so_far[nm] + kept[nm]
        for nm in nms:
            totals[nm].append(so_far[nm])
        done += size
    return {nm: np.concatenate(found) for nm, found in totals.items()}, redone


SECTIONS = [
    ("mechanical, field", 0.9, None),
    ("core-aligned fusion", 0.12, None),
    ("cladding-aligned fusion", 0.5, 0.1),
]


@pytest.mark.long
@pytest.mark.parametrize(("name", "margin_db", "owner"), SECTIONS)
def test_sections_made_by_the_same_limits_lose_what_is_said(record_property, name, margin_db, owner):
    """Ten million sections (long; a twentieth else): mean and chances within four standard errors, per wavelength."""
    models = {
        1310: single_mode(name, failure_chance=0.05),
        1550: single_mode(name, wavelength_um=1.55, failure_chance=0.05),
    }
    law = compile_joint_law(models, 1310, (0.05, 0.1, 0.3))
    redo = Redo([law] * 2, Budget(margin_db, 200.0), Attempts(6.0, 3, None, owner, 40.0))
    whole = 10_000_000
    count = whole if os.environ.get("REPAIRADVISOR_LONG") else whole // 20
    for key, value in (("n", count), ("of", whole), ("seed", 61)):
        record_property(key, value)
    kept = KeptLoss(redo)
    totals, redone = sampled_section(redo, models, (1310, 1550), count, seed=61)
    assert redone / count == pytest.approx(redo.expected.redos, abs=4 * math.sqrt(redo.expected.redos / count) + 2e-4)
    for nm, lost in totals.items():
        assert abs(lost.mean() - kept.mean_db(nm)) < 4 * lost.std() / math.sqrt(count) + 2e-5
        for x in (0.05, 0.1, 0.2, 0.5 * margin_db, margin_db, 1.5 * margin_db):
            said = kept.chance_above(nm, x)
            tolerance = 4 * math.sqrt(max(said * (1 - said), 1e-9) / count) + 1e-4
            assert abs(float(np.mean(lost > x)) - said) < tolerance, (nm, x)


CHANCES = st.lists(st.integers(1, 9), min_size=2, max_size=8).map(
    lambda w: tuple((0.01 * i, x / sum(w)) for i, x in enumerate(w))
)


@settings(deadline=None, max_examples=60)
@given(CHANCES, st.floats(0.0, 30.0), st.floats(0.0, 0.1), st.integers(1, 4), st.integers(0, 4))
def test_more_tries_more_redos_and_more_margin_never_cost_more(losses, redo_cost, margin, tries, redos):
    def cost(extra_tries=0, extra_redos=0, extra_margin=0.0, extra_price=0.0):
        law = listed(losses, tries + extra_tries)
        attempts = Attempts(redo_cost + extra_price, 9, redos + extra_redos)
        return Redo([law] * 2, Budget(margin + extra_margin, 100.0), attempts).expected.cost

    least = cost()
    assert cost(extra_tries=1) <= least + 1e-9
    assert cost(extra_redos=1) <= least + 1e-9
    assert cost(extra_margin=0.02) <= least + 1e-9
    assert cost(extra_price=1.0) >= least - 1e-9


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(list(SINGLE_MODE)),
    st.floats(0.0, 1.5),
    st.floats(0.0, 0.5),
    st.floats(0.0, 250.0),
)
def test_with_redo_more_margin_never_raises_the_least_cost(name, margin, more, redo_cost):
    law = law_of(single_mode(name, failure_chance=0.05))

    def least(budget_db):
        return Redo([law] * 2, Budget(budget_db, 200.0), Attempts(redo_cost, 3)).expected.cost

    assert least(margin + more) <= least(margin) + 200.0 * 1e-4


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(list(SINGLE_MODE)), st.floats(0.02, 1.5), st.floats(0.0, 0.3))
def test_at_a_fixed_limit_the_chance_to_close_falls_with_every_joint(name, margin, limit):
    law = law_of(single_mode(name, failure_chance=0.05))
    attempts = Attempts(0.0, 3, None, limit)

    def closes(joints):
        return 1.0 - KeptLoss(Redo([law] * joints, Budget(60.0, 0.0), attempts)).chance_above(1310, margin)

    assert closes(2) <= closes(1) + 1e-9


@pytest.mark.parametrize(
    "call",
    [
        lambda: draw_values((1.0,), (0.9,), 1.0, 2),
        lambda: draw_values((1.0,), (1.0,), -1.0, 2),
        lambda: draw_values((1.0,), (1.0,), 1.0, 0),
        lambda: Attempts(-1.0, 3),
        lambda: Attempts(1.0, 0),
        lambda: Attempts(1.0, 3, -1),
        lambda: Attempts(1.0, 3, None, 0.1, -1.0),
        lambda: Budget(61.0, 1.0),
        lambda: Budget(1.0, -1.0),
        lambda: Redo([], Budget(1.0, 1.0), Attempts(1.0, 3)),
        lambda: KeptLoss(_section()).loss_at_chance_above(1310, 0.0, 0.1),
        lambda: KeptLoss(_section()).loss_at_chance_above(1310, 0.5, 0.0),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()


def test_a_table_of_one_value_is_a_law_too():
    """Nothing random in it: the loss is what it is."""
    law = law_of(LossModel(0.1, (), 0.0))
    assert isinstance(law.clean.table, LossTable)
    redo = Redo([law], Budget(0.2, 200.0), Attempts(6.0, 3))
    assert redo.expected.missed == 0.0
    assert KeptLoss(redo).mean_db(1310) == pytest.approx(0.1)


@pytest.mark.parametrize("margin_db", [-0.3, 0.05, 0.4, 1.0])
def test_two_joints_where_two_like_them_come_out_miss_as_often_as_a_sample(margin_db):
    """What comes back is not on record: two million sections and what was cut out, made by the product's limits."""
    model = single_mode("cladding-aligned fusion", failure_chance=0.03)
    law = law_of(model)
    back = compile_sum([model] * 2)
    redo = Redo([law] * 2, Budget(margin_db, 200.0, back), Attempts(6.0, 3))
    count = 2_000_000
    rng = np.random.default_rng(71)
    grid = np.linspace(0.0, 6.0, 1201)
    limits = {used: [redo.limit_db(1, 4, used, float(s)) for s in grid] for used in (0, 1)}
    total, redone = np.zeros(count), 0
    for joint in (0, 1):
        kept, waiting = np.zeros(count), np.ones(count, dtype=bool)
        for used in (0, 1, 2):
            drawn = _draw(rng, model, count)
            if used == 2:
                limit = np.full(count, np.inf)
            elif joint:
                limit = np.interp(total, grid, np.minimum(limits[used], 1e6))
            else:
                limit = np.full(count, redo.limit_db(0, 4 - used, used, 0.0))
            keeps = waiting & (drawn <= limit)
            redone += int((waiting & ~keeps).sum())
            kept = np.where(keeps, drawn, kept)
            waiting &= ~keeps
        total += kept
    missed = float(np.mean(total - _draw(rng, model, count) - _draw(rng, model, count) > margin_db))
    assert redo.expected.missed == pytest.approx(missed, abs=4 * math.sqrt(missed / count) + 3e-4)
    assert redo.expected.redos == pytest.approx(redone / count, abs=4 * math.sqrt(redone) / count + 2e-3)
