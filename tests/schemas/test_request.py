"""The request around the facts."""

from __future__ import annotations

from typing import Any

import pytest
from builders import NOW

from repairadvisor.schemas.request import (
    MOST_FACTS,
    AdviceRequestSchema,
    TreeRequestSchema,
    read_request,
    read_tree_request,
)

GOOD: list[dict[str, Any]] = [
    {"facts": {}},
    {"facts": {"place": "pole_top"}, "now": "2031-05-04T07:30:00Z", "record": False},
    {"facts": {}, "now": "2031-05-04T09:30:00+02:00", "record": True},
]
BAD: list[tuple[dict[str, Any], list[tuple[str, str]]]] = [
    ({}, [("missing", "facts")]),
    ({"facts": []}, [("wrong-type", "facts")]),
    ({"facts": None}, [("wrong-type", "facts")]),
    ({"facts": {}, "now": "2031-05-04T07:30:00"}, [("wrong-time", "now")]),
    ({"facts": {}, "now": "noon"}, [("wrong-time", "now")]),
    ({"facts": {}, "now": None}, [("wrong-time", "now")]),
    ({"facts": {}, "now": 1935646200}, [("wrong-time", "now")]),
    ({"facts": {}, "now": "1969-12-31T23:59:59Z"}, [("wrong-time", "now")]),
    ({"facts": {}, "now": "9999-12-31T23:59:59Z"}, [("wrong-time", "now")]),
    ({"facts": {}, "record": "no"}, [("wrong-type", "record")]),
    ({"facts": {}, "record": 0}, [("wrong-type", "record")]),
    ({"facts": {}, "record": None}, [("wrong-type", "record")]),
    ({"facts": {}, "fact": {}}, [("unknown-field", "fact")]),
    (
        {"fcts": {}, "now": 1, "record": 1},
        [("unknown-field", "fcts"), ("missing", "facts"), ("wrong-time", "now"), ("wrong-type", "record")],
    ),
]


@pytest.mark.parametrize("body", GOOD)
def test_a_right_request_is_read_and_its_schema_takes_it(body: dict[str, Any]) -> None:
    asked, faults = read_request(body)
    assert faults == []
    assert asked.facts == body["facts"]
    assert asked.record is body.get("record", True)
    assert asked.now == (NOW if "now" in body else None)
    assert AdviceRequestSchema().validate(body) == {}


@pytest.mark.parametrize(("body", "expected"), BAD)
def test_everything_wrong_is_said_at_once_and_the_schema_refuses_it_too(
    body: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    asked, faults = read_request(body)
    assert [(fault.slug, fault.field) for fault in faults] == expected
    assert all(fault.allowed for fault in faults)
    assert not asked.record or "record" not in {field for _, field in expected}
    assert AdviceRequestSchema().validate(body)


def test_more_names_than_there_are_facts_are_not_even_looked_at() -> None:
    _, faults = read_request({"facts": {f"fact_{number}": 1 for number in range(MOST_FACTS + 1)}})
    assert [(fault.slug, fault.value) for fault in faults] == [("too-many", f"{MOST_FACTS + 1} names")]


@pytest.mark.parametrize(
    ("body", "depth"), [({"facts": {}}, 6), ({"facts": {}, "depth": 0}, 0), ({"facts": {}, "depth": 3.0}, 3)]
)
def test_a_right_request_for_a_tree_is_read_and_its_schema_takes_it(body: dict[str, Any], depth: int) -> None:
    asked, faults = read_tree_request(body)
    assert faults == []
    assert asked.depth == depth
    assert TreeRequestSchema().load(body)["depth"] == depth


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        *[(body, expected) for body, expected in BAD if not {*body} - {"facts", "now"}],
        ({"facts": {}, "depth": 7}, [("out-of-range", "depth")]),
        ({"facts": {}, "depth": -1}, [("out-of-range", "depth")]),
        ({"facts": {}, "depth": 0.5}, [("not-whole", "depth")]),
        ({"facts": {}, "depth": float("inf")}, [("not-whole", "depth")]),
        ({"facts": {}, "depth": "3"}, [("not-whole", "depth")]),
        ({"facts": {}, "depth": False}, [("not-whole", "depth")]),
        ({"facts": {}, "depth": None}, [("not-whole", "depth")]),
        ({"facts": {}, "record": True}, [("unknown-field", "record")]),
    ],
)
def test_everything_wrong_with_a_request_for_a_tree_is_said_and_the_schema_refuses_it_too(
    body: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    _, faults = read_tree_request(body)
    assert [(fault.slug, fault.field) for fault in faults] == expected
    assert all(fault.allowed for fault in faults)
    assert TreeRequestSchema().validate(body)
