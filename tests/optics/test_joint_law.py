"""A joint attempt by attempt and at several wavelengths: against the exact sums, samples, and its own limits."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, compile_sum
from repairadvisor.optics.joint_law import compile_joint_law, mix
from repairadvisor.optics.workmanship import mean_offset_loss_db, mean_tilt_loss_db

from .workmanship_sets import SINGLE_MODE, multimode, single_mode

NAMES = list(SINGLE_MODE)


def law_at_both(name, failure=0.05, attempts=3):
    models = {
        1310: single_mode(name, failure_chance=failure),
        1550: single_mode(name, wavelength_um=1.55, failure_chance=failure),
    }
    return compile_joint_law(models, 1310, (failure,) * attempts), models


@pytest.mark.parametrize("name", NAMES)
def test_one_attempt_is_the_joint_itself(name):
    """The exact distribution of the same joint, compiled as one sum with its failing branch."""
    law, models = law_at_both(name)
    for nm, model in models.items():
        exact = compile_sum([model], tolerance=1e-7)
        assert law.mean_within(0, nm, math.inf) == pytest.approx(model.mean_db, rel=1e-9)
        for x in (0.01, exact.p50_db, exact.p95_db, exact.p99_db):
            # 0.03 points off the governing wavelength, where two lines stand for all that can be
            assert law.tail_within(0, nm, x, math.inf) == pytest.approx(exact.chance_above(x), abs=3e-4)
    exact = compile_sum([models[1310]], tolerance=1e-7)
    for x in np.linspace(0.0, 1.0, 40):
        assert law.tail(0, x) == pytest.approx(exact.chance_above(x), abs=1.5e-5)


@pytest.mark.parametrize("name", NAMES)
def test_stretches_have_the_chance_and_the_mean_of_the_joint(name):
    law, models = law_at_both(name)
    weights = law.weights_within(0, math.inf)
    assert sum(chance for _, chance in weights) == pytest.approx(1.0, abs=1e-9)
    assert sum(loss * chance for loss, chance in weights) == pytest.approx(models[1310].mean_db, rel=1e-4)
    assert len(weights) < 130
    limit = 0.2
    part = law.weights_within(0, limit)
    assert sum(chance for _, chance in part) == pytest.approx(1.0 - law.tail(0, limit), abs=1e-9)
    assert all(loss <= limit for loss, _ in part)


@pytest.mark.parametrize("name", ["core-aligned fusion", "mechanical, field", "stub connector"])
@pytest.mark.parametrize("limit", [0.1, 0.3, math.inf])
def test_joints_kept_at_one_wavelength_seen_at_another(name, limit):
    """Two million joints whose parts are shared by the wavelengths: chances and means within four standard errors."""
    law, models = law_at_both(name)
    rng = np.random.default_rng(5)
    count = 2_000_000
    parts = rng.exponential(size=(len(models[1310].exponential_means_db), count))
    failed = rng.random(count) < 0.05
    long = rng.exponential(0.5, count)
    lost = {
        nm: model.l0_db + np.where(failed, long, np.array(model.exponential_means_db) @ parts)
        for nm, model in models.items()
    }
    kept = lost[1310] <= limit
    for nm in models:
        mean = float(np.where(kept, lost[nm], 0.0).mean())
        spread = float(np.where(kept, lost[nm], 0.0).std())
        assert abs(law.mean_within(0, nm, limit) - mean) < 4 * spread / math.sqrt(count) + 2e-5
        for y in (0.02, 0.05, 0.1, 0.2, 0.5):
            seen = float(np.mean(kept & (lost[nm] > y)))
            said = law.tail_within(0, nm, y, limit)
            assert abs(said - seen) < 4 * math.sqrt(max(seen, 1e-7) / count) + 5e-5, (nm, y)


def test_a_later_attempt_fails_as_often_as_it_is_told():
    law, _ = law_at_both("core-aligned fusion")
    later = compile_joint_law({1310: single_mode("core-aligned fusion")}, 1310, (0.03, 0.1, 0.6))
    clean, failed = later.clean.tail(0.3), later.failed.tail(0.3)
    assert [later.tail(used, 0.3) for used in range(3)] == pytest.approx(
        [clean + p * (failed - clean) for p in (0.03, 0.1, 0.6)]
    )
    assert law.tries == 3
    assert law.least_db == pytest.approx(0.002)


def test_multimode_loses_the_same_at_both_wavelengths():
    model = multimode("stub connector")
    law = compile_joint_law({850: model, 1300: model}, 850, (0.0, 0.0))
    for y in (0.1, 0.3, 0.7):
        assert law.tail_within(0, 1300, y, 0.5) == pytest.approx(law.tail_within(0, 850, y, 0.5), abs=1e-12)


def _of_radius(w_um):
    means = (mean_offset_loss_db(0.5, w_um), mean_tilt_loss_db(0.25, 1.45, w_um, 1.31))
    return LossModel(0.05, means, 0.05)


@settings(deadline=None, max_examples=20)
@given(st.floats(0.0, 1.0), st.floats(0.02, 0.8))
def test_a_mode_field_between_two_compiled_ones_is_near_to_its_own_law(share, x):
    """Radii 4.6 and 4.9 µm, mixed evenly in 1/w^2: within 0.1 points of the law compiled for the radius itself."""
    low, high = (compile_joint_law({1310: _of_radius(w)}, 1310, (0.05,)) for w in (4.6, 4.9))
    between = (1.0 - share) / 4.6**2 + share / 4.9**2
    exact = compile_joint_law({1310: _of_radius(between**-0.5)}, 1310, (0.05,))
    mixed = mix(low, high, share)
    assert mixed.tail(0, x) == pytest.approx(exact.tail(0, x), abs=1e-3)
    assert mixed.mean_within(0, 1310, math.inf) == pytest.approx(exact.mean_within(0, 1310, math.inf), rel=2e-3)
    assert sum(chance for _, chance in mixed.weights_within(0, math.inf)) == pytest.approx(1.0, abs=1e-9)


def test_at_its_ends_a_mixture_is_what_was_compiled():
    low, high = (compile_joint_law({1310: _of_radius(w)}, 1310, (0.05,)) for w in (4.6, 4.9))
    assert mix(low, high, 0.0) is low
    assert mix(low, high, 1.0) is high


@pytest.mark.parametrize(
    "call",
    [
        lambda: compile_joint_law({1310: LossModel(0.0, (0.1,))}, 1310, ()),
        lambda: compile_joint_law({1310: LossModel(0.0, (0.1,))}, 1310, (1.5,)),
        lambda: compile_joint_law({1310: LossModel(0.0, (0.1,)), 1550: LossModel(0.0)}, 1310, (0.1,)),
        lambda: compile_joint_law(
            {1310: LossModel(0.0, (0.1, 0.1, 0.1)), 1550: LossModel(0.0, (0.05, 0.07, 0.09))}, 1310, (0.1,)
        ),
        lambda: mix(law_at_both("pigtail")[0], law_at_both("core-aligned fusion")[0], 1.5),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
