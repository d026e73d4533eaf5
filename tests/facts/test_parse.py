"""Reading facts: every fault at once, one conversion, nothing clipped, guessed or dropped."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.errors import InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Between, Known, OneOf
from repairadvisor.facts.vocabulary import BY_NAME, FACTS

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)


def faults_of(facts: dict[str, object]) -> dict[str, str]:
    """Slug by field of what is wrong with the facts."""
    with pytest.raises(InputError) as caught:
        parse_context(facts, NOW)
    return {fault.field: fault.slug for fault in caught.value.faults}


def test_a_form_with_its_columns_muddled_is_sent_back_with_every_mistake_named():
    facts = {
        "place": "pole_top",
        "height_m": 9,
        "depth_m": 3.0,
        "cable_fibre_count": -12,
        "air_temperature_c": 190,
        "margin_db": "plenty",
        "fibre_mode": "singel_mode",
        "wind_gust_mps": -4,
        "gas_test": "clear",
        "spare_neer_m": 5,
        "precipitation": "none",
    }

    assert faults_of(facts) == {
        "depth_m": "contradiction",
        "cable_fibre_count": "out-of-range",
        "air_temperature_c": "out-of-range",
        "margin_db": "not-a-number",
        "fibre_mode": "unknown-word",
        "wind_gust_mps": "out-of-range",
        "gas_test": "contradiction",
        "spare_neer_m": "unknown-field",
    }


def test_a_fault_names_field_value_range_unit_and_the_nearest_right_name():
    with pytest.raises(InputError) as caught:
        parse_context({"wind_gust_mps": 140, "spare_neer_m": 5}, NOW)

    wind, spare = caught.value.faults
    assert (wind.field, wind.value, wind.allowed, wind.unit) == ("wind_gust_mps", "140.0", "0 to 100", "m/s")
    assert "spare_near_m" in spare.sentence()


def test_refused_input_still_tells_the_place_so_that_its_cautions_can_be_shown():
    with pytest.raises(InputError) as caught:
        parse_context({"place": "pole_top", "height_m": -1}, NOW)

    assert caught.value.place == "pole_top"


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"service_kind": "passive_network", "fibre_mode": "multimode"}, "fibre_mode"),
        ({"place": "chamber", "height_m": 3}, "height_m"),
        ({"fibre_type_near": "om3", "service_kind": "passive_network"}, "fibre_type_near"),
        ({"oxygen_pct": 20, "gas_test": "none"}, "oxygen_pct"),
        ({"depth_m": {"not_applicable": True}, "place": "chamber"}, "depth_m"),
        ({"fibres_down_count": 10, "cable_fibre_count": 4}, "fibres_down_count"),
        ({"wind_mean_mps": 12, "wind_gust_mps": 9}, "wind_mean_mps"),
        ({"margin_db": [{"value": 3}, {"not_applicable": True}]}, "margin_db"),
    ],
)
def test_what_contradicts_itself_is_refused(facts, field):
    assert faults_of(facts)[field] == "contradiction"


@pytest.mark.parametrize(
    ("given_as", "name", "value"),
    [
        # Exact by definition: the international foot 0.3048 m, the mile 1609.344 m, the knot 1852 m/h.
        ({"value": 10, "unit": "ft"}, "spare_near_m", 3.048),
        ({"value": 32, "unit": "°F"}, "air_temperature_c", 0.0),
        ({"value": -40, "unit": "degF"}, "air_temperature_c", -40.0),
        ({"value": 36, "unit": "km/h"}, "wind_gust_mps", 10.0),
        ({"value": 28, "unit": "mph"}, "wind_gust_mps", 12.51712),
        ({"value": 20, "unit": "kn"}, "wind_gust_mps", 10.288888889),
        ({"value": 250, "unit": "um"}, "coating_near_um", 250.0),
    ],
)
def test_units_are_converted_exactly_once(given_as, name, value):
    context = parse_context({name: given_as}, NOW)

    assert context.state(name) == Known(pytest.approx(value, abs=1e-9))


def test_a_unit_of_another_quantity_is_refused():
    assert faults_of({"spare_near_m": {"value": 3, "unit": "°C"}}) == {"spare_near_m": "wrong-unit"}


def test_two_sources_that_disagree_bound_the_fact_and_are_no_error():
    context = parse_context(
        {
            "spare_near_m": [{"value": 25, "source": "route record"}, {"value": 0, "source": "caller"}],
            "fibre_mode": [{"value": "single_mode"}, {"value": "multimode"}],
            "margin_db": [{"value": 2.0}, {"value": 2.0}],
        },
        NOW,
    )

    assert context.state("spare_near_m") == Between(0.0, 25.0)
    assert context.held["spare_near_m"].source == "route record; caller"
    assert context.state("fibre_mode") == OneOf(("single_mode", "multimode"))
    assert context.state("margin_db") == Known(2.0)


def test_a_statement_that_has_run_out_is_unknown_and_said_to_be():
    facts = {"light_off_confirmed": {"value": True, "source": "control room", "valid_until": "2031-05-04T07:29:59Z"}}

    context = parse_context(facts, NOW)

    assert context.state("light_off_confirmed") is None
    assert context.expired == ("light_off_confirmed",)


def test_a_moment_becomes_minutes():
    context = parse_context({"gas_test_at": "2031-05-04T08:00:00+02:00", "deadline_at": "2031-05-04T09:00:00Z"}, NOW)

    assert context.state("gas_test_age_min") == Known(90.0)
    assert context.state("deadline_min") == Known(90.0)


FIVE_HOURS_AGO = "2031-05-04T02:30:00Z"


@pytest.mark.parametrize(
    ("name", "told", "held"),
    [
        ("gas_test_age_min", {"value": 5}, Known(305.0)),
        ("gas_test_age_min", {"between": [5, 10]}, Between(305.0, 310.0)),
        ("gas_test_age_min", {"value": 99999}, Known(100000.0)),
        ("deadline_min", {"value": 400}, Known(100.0)),
        ("deadline_min", {"value": 10}, Known(0.0)),
        ("deadline_min", {"between": [10, 310]}, Between(0.0, 10.0)),
        ("deadline_min", {"between": [10, 20]}, Known(0.0)),
        # It may have thundered again since: nobody said that it did not.
        ("since_thunder_min", {"value": 5}, Between(0.0, 305.0)),
        ("since_thunder_min", {"between": [5, 10]}, Between(0.0, 310.0)),
    ],
)
def test_minutes_that_run_on_are_those_of_the_moment_at_which_they_were_seen(name, told, held):
    context = parse_context({name: {**told, "seen_at": FIVE_HOURS_AGO, "source": "crew"}}, NOW)

    assert context.state(name) == held
    assert context.held[name].source == "crew"
    assert parse_context(context.as_given(), NOW) == context
    assert parse_context({name: {**told, "seen_at": NOW.isoformat()}}, NOW) == parse_context({name: told}, NOW)


def test_a_moment_is_as_long_ago_as_it_is_whenever_it_was_seen():
    context = parse_context({"gas_test_at": {"value": "2031-05-04T02:00:00Z", "seen_at": FIVE_HOURS_AGO}}, NOW)

    assert context.state("gas_test_age_min") == Known(330.0)
    assert parse_context(context.as_given(), NOW) == context


def test_of_several_reports_of_an_age_each_is_as_old_as_it_is():
    reports = [{"value": 5, "seen_at": FIVE_HOURS_AGO}, {"value": 20}]
    context = parse_context({"gas_test_age_min": reports}, NOW)

    assert context.state("gas_test_age_min") == Between(20.0, 305.0)


@pytest.mark.parametrize(
    ("facts", "slug"),
    [
        ({"gas_test_at": "2031-05-04T08:00:00Z"}, "wrong-time"),
        ({"gas_test_at": "2031-05-04T08:00:00"}, "wrong-time"),
        ({"deadline_at": "2031-05-04T07:00:00Z"}, "wrong-time"),
        ({"gas_test_at": "2031-05-04T07:00:00Z", "gas_test_age_min": 3}, "given-twice"),
        ({"margin_db": float("nan")}, "not-a-number"),
        ({"margin_db": float("inf")}, "not-a-number"),
        ({"margin_db": True}, "not-a-number"),
        ({"crew_count": 1.5}, "not-whole"),
        ({"spare_near_m": {"between": [3, 1]}}, "wrong-order"),
        ({"spare_near_m": {"between": [3]}}, "wrong-type"),
        ({"spare_near_m": {}}, "no-value"),
        ({"spare_near_m": {"value": 3, "one_of": [3]}}, "no-value"),
        ({"spare_near_m": {"value": 3, "unti": "m"}}, "unknown-key"),
        ({"place": {"one_of": []}}, "wrong-type"),
        ({"place": {"one_of": ["moon"]}}, "unknown-word"),
        ({"place": {"value": "chamber", "source": "a\nb"}}, "wrong-text"),
        ({"place": {"value": "chamber", "seen_at": "2031-05-04T07:31:00Z"}}, "wrong-time"),
        ({"place": []}, "wrong-count"),
    ],
)
def test_bad_input_is_refused_with_its_own_slug(facts, slug):
    assert slug in faults_of(facts).values()


def test_control_characters_in_a_value_never_reach_the_message():
    with pytest.raises(InputError) as caught:
        parse_context({"place": "pole\x1b[31m_top"}, NOW)

    assert "\x1b" not in str(caught.value)


def test_a_stated_depth_says_that_the_place_is_below_ground():
    context = parse_context({"depth_m": 2}, NOW)

    assert context.possible["place"].words == ("chamber", "footway_chamber", "dug_pit")
    assert not context.possible["height_m"].applies


def test_a_fibre_type_says_the_mode_and_the_mode_what_the_light_may_be():
    context = parse_context({"fibre_type_near": "om3"}, NOW)

    assert context.possible["fibre_mode"].words == ("multimode",)
    assert context.possible["service_kind"].words == ("multimode_lan",)


def test_a_fact_without_meaning_at_the_place_is_never_missing():
    context = parse_context({"place": "pole_top"}, NOW)

    assert "gas_test" not in context.missing()
    assert "wind_gust_mps" in context.missing()


def test_every_fact_of_the_table_is_well_formed():
    for fact in FACTS:
        assert bool(fact.words) != (fact.low < fact.high), fact.name
        for parent, words in fact.applies:
            assert set(words) <= set(BY_NAME[parent].words), fact.name
        if fact.is_number:
            assert fact.unit, fact.name
    assert len(FACTS) >= 45


_WORD_FACTS = [fact for fact in FACTS if fact.words]


@st.composite
def some_facts(draw):
    """A handful of facts, each taken alone permitted."""
    chosen = draw(st.lists(st.sampled_from(FACTS), min_size=1, max_size=8, unique_by=lambda fact: fact.name))
    facts = {}
    for fact in chosen:
        if fact.words:
            facts[fact.name] = {"one_of": draw(st.lists(st.sampled_from(fact.words), min_size=1, unique=True))}
        else:
            number = st.integers(int(fact.low) if fact.low == int(fact.low) else int(fact.low) + 1, int(fact.high))
            facts[fact.name] = draw(number)
    return facts


@given(facts=some_facts(), seed=st.randoms())
def test_the_order_of_facts_changes_nothing(facts, seed):
    shuffled = list(facts.items())
    seed.shuffle(shuffled)

    def outcome(items):
        try:
            context = parse_context(dict(items), NOW)
        except InputError as error:
            return sorted(fault.field for fault in error.faults)
        return context.possible, tuple(context.held)

    assert outcome(facts.items()) == outcome(shuffled)


@given(minutes=st.integers(0, 100000))
def test_ages_count_back_from_now(minutes):
    moment = (NOW - timedelta(minutes=minutes)).isoformat()

    context = parse_context({"last_thunder_at": moment}, NOW)

    assert context.state("since_thunder_min") == Known(float(minutes))


@given(facts=some_facts())
def test_what_a_context_was_given_reads_again_as_the_same_context(facts):
    try:
        context = parse_context(facts, NOW)
    except InputError:
        return

    assert parse_context(context.as_given(), NOW) == context


def test_counts_bound_each_other_link_by_link():
    """A cable of seventeen fibres: no more are down, in service or on a life line, though nobody counted those."""
    possible = parse_context({"fault_seen": "cut", "cable_fibre_count": 17}, NOW).possible
    assert [
        possible[name].high for name in ("fibres_down_count", "fibres_in_service_count", "life_line_fibres_count")
    ] == [
        17.0,
        17.0,
        17.0,
    ]


def test_counts_bound_each_other_from_below():
    possible = parse_context({"fault_seen": "cut", "life_line_fibres_count": 3}, NOW).possible
    assert [possible[name].low for name in ("fibres_in_service_count", "fibres_down_count", "cable_fibre_count")] == [
        3.0,
        3.0,
        3.0,
    ]
