"""Weather from METAR and TAF reports of stations near by, fetched as text or JSON."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from repairadvisor.plugin import RemoteRefusedError, RemoteUnavailableError, Site, Ticket
from repairadvisor_weather.fetching import Deadline, Remote
from repairadvisor_weather.geodesy import distance_km
from repairadvisor_weather.groups import moment_before
from repairadvisor_weather.metar_report import Observed, observed
from repairadvisor_weather.settings import Ahead, Limits, ReportsSettings, ahead
from repairadvisor_weather.taf_report import gusts
from repairadvisor_weather.told import Sight, in_the_open, number, unless_told, word

#: Thunder is told when it was heard within ten minutes before the report (WMO No. 306, 15.8.8).
_THUNDER_BEFORE = timedelta(minutes=10)
_HEAD = re.compile(
    r"(?:(?P<kind>METAR|SPECI|TAF)\s+)?(?:TAF\s+)?(?P<amended>(?:(?:COR|AMD)\s+)?)(?P<station>[A-Z][A-Z0-9]{3})\s+"
    r"(?P<day>\d{2})(?P<hour>\d{2})(?P<minute>\d{2})Z(?=\s|=|$)"
)
_MOST_REPORTS = 200


@dataclass(frozen=True, slots=True)
class _Station:
    """A station, and how far it is from the spot."""

    id: str
    away_km: float


@dataclass(frozen=True, slots=True)
class _Report:
    """A report as text, and when it was made."""

    text: str
    at: datetime


class ReportsSource:
    """A facts source that reads the newest reports of the nearest stations."""

    settings = ReportsSettings

    def __init__(
        self,
        *,
        metar_url: str,
        taf_url: str | None,
        json_key: str | None,
        most_stations: int,
        stations: Sequence[Mapping[str, Any]],
        max_distance_km: float,
        max_age_min: float,
        dry_within_km: float | None,
        forecast_from_min: int | None,
        forecast_to_min: int | None,
        timeout_s: float,
        keep_s: float,
        headers: Mapping[str, str],
        proxy: str | None,
    ) -> None:
        self._metar_url = metar_url
        self._taf_url = taf_url
        self._json_key = json_key
        self._most_stations = most_stations
        self._stations = {one["id"]: Site(one["latitude_deg"], one["longitude_deg"]) for one in stations}
        self._limits = Limits(max_distance_km, timedelta(minutes=max_age_min), dry_within_km)
        self._ahead: Ahead | None = ahead(forecast_from_min, forecast_to_min)
        self._timeout_s = timeout_s
        self._remote = Remote(headers, proxy, keep_s)

    def facts(self, ticket: Ticket, now: datetime) -> dict[str, object]:
        """What the newest reports of the nearest stations say; a fact that several tell is a list of what each says.

        Empty for a ticket without a site or without a place out of doors, and where no station is near. A station that
        cannot be asked is passed over; where none can be, raises
        :class:`~repairadvisor.plugin.RemoteUnavailableError` or :class:`~repairadvisor.plugin.RemoteRefusedError`.
        """
        if ticket.site is None or not in_the_open(ticket):
            return {}
        deadline = Deadline(self._timeout_s)
        told: list[dict[str, object]] = []
        failures: list[Exception] = []
        near = self._near(ticket.site)
        for station in near:
            try:
                told.append(self._seen(station, now, deadline))
            except (RemoteUnavailableError, RemoteRefusedError) as error:
                failures.append(error)
        if failures and not any(told):
            raise failures[0]
        facts = _together(told)
        facts |= self._forecast(near, now, deadline)
        return unless_told(ticket, facts)

    def _near(self, site: Site) -> list[_Station]:
        measured = [_Station(name, distance_km(site, place)) for name, place in self._stations.items()]
        kept = [one for one in measured if one.away_km <= self._limits.max_distance_km]
        return sorted(kept, key=lambda one: (one.away_km, one.id))[: self._most_stations]

    # --- observations -----------------------------------------------------------------------------------------

    def _seen(self, station: _Station, now: datetime, deadline: Deadline) -> dict[str, object]:
        report = self._newest("METAR", self._metar_url, station, now, deadline)
        if report is None or now - report.at >= self._limits.max_age:
            return {}
        found = observed(report.text, report.at)
        if found is None:
            return {}
        source = f"METAR {station.id}, {station.away_km:.1f} km away"
        return self._facts(found, station, Sight(source, min(report.at, now), report.at + self._limits.max_age), now)

    def _facts(self, found: Observed, station: _Station, sight: Sight, now: datetime) -> dict[str, object]:
        facts: dict[str, object] = {}
        for name, stretch in (
            ("wind_mean_mps", found.wind.mean),
            ("wind_gust_mps", found.wind.gust),
            ("air_temperature_c", found.temperature_c),
        ):
            facts |= number(name, *stretch, sight) if stretch is not None else {}
        if "none" not in found.falling or (found.dry and self._may_be_dry(station)):
            facts |= word("precipitation", found.falling, sight)
        if found.thunder:
            since = now - sight.seen_at + _THUNDER_BEFORE
            facts |= word("lightning", ("within_30_s",), sight)
            facts |= number("since_thunder_min", 0.0, float(math.ceil(since / timedelta(minutes=1))), sight.as_of(now))
        if found.dust:
            facts |= word("dust_in_air", ("yes",), sight)
        return facts

    def _may_be_dry(self, station: _Station) -> bool:
        return self._limits.dry_within_km is not None and station.away_km <= self._limits.dry_within_km

    # --- forecast ---------------------------------------------------------------------------------------------

    def _forecast(self, near: Sequence[_Station], now: datetime, deadline: Deadline) -> dict[str, object]:
        """The gusts by the nearest station that has a forecast for the stretch; what cannot be had is left out."""
        if self._taf_url is None or self._ahead is None:
            return {}
        start, end = (now + timedelta(minutes=x) for x in (self._ahead.from_min, self._ahead.to_min))
        for station in near:
            try:
                report = self._newest("TAF", self._taf_url, station, now, deadline)
            except (RemoteUnavailableError, RemoteRefusedError):
                continue
            stretch = gusts(report.text, report.at, start, end) if report is not None else None
            if report is not None and stretch is not None:
                sight = Sight(f"TAF {station.id}, {station.away_km:.1f} km away", min(report.at, now), start)
                found = number("forecast_wind_gust_mps", *stretch, sight)
                begins = float(self._ahead.from_min)
                return {**found, **number("forecast_in_min", begins, begins, sight.as_of(now))} if found else {}
        return {}

    # --- fetching ---------------------------------------------------------------------------------------------

    def _newest(self, kind: str, url: str, station: _Station, now: datetime, deadline: Deadline) -> _Report | None:
        """The newest report of a station. An older one is not used in its place, whatever is wrong with the newest."""
        address = url.replace("{station}", station.id)
        answer = self._remote.get(address, {}, f"{kind} {station.id}", now, deadline)
        newest: _Report | None = None
        for text in _reports(_texts(answer.text, self._json_key), kind, station.id):
            head = _HEAD.match(text)
            at = moment_before(int(head["day"]), int(head["hour"]), int(head["minute"]), now) if head else None
            # Of two for the same moment the later in the answer is the correction.
            if at is not None and (newest is None or at >= newest.at):
                newest = _Report(text, at)
        return newest


def _together(told: Sequence[Mapping[str, object]]) -> dict[str, object]:
    """One fact, or the list of what several stations say: then it lies anywhere among them."""
    facts: dict[str, object] = {}
    for name in dict.fromkeys(name for one in told for name in one):
        said = [one[name] for one in told if name in one]
        facts[name] = said[0] if len(said) == 1 else said
    return facts


def _texts(answer: str, json_key: str | None) -> list[str]:
    """The texts in an answer: as it is, or under ``json_key`` in each object of a JSON array or of JSON lines."""
    if json_key is None:
        return [answer]
    try:
        whole = json.loads(answer)
    except (ValueError, RecursionError):
        whole = [_loaded(line) for line in answer.splitlines()]
    objects = whole if isinstance(whole, list) else [whole]
    found = [one.get(json_key) for one in objects[:_MOST_REPORTS] if isinstance(one, dict)]
    return [one for one in found if isinstance(one, str)]


def _loaded(line: str) -> object:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        return None


def _reports(texts: Sequence[str], kind: str, station: str) -> Iterator[str]:
    """The reports of ``kind`` and ``station`` in some texts, each on one line; a report may run over several lines and
    ends at "=", an empty line or where another begins."""
    for text in texts:
        open_lines: list[str] = []
        for line in [*text.splitlines(), ""]:
            head = _HEAD.match(line.strip())
            if open_lines and (head or not line.strip() or open_lines[-1].endswith("=")):
                yield " ".join(open_lines)
                open_lines = []
            if (head and _is(head, kind, station)) or (open_lines and not head):
                open_lines.append(line.strip())


def _is(head: re.Match[str], kind: str, station: str) -> bool:
    """Whether a report is of the kind and station; a bare one is of the kind that was asked for."""
    named = head["kind"]
    fits = named is None or (named == "TAF") == (kind == "TAF")
    return fits and head["station"] == station
