"""Weather at the spot, from open standards: two facts sources of `repairadvisor`.

:class:`EdrSource` asks a server of OGC API - Environmental Data Retrieval, :class:`ReportsSource` reads METAR and TAF
reports of stations near by.
"""

from repairadvisor_weather.edr import EdrSource
from repairadvisor_weather.reports import ReportsSource

__all__ = ["EdrSource", "ReportsSource"]
