"""Three ways of saying what a fact may be (the parser, marshmallow, JSON Schema) say the same."""

from __future__ import annotations

import math
from typing import Any

import jsonschema
import pytest
from builders import NOW
from hypothesis import example, given, settings
from hypothesis import strategies as st

from repairadvisor.errors import InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.units import accepted_units
from repairadvisor.facts.vocabulary import BY_NAME, FACTS, TIME_NAMES
from repairadvisor.schemas.context import FactsSchema, report_name, report_schemas

NAMES = [*BY_NAME, *TIME_NAMES]
SCHEMAS = report_schemas()
EARLIER, LATER = "2031-05-04T07:00:00Z", "2031-05-04T08:00:00+00:00"


def parser_takes(name: str, given_fact: object) -> bool:
    try:
        parse_context({name: given_fact}, NOW)
    except InputError:
        return False
    return True


def marshmallow_takes(name: str, given_fact: object) -> bool:
    return not FactsSchema().validate({name: given_fact})


def json_schema_takes(name: str, given_fact: object) -> bool:
    either = {**FactsSchema().fields[name].metadata, "components": {"schemas": SCHEMAS}}
    formats = jsonschema.Draft202012Validator.FORMAT_CHECKER
    return bool(jsonschema.Draft202012Validator(either, format_checker=formats).is_valid(given_fact))


@st.composite
def values(draw: st.DrawFn, name: str) -> Any:
    """Right values mostly, and such as are wrong in one way."""
    fact = BY_NAME.get(name) or TIME_NAMES[name]
    odd = st.sampled_from([None, True, False, "", "maybe", "yes", 3, -0.5, 1e9, "2031-05-04", "noon", [], {}])
    if name in TIME_NAMES:
        right: st.SearchStrategy[Any] = st.just(EARLIER if fact.time_runs == "ago" else LATER)
    elif fact.words:
        right = st.sampled_from(fact.words)
    else:
        numbers = st.floats(fact.low, fact.high) | st.sampled_from([fact.low, fact.high, fact.low - 1, fact.high + 1])
        right = numbers.map(lambda number: math.floor(number) if fact.whole else number)
    return draw(right | right | right | odd)


@st.composite
def reports(draw: st.DrawFn, name: str) -> Any:
    fact = BY_NAME.get(name) or TIME_NAMES[name]
    value = values(name)
    if draw(st.booleans()):
        return draw(value)
    report: dict[str, Any] = {}
    for key in draw(st.sampled_from([["value"], ["between"], ["one_of"], ["not_applicable"], [], ["value", "one_of"]])):
        some = {
            "value": value,
            "between": st.lists(value, min_size=1, max_size=3).filter(lambda ends: len(ends) != 2 or ends[0] == ends[1])
            | st.tuples(value).map(lambda ends: [ends[0], ends[0]]),
            "one_of": st.lists(value, max_size=3) | value,
            "not_applicable": st.sampled_from([True, True, False, None, "yes"]),
        }
        report[key] = draw(some[key])
    aside = {
        "unit": st.sampled_from(["", None, "furlong", *accepted_units(fact.unit)]),
        "source": st.sampled_from(["caller", "", "x" * 200, "x" * 201, "a\tb", None, 3, "Brückenmoor – desk"]),
        "seen_at": st.sampled_from([EARLIER, None, "noon", 3]),
        "valid_until": st.sampled_from([LATER, EARLIER, None, "2031-05-04T08:00", False]),
        "colour": st.just("blue"),
    }
    for key in draw(st.lists(st.sampled_from(list(aside)), max_size=2)):
        report[key] = draw(aside[key])
    return report


@st.composite
def given_facts(draw: st.DrawFn) -> tuple[str, Any]:
    name = draw(st.sampled_from(NAMES))
    one = reports(name)
    return name, draw(one | st.lists(one, max_size=3))


def alone(said: object) -> bool:
    """Whether no two of several reports can contradict each other, which no schema sees."""
    kinds = (
        ["not_applicable" in one if isinstance(one, dict) else False for one in said] if isinstance(said, list) else []
    )
    return len(set(kinds)) < 2


@settings(max_examples=250, deadline=None)
@given(given_facts().filter(lambda pair: alone(pair[1])))
@example(("may_climb", True))
@example(("wind_gust_mps", {"value": 20, "unit": "km/h"}))
@example(("wind_gust_mps", {"value": 400, "unit": "km/h"}))
@example(("fibres_down_count", 2.5))
@example(("fibres_down_count", 2.0))
@example(("gas_test_at", {"between": [EARLIER, EARLIER]}))
@example(("spare_near_m", {"between": [3, 0.5]}))
@example(("place", {"one_of": ["pole_top", "aerial_span"]}))
@example(("place", [{"value": "pole_top", "source": "caller"}, "aerial_span"]))
def test_parser_and_marshmallow_take_the_same(pair: tuple[str, Any]) -> None:
    name, said = pair
    assert marshmallow_takes(name, said) == parser_takes(name, said)


@settings(max_examples=250, deadline=None)
@given(given_facts())
def test_what_the_parser_takes_the_published_schema_takes(pair: tuple[str, Any]) -> None:
    name, said = pair
    if parser_takes(name, said):
        assert json_schema_takes(name, said)


WRONG: list[object] = [
    None,
    [],
    {},
    {"value": "no such word"},
    {"value": 1e9},
    {"colour": "blue"},
    {"between": [1]},
    "maybe",
    [[]],
]


@pytest.mark.parametrize("name", NAMES)
def test_what_is_wrong_by_itself_is_wrong_for_all_three(name: str) -> None:
    for said in WRONG:
        assert not parser_takes(name, said), said
        assert not marshmallow_takes(name, said), said
        assert not json_schema_takes(name, said), said


@pytest.mark.parametrize("fact", [fact for fact in FACTS if fact.is_number], ids=lambda fact: fact.name)
def test_both_ends_of_a_range_are_taken_in_every_unit_and_just_outside_nothing_is(fact: Any) -> None:
    for report in SCHEMAS[report_name(fact.name)]["anyOf"]:
        if report.get("required", [""])[0] != "value":
            continue
        number = report["properties"]["value"]
        for unit in report["properties"]["unit"]["enum"]:
            for end in (number["minimum"], number["maximum"]):
                whole_end = math.ceil(end) if fact.whole and end == number["minimum"] else end
                assert parser_takes(fact.name, {"value": whole_end, "unit": unit}), (whole_end, unit)
            for outside in (number["minimum"] - 0.001, number["maximum"] + 0.001):
                assert not parser_takes(fact.name, {"value": outside, "unit": unit}), (outside, unit)


def test_every_fact_has_a_field_and_no_other_name_has() -> None:
    assert set(FactsSchema().fields) == {*BY_NAME, *TIME_NAMES}
