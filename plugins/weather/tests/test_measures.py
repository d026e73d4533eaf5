"""Units against what is published of them."""

from __future__ import annotations

from math import asin, cos, radians, sin, sqrt

import pytest
from repairadvisor_weather.geodesy import distance_km
from repairadvisor_weather.measures import KNOT_MPS, SPEEDS_MPS, TEMPERATURES_C, speed_mps, temperature_c

from repairadvisor.plugin import Site

#: A sphere of the mean radius of the Earth, IUGG, km.
_MEAN_RADIUS_KM = 6371.0088


def test_a_knot() -> None:
    """SI Brochure: one nautical mile an hour, (1852/3600) m/s, published rounded as 0.514444."""
    assert KNOT_MPS == 1852 / 3600
    assert round(KNOT_MPS, 6) == 0.514444
    assert speed_mps(1, "[kn_i]") == speed_mps(1, "kn") == pytest.approx(0.514444, abs=5e-7)


@pytest.mark.parametrize(
    ("number", "unit", "mps"),
    [(20, "m/s", 20), (36, "km/h", 10), (100, "[mi_i]/h", 44.704), (10, "m.s-1", 10), (36, "km.h-1", 10)],
)
def test_speeds(number: float, unit: str, mps: float) -> None:
    """A mile is 1609.344 m (international yard and pound agreement of 1959)."""
    assert speed_mps(number, unit) == mps


@pytest.mark.parametrize(
    ("number", "unit", "degrees"),
    [(0, "Cel", 0), (273.15, "K", 0), (32, "[degF]", 0), (212, "[degF]", 100), (-40, "[degF]", -40), (0, "K", -273.15)],
)
def test_temperatures(number: float, unit: str, degrees: float) -> None:
    """0 °C is 273.15 K (SI Brochure) and 32 °F; -40 is the same in both."""
    assert temperature_c(number, unit) == degrees


@pytest.mark.parametrize("unit", ["", "kt", "M/S", "mps", "km", "degC", "C", "F", "Kelvin", "m/s "])
def test_an_unknown_unit_is_no_number(unit: str) -> None:
    """Nothing is guessed: UCUM is case-sensitive, and its ``kt`` is a kilotonne."""
    assert unit not in SPEEDS_MPS | TEMPERATURES_C
    assert speed_mps(1, unit) is None
    assert temperature_c(1, unit) is None


def test_a_published_geodesic() -> None:
    """GeodSolve0 of GeographicLib's own tests: JFK to Paris CDG, 5853226 m."""
    assert distance_km(Site(40.6, -73.8), Site(49.01666667, 2.55)) == pytest.approx(5853.226, abs=0.0005)


def test_a_degree_of_latitude_and_of_longitude() -> None:
    """WGS 84: 110.574 km for the first degree of latitude, 111.320 km for one of longitude on the equator (published
    tables of the ellipsoid); across the 180th meridian as anywhere."""
    assert distance_km(Site(0, 0), Site(1, 0)) == pytest.approx(110.574, abs=0.001)
    assert distance_km(Site(0, 0), Site(0, 1)) == pytest.approx(111.320, abs=0.001)
    assert distance_km(Site(0, 179.5), Site(0, -179.5)) == pytest.approx(111.320, abs=0.001)


def test_it_agrees_with_a_sphere() -> None:
    """The haversine formula on the mean sphere differs by no more than 0.6 % anywhere (flattening 1/298)."""
    for one, other in [
        (Site(52.15, -4.25), Site(52.03, -4.5)),
        (Site(-33, 151), Site(70, 20)),
        (Site(5, 5), Site(6, 9)),
    ]:
        latitudes = radians(one.latitude_deg), radians(other.latitude_deg)
        across = radians(other.longitude_deg - one.longitude_deg)
        h = sin((latitudes[1] - latitudes[0]) / 2) ** 2 + cos(latitudes[0]) * cos(latitudes[1]) * sin(across / 2) ** 2
        assert distance_km(one, other) == pytest.approx(2 * _MEAN_RADIUS_KM * asin(sqrt(h)), rel=0.006)
