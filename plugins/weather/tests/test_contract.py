"""Both sources keep the contract of facts sources."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import pytest
import responses
from repairadvisor_weather import EdrSource, ReportsSource
from weather_scene import EDR_URL, a_ticket, edr, example, reports

from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Known
from repairadvisor.plugin import Site, Ticket
from repairadvisor.testing import FactsSourceContract, installed_plugin


@pytest.fixture
def http() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


@pytest.fixture
def ticket() -> Ticket:
    return a_ticket()


@pytest.fixture(params=["no site", "indoors", "place open", "no place", "far away"])
def unknown_ticket(request: pytest.FixtureRequest) -> Ticket:
    match request.param:
        case "no site":
            return a_ticket(site=None)
        case "indoors":
            return a_ticket(place="customer_home")
        case "place open":
            return a_ticket(place={"one_of": ["pole_top", "building_riser"]})
        case "no place":
            return Ticket(reference="LF-1", sequence=1, facts={}, site=Site(52.15, -4.25))
    return a_ticket(site=Site(-33.0, 151.0))


class TestEdr(FactsSourceContract):
    @pytest.fixture
    def facts_source(self, http: responses.RequestsMock) -> EdrSource:
        http.get(EDR_URL, body=example("position.covjson"))
        return edr()

    @pytest.fixture(params=[503, 404, ConnectionError()])
    def down(self, http: responses.RequestsMock, request: pytest.FixtureRequest) -> EdrSource:
        if isinstance(request.param, int):
            http.get(EDR_URL, status=request.param)
        else:
            http.get(EDR_URL, body=request.param)
        return edr()

    def test_it_is_installed(self) -> None:
        assert installed_plugin("facts", "weather_edr").made_by is EdrSource


class TestReports(FactsSourceContract):
    @pytest.fixture
    def facts_source(self, http: responses.RequestsMock) -> ReportsSource:
        http.get("https://reports.example/metar/XQSG.txt", body=example("metar.txt"))
        http.get("https://reports.example/taf/XQSG.txt", body=example("taf.txt"))
        return reports(taf_url="https://reports.example/taf/{station}.txt", forecast_from_min=60, forecast_to_min=240)

    @pytest.fixture(params=[503, 404, ConnectionError()])
    def down(self, http: responses.RequestsMock, request: pytest.FixtureRequest) -> ReportsSource:
        url = "https://reports.example/metar/XQSG.txt"
        if isinstance(request.param, int):
            http.get(url, status=request.param)
        else:
            http.get(url, body=request.param)
        return reports()

    def test_it_is_installed(self) -> None:
        assert installed_plugin("facts", "weather_reports").made_by is ReportsSource

    def test_the_whole_example(self, facts_source: ReportsSource, ticket: Ticket, now: datetime) -> None:
        """Every number by hand: 1 kn = 1852/3600 m/s; half a unit about each; the window of the forecast is 08:30 to
        11:30, in which the gusts of BECMG 0410/0412 may blow beside those before."""
        facts = facts_source.facts(ticket, now)
        between = {name: said["between"] for name, said in facts.items() if "between" in said}
        assert between == {
            "wind_mean_mps": [9.002, 9.518],
            "wind_gust_mps": [15.69, 16.205],
            "air_temperature_c": [10.5, 11.5],
            "forecast_wind_gust_mps": [4.887, 15.691],
        }
        assert facts["precipitation"]["value"] == "rain"
        assert facts["forecast_in_min"]["value"] == 60
        assert parse_context(facts, now).state("forecast_in_min") == Known(60.0)  # counted from now
        assert "lightning" not in facts
        assert facts["wind_gust_mps"]["source"] == "METAR XQSG, 5.7 km away"
        assert facts["wind_gust_mps"]["seen_at"] == "2031-05-04T07:20:00+00:00"
        assert facts["wind_gust_mps"]["valid_until"] == "2031-05-04T08:20:00+00:00"
        assert facts["forecast_wind_gust_mps"]["seen_at"] == "2031-05-04T05:00:00+00:00"
