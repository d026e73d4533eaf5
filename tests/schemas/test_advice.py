"""The published document is the advice, field by field."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import orjson
import pytest
from builders import ADVICES, an_advice
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.decision.advice import ACTIONS, Advice
from repairadvisor.schemas.advice import AdviceSchema, document, document_bytes

_FINITE = st.floats(allow_nan=False, allow_infinity=False)
_COUNT = st.integers(-(2**53), 2**53)
_LETTERS = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
for _type, _strategy in ((float, _FINITE), (int, _COUNT), (str, _LETTERS)):
    st.register_type_strategy(_type, _strategy)
ANY_ADVICE = st.builds(Advice, action=st.sampled_from(ACTIONS))


@pytest.mark.parametrize("advice", ADVICES.values(), ids=ADVICES.keys())
def test_the_schema_takes_the_document(advice: Advice) -> None:
    assert AdviceSchema().validate(document(advice)) == {}


@settings(max_examples=50, deadline=None)
@given(ANY_ADVICE)
def test_the_schema_takes_any_document_and_the_bytes_say_the_same(advice: Advice) -> None:
    plain = document(advice)
    assert AdviceSchema().validate(plain) == {}
    assert json.loads(document_bytes(advice)) == plain
    assert document_bytes(advice) == orjson.dumps(plain)


@settings(max_examples=50, deadline=None)
@given(ANY_ADVICE)
def test_the_document_holds_every_field_of_the_advice_and_nothing_else(advice: Advice) -> None:
    expected = dataclasses.asdict(advice)
    for line in expected["kit"]:
        line["for"] = line.pop("line_for")
    assert document(advice) == json.loads(json.dumps(expected))


def test_fields_stand_in_the_order_of_the_advice() -> None:
    assert list(document(an_advice())) == [field.name for field in dataclasses.fields(Advice)]
    assert list(json.loads(document_bytes(an_advice()))) == list(document(an_advice()))


def test_what_a_kit_line_is_for_is_published_as_for() -> None:
    assert document(an_advice())["kit"] == [
        {
            "item": "splice protection sleeves",
            "quantity": 4.0,
            "unit": "pieces",
            "for": "one joint, up to three attempts",
        }
    ]


def _without(key: str) -> dict[str, Any]:
    return {name: value for name, value in document(an_advice()).items() if name != key}


@pytest.mark.parametrize("key", [field.name for field in dataclasses.fields(Advice)])
def test_the_schema_misses_each_field_that_is_left_out(key: str) -> None:
    assert AdviceSchema().validate(_without(key)) == {key: ["Missing data for required field."]}


@pytest.mark.parametrize(
    "change",
    [
        {"action": "go"},
        {"id": "x"},
        {"say": None},
        {"steps": [{"number": "one", "text": "", "limit": "", "cautions": []}]},
        {"call": "control room"},
    ],
)
def test_the_schema_refuses_what_no_advice_is(change: dict[str, Any]) -> None:
    assert list(AdviceSchema().validate({**document(an_advice()), **change})) == list(change)
