"""Weather from a server of OGC API - Environmental Data Retrieval (OGC 19-086r6), by position queries."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from repairadvisor.plugin import RemoteUnavailableError, Site, Ticket
from repairadvisor_weather.coverage import Series, UnreadableError, read
from repairadvisor_weather.fetching import Answer, Deadline, Remote
from repairadvisor_weather.geodesy import distance_km
from repairadvisor_weather.measures import RATES, speed_mps, temperature_c
from repairadvisor_weather.settings import Ahead, EdrSettings, Limits, ahead
from repairadvisor_weather.told import FALLING, PRECIPITATION, Sight, in_the_open, number, unless_told, word

#: Places are asked for to a hundredth of a degree, about 1.1 km: tickets of one street share an answer.
_PLACE_DECIMALS = 2
#: A forecast has no greater gap than this between its steps: what happens in between is not told.
_LONGEST_GAP = timedelta(minutes=60)

_Convert = Callable[[float, str], float | None]


@dataclass(frozen=True, slots=True)
class _Near:
    """A series that is near enough, and how far it is from the spot."""

    series: Series
    away_km: float


@dataclass(frozen=True, slots=True)
class _Now:
    """The newest fresh step of a series, and how it is told of."""

    series: Series
    away_km: float
    at: datetime
    value: float | int | str

    @property
    def number(self) -> float:
        return float(self.value) if not isinstance(self.value, str) else math.nan


class EdrSource:
    """A facts source that asks an EDR server for the weather at the position of the fault."""

    settings = EdrSettings

    def __init__(
        self,
        *,
        url: str,
        collection: str,
        parameters: Mapping[str, str],
        z: str | None,
        precipitation_words: Mapping[str, list[str]],
        thunder_at_least: float | None,
        thunder_unit: str,
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
        self._url = f"{url.rstrip('/')}/collections/{collection}/position"
        self._collection = collection
        self._parameters = dict(parameters)
        self._z = z
        self._precipitation_words = {code: tuple(words) for code, words in precipitation_words.items()}
        self._thunder_at_least = thunder_at_least
        self._thunder_unit = thunder_unit
        self._limits = Limits(max_distance_km, timedelta(minutes=max_age_min), dry_within_km)
        self._ahead: Ahead | None = ahead(forecast_from_min, forecast_to_min)
        self._timeout_s = timeout_s
        self._remote = Remote(headers, proxy, keep_s)

    def facts(self, ticket: Ticket, now: datetime) -> dict[str, object]:
        """Wind, gust, temperature, precipitation, lightning and a forecast, as far as the answer has them.

        Empty for a ticket without a site or without a place out of doors. Raises
        :class:`~repairadvisor.plugin.RemoteUnavailableError` or :class:`~repairadvisor.plugin.RemoteRefusedError`.
        """
        if ticket.site is None or not in_the_open(ticket):
            return {}
        answer = self._answer(ticket.site, now)
        if not answer.text:
            return {}
        try:
            found = read(answer.text, set(self._parameters.values()))
        except UnreadableError as error:
            raise RemoteUnavailableError(f"collection {self._collection}: {error}") from None
        near = self._near(found, ticket.site)
        facts = {**self._wind(near, now), **self._temperature(near, now), **self._precipitation(near, now)}
        facts |= {**self._lightning(near, now), **self._forecast(near, now, answer.asked_at)}
        return unless_told(ticket, facts)

    def _answer(self, site: Site, now: datetime) -> Answer:
        longitude, latitude = (round(x, _PLACE_DECIMALS) + 0.0 for x in (site.longitude_deg, site.latitude_deg))
        until = now + timedelta(minutes=self._ahead.to_min if self._ahead else 0)
        params = {
            "coords": f"POINT({longitude:.{_PLACE_DECIMALS}f} {latitude:.{_PLACE_DECIMALS}f})",
            "datetime": f"{_moment(now - self._limits.max_age)}/{_moment(until)}",
            "parameter-name": ",".join(dict.fromkeys(self._parameters.values())),
            "f": "CoverageJSON",
        }
        if self._z is not None:
            params["z"] = self._z
        return self._remote.get(self._url, params, params["coords"], now, Deadline(self._timeout_s))

    def _near(self, found: Mapping[str, list[Series]], site: Site) -> dict[str, _Near]:
        """Of each thing the nearest series, where it is near enough."""
        near = {}
        for thing, name in self._parameters.items():
            measured = [_Near(series, distance_km(site, series.site)) for series in found.get(name, [])]
            kept = [one for one in measured if one.away_km <= self._limits.max_distance_km]
            if kept:
                near[thing] = min(kept, key=lambda one: one.away_km)
        return near

    def _now(self, near: Mapping[str, _Near], thing: str, now: datetime) -> _Now | None:
        """The newest step that lies not after now and is fresh."""
        one = near.get(thing)
        if one is None:
            return None
        fresh = [step for step in one.series.steps if timedelta(0) <= now - step[0] < self._limits.max_age]
        return _Now(one.series, one.away_km, *fresh[-1]) if fresh else None

    def _sight(self, one: _Now) -> Sight:
        return Sight(self._source(one.away_km), one.at, one.at + self._limits.max_age)

    def _source(self, away_km: float) -> str:
        return f"EDR collection {self._collection}, point {away_km:.1f} km away"

    def _wind(self, near: Mapping[str, _Near], now: datetime) -> dict[str, object]:
        facts: dict[str, object] = {}
        speeds: dict[str, float] = {}
        for thing, name in (("mean_wind", "wind_mean_mps"), ("gust", "wind_gust_mps")):
            one = self._now(near, thing, now)
            speed = speed_mps(one.number, one.series.unit) if one is not None else None
            if one is not None and speed is not None:
                speeds[thing] = speed
                facts |= number(name, speed, speed, self._sight(one))
        # A gust below the mean is none: one of the two is not what the mapping takes it for, and nobody knows which.
        if len(speeds) == 2 and not speeds["mean_wind"] <= speeds["gust"]:
            return {}
        return facts

    def _temperature(self, near: Mapping[str, _Near], now: datetime) -> dict[str, object]:
        one = self._now(near, "temperature", now)
        degrees = temperature_c(one.number, one.series.unit) if one is not None else None
        if one is None or degrees is None:
            return {}
        return number("air_temperature_c", degrees, degrees, self._sight(one))

    def _precipitation(self, near: Mapping[str, _Near], now: datetime) -> dict[str, object]:
        """What both the rate and the type leave possible; nothing where one of them is not understood."""
        possible, seen = set(PRECIPITATION), []
        for thing, words_of in (("precipitation_rate", _of_rate), ("precipitation_type", self._of_type)):
            if thing not in self._parameters:
                continue
            one = self._now(near, thing, now)
            words = words_of(one) if one is not None else set()
            if one is None or not words:
                return {}
            possible &= words
            seen.append(one)
        if not seen or ("none" in possible and not self._may_be_dry(seen)):
            return {}
        oldest, farthest = min(one.at for one in seen), max(one.away_km for one in seen)
        return word("precipitation", possible, Sight(self._source(farthest), oldest, oldest + self._limits.max_age))

    def _may_be_dry(self, seen: Iterable[_Now]) -> bool:
        dry_within_km = self._limits.dry_within_km
        return dry_within_km is not None and all(one.away_km <= dry_within_km for one in seen)

    def _of_type(self, one: _Now) -> set[str]:
        code = one.value
        if isinstance(code, float) and code.is_integer():
            code = int(code)
        if isinstance(code, int) and one.series.categories:
            code = one.series.categories.get(code, "")
        return set(self._precipitation_words.get(str(code), ()))

    def _lightning(self, near: Mapping[str, _Near], now: datetime) -> dict[str, object]:
        """Only that there is thunder: that there is none nobody can tell from afar."""
        one = self._now(near, "thunder", now)
        if one is None or self._thunder_at_least is None or one.series.unit != self._thunder_unit:
            return {}
        if not one.number >= self._thunder_at_least:
            return {}
        return word("lightning", ("within_30_s",), self._sight(one))

    def _forecast(self, near: Mapping[str, _Near], now: datetime, asked_at: datetime) -> dict[str, object]:
        if self._ahead is None:
            return {}
        start, end = (now + timedelta(minutes=x) for x in (self._ahead.from_min, self._ahead.to_min))
        facts: dict[str, object] = {}
        for thing, name, convert in (
            ("gust", "forecast_wind_gust_mps", speed_mps),
            ("temperature", "forecast_air_temperature_c", temperature_c),
        ):
            one = near.get(thing)
            values = _through(one.series, start, end, convert) if one is not None else []
            if one is not None and values:
                sight = Sight(self._source(one.away_km), min(asked_at, now), start)
                facts |= number(name, min(values), max(values), sight)
                begins = float(self._ahead.from_min)
                facts |= number("forecast_in_min", begins, begins, sight.as_of(now)) if name in facts else {}
        return facts


def _of_rate(one: _Now) -> set[str]:
    if one.series.unit not in RATES or not one.number >= 0:
        return set()
    return set(FALLING) if one.number > 0 else {"none"}


def _through(series: Series, start: datetime, end: datetime, convert: _Convert) -> list[float]:
    """The values from ``start`` to ``end``, with the last before and the first after; none where a gap is too long."""
    steps = series.steps
    first = max((i for i, step in enumerate(steps) if step[0] <= start), default=None)
    last = min((i for i, step in enumerate(steps) if step[0] >= end), default=len(steps) - 1)
    if first is None or last < first or end - steps[last][0] > _LONGEST_GAP:
        return []
    inside = steps[first : last + 1]
    if any(later[0] - earlier[0] > _LONGEST_GAP for earlier, later in itertools.pairwise(inside)):
        return []
    converted = [convert(value, series.unit) for _, value in inside if not isinstance(value, str)]
    values = [one for one in converted if one is not None]
    return values if len(values) == len(inside) else []


def _moment(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
