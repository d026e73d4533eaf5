"""How far two places on the Earth are apart."""

from __future__ import annotations

from geographiclib.geodesic import Geodesic

from repairadvisor.plugin import Site


def distance_km(one: Site, other: Site) -> float:
    """The length of the geodesic on the WGS 84 ellipsoid, km (C. F. F. Karney, Algorithms for geodesics, 2013)."""
    line = Geodesic.WGS84.Inverse(
        one.latitude_deg, one.longitude_deg, other.latitude_deg, other.longitude_deg, Geodesic.DISTANCE
    )
    return float(line["s12"]) / 1000
