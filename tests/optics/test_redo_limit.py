"""Redo by a fixed limit, and optimal stopping on one loss: printed figures, published values, samples."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, LossTable, compile_sum
from repairadvisor.optics.redo_limit import redo_by_limit, stopping_values_db

from .printed import assert_printed
from .workmanship_sets import single_mode


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
def test_accept_within_the_limit_and_keep_the_last(name, limit_db, tries, q, mean, expected_tries, above, p95):
    # Geometric trials over hypoexponential losses, by matrix exponential and quadrature.
    result = redo_by_limit(compile_sum([single_mode(name)], tolerance=1e-8), limit_db, tries)
    assert_printed(result.chance_of_redo, q)
    assert_printed(result.loss.mean_db, mean)
    assert_printed(result.expected_tries, expected_tries)
    assert_printed(result.chance_still_above, above)
    assert_printed(result.loss.p95_db, p95)


def test_s2_08_one_exponential_in_closed_form():
    # mu 0.06, limit 0.1, three tries: q = exp(-t/mu), M_t = mu - q (t + mu).
    result = redo_by_limit(compile_sum([LossModel(0.0, (0.06,))], tolerance=1e-7), 0.1, 3)
    assert_printed(result.chance_of_redo, "0.188876")
    assert_printed(result.loss.mean_db, "0.0375450")
    assert_printed(result.expected_tries, "1.22455")
    assert_printed(result.chance_still_above, "0.00673795")


def test_s2_09_best_limits_of_an_exponential():
    # mu 0.06, a try costs as much as 0.02 dB: V_k = mu (1 - exp(-(V_(k-1) + c)/mu)).
    values = stopping_values_db(compile_sum([LossModel(0.0, (0.06,))], tolerance=1e-8), 0.02, 4)
    for k, limit, value in (
        (1, "0.0800000", "0.0441842"),
        (2, "0.0641842", "0.0394141"),
        (3, "0.0594141", "0.0377106"),
    ):
        assert_printed(values[k - 1] + 0.02, limit)
        assert_printed(values[k], value)


def test_s2_10_three_tries_with_a_failure_branch():
    model = single_mode("core-aligned fusion", failure_chance=0.03)
    result = redo_by_limit(compile_sum([model], tolerance=1e-8), 0.1, 3)
    assert_printed(result.chance_of_redo, "0.0747436")
    assert_printed(result.chance_still_above, "0.000417563")


def test_the_published_sequence_of_cayley_and_moser():
    # Uniform on (0, 1), nothing paid for a draw; Moser (1956) for the greatest: 1/2, 5/8, 89/128, ...
    uniform = LossTable(0.0, (0.0, 1.0), (1.0, 0.0), (0.5, 0.0), 0.5, 0.5, 0.95, 0.99)
    values = stopping_values_db(uniform, 0.0, 4)
    assert values[:3] == (1 - 1 / 2, 1 - 5 / 8, 1 - 89 / 128)
    assert_printed(values[3], "0.2583")


@pytest.mark.parametrize(("limit_db", "tries"), [(0.1, 3), (0.2, 2), (0.05, 5)])
def test_a_sample_of_redone_joints_agrees_within_four_standard_errors(limit_db, tries):
    model = single_mode("cladding-aligned fusion", failure_chance=0.03)
    rng = np.random.default_rng(17)
    count = 300_000

    def draw():
        clean = sum(rng.exponential(mean, count) for mean in model.exponential_means_db)
        failed = rng.random(count) < model.failure_chance
        return model.l0_db + np.where(failed, rng.exponential(model.failure_mean_db, count), clean)

    kept, made = draw(), np.ones(count)
    for _ in range(tries - 1):
        again = kept > limit_db
        kept, made = np.where(again, draw(), kept), made + again
    result = redo_by_limit(compile_sum([model]), limit_db, tries)
    assert abs(kept.mean() - result.loss.mean_db) < 4 * kept.std() / math.sqrt(count)
    assert abs(made.mean() - result.expected_tries) < 4 * made.std() / math.sqrt(count)
    for x in (0.02, 0.06, limit_db, 0.3, 1.0):
        chance = result.loss.chance_above(x)
        assert abs(np.mean(kept > x) - chance) < 4 * math.sqrt(chance * (1 - chance) / count) + 2e-5


MODELS = st.builds(
    LossModel,
    st.floats(0.0, 0.1),
    st.lists(st.floats(0.01, 0.3), min_size=1, max_size=2).map(tuple),
    st.sampled_from([0.0, 0.05]),
)


@settings(deadline=None, max_examples=40)
@given(MODELS, st.floats(0.0, 1.0), st.integers(1, 6))
def test_the_kept_loss_is_a_distribution_and_no_worse_than_a_single_try(model, above, tries):
    joint = compile_sum([model])
    limit_db = joint.knots_db[0] + above
    result = redo_by_limit(joint, limit_db, tries)
    table = result.loss
    assert all(table.tail[i] >= table.tail[i + 1] for i in range(len(table.tail) - 1))
    assert table.tail[0] <= 1.0 + 1e-12
    # Straight lines between knots are within 1e-5 of a chance, and every try can add as much, over the table's width.
    width_db = table.knots_db[-1] - table.knots_db[0]
    within = 1e-5 * width_db * result.expected_tries
    assert table.knots_db[0] + table.tail_integral[0] == pytest.approx(table.mean_db, abs=within)
    for x in (joint.p50_db, joint.p95_db, limit_db):
        assert table.chance_above(x) <= joint.chance_above(x) + 1e-9
    assert result.chance_still_above == pytest.approx(result.chance_of_redo**tries, rel=1e-9, abs=1e-300)
    assert 1.0 <= result.expected_tries <= tries
    if tries == 1:
        assert table.mean_db == pytest.approx(joint.mean_db)


@settings(deadline=None, max_examples=40)
@given(MODELS, st.floats(0.0, 0.5), st.integers(2, 8))
def test_more_tries_are_never_worse_and_dearer_tries_never_better(model, cost_db, tries):
    joint = compile_sum([model])
    values = stopping_values_db(joint, cost_db, tries)
    assert all(values[k] >= values[k + 1] for k in range(tries - 1))
    assert stopping_values_db(joint, cost_db + 0.05, tries)[-1] >= values[-1] - 1e-12


@pytest.mark.parametrize(
    "call",
    [
        lambda: redo_by_limit(compile_sum([LossModel(0.05, (0.1,))]), 0.04, 3),
        lambda: redo_by_limit(compile_sum([LossModel(0.05, (0.1,))]), 0.1, 0),
        lambda: stopping_values_db(compile_sum([]), -0.1, 2),
        lambda: stopping_values_db(compile_sum([]), 0.1, 0),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
