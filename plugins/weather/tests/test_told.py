"""What is told, and of which tickets."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_weather.told import Sight, in_the_open, number, unless_told, word
from weather_scene import NOW, a_ticket

from repairadvisor.facts.parse import parse_context

SIGHT = Sight("a test", NOW, NOW + timedelta(hours=1))


def test_a_report() -> None:
    assert number("wind_gust_mps", 7.1, 7.1, SIGHT) == {
        "wind_gust_mps": {
            "value": 7.1,
            "unit": "m/s",
            "source": "a test",
            "seen_at": "2031-05-04T07:30:00+00:00",
            "valid_until": "2031-05-04T08:30:00+00:00",
        }
    }


def test_ends_are_rounded_outward() -> None:
    assert number("wind_gust_mps", 1.00049, 2.00051, SIGHT)["wind_gust_mps"]["between"] == [1.0, 2.001]
    assert number("air_temperature_c", -1.00049, -0.5, SIGHT)["air_temperature_c"]["between"] == [-1.001, -0.5]


@pytest.mark.parametrize(
    ("low", "high"), [(-0.1, 5), (5, 100.1), (float("nan"), 5), (5, float("inf")), (5, float("nan")), (6, 5)]
)
def test_what_cannot_be_is_not_told(low: float, high: float) -> None:
    """The range of a gust is 0 to 100 m/s: nothing is clipped to it."""
    assert number("wind_gust_mps", low, high, SIGHT) == {}
    assert number("wind_gust_mps", 0, 100, SIGHT) != {}


@given(st.floats(-200, 200), st.floats(0, 50))
def test_every_number_told_can_be_used_and_holds_what_was_said(low: float, width: float) -> None:
    for name in ("wind_mean_mps", "wind_gust_mps", "air_temperature_c"):
        for report in number(name, low, low + width, SIGHT).values():
            parse_context({name: report}, NOW)
            ends = report.get("between", [report.get("value")] * 2)
            assert ends[0] <= low + 1e-9
            assert ends[1] >= low + width - 1e-9


def test_words() -> None:
    assert word("precipitation", {"snow"}, SIGHT)["precipitation"]["value"] == "snow"
    assert word("precipitation", {"snow", "rain"}, SIGHT)["precipitation"]["one_of"] == ["rain", "snow"]
    assert word("precipitation", {"none", "drizzle", "rain", "snow", "freezing_rain"}, SIGHT) == {}
    assert word("precipitation", (), SIGHT) == word("precipitation", {"hail"}, SIGHT) == {}


@pytest.mark.parametrize(
    ("place", "outdoors"),
    [
        ("pole_top", True),
        ("street_cabinet", True),
        ("customer_home", False),
        ("vessel", False),
        ("nonsense", False),
        (None, False),
        (3, False),
        ([], False),
        ({}, False),
        ({"value": "pole_top", "source": "caller"}, True),
        ({"one_of": ["pole_top", "aerial_span"]}, True),
        ({"one_of": ["pole_top", "building_riser"]}, False),
        ({"one_of": []}, False),
        ([{"value": "pole_top"}, "wall_box"], True),
        ([{"value": "pole_top"}, {"value": "customer_home"}], False),
        ([{"value": "pole_top"}, {}], False),
        ({"not_applicable": True}, False),
        ({"value": {"a": 1}}, False),
        ({"value": ["pole_top"]}, True),
    ],
)
def test_weather_is_for_places_in_the_open(place: object, outdoors: bool) -> None:
    assert in_the_open(a_ticket(place=place)) is outdoors


def test_weather_beside_an_unknown_place_would_say_where_it_is() -> None:
    """Why nothing is told of a ticket without a place: the facts would then hold only places out of doors."""
    told = number("wind_gust_mps", 5, 5, SIGHT)
    assert "customer_home" in parse_context({}, NOW).possible["place"].words
    assert "customer_home" not in parse_context(told, NOW).possible["place"].words


def test_the_ticket_has_its_own_word() -> None:
    names = ("wind_mean_mps", "wind_gust_mps", "precipitation", "forecast_in_min", "forecast_wind_gust_mps")
    facts = {name: {"value": 1} for name in names}
    assert set(unless_told(a_ticket(wind_gust_mps=3), facts)) == set(facts) - {"wind_mean_mps", "wind_gust_mps"}
    assert set(unless_told(a_ticket(precipitation="rain"), facts)) == set(facts) - {"precipitation"}
    told_ahead = set(facts) - {"forecast_in_min", "forecast_wind_gust_mps"}
    assert set(unless_told(a_ticket(forecast_from="2031-05-04T09:00:00Z"), facts)) == told_ahead
    thunder = {"since_thunder_min": {}, "lightning": {}}
    assert set(unless_told(a_ticket(last_thunder_at="2031-05-04T07:00:00Z"), thunder)) == {"lightning"}
