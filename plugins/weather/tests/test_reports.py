"""Weather from reports of stations: which is asked, which is used, and what is told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import responses
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from repairadvisor_weather.fetching import Answer
from repairadvisor_weather.geodesy import distance_km
from weather_scene import NOW, PIPIT_COURT, STATIONS, a_ticket, example, reports

from repairadvisor.facts.parse import parse_context
from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError, Site

NEAR, FAR = (f"https://reports.example/metar/{one['id']}.txt" for one in STATIONS)
WHOLE = "METAR XQSG 040720Z 24018G31KT 9999 -RA SCT020 BKN035 11/07 Q1009="


@pytest.fixture
def http() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


def facts(text: str, now: Any = NOW, ticket: Any = None, **over: Any) -> dict[str, Any]:
    """What a source tells when every address answers with ``text``."""
    source = reports(**over)
    source._remote.get = lambda *_: Answer(text, now)  # type: ignore[method-assign]
    found = source.facts(ticket or a_ticket(), now)
    parse_context({"place": "pole_top", **found}, now)
    return found


# --- which report --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        WHOLE,
        WHOLE.removeprefix("METAR "),
        WHOLE.rstrip("="),
        example("metar.txt"),
        WHOLE.replace(" SCT", "\n   SCT"),
        "METAR XQOM 040725Z 24001KT 9999 20/10 Q1000=\n" + WHOLE + "\nMETAR XQAA 040725Z 24001KT 9999 20/10 Q1000=",
        "METAR XQSG 040650Z 24001KT 9999 20/10 Q1000=\n" + WHOLE,
        WHOLE + "\nMETAR XQSG 040650Z 24001KT 9999 20/10 Q1000=",
        "SPECI XQSG 040719Z 24001KT 9999 20/10 Q1000=\n\n" + WHOLE,
        WHOLE.replace("24018G31", "24001") + "\nMETAR COR" + WHOLE.removeprefix("METAR"),
        "TAF XQSG 040700Z 0407/0412 24001KT CAVOK=\n" + WHOLE,
    ],
)
def test_the_newest_report_of_the_station_is_found(text: str) -> None:
    assert facts(text)["wind_gust_mps"]["between"] == [15.69, 16.205]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "<html>404</html>",
        "XQSG",
        "METAR XQOM 040720Z 24018KT 9999 11/07 Q1009=",
        "METAR XQSG 0407Z 24018KT",
        WHOLE.replace("SCT020", "SCTT20"),
        WHOLE + "\nMETAR XQSG 040725Z 24018KT 9999 TSRAA 11/07 Q1009=",
        WHOLE + "\nMETAR XQSG 040725Z NIL=",
        "METAR XQSG 042520Z 24018KT 9999 11/07 Q1009=",
        "TAF XQSG 040720Z 0407/0412 24018KT CAVOK=",
    ],
)
def test_where_the_newest_cannot_be_read_nothing_is_told(text: str) -> None:
    """An older one is not put in its place: the newest may say that it has become worse."""
    assert facts(text) == {}


def test_json() -> None:
    lines = example("metar.jsonl")
    array = json.dumps([json.loads(line) for line in lines.splitlines()])
    for text in (lines, array, lines.splitlines()[1]):
        assert facts(text, json_key="raw")["wind_gust_mps"]["between"] == [15.69, 16.205]
    for text in ("", "[]", "[" * 100_000, "nonsense\n{", '{"raw": 3}', '["raw"]', '{"other": "METAR"}', "null", "3"):
        assert facts(text, json_key="raw") == {}


@pytest.mark.parametrize(
    ("age", "is_told"),
    [
        (timedelta(minutes=60), False),
        (timedelta(minutes=60) - timedelta(microseconds=1), True),
        (timedelta(0), True),
        (timedelta(minutes=-10), True),
        (timedelta(minutes=-10, microseconds=-1), False),
    ],
)
def test_the_edges_of_age(age: timedelta, is_told: bool) -> None:
    """A report for the coming whole hour is there a little early, and was seen by now at the latest; one for later is
    of last month."""
    at = NOW.replace(minute=20)
    found = facts(WHOLE, now=at + age)
    assert bool(found) is is_told
    if found:
        assert found["wind_gust_mps"]["seen_at"] == min(at, at + age).isoformat()
        assert "wind_gust_mps" in parse_context({"place": "pole_top", **found}, at + age).held


def test_the_edges_of_distance() -> None:
    away = distance_km(PIPIT_COURT, Site(STATIONS[0]["latitude_deg"], STATIONS[0]["longitude_deg"]))
    assert facts(WHOLE, max_distance_km=away)
    assert facts(WHOLE, max_distance_km=away * (1 - 1e-12)) == {}


# --- which stations ------------------------------------------------------------------------------------------


def test_several_stations_bound_the_fact_together(http: responses.RequestsMock) -> None:
    http.get(NEAR, body=WHOLE)
    http.get(FAR, body="METAR XQOM 040710Z 25010KT 9999 TS SCT020CB 14/09 Q1009=")
    found = reports(stations=STATIONS).facts(a_ticket(), NOW)
    assert [one["source"] for one in found["wind_gust_mps"]] == [
        "METAR XQSG, 5.7 km away",
        "METAR XQOM, 21.7 km away",
    ]
    possible = parse_context({"place": "pole_top", **found}, NOW).possible
    assert (possible["wind_gust_mps"].low, possible["wind_gust_mps"].high) == (4.887, 16.205)
    assert (possible["air_temperature_c"].low, possible["air_temperature_c"].high) == (10.5, 14.5)
    assert possible["precipitation"].words == ("rain",)
    assert possible["lightning"].words == ("within_30_s",)
    assert found["since_thunder_min"]["between"] == [0.0, 30.0]
    assert possible["since_thunder_min"].high == 30.0  # counted from now, however old the report is


def test_only_as_many_as_the_operator_says_and_the_nearest_first(http: responses.RequestsMock) -> None:
    http.get(NEAR, body=WHOLE)
    found = reports(stations=STATIONS[::-1], most_stations=1).facts(a_ticket(), NOW)
    assert found["wind_gust_mps"]["source"] == "METAR XQSG, 5.7 km away"
    assert len(http.calls) == 1


def test_a_station_that_cannot_be_asked_is_passed_over(http: responses.RequestsMock) -> None:
    http.get(NEAR, status=500)
    http.get(FAR, body="METAR XQOM 040710Z 25010KT 9999 14/09 Q1009=")
    assert "wind_gust_mps" in reports(stations=STATIONS).facts(a_ticket(), NOW)


@pytest.mark.parametrize(("status", "error"), [(500, RemoteUnavailableError), (404, RemoteRefusedError)])
def test_where_none_can_be_asked_it_is_said(http: responses.RequestsMock, status: int, error: type[Exception]) -> None:
    http.get(NEAR, status=status)
    http.get(FAR, body="")
    with pytest.raises(error, match=rf"^reports\.example answers {status}$"):
        reports(stations=STATIONS).facts(a_ticket(), NOW)


def test_nobody_is_asked_where_no_station_is_near(http: responses.RequestsMock) -> None:
    assert reports().facts(a_ticket(site=Site(52.9, -4.2)), NOW) == {}
    assert len(http.calls) == 0


# --- what is told --------------------------------------------------------------------------------------------


def test_no_thunder_at_a_station_is_not_told() -> None:
    """WMO No. 306, 15.8.8 and 15.8.10: TS is of the aerodrome, VC reaches 8 km around it. The 30 s of the fact are
    about 10 km of sound (340 m/s): a storm over the spot may be unheard at the station."""
    assert "lightning" not in facts(WHOLE, dry_within_km=25)
    assert "since_thunder_min" not in facts(WHOLE)


def test_thunder_is_told_with_the_longest_time_since() -> None:
    """Heard within ten minutes before 07:20; now is 07:30. Later thunder is not excluded."""
    found = facts(WHOLE.replace("-RA", "VCTS"))
    assert found["lightning"]["value"] == "within_30_s"
    assert found["since_thunder_min"]["between"] == [0.0, 20.0]
    assert "precipitation" not in found


@pytest.mark.parametrize(
    ("over", "auto", "is_told"),
    [
        ({}, "", False),
        ({"dry_within_km": 5.6}, "", False),
        ({"dry_within_km": 5.8}, "", True),
        ({"dry_within_km": 5.8}, "AUTO ", False),
    ],
)
def test_dry_is_told_only_from_as_near_as_the_operator_says(over: dict[str, float], auto: str, is_told: bool) -> None:
    """5.7 km away; and never on the word of a machine alone, which may have nothing to see rain with."""
    found = facts(WHOLE.replace("-RA ", "").replace("24018", f"{auto}24018"), **over)
    assert found.get("precipitation", {}).get("value") == ("none" if is_told else None)
    assert "wind_gust_mps" in found


def test_rain_is_told_from_wherever_the_station_is() -> None:
    assert facts(WHOLE, dry_within_km=0)["precipitation"]["value"] == "rain"


def test_dust() -> None:
    assert facts(WHOLE.replace("-RA", "DU"))["dust_in_air"]["value"] == "yes"
    assert "dust_in_air" not in facts(WHOLE)


def test_what_the_ticket_says_is_left_to_it() -> None:
    found = facts(WHOLE, ticket=a_ticket(wind_gust_mps=3))
    assert not {"wind_gust_mps", "wind_mean_mps"} & set(found)
    parse_context({"place": "pole_top", "wind_gust_mps": 3, **found}, NOW)


# --- forecast ------------------------------------------------------------------------------------------------

TAF = {"taf_url": "https://reports.example/taf/{station}.txt", "forecast_from_min": 60, "forecast_to_min": 240}


def test_a_forecast_that_cannot_be_had_takes_nothing_away(http: responses.RequestsMock) -> None:
    http.get(NEAR, body=WHOLE)
    http.get("https://reports.example/taf/XQSG.txt", status=500)
    assert set(reports(**TAF).facts(a_ticket(), NOW)) == {
        "wind_mean_mps",
        "wind_gust_mps",
        "air_temperature_c",
        "precipitation",
    }


def test_the_forecast_of_the_nearest_that_has_one(http: responses.RequestsMock) -> None:
    http.get(NEAR, body=WHOLE)
    http.get(FAR, body="")
    http.get("https://reports.example/taf/XQSG.txt", body=example("taf.txt").replace("24018G30KT", "24018G30"))
    http.get("https://reports.example/taf/XQOM.txt", body=example("taf.txt").replace("XQSG", "XQOM"))
    found = reports(stations=STATIONS, **TAF).facts(a_ticket(), NOW)
    assert found["forecast_wind_gust_mps"]["source"] == "TAF XQOM, 21.7 km away"
    assert found["forecast_wind_gust_mps"]["valid_until"] == "2031-05-04T08:30:00+00:00"


# --- whatever comes ------------------------------------------------------------------------------------------

_LINES = st.lists(
    st.sampled_from(
        (
            *(
                WHOLE,
                "METAR XQSG 040725Z",
                "SPECI XQSG 040729Z 24010KT 9999 TS 10/10 Q1000=",
                "TAF XQSG 040500Z 0406/0506",
            ),
            *(
                "24018KT 9999",
                "-RA",
                "",
                "=",
                "BECMG 0410/0412 24040G60KT",
                "METAR XQOM 040725Z 00000KT",
                "RMK",
                "\x00",
            ),
        )
    )
    | st.text(max_size=30),
    max_size=8,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(_LINES)
def test_whatever_comes_is_told_within_range_or_not_at_all(lines: list[str]) -> None:
    """``facts`` here checks every fact as the service does."""
    for found in (facts("\n".join(lines), **TAF), facts(json.dumps([{"raw": one} for one in lines]), json_key="raw")):
        assert found.get("precipitation", {}).get("value") != "none"
        assert found.get("lightning", {}).get("value") in (None, "within_30_s")
