"""What METAR and TAF have in common: moments without a month, and winds whose gust is told only when it stands out.

WMO No. 306, Manual on Codes, volume I.1, part A, FM 15 METAR and FM 51 TAF, in the text of August 2001.
"""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from repairadvisor_weather.measures import KNOT_MPS
from repairadvisor_weather.told import highest

#: A report made before the whole hour for which it is may be there a little early. Common practice, no source.
EARLY = timedelta(minutes=10)
LONGEST_REPORT = 3000

_WIND = re.compile(r"(?:\d{3}|VRB|///)(?P<mean>P?\d{2,3}|//)(?:G(?P<gust>P?\d{2,3}|//))?(?P<unit>KT|MPS|KMH)")
_LOOKS_LIKE_WIND = re.compile(r"\S*(?:KTS?|MPS|KMH|KM/H)")

_UNITS_MPS = {"KT": KNOT_MPS, "MPS": 1.0, "KMH": 1 / 3.6}
#: Regulations 15.5.5 and 51.3.4: a gust is told when it exceeds the mean by this or more.
_STANDS_OUT = {"KT": 10.0, "MPS": 5.0, "KMH": 20.0}
#: Speeds are told in whole units.
_HALF = 0.5
#: Calm (15.5.4) has no limit in the regulation; automatic stations tell winds of up to 2 kt as calm (from memory).
_CALM_UP_TO = {"KT": 3.0, "MPS": 1.5, "KMH": 5.5}
#: Regulation 15.8.19: a squall rises to 22 knots or more.
SQUALL_MPS = 22 * KNOT_MPS

Stretch = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Wind:
    """Between what the mean wind and the gust lie, m/s; None: not told."""

    mean: Stretch | None
    gust: Stretch | None


def looks_like_wind(token: str) -> bool:
    """Whether a group means to be a wind, readable or not."""
    return _LOOKS_LIKE_WIND.fullmatch(token) is not None


def unit_of(token: str) -> str:
    """The unit of a wind group: KT, MPS or KMH; "" where the group is none that can be read without guessing."""
    match = _WIND.fullmatch(token)
    return match["unit"] if match else ""


def wind(mean: float | None, gust: float | None, token: str) -> Wind:
    """The wind of a group whose numbers a library has read; ``token`` is the group, for what the numbers do not show.

    A gust that is not told is none that stands out: it lies between the mean and that much above it.
    """
    match = _WIND.fullmatch(token)
    if match is None or mean is None or match["mean"] == "//":
        return Wind(None, None)
    unit = match["unit"]
    low, high = _speed(mean, unit, "P" in match["mean"], highest("wind_mean_mps"))
    if match["gust"] is None and "P" not in match["mean"]:
        return Wind((low, high), (low, min(_unreported(high, unit), highest("wind_gust_mps"))))
    if match["gust"] in (None, "//") or gust is None:
        return Wind((low, high), (low, highest("wind_gust_mps")))
    if gust < mean:
        return Wind(None, None)  # no gust is below the mean: the group is misread or miswritten
    gust_low, gust_high = _speed(gust, unit, "P" in match["gust"], highest("wind_gust_mps"))
    return Wind((low, high), (gust_low, gust_high))


def _speed(told: float, unit: str, or_more: bool, highest_mps: float) -> Stretch:
    factor = _UNITS_MPS[unit]
    if or_more:  # 15.5.6: P99KT is a hundred knots or more
        return (told + _HALF) * factor, highest_mps
    if told == 0:
        return 0.0, _CALM_UP_TO[unit] * factor
    return (told - _HALF) * factor, (told + _HALF) * factor


def _unreported(mean_high_mps: float, unit: str) -> float:
    """The highest gust that would not have been told beside this mean."""
    return mean_high_mps + _STANDS_OUT[unit] * _UNITS_MPS[unit]


def moment_before(day: int, hour: int, minute: int, now: datetime) -> datetime | None:
    """The latest moment with that day of the month and time, UTC, not after ``now`` but for a little; None: no such."""
    limit = now.astimezone(UTC) + EARLY
    for months in range(13):
        year, month = divmod(limit.year * 12 + limit.month - 1 - months, 12)
        found = _on(year, month + 1, day, hour, minute)
        if found is not None and found <= limit:
            return found
    return None


def moment_near(day: int, hour: int, minute: int, near: datetime) -> datetime | None:
    """The moment with that day of the month and time that lies nearest to ``near``; hour 24 is the end of the day."""
    found = []
    for months in (-1, 0, 1):
        year, month = divmod(near.year * 12 + near.month - 1 + months, 12)
        start = _on(year, month + 1, day, 0 if hour == 24 else hour, minute)
        if start is not None and (hour < 24 or minute == 0):
            found.append(start + timedelta(days=hour == 24))
    return min(found, key=lambda one: abs(one - near), default=None)


def _on(year: int, month: int, day: int, hour: int, minute: int) -> datetime | None:
    if not (
        1 <= year <= 9998 and 1 <= day <= calendar.monthrange(year, month)[1] and 0 <= hour < 24 and 0 <= minute < 60
    ):
        return None
    return datetime(year, month, day, hour, minute, tzinfo=UTC)
