"""Losses as distributions: printed quantiles, three exact references, a sample of a million, properties."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg, stats

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel, compile_difference, compile_sum

from .printed import assert_printed
from .workmanship_sets import SINGLE_MODE, multimode, single_mode

CORE, CLADDING, RIBBON, TRAINED, FIELD, STUB, SPLICED, PIGTAIL = (
    single_mode(name)
    for name in (
        "core-aligned fusion",
        "cladding-aligned fusion",
        "ribbon fusion",
        "mechanical, trained",
        "mechanical, field",
        "stub connector",
        "connector spliced on",
        "pigtail",
    )
)


def _assert_summary(table, mean, p50, p95, p99):
    for value, figure in zip(
        (table.mean_db, table.p50_db, table.p95_db, table.p99_db), (mean, p50, p95, p99), strict=True
    ):
        assert_printed(value, figure)


# Quantiles of hypoexponential sums by matrix exponential; sets calibrated to splice and connector limits.
P1 = [
    pytest.param("core-aligned fusion", "0.0428875", "0.0358203", "0.100850", "0.142898", id="P1.01"),
    pytest.param("cladding-aligned fusion", "0.0592659", "0.0477445", "0.146802", "0.214486", id="P1.02"),
    pytest.param("ribbon fusion", "0.0832085", "0.0669829", "0.206900", "0.302355", id="P1.03"),
    pytest.param("mechanical, trained", "0.111208", "0.0949829", "0.234900", "0.330355", id="P1.04"),
    pytest.param("mechanical, field", "0.336361", "0.289226", "0.710781", "0.991212", id="P1.05"),
    pytest.param("stub connector", "0.337523", "0.298854", "0.685220", "0.926534", id="P1.06"),
    pytest.param("connector spliced on", "0.201856", "0.162718", "0.495056", "0.724560", id="P1.07"),
    pytest.param("pigtail", "0.185477", "0.144641", "0.473554", "0.703044", id="P1.08"),
]
P2 = [
    pytest.param("core-aligned fusion", "0.0359802", "0.0303079", "0.0833802", "0.117010", id="P2.01"),
    pytest.param("cladding-aligned fusion", "0.0487970", "0.0398478", "0.118500", "0.171538", id="P2.02"),
    pytest.param("ribbon fusion", "0.0684060", "0.0557930", "0.166978", "0.241794", id="P2.03"),
    pytest.param("mechanical, trained", "0.0964060", "0.0837930", "0.194978", "0.269794", id="P2.04"),
    pytest.param("mechanical, field", "0.291415", "0.254263", "0.593482", "0.814694", id="P2.05"),
    pytest.param("stub connector", "0.280510", "0.250519", "0.554713", "0.743822", id="P2.06"),
    pytest.param("connector spliced on", "0.160380", "0.129906", "0.390081", "0.569679", id="P2.07"),
    pytest.param("pigtail", "0.147563", "0.115797", "0.373256", "0.552841", id="P2.08"),
]


@pytest.mark.parametrize(("name", "mean", "p50", "p95", "p99"), P1)
def test_one_joint_at_1310(name, mean, p50, p95, p99):
    _assert_summary(compile_sum([single_mode(name)]), mean, p50, p95, p99)


@pytest.mark.parametrize(("name", "mean", "p50", "p95", "p99"), P2)
def test_one_joint_at_1550(name, mean, p50, p95, p99):
    _assert_summary(compile_sum([single_mode(name, 1.55)]), mean, p50, p95, p99)


@pytest.mark.parametrize(
    ("name", "core", "mean", "p50", "p95", "p99"),
    [
        pytest.param("fusion", "50 µm", "0.0244182", "0.0211354", "0.0516628", "0.0711564", id="P4.01"),
        pytest.param("fusion", "62.5 µm", "0.0165767", "0.0145222", "0.0331953", "0.0454302", id="P4.02"),
        pytest.param("mechanical", "50 µm", "0.208604", "0.182939", "0.426789", "0.578151", id="P4.03"),
        pytest.param("mechanical", "62.5 µm", "0.142052", "0.127239", "0.268371", "0.355625", id="P4.04"),
        pytest.param("pair", "50 µm", "0.142590", "0.0988358", "0.427161", "0.656651", id="P4.05"),
        pytest.param("stub connector", "50 µm", "0.351194", "0.314525", "0.698112", "0.935435", id="P4.06"),
        pytest.param("stub connector", "62.5 µm", "0.233310", "0.210175", "0.447764", "0.597455", id="P4.07"),
    ],
)
def test_one_multimode_joint(name, core, mean, p50, p95, p99):
    _assert_summary(compile_sum([multimode(name, core)]), mean, p50, p95, p99)


def test_s1_02_one_exponential():
    # mu ln 2, mu ln 20, mu ln 100.
    table = compile_sum([LossModel(0.0, CORE.exponential_means_db[:1])])
    for value, figure in zip(
        (table.p50_db, table.p95_db, table.p99_db), ("0.0177830", "0.0768567", "0.118147"), strict=True
    ):
        assert_printed(value, figure)


def test_s1_03_offset_and_tilt_together():
    table = compile_sum([LossModel(0.0, CORE.exponential_means_db)])
    _assert_summary(table, "0.0408875", "0.0338203", "0.0988503", "0.140898")
    assert_printed(math.hypot(*CORE.exponential_means_db), "0.0298365")


@pytest.mark.parametrize(
    ("model", "limits"),
    [
        pytest.param(CORE, {0.1: "0.0516322", 0.2: "0.00109173"}, id="P3.01 core"),
        pytest.param(CLADDING, {0.2: "0.0141142", 0.3: "0.00130765"}, id="P3.01 cladding"),
        pytest.param(RIBBON, {0.3: "0.0104053"}, id="P3.01 ribbon"),
        pytest.param(TRAINED, {0.3: "0.0166866"}, id="P3.02 trained"),
        pytest.param(FIELD, {0.2: "0.743759", 0.3: "0.474412", 0.7: "0.0531728"}, id="P3.02 field"),
        pytest.param(STUB, {0.5: "0.161664", 0.75: "0.0326663"}, id="P3.03 stub"),
        pytest.param(SPLICED, {0.5: "0.0482963", 0.75: "0.00836597"}, id="P3.03 spliced on"),
        pytest.param(PIGTAIL, {0.5: "0.0415357"}, id="P3.03 pigtail"),
    ],
)
def test_the_chance_of_passing_a_limit(model, limits):
    table = compile_sum([model])
    fine = compile_sum([model], tolerance=1e-8)
    for limit_db, figure in limits.items():
        assert table.chance_above(limit_db) == pytest.approx(float(figure), abs=1.2e-5)
        assert fine.chance_above(limit_db) == pytest.approx(float(figure), abs=2e-8 + 0.51 * _last_digit(figure))


def _last_digit(figure):
    return 10.0 ** -len(figure.partition(".")[2])


@pytest.mark.parametrize(
    ("model", "quantile", "figure"),
    [
        pytest.param(CORE, 0.95, "0.100850", id="P3.06 core"),
        pytest.param(CLADDING, 0.98, "0.185346", id="P3.06 cladding"),
        pytest.param(RIBBON, 0.99, "0.302355", id="P3.06 ribbon"),
        pytest.param(TRAINED, 0.98, "0.289261", id="P3.06 trained"),
        pytest.param(FIELD, 0.25, "0.197872", id="P3.06 field P25"),
        pytest.param(FIELD, 0.95, "0.710781", id="P3.06 field P95"),
        pytest.param(STUB, 0.5, "0.298854", id="P3.06 stub P50"),
        pytest.param(STUB, 0.97, "0.762857", id="P3.06 stub P97"),
        pytest.param(multimode("mechanical"), 0.82, "0.298568", id="P3.07 mechanical"),
        pytest.param(multimode("stub connector"), 0.965, "0.751514", id="P3.07 stub"),
        pytest.param(multimode("pair"), 0.97, "0.500000", id="P3.07 pair"),
    ],
)
def test_the_figures_to_which_the_sets_were_calibrated(model, quantile, figure):
    assert compile_sum([model]).loss_at_chance_above(1 - quantile) == pytest.approx(float(figure), rel=5e-4)
    fine = compile_sum([model], tolerance=1e-8).loss_at_chance_above(1 - quantile)
    assert fine == pytest.approx(float(figure), abs=1e-6)


@pytest.mark.parametrize(
    ("models", "figures"),
    [
        pytest.param([CLADDING] * 2, ("0.118532", "0.106270", "0.239072", "0.319336"), id="S2.01"),
        pytest.param([FIELD] * 2, ("0.672722", "0.623148", "1.18769", "1.52235"), id="S2.02"),
        pytest.param([LossModel(0, (0.05,))] * 10, ("0.500000", "0.483436", "0.785261", "0.939156"), id="S2.03"),
    ],
)
def test_sums_of_joints(models, figures):
    _assert_summary(compile_sum(models), *figures)


def test_s2_03_is_a_gamma_distribution():
    table = compile_sum([LossModel(0, (0.05,))] * 10)
    for x in np.linspace(0.01, 2, 200):
        assert table.chance_above(x) == pytest.approx(stats.gamma.sf(x, 10, scale=0.05), abs=1.1e-5)


def test_s2_10_a_failure_branch():
    # Core-aligned fusion, 3 % of joints lose L0 + Exp(0.5 dB) instead: P(> 0.1 dB) clean, with failures.
    clean = compile_sum([CORE], tolerance=1e-8)
    failing = compile_sum([single_mode("core-aligned fusion", failure_chance=0.03)], tolerance=1e-8)
    assert_printed(clean.chance_above(0.1), "0.0516322")
    assert_printed(failing.chance_above(0.1), "0.0747436")


FAILING = single_mode("cladding-aligned fusion", failure_chance=0.03)
SUMS = {
    "one joint": [CORE],
    "a wide joint": [FIELD],
    "a section": [FIELD] * 2,
    "unlike joints": [CORE, STUB, FIELD],
    "a failing joint": [FAILING],
    "a failing section": [FAILING] * 2,
    "failing and clean": [single_mode("stub connector", failure_chance=0.02), CORE, FIELD],
    "twenty failing joints": [FAILING] * 20,
    "nearly equal means": [LossModel(0.01, (0.05, 0.05 * (1 + 1e-9), 0.05 * (1 - 1e-9)))],
    "one mean far below the other": [LossModel(0.0, (0.0004, 0.3))],
    "multimode": [multimode("fusion")] * 4,
    "nothing but failure": [LossModel(0.02, (), 0.25, 0.4)] * 2,
}


def _exact_chances_above(models, limits_db):
    """Every combination of failed and clean joints, each by the library's matrix exponential."""
    offset_db = sum(model.l0_db for model in models)
    counted: dict[tuple[float, ...], float] = {(): 1.0}
    for model in models:
        following: dict[tuple[float, ...], float] = {}
        branches = [(1 - model.failure_chance, model.exponential_means_db)]
        if model.failure_chance:
            branches.append((model.failure_chance, (model.failure_mean_db,)))
        for means, weight in counted.items():
            for chance, more in branches:
                key = tuple(sorted(means + more))
                following[key] = following.get(key, 0.0) + weight * chance
        counted = following
    chances = np.zeros(len(limits_db))
    for means, weight in counted.items():
        if weight < 1e-12:
            continue
        rates = 1 / np.array(means)
        generator = np.diag(-rates) + np.diag(rates[:-1], 1) if means else np.zeros((0, 0))
        for i, limit_db in enumerate(limits_db):
            y = limit_db - offset_db
            if y < 0:
                chances[i] += weight
            elif means:
                chances[i] += weight * linalg.expm(generator * y)[0].sum()
    return chances


@pytest.mark.parametrize("name", SUMS)
def test_a_compiled_sum_agrees_with_the_exact_distribution(name):
    models = SUMS[name]
    table = compile_sum(models)
    mean = sum(model.mean_db for model in models)
    assert table.mean_db == pytest.approx(mean, rel=1e-12)
    quantiles = (table.p50_db, table.p95_db, table.p99_db)
    limits = [mean * share for share in (0.3, 0.61, 0.93, 1.17, 1.6, 2.2, 3.1, 4.7)]
    exact = _exact_chances_above(models, limits + list(quantiles))
    for limit, chance in zip(limits, exact, strict=False):
        assert table.chance_above(limit) == pytest.approx(chance, abs=1.2e-5)  # 0.0012 points
    for found, target in zip(exact[len(limits) :], (0.5, 0.05, 0.01), strict=True):
        if table.tail[0] > target:
            assert found == pytest.approx(target, rel=3e-5)


@pytest.mark.parametrize("name", ["a failing section", "unlike joints", "failing and clean"])
def test_a_compiled_sum_agrees_with_its_characteristic_function(name):
    """Gil-Pelaez inversion: shares nothing with matrix exponentials."""
    models = SUMS[name]

    def characteristic(t):
        value = np.ones_like(t, dtype=complex)
        for model in models:
            clean = np.prod([1 / (1 - 1j * t * mean) for mean in model.exponential_means_db], axis=0)
            failed = 1 / (1 - 1j * t * model.failure_mean_db)
            value *= ((1 - model.failure_chance) * clean + model.failure_chance * failed) * np.exp(1j * t * model.l0_db)
        return value

    table = compile_sum(models)
    t = (np.arange(400_000) + 0.5) * 0.05
    values = characteristic(t)
    for limit_db in (table.mean_db, table.p95_db, 1.3 * table.p95_db):
        area = 0.05 * np.sum((np.exp(-1j * t * limit_db) * values).imag / t)
        assert table.chance_above(limit_db) == pytest.approx(0.5 + area / np.pi, abs=1.2e-5)


@pytest.mark.parametrize(
    ("p50", "p95", "p99", "name"),
    [
        (0.03582, 0.1009, 0.1428, "core-aligned fusion"),
        (0.2892, 0.7109, 0.9908, "mechanical, field"),
        (0.2993, 0.6849, 0.9256, "stub connector"),
    ],
)
def test_a_million_made_joints_agree_within_four_standard_errors(p50, p95, p99, name):
    # R1.01, R1.02 and R1.03: offsets and tilts drawn, losses by Marcuse's formulas written out here.
    sigma_um, sigma_deg, l0_db, pair_db = SINGLE_MODE[name]
    rng = np.random.default_rng(20250101)
    squares = (rng.normal(0, sigma_um, (1_000_000, 2)) ** 2).sum(1) / 4.6**2
    angles = (rng.normal(0, math.radians(sigma_deg), (1_000_000, 2)) ** 2).sum(1)
    losses = l0_db + 10 / math.log(10) * (squares + (math.pi * 1.45 * 4.6 / 1.31) ** 2 * angles)
    if pair_db is not None:  # ferrules off centre: an offset of its own whose 97 % point is the limit
        ferrules = 4.6 * math.sqrt(pair_db / math.log(1 / 0.03) / (20 / math.log(10)))
        losses += 10 / math.log(10) * (rng.normal(0, ferrules, (1_000_000, 2)) ** 2).sum(1) / 4.6**2
    table = compile_sum([single_mode(name)])
    assert abs(losses.mean() - table.mean_db) < 4 * losses.std() / 1000
    for target, quantile_db, printed in (
        (0.5, table.p50_db, p50),
        (0.05, table.p95_db, p95),
        (0.01, table.p99_db, p99),
    ):
        assert abs(np.mean(losses > quantile_db) - target) < 4 * math.sqrt(target * (1 - target)) / 1000
        assert quantile_db == pytest.approx(printed, rel=0.015)


def test_r1_04_mode_fields_that_differ_by_their_tolerance_may_stand_in_the_constant():
    """9.2 ± 0.4 µm (three sigma) on both sides, drawn, with the mismatch of Marcuse's formula; nothing else in L0."""
    rng = np.random.default_rng(7)
    one, two = (4.6 + rng.normal(0, 0.2 / 3, 1_000_000) for _ in range(2))
    offset = (rng.normal(0, 0.25, (1_000_000, 2)) ** 2).sum(1)
    tilt = (rng.normal(0, math.radians(0.15), (1_000_000, 2)) ** 2).sum(1)
    squares = one**2 + two**2
    alike = 2 * one * two / squares
    exponent = 2 * offset / squares + 2 * (math.pi * 1.45 * one * two / 1.31) ** 2 * tilt / squares
    losses = -20 / math.log(10) * np.log(alike) + 10 / math.log(10) * exponent
    printed = (0.04274, 0.03572, 0.1008, 0.1428)
    drawn = (losses.mean(), *np.quantile(losses, (0.5, 0.95, 0.99)))
    assert drawn == pytest.approx(printed, rel=0.015)
    table = compile_sum([LossModel(0.00182438, single_mode("core-aligned fusion").exponential_means_db)])
    assert (table.mean_db, table.p50_db, table.p95_db, table.p99_db) == pytest.approx(drawn, rel=0.015)


def test_a_sample_of_failing_sections_agrees_within_four_standard_errors():
    rng = np.random.default_rng(11)
    losses = np.zeros(1_000_000)
    for _ in range(2):
        clean = sum(rng.exponential(mean, len(losses)) for mean in FAILING.exponential_means_db)
        failed = rng.random(len(losses)) < FAILING.failure_chance
        losses += FAILING.l0_db + np.where(failed, rng.exponential(FAILING.failure_mean_db, len(losses)), clean)
    table = compile_sum([FAILING] * 2)
    assert abs(losses.mean() - table.mean_db) < 4 * losses.std() / 1000
    for limit_db in (0.05, 0.1, 0.3, 0.6, 1.5):
        chance = table.chance_above(limit_db)
        assert abs(np.mean(losses > limit_db) - chance) < 4 * math.sqrt(chance * (1 - chance)) / 1000


def test_nothing_added_is_a_loss_of_exactly_nothing():
    table = compile_sum([])
    assert (table.mean_db, table.p50_db, table.p95_db, table.p99_db) == (0.0, 0.0, 0.0, 0.0)
    assert table.chance_above(-1e-9) == 1.0
    assert table.chance_above(0.0) == 0.0
    assert table.mean_chance_above(-1.0, 3.0) == pytest.approx(0.25)
    assert table.loss_at_chance_above(0.01) == 0.0


def test_a_joint_without_spread_is_a_step():
    table = compile_sum([LossModel(0.3), LossModel(0.2)])
    assert table.mean_db == table.p50_db == table.p99_db == pytest.approx(0.5)
    assert table.chance_above(0.4999) == 1.0
    assert table.chance_above(0.5001) == 0.0


def test_a_part_that_may_lose_nothing_keeps_that_chance():
    table = compile_sum([LossModel(0.02, (), 0.25, 0.4)])
    assert table.chance_above(0.0199) == 1.0
    assert table.chance_above(0.02) == pytest.approx(0.25)
    assert table.p50_db == 0.02


def test_the_mean_chance_is_the_integral_of_the_interpolated_tail():
    table = compile_sum([FAILING] * 2)
    for low_db, high_db in (
        (0.0, 0.2),
        (-0.3, 0.001),
        (0.11, 0.1100001),
        (0.05, 20.0),
        (15.0, 30.0),
        (0.1, 0.1),
    ):
        x = np.unique(np.concatenate([[low_db, high_db], [k for k in table.knots_db if low_db < k < high_db]]))
        y = [table.chance_above(v) for v in x]
        exact = np.trapezoid(y, x) / (high_db - low_db) if high_db > low_db else y[0]
        assert table.mean_chance_above(low_db, high_db) == pytest.approx(exact, rel=1e-6, abs=1e-12)


MODELS = st.builds(
    LossModel,
    st.floats(0.0, 0.2),
    st.lists(st.floats(0.005, 0.4), min_size=1, max_size=3).map(tuple),
    st.sampled_from([0.0, 0.02, 0.3]),
    st.floats(0.1, 1.0),
)


@settings(deadline=None, max_examples=60)
@given(st.lists(MODELS, min_size=1, max_size=4))
def test_a_table_is_a_distribution(models):
    table = compile_sum(models)
    assert table.tail[0] <= 1.0
    assert table.tail[-1] == 0.0
    assert all(a >= b for a, b in zip(table.tail, table.tail[1:], strict=False))
    assert all(a < b for a, b in zip(table.knots_db, table.knots_db[1:], strict=False))
    assert all(a >= b >= 0 for a, b in zip(table.tail_integral, table.tail_integral[1:], strict=False))
    assert 0.0 <= table.offset_db <= table.p50_db <= table.p95_db <= table.p99_db
    assert table.offset_db + table.tail_integral[0] == pytest.approx(table.mean_db, rel=1e-3)


@settings(deadline=None, max_examples=40)
@given(st.lists(MODELS, min_size=1, max_size=3), MODELS, st.floats(0.0, 4.0))
def test_one_more_joint_never_raises_the_chance_to_close(models, one_more, margin_db):
    fewer, more = compile_sum(models), compile_sum([*models, one_more])
    assert more.chance_above(margin_db) >= fewer.chance_above(margin_db) - 2e-5
    assert more.mean_db > fewer.mean_db


@settings(deadline=None, max_examples=40)
@given(st.lists(MODELS, min_size=1, max_size=3), st.floats(0.0, 1.0), st.floats(-0.5, 3.0), st.floats(0.0, 2.0))
def test_reading_a_table_is_consistent(models, chance, low_db, width_db):
    table = compile_sum(models)
    x = table.loss_at_chance_above(chance)
    assert table.chance_above(x) <= chance + 1e-12
    if x > table.knots_db[0]:
        assert table.chance_above(x - 1e-6) >= chance - 1e-9
    average = table.mean_chance_above(low_db, low_db + width_db)
    assert table.chance_above(low_db + width_db) <= average <= table.chance_above(low_db)


@settings(deadline=None, max_examples=20)
@given(st.lists(MODELS, min_size=2, max_size=4))
def test_the_order_of_joints_does_not_matter(models):
    there, back = compile_sum(models), compile_sum(models[::-1])
    for x in np.linspace(there.offset_db, there.p99_db, 9):
        assert there.chance_above(x) == pytest.approx(back.chance_above(x), abs=2.1e-5)


@pytest.mark.parametrize(
    ("added", "given_back"),
    [
        ([FIELD] * 2, [STUB]),
        ([CORE], [CORE]),
        ([FAILING] * 2, [PIGTAIL, FAILING]),
        ([CLADDING], [FIELD, FIELD]),
    ],
)
def test_a_net_change_agrees_with_quadrature_over_what_comes_back(added, given_back):
    table = compile_difference(added, given_back)
    back = sum(model.l0_db for model in given_back)
    scale = sum(model.mean_db for model in given_back) - back
    y = np.concatenate([np.linspace(0, 6 * scale, 2401), np.linspace(6 * scale, 60 * scale, 1201)[1:]])
    held = _exact_cdf(given_back, y + back)
    for limit_db in (-0.3, -0.1, -0.01, 0.0, 0.02, 0.1, 0.4, 0.9):
        passed = _exact_cdf(added, limit_db + back + y)
        middle = 1 - 0.5 * (passed[1:] + passed[:-1])
        exact = float(np.sum(np.diff(held) * middle)) + held[0] * (1 - passed[0])
        assert table.chance_above(limit_db) == pytest.approx(exact, abs=5e-5)
    assert table.mean_db == pytest.approx(sum(m.mean_db for m in added) - sum(m.mean_db for m in given_back), abs=1e-12)


def _exact_cdf(models, x):
    """By a very fine table; the tables of sums are held against exact distributions above."""
    table = compile_sum(models, tolerance=1e-7)
    return np.array([1 - table.chance_above(v) for v in x])


@settings(deadline=None, max_examples=25)
@given(st.lists(MODELS, min_size=1, max_size=3), st.lists(MODELS, max_size=2))
def test_a_net_change_turned_round_is_its_mirror_image(added, given_back):
    there, back = compile_difference(added, given_back), compile_difference(given_back, added)
    assert there.mean_db == pytest.approx(-back.mean_db, abs=1e-12)
    assert all(a >= b for a, b in zip(there.tail, there.tail[1:], strict=False))
    assert all(a < b for a, b in zip(there.knots_db, there.knots_db[1:], strict=False))
    for x in (-0.7, -0.2, 0.013, 0.3, 1.1):
        assert there.chance_above(x) == pytest.approx(1 - back.chance_above(-x), abs=2.1e-5)


def test_giving_nothing_back_is_the_sum_itself():
    assert compile_difference([FIELD, CORE], []).chance_above(0.5) == compile_sum([FIELD, CORE]).chance_above(0.5)


def test_the_same_models_give_the_same_table():
    assert compile_sum([FAILING, FIELD]) == compile_sum([FAILING, FIELD])


@pytest.mark.parametrize(
    "call",
    [
        lambda: LossModel(-0.01),
        lambda: LossModel(0.0, (-0.1,)),
        lambda: LossModel(0.0, (math.nan,)),
        lambda: LossModel(0.0, (0.1,), 1.5),
        lambda: LossModel(0.0, (0.1,), 0.1, 0.0),
        lambda: compile_sum([CORE], tolerance=0.0),
        lambda: compile_sum([CORE]).loss_at_chance_above(1.1),
        lambda: compile_sum([CORE]).mean_chance_above(0.2, 0.1),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
