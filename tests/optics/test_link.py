"""Margins within bounds, and the chance to close."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import OpticsError
from repairadvisor.optics.budgets import CHANNELS, NETWORK_CLASSES, SPLITTER_RANGE_DB
from repairadvisor.optics.distribution import compile_sum
from repairadvisor.optics.link import (
    Span,
    chance_closes,
    exactly,
    fibre_loss_db,
    ideal_splitter_loss_db,
    least_margin_for_chance_db,
    margin_before_joints_db,
    margin_from_budget_db,
    margin_from_power_db,
    splitter_loss_db,
)

from .printed import assert_printed
from .workmanship_sets import single_mode

SPANS = st.tuples(st.floats(0, 10), st.floats(0, 5)).map(lambda pair: Span(pair[0], pair[0] + pair[1]))
SHARES = st.floats(0, 1)


def test_b1_01_ideal_splitters_lie_below_what_is_planned_with():
    figures = ("3.01030", "6.02060", "9.03090", "12.0412", "15.0515", "18.0618", "21.0721")
    for ways, figure in zip((2, 4, 8, 16, 32, 64, 128), figures, strict=True):
        assert_printed(ideal_splitter_loss_db(ways), figure)
        assert splitter_loss_db(ways).low > ideal_splitter_loss_db(ways)


def _b_plus_margin_db():
    """Class B+, 1:32 at 17.5 dB, 8 km at 0.35 dB/km, four pairs at 0.5 dB, six splices at 0.1 dB."""
    fibre = fibre_loss_db(exactly(8000.0), exactly(0.35))
    losses = [exactly(17.5), fibre, *[exactly(0.5)] * 4, *[exactly(0.1)] * 6]
    return margin_from_budget_db(NETWORK_CLASSES["GPON B+"].most_db, losses)


def test_b1_02_margin_of_a_passive_network():
    margin = _b_plus_margin_db()
    assert_printed(28.0 - margin.low, "22.9000")
    assert_printed(margin.low, "5.10000")
    assert margin.high == margin.low


def test_b1_03_that_margin_after_two_field_mechanical_joints():
    table = compile_sum([single_mode("mechanical, field")] * 2)
    margin = _b_plus_margin_db().low
    assert_printed(margin - table.mean_db, "4.42728")
    assert_printed(margin - table.p95_db, "3.91231")


def test_b1_04_reserve_for_five_repairs():
    # Two cladding-aligned joints and 50 m of fibre at 0.35 dB/km each time.
    table = compile_sum([single_mode("cladding-aligned fusion")] * 10)
    fibre_db = fibre_loss_db(exactly(250.0), exactly(0.35)).high
    assert_printed(table.mean_db + fibre_db, "0.680159")
    assert_printed(table.p95_db + fibre_db, "0.932495")
    assert_printed(table.p99_db + fibre_db, "1.06531")


def test_measured_power_gives_a_margin():
    assert margin_from_power_db(Span(-24.5, -23.5), -28.0) == Span(3.5, 4.5)


def test_what_comes_back_and_what_is_put_in():
    margin = margin_before_joints_db(Span(1.0, 3.0), Span(0.0, 0.5), exactly(0.02))
    assert (margin.low, margin.high) == pytest.approx((0.98, 3.48))


@settings(deadline=None)
@given(SPANS, SPANS, SPANS, SHARES, SHARES, SHARES)
def test_whatever_the_truth_is_the_margin_lies_within_its_bounds(a, b, c, at_a, at_b, at_c):
    truth = [span.low + at * (span.high - span.low) for span, at in ((a, at_a), (b, at_b), (c, at_c))]
    margin = margin_from_budget_db(28.0, [a, b, c])
    assert margin.low - 1e-9 <= 28.0 - sum(truth) <= margin.high + 1e-9
    product = a.times(b)
    assert product.low - 1e-9 <= truth[0] * truth[1] <= product.high + 1e-9


@settings(deadline=None)
@given(st.floats(-1.0, 3.0), st.floats(0.0, 2.0))
def test_the_chance_to_close_averages_over_the_margin(low, width):
    table = compile_sum([single_mode("mechanical, field")])
    chance = chance_closes(table, Span(low, low + width))
    steps = 4000
    middles = [low + width * (i + 0.5) / steps for i in range(steps)]
    assert chance == pytest.approx(1 - sum(table.chance_above(m) for m in middles) / steps, abs=2e-4)


@settings(deadline=None)
@given(st.floats(0.0, 0.999))
def test_the_least_margin_for_a_chance_gives_that_chance_and_no_smaller_one_does(chance):
    table = compile_sum([single_mode("stub connector")])
    margin = least_margin_for_chance_db(table, chance)
    assert chance_closes(table, exactly(margin)) >= chance - 1e-12
    if margin > table.knots_db[0]:
        assert chance_closes(table, exactly(margin - 1e-4)) < chance


def test_every_class_and_channel_is_in_order():
    for network in NETWORK_CLASSES.values():
        assert 0 < network.least_db < network.most_db <= 35
        assert network.most_db - network.least_db in {14.0, 15.0}
        assert network.down_nm[0] < network.down_nm[1]
        assert network.up_nm[1] < network.down_nm[0]
    for channel in CHANNELS.values():
        assert 1.0 < channel.most_db <= 18.0
        assert channel.reach_m > 0
    ranges = [SPLITTER_RANGE_DB[ways] for ways in sorted(SPLITTER_RANGE_DB)]
    assert all(low < high for low, high in ranges)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(ranges))


@pytest.mark.parametrize(
    "call",
    [
        lambda: Span(2.0, 1.0),
        lambda: Span(float("nan"), 1.0),
        lambda: Span(-1.0, 1.0).times(exactly(2.0)),
        lambda: splitter_loss_db(3),
        lambda: ideal_splitter_loss_db(1),
        lambda: fibre_loss_db(exactly(-1.0), exactly(0.35)),
        lambda: fibre_loss_db(exactly(1000.0), exactly(350.0)),
        lambda: margin_from_budget_db(28.0, [exactly(-0.1)]),
        lambda: margin_from_budget_db(280.0, []),
        lambda: margin_from_power_db(exactly(-24.0), 28.0),
        lambda: margin_before_joints_db(exactly(1.0), exactly(-0.1), exactly(0.0)),
    ],
)
def test_what_makes_no_sense_is_refused(call):
    with pytest.raises(OpticsError):
        call()
