"""Weather from an EDR server: what is asked, and what is told of the answer."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
import responses
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_weather.fetching import Answer
from repairadvisor_weather.geodesy import distance_km
from test_coverage import changed_documents
from weather_scene import EDR_URL, NOW, PIPIT_COURT, a_ticket, coverage, edr, example

from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Known
from repairadvisor.plugin import RemoteUnavailableError, Site


@pytest.fixture
def http() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


def facts(document: dict[str, Any] | str, ticket: Any = None, now: datetime = NOW, **over: Any) -> dict[str, Any]:
    """What a source tells when its server answers with ``document``."""
    source = edr(**over)
    text = document if isinstance(document, str) else json.dumps(document)
    source._remote.get = lambda *_: Answer(text, now)  # type: ignore[method-assign]
    found = source.facts(ticket or a_ticket(), now)
    parse_context({"place": "pole_top", **found}, now)
    return found


def test_what_is_asked(http: responses.RequestsMock) -> None:
    """OGC 19-086r6: coords in WKT, longitude first; datetime an interval of RFC 3339 moments (read in the standard's
    requirements /req/edr/rc-position, /req/core/datetime-response)."""
    http.get(EDR_URL, body=example("position.covjson"))
    edr(headers={"Authorization": "Bearer abc"}, z="10", forecast_from_min=60, forecast_to_min=240).facts(
        a_ticket(), NOW
    )
    request = http.calls[0].request
    assert request.headers["Authorization"] == "Bearer abc"
    assert parse_qs(urlsplit(str(request.url)).query) == {
        "coords": ["POINT(-4.25 52.15)"],
        "datetime": ["2031-05-04T06:30:00Z/2031-05-04T11:30:00Z"],
        "parameter-name": [
            "wind_speed,wind_speed_of_gust,air_temperature,precipitation_rate,precipitation_type,thunderstorm_probability"
        ],
        "f": ["CoverageJSON"],
        "z": ["10"],
    }


def test_the_whole_example() -> None:
    """The step of 07:00 is the newest at 07:30. By hand: 57.6 km/h are 16 m/s, 284.15 K are 11 °C; ahead, 08:30 to
    10:30 lies between the steps of 08:00 and 11:00, whose gusts go from 55.0 down to 36.0 km/h."""
    found = facts(coverage(), forecast_from_min=60, forecast_to_min=180)
    said = {name: report.get("value", report.get("between")) for name, report in found.items()}
    assert said == {
        "wind_mean_mps": 9.2,
        "wind_gust_mps": 16.0,
        "air_temperature_c": 11.0,
        "precipitation": "rain",
        "forecast_wind_gust_mps": [10.0, 15.278],
        "forecast_air_temperature_c": [11.75, 13.85],
        "forecast_in_min": 60,
    }
    assert parse_context(found, NOW).state("forecast_in_min") == Known(60.0)  # counted from now, however old it is
    assert found["wind_gust_mps"]["source"] == "EDR collection surface-hourly, point 6.5 km away"
    assert found["wind_gust_mps"]["seen_at"] == "2031-05-04T07:00:00+00:00"
    assert found["wind_gust_mps"]["valid_until"] == "2031-05-04T08:00:00+00:00"


def test_nothing_from_an_empty_answer(http: responses.RequestsMock) -> None:
    http.get(EDR_URL, status=204)
    assert edr().facts(a_ticket(), NOW) == {}


def test_no_coverage_is_said(http: responses.RequestsMock) -> None:
    http.get(EDR_URL, body="<html>maintenance</html>")
    with pytest.raises(RemoteUnavailableError, match=r"^collection surface-hourly: no CoverageJSON that can be read$"):
        edr().facts(a_ticket(), NOW)


# --- fresh and near ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age", "is_told"),
    [
        (timedelta(microseconds=-1), False),
        (timedelta(0), True),
        (timedelta(minutes=60) - timedelta(microseconds=1), True),
        (timedelta(minutes=60), False),
    ],
)
def test_the_edges_of_age(age: timedelta, is_told: bool) -> None:
    document = coverage()
    document["domain"]["axes"]["t"]["values"] = [(NOW - age + timedelta(hours=24) * i).isoformat() for i in range(6)]
    found = facts(document)
    assert ("wind_gust_mps" in found) is is_told
    parsed = parse_context({"place": "pole_top", **found}, NOW)
    assert ("wind_gust_mps" in parsed.held) is is_told


def test_the_edges_of_distance() -> None:
    away = distance_km(PIPIT_COURT, Site(52.19, -4.32))
    assert "wind_gust_mps" in facts(coverage(), max_distance_km=away)
    assert facts(coverage(), max_distance_km=away * (1 - 1e-12)) == {}


def test_a_place_that_is_swapped_is_far() -> None:
    document = coverage()
    document["domain"]["axes"] |= {"x": {"values": [52.19]}, "y": {"values": [-4.32]}}
    assert facts(document) == {}


def test_the_newest_step_that_has_a_value_is_used_while_it_is_fresh() -> None:
    document = coverage()
    document["ranges"]["wind_speed"]["values"] = [9.2, None, 8.1, 7.0, 6.2, 5.5]
    found = facts(document, now=NOW + timedelta(hours=1), max_age_min=120)
    assert found["wind_mean_mps"]["value"] == 9.2
    assert found["wind_mean_mps"]["seen_at"] == "2031-05-04T07:00:00+00:00"
    assert found["air_temperature_c"]["seen_at"] == "2031-05-04T08:00:00+00:00"


def test_of_several_places_the_nearest() -> None:
    near, far = coverage(), coverage()
    far["domain"]["axes"]["y"]["values"] = [52.25]
    far["ranges"]["wind_speed"]["values"] = [1.0] * 6
    for order in ([near, far], [far, near]):
        found = facts({"type": "CoverageCollection", "coverages": order})
        assert found["wind_mean_mps"]["value"] == 9.2


# --- units ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "fact"),
    [
        ("wind_speed", "wind_mean_mps"),
        ("wind_speed_of_gust", "wind_gust_mps"),
        ("air_temperature", "air_temperature_c"),
    ],
)
@pytest.mark.parametrize("unit", [None, {"symbol": "furlong"}, {"label": {"en": "metre per second"}}])
def test_an_unknown_unit_is_an_unknown_fact(name: str, fact: str, unit: Any) -> None:
    document = coverage()
    document["parameters"][name].pop("unit")
    if unit is not None:
        document["parameters"][name]["unit"] = unit
    found = facts(document)
    assert fact not in found
    assert "precipitation" in found


def test_a_value_out_of_the_range_of_the_fact_is_not_told() -> None:
    """Air of 64 °C, as in the test file of covjson-pydantic, is an error and no weather."""
    document = coverage()
    document["ranges"]["air_temperature"]["values"][0] = 273.15 + 64.27
    assert "air_temperature_c" not in facts(document)


def test_a_gust_below_the_mean_makes_both_unknown() -> None:
    document = coverage()
    document["ranges"]["wind_speed_of_gust"]["values"][0] = 9.1 * 3.6
    assert not {"wind_mean_mps", "wind_gust_mps"} & set(facts(document))
    document["ranges"]["wind_speed_of_gust"]["values"][0] = 9.2 * 3.6
    assert {"wind_mean_mps", "wind_gust_mps"} <= set(facts(document))


# --- precipitation and thunder -------------------------------------------------------------------------------


def precipitation(rate: float | None, code: int | None, dry_within_km: float | None = None, **over: Any) -> Any:
    document = coverage()
    document["ranges"]["precipitation_rate"]["values"] = [rate, *[None] * 5]
    document["ranges"]["precipitation_type"]["values"] = [code, *[None] * 5]
    report = facts(document, dry_within_km=dry_within_km, **over).get("precipitation", {})
    return report.get("value", report.get("one_of"))


def test_precipitation() -> None:
    """Rate and type bound the word together; where one is missing or they contradict, it is unknown."""
    assert precipitation(0.3, 5) == "snow"
    assert precipitation(0.3, 99) is None
    assert precipitation(0.3, None) is None
    assert precipitation(None, 5) is None
    assert precipitation(0.0, 5) is None
    assert precipitation(0.3, 0) is None
    assert precipitation(-0.3, 5) is None


WITHOUT_THUNDER: dict[str, Any] = {"thunder_at_least": None}


def test_rate_alone() -> None:
    only = WITHOUT_THUNDER | {
        "parameters": {"precipitation_rate": "precipitation_rate", "gust": "wind_speed_of_gust"},
        "precipitation_words": {},
    }
    assert precipitation(1e-9, None, **only) == ["drizzle", "rain", "snow", "freezing_rain"]
    assert precipitation(0.0, None, **only) is None
    document = coverage()
    document["parameters"]["precipitation_rate"]["unit"] = {"symbol": "mm"}
    assert "precipitation" not in facts(document, **only)


def test_dry_is_told_only_from_as_near_as_the_operator_says() -> None:
    """The point is 6.5 km away."""
    assert precipitation(0.0, 0) is None
    assert precipitation(0.0, 0, dry_within_km=6.4) is None
    assert precipitation(0.0, 0, dry_within_km=6.6) == "none"
    assert precipitation(0.3, 5, dry_within_km=6.4) == "snow"


def test_words_that_leave_dry_open_are_dry_too() -> None:
    over = WITHOUT_THUNDER | {
        "parameters": {"precipitation_type": "precipitation_type"},
        "precipitation_words": {"7": ["none", "rain"]},
    }
    assert precipitation(None, 7, **over) is None
    assert precipitation(None, 7, dry_within_km=10, **over) == ["none", "rain"]


def test_categories_are_named() -> None:
    document = coverage()
    document["parameters"]["precipitation_type"]["categoryEncoding"] = {"https://weather.example/sleet": [1, 2]}
    words = {"https://weather.example/sleet": ["rain", "snow"], "1": ["drizzle"]}
    assert facts(document, precipitation_words=words)["precipitation"]["one_of"] == ["rain", "snow"]


@pytest.mark.parametrize(
    ("value", "unit", "is_told"), [(19.9, "%", False), (20, "%", True), (100, "%", True), (20, "1", False)]
)
def test_thunder_is_told_and_its_absence_is_not(value: float, unit: str, is_told: bool) -> None:
    document = coverage()
    document["ranges"]["thunderstorm_probability"]["values"] = [value] * 6
    document["parameters"]["thunderstorm_probability"]["unit"]["symbol"]["value"] = unit
    report = facts(document).get("lightning")
    assert report is None or report["value"] == "within_30_s"
    assert (report is not None) is is_told


# --- forecast ------------------------------------------------------------------------------------------------


def ahead(document: dict[str, Any], first: int = 60, last: int = 180) -> Any:
    report = facts(document, forecast_from_min=first, forecast_to_min=last).get("forecast_wind_gust_mps", {})
    return report.get("between", report.get("value"))


def test_a_forecast_has_no_hole() -> None:
    """The steps before and after the stretch belong to it; a missing one leaves it unknown."""
    for missing in (1, 2, 3, 4):
        document = coverage()
        document["ranges"]["wind_speed_of_gust"]["values"][missing] = None
        assert ahead(document) is None, missing
    for outside in (0, 5):
        document = coverage()
        document["ranges"]["wind_speed_of_gust"]["values"][outside] = None
        assert ahead(document) == [10.0, 15.278], outside


def test_a_forecast_reaches_to_the_end() -> None:
    """The last step is 12:00."""
    assert ahead(coverage(), 60, 270) is not None
    assert ahead(coverage(), 60, 330) is not None
    assert ahead(coverage(), 60, 331) is None
    assert ahead(coverage(), 300, 360) is None


def test_no_forecast_unless_asked() -> None:
    assert not [name for name in facts(coverage()) if name.startswith("forecast")]


# --- whatever comes ------------------------------------------------------------------------------------------


@given(changed_documents())
def test_whatever_comes_is_told_within_range_or_not_at_all(text: str) -> None:
    """And never another error than those of the seam; ``facts`` here checks every fact as the service does."""
    try:
        found = facts(text, forecast_from_min=60, forecast_to_min=180)
    except RemoteUnavailableError:
        return
    assert "none" not in json.dumps(found.get("precipitation", {}).get("value"))
    assert found.get("lightning", {}).get("value") in (None, "within_30_s")


@given(st.sets(st.sampled_from(sorted(coverage()["ranges"]))))
def test_what_is_missing_changes_nothing_else(missing: set[str]) -> None:
    """Without any of the ranges, each fact is told as with all of them, or not at all."""
    whole, document = facts(coverage()), coverage()
    for name in missing:
        del document["ranges"][name]
    found = facts(document)
    assert all(whole[name] == report for name, report in found.items())
