"""CoverageJSON against the examples of its specification (OGC 21-069r2).

``data/point-series.json`` and ``data/grid-linked.json`` are test files of ``covjson-pydantic`` 0.8.0; the second is the
illustrative example of the specification, as are the parameters below.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_weather.coverage import Series, UnreadableError, read
from weather_scene import DATA, coverage

from repairadvisor.plugin import Site

NAME = "air_temperature"


def one(document: dict[str, Any], name: str = NAME) -> Series:
    found = read(json.dumps(document), [name])[name]
    assert len(found) == 1
    return found[0]


def none(document: dict[str, Any], name: str = NAME) -> bool:
    return read(json.dumps(document), [name])[name] == []


def test_a_point_series() -> None:
    found = read((DATA / "point-series.json").read_text(encoding="utf-8"), ["temperature", "dewpoint", "other"])
    assert [len(series) for series in found.values()] == [1, 1, 0]
    series = found["temperature"][0]
    assert series.site == Site(53.2, 5.3)
    assert series.unit == "Cel"
    assert len(series.steps) == 6
    assert series.steps[0] == (datetime(2022, 1, 1, 4, 10, tzinfo=UTC), 64.27437704538298)


def test_a_linked_range_on_a_grid_is_none() -> None:
    """The specification's illustrative example: the range is elsewhere, and is not fetched."""
    assert read((DATA / "grid-linked.json").read_text(encoding="utf-8"), ["TEMP"]) == {"TEMP": []}


def test_values_are_in_the_order_of_time_without_gaps() -> None:
    document = coverage()
    document["domain"]["axes"]["t"]["values"].reverse()
    assert [value for _, value in one(document).steps] == [287.5, 287.0, 286.4, 285.6, 284.9, 284.15]
    assert len(one(coverage(), "precipitation_rate").steps) == 5


@pytest.mark.parametrize("order", [["t", "y", "x"], ["x", "y", "t"], ["t"]])
def test_any_order_of_axes(order: list[str]) -> None:
    document = coverage()
    document["ranges"][NAME] |= {"axisNames": order, "shape": [6 if axis == "t" else 1 for axis in order]}
    assert len(one(document).steps) == 6


def test_a_single_value_may_have_no_axes() -> None:
    document = coverage()
    document["domain"]["axes"]["t"]["values"] = ["2031-05-04T07:00:00Z"]
    document["ranges"] = {NAME: {"type": "NdArray", "dataType": "float", "values": [280.0]}}
    assert one(document).steps == ((datetime(2031, 5, 4, 7, tzinfo=UTC), 280.0),)


def test_regularly_spaced_axes_of_one_place() -> None:
    document = coverage()
    document["domain"] |= {"domainType": "Grid"}
    document["domain"]["axes"] |= {"x": {"start": 5.0, "stop": 5.0, "num": 1}, "y": {"values": [52.0]}}
    assert one(document).site == Site(52.0, 5.0)


@pytest.mark.parametrize(
    ("key", "system"),
    [
        ("x", {"type": "ProjectedCRS", "id": "http://www.opengis.net/def/crs/EPSG/0/27700"}),
        ("x", {"type": "GeographicCRS", "id": "http://www.opengis.net/def/crs/EPSG/0/4267"}),
        ("t", {"type": "TemporalRS", "calendar": "https://weather.example/calendar/360-day"}),
    ],
)
def test_other_systems_are_not_understood(key: str, system: dict[str, str]) -> None:
    document = coverage()
    coordinates = ["x", "y"] if key == "x" else ["t"]
    document["domain"]["referencing"] = [{"coordinates": coordinates, "system": system}]
    assert none(document)


def test_a_geographic_system_without_a_name_is() -> None:
    """Specification, "Geographic Coordinate Reference Systems": the id may be omitted for model data."""
    document = coverage()
    document["domain"]["referencing"] = [{"coordinates": ["x", "y"], "system": {"type": "GeographicCRS"}}]
    assert one(document).site == Site(52.19, -4.32)


def test_several_places_or_heights_are_not_one() -> None:
    for axis in ("x", "z"):
        document = coverage()
        document["domain"] |= {"domainType": "Grid"}
        document["domain"]["axes"][axis] = {"values": [1.0, 2.0]}
        document["ranges"] = {
            NAME: {
                "type": "NdArray",
                "dataType": "float",
                "axisNames": ["t", axis],
                "shape": [6, 2],
                "values": [280.0] * 12,
            }
        }
        assert none(document), axis


def test_axes_that_do_not_match_the_times_are_not_guessed() -> None:
    document = coverage()
    document["domain"]["axes"]["t"]["values"] = document["domain"]["axes"]["t"]["values"][:5]
    assert none(document)
    document = coverage()
    document["ranges"][NAME] |= {"axisNames": ["x", "y"], "shape": [6, 1]}
    assert none(document)


@pytest.mark.parametrize(
    ("unit", "symbol"),
    [
        ({"symbol": "°C"}, "°C"),
        ({"symbol": {"value": "Cel", "type": "http://www.opengis.net/def/uom/UCUM/"}}, "Cel"),
        ({"symbol": {"value": "Cel", "type": "https://weather.example/units"}}, ""),
        ({"label": {"en": "Degree Celsius"}}, ""),
    ],
)
def test_units(unit: dict[str, Any], symbol: str) -> None:
    """Specification, "Parameter Objects": a symbol of UCUM or a plain one; a label alone is words."""
    document = coverage()
    document["parameters"][NAME]["unit"] = unit
    assert one(document).unit == symbol


def test_no_unit() -> None:
    document = coverage()
    del document["parameters"][NAME]["unit"]
    assert one(document).unit == ""


def test_categories() -> None:
    """The specification's example of a categorical parameter: grass is 1, forest 2 or 3."""
    document = coverage()
    categories = "http://example.com/land_cover/categories/"
    document["parameters"]["precipitation_type"] |= {
        "observedProperty": {
            "label": {"en": "Land Cover"},
            "categories": [{"id": f"{categories}{name}", "label": {"en": name}} for name in ("grass", "forest")],
        },
        "categoryEncoding": {f"{categories}grass": 1, f"{categories}forest": [2, 3]},
    }
    found = one(document, "precipitation_type")
    assert found.categories == {1: f"{categories}grass", 2: f"{categories}forest", 3: f"{categories}forest"}


def test_a_collection() -> None:
    """Parameters and referencing may stand once for all coverages."""
    whole = coverage()
    parameters = whole.pop("parameters")
    referencing = whole["domain"].pop("referencing")
    collection = {
        "type": "CoverageCollection",
        "coverages": [whole, whole],
        "parameters": parameters,
        "referencing": referencing,
    }
    assert [len(series.steps) for series in read(json.dumps(collection), [NAME])[NAME]] == [6, 6]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "<html></html>",
        "[]",
        "3",
        "{}",
        '{"type": "FeatureCollection", "features": []}',
        '{"type": "Coverage"}',
        "[" * 100_000,
        '{"type": "Coverage", "domain": 3, "ranges": {}}',
        json.dumps(coverage()).replace("9.2", "NaN"),
        json.dumps(coverage()).replace("9.2", "9" * 400),
        json.dumps(coverage()).replace('"2031-05-04T07:00:00Z"', "1935731400"),
        json.dumps(coverage()).replace("2031-05-04T07:00:00Z", "yesterday"),
        json.dumps(coverage()).replace("2031-05-04T07:00:00Z", "2031-05-04T07:00:00"),
    ],
)
def test_what_is_none_is_refused_without_repeating_it(text: str) -> None:
    with pytest.raises(UnreadableError, match=r"^no CoverageJSON that can be read$"):
        read(text, [NAME])


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@st.composite
def changed_documents(draw: st.DrawFn) -> str:
    """The example with one thing in it, anywhere, replaced by anything or taken away."""
    document: Any = coverage()
    at = document
    while True:
        keys = list(at) if isinstance(at, dict) else list(range(len(at)))
        key = draw(st.sampled_from(keys))
        inner = at[key]
        if isinstance(inner, dict | list) and inner and draw(st.integers(0, 4)):
            at = inner
            continue
        if draw(st.booleans()):
            at[key] = draw(_JSON)
        elif isinstance(at, dict):
            del at[key]
        return json.dumps(document)


@given(changed_documents() | _JSON.map(json.dumps))
def test_whatever_comes_is_read_or_refused(text: str) -> None:
    try:
        found = read(text, [NAME, "wind_speed"])
    except UnreadableError:
        return
    for series in (series for several in found.values() for series in several):
        moments = [moment for moment, _ in series.steps]
        assert moments == sorted(moments)
        assert all(moment.tzinfo is not None for moment in moments)
