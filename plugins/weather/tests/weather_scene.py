"""One invented district, two invented airfields, and one morning."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from repairadvisor_weather import EdrSource, ReportsSource

from repairadvisor.plugin import Site, Ticket

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
EXAMPLES = Path(__file__).parent.parent / "examples"
DATA = Path(__file__).parent / "data"

#: Pipit Court; the airfield of Saltgate is 5.7 km off, the strip at Orrin's Mill 21.7 km.
PIPIT_COURT = Site(52.15, -4.25)
STATIONS = [
    {"id": "XQSG", "latitude_deg": 52.184, "longitude_deg": -4.312},
    {"id": "XQOM", "latitude_deg": 52.031, "longitude_deg": -4.501},
]
EDR_URL = "https://weather.example/edr/collections/surface-hourly/position"
PARAMETERS = {
    "mean_wind": "wind_speed",
    "gust": "wind_speed_of_gust",
    "temperature": "air_temperature",
    "precipitation_rate": "precipitation_rate",
    "precipitation_type": "precipitation_type",
    "thunder": "thunderstorm_probability",
}
WORDS = {"0": ["none"], "1": ["rain"], "3": ["freezing_rain"], "5": ["snow"], "11": ["drizzle"]}


def a_ticket(site: Site | None = PIPIT_COURT, **facts: object) -> Ticket:
    return Ticket(reference="LF-1", sequence=1, facts={"place": "pole_top", **facts}, site=site)


def edr(**over: Any) -> EdrSource:
    given = {
        "url": "https://weather.example/edr",
        "collection": "surface-hourly",
        "parameters": PARAMETERS,
        "precipitation_words": WORDS,
        "thunder_at_least": 20,
    }
    return EdrSource(**EdrSource.settings().load(given | over))


def reports(**over: Any) -> ReportsSource:
    given = {"metar_url": "https://reports.example/metar/{station}.txt", "stations": STATIONS[:1]}
    return ReportsSource(**ReportsSource.settings().load(given | over))


def example(name: str) -> str:
    return (EXAMPLES / name).read_text(encoding="utf-8")


def coverage() -> dict[str, Any]:
    """The example answer of an EDR server, to be changed by a test."""
    loaded: dict[str, Any] = json.loads(example("position.covjson"))
    return loaded
