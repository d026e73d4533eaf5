"""Sums of losses known as tables: against exact sums, against a sample, properties."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.optics.redo_limit import redo_by_limit
from repairadvisor.optics.table_sum import sum_of_tables

from .workmanship_sets import single_mode

CORE = single_mode("core-aligned fusion")
FIELD = single_mode("mechanical, field")
FAILING = single_mode("cladding-aligned fusion", failure_chance=0.03)


@pytest.mark.parametrize(
    "models",
    [
        [CORE],
        [CORE] * 2,
        [FIELD] * 2,
        [FAILING] * 4,
        [CORE, single_mode("stub connector"), FIELD],
        [LossModel(0, (0.05,))] * 10,
    ],
)
def test_a_sum_of_tables_agrees_with_the_exact_sum(models):
    table = sum_of_tables([compile_sum([model]) for model in models])
    exact = compile_sum(models, tolerance=1e-7)
    assert table.mean_db == pytest.approx(exact.mean_db, rel=1e-12)
    assert table.p50_db == pytest.approx(exact.p50_db, rel=5e-4)
    assert table.p95_db == pytest.approx(exact.p95_db, rel=5e-4)
    for share in np.linspace(0.1, 5, 60):
        limit_db = exact.offset_db + share * (exact.mean_db - exact.offset_db)
        assert table.chance_above(limit_db) == pytest.approx(exact.chance_above(limit_db), abs=1e-4)


def test_a_section_of_redone_joints_agrees_with_a_sample():
    joint = compile_sum([FAILING])
    redone = redo_by_limit(joint, 0.1, 3).loss
    table = sum_of_tables([redone] * 2)
    rng = np.random.default_rng(23)
    count = 400_000
    total = np.zeros(count)
    for _ in range(2):
        kept = np.full(count, np.inf)
        for _ in range(3):
            clean = sum(rng.exponential(mean, count) for mean in FAILING.exponential_means_db)
            failed = rng.random(count) < FAILING.failure_chance
            drawn = FAILING.l0_db + np.where(failed, rng.exponential(FAILING.failure_mean_db, count), clean)
            kept = np.where(kept > 0.1, drawn, kept)
        total += kept
    assert abs(total.mean() - table.mean_db) < 4 * total.std() / math.sqrt(count)
    for x in (0.03, 0.08, 0.1, 0.102, 0.15, 0.2, 0.4):
        chance = table.chance_above(x)
        assert abs(np.mean(total > x) - chance) < 4 * math.sqrt(chance * (1 - chance) / count) + 1e-4


def test_a_step_moves_a_sum_along():
    moved = sum_of_tables([compile_sum([CORE]), compile_sum([LossModel(0.3)])])
    plain = compile_sum([CORE])
    for x in (0.01, 0.05, 0.1):
        assert moved.chance_above(x + 0.3) == pytest.approx(plain.chance_above(x), abs=1.5e-4)


MODELS = st.builds(
    LossModel,
    st.floats(0.0, 0.2),
    st.lists(st.floats(0.01, 0.4), min_size=1, max_size=2).map(tuple),
    st.sampled_from([0.0, 0.05]),
)


@settings(deadline=None, max_examples=25)
@given(st.lists(MODELS, min_size=1, max_size=3))
def test_a_sum_is_a_distribution(models):
    table = sum_of_tables([compile_sum([model]) for model in models])
    assert table.tail[-1] == 0.0
    assert table.tail[0] <= 1.0
    assert all(table.tail[i] >= table.tail[i + 1] for i in range(len(table.tail) - 1))
    assert all(table.knots_db[i] < table.knots_db[i + 1] for i in range(len(table.tail) - 1))
    assert table.knots_db[0] + table.tail_integral[0] == pytest.approx(table.mean_db, rel=2e-3)


@pytest.mark.parametrize("call", [lambda: sum_of_tables([]), lambda: sum_of_tables([compile_sum([])], step_db=0.1)])
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
