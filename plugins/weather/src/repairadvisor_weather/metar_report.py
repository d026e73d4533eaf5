"""A METAR or SPECI report as what it says of the weather at its station: bounds, never more than was told.

Decoded by the library ``metar``, which refuses a report with a group that it cannot read: a group that is skipped could
be the one that says that it thunders. Code form, regulations and table 4678: WMO No. 306, volume I.1, part A, FM 15.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from metar.Metar import Metar, ParserError

from repairadvisor_weather.groups import LONGEST_REPORT, SQUALL_MPS, Stretch, Wind, looks_like_wind, unit_of, wind
from repairadvisor_weather.told import FALLING, highest

#: The body ends where a trend, its time or the remarks begin: what follows is forecast or free.
_ENDS_BODY = frozenset({"RMK", "RMKS", "TEMPO", "BECMG", "NOSIG", "FCST", "PROB30", "PROB40", "INTER"})
_NOTHING_KNOWN = frozenset({"NIL", "FINO", "TEST"})
#: Whatever else the library raises over a text that it was not made for.
_MISREAD = (ParserError, ValueError, TypeError, AttributeError, KeyError, IndexError, NameError, ArithmeticError)

#: What falls, by its letters in table 4678; freezing rain and drizzle are told by their descriptor. Ice pellets come
#: with freezing rain aloft, hail with rain: the facts have no word of their own for them, so they stay open.
_FALLS = {
    "DZ": ("drizzle",),
    "RA": ("rain",),
    "SN": ("snow",),
    "SG": ("snow",),
    "PL": ("rain", "snow", "freezing_rain"),
    "GR": ("rain", "snow"),
    "GS": ("rain", "snow"),
    "UP": FALLING,
}
#: Letters that say neither that something falls nor that nothing does.
_OPEN = ("IC",)
_DUST = ("DU", "SA")
_DUST_STORMS = ("DS", "SS", "PO")
_TEMPERATURE = re.compile(r"M?\d{2}/(?:M?\d{2}|//|XX|MM)?")


@dataclass(frozen=True, slots=True)
class Observed:
    """What a report says of its station.

    ``falling``: the words of which one is true there, "none" among them; empty: not told. ``dry``: that nothing falls
    is not the word of a machine alone. ``thunder`` and ``dust``: told; their absence says nothing.
    """

    wind: Wind
    temperature_c: Stretch | None
    falling: frozenset[str]
    dry: bool
    thunder: bool
    dust: bool


def observed(text: str, at: datetime) -> Observed | None:
    """What the report ``text``, made ``at``, says; None where any group of its body cannot be read."""
    body = _body(text)
    if len(text) > LONGEST_REPORT or _NOTHING_KNOWN.intersection(body):
        return None
    try:
        report = Metar(" ".join(body), month=at.month, year=at.year, strict=True)
        return _observed(report, body)
    except _MISREAD:
        return None


def _body(text: str) -> list[str]:
    tokens = text.replace("=", " ").split()
    ends = next((i for i, token in enumerate(tokens) if token in _ENDS_BODY), len(tokens))
    return tokens[:ends]


def _observed(report: Metar, body: list[str]) -> Observed:
    falling = _falling(report.weather)
    thunder = any("TS" in (description or "") for _, description, *_ in report.weather)
    return Observed(
        wind=_wind(report, body),
        temperature_c=_temperature(report, body),
        falling=falling,
        dry=falling == {"none"} and "AUTO" not in body,
        thunder=thunder,
        dust=any(_is_dust(group) for group in report.weather),
    )


def _wind(report: Metar, body: list[str]) -> Wind:
    """The one wind group, in a unit that is written there: without one the library assumes one, and we do not."""
    groups = [token for token in body if looks_like_wind(token)]
    if len(groups) != 1 or not unit_of(groups[0]):
        return Wind(None, None)
    mean = report.wind_speed.value() if report.wind_speed is not None else None
    gust = report.wind_gust.value() if report.wind_gust is not None else None
    found = wind(mean, gust, groups[0])
    if found.gust is not None and any(other in ("SQ", "FC") for *_, other in report.weather):
        # A squall or a funnel cloud has its own rule (15.8.19) and no upper end.
        return Wind(found.mean, (max(found.gust[0], SQUALL_MPS), highest("wind_gust_mps")))
    return found


def _temperature(report: Metar, body: list[str]) -> Stretch | None:
    """Half a degree about what is told: whole degrees, halves rounded up (15.11.1)."""
    if report.temp is None or not any(_TEMPERATURE.fullmatch(token) for token in body):
        return None
    degrees = report.temp.value("C")
    return degrees - 0.5, degrees + 0.5


Group = tuple[str | None, str | None, str | None, str | None, str | None]


def _falling(groups: Iterable[Group]) -> frozenset[str]:
    """The words that the present-weather groups leave for what falls at the station."""
    words: set[str] = set()
    is_open = freezing = False
    for group in groups:
        intensity, description, precipitation, obscuration, other = (part or "" for part in group)
        if "/" in precipitation + obscuration + other:
            return frozenset()  # 15.4: solidi stand for what could not be observed
        letters = _pairs(precipitation)
        if "VC" in intensity or "BL" in description or "DR" in description:
            is_open = True  # something falls near by, or is blown about
        elif any(one not in _FALLS and one not in _OPEN for one in letters):
            return frozenset()
        else:
            freezing = freezing or ("FZ" in description and bool(letters))
            is_open = is_open or any(one in _OPEN for one in letters)
            words.update(one for letter in letters for one in _FALLS.get(letter, ()))
            words.update(("rain", "snow") if "SH" in description and not letters else ())
    if freezing:
        return frozenset({"freezing_rain"})
    if words:
        return frozenset(words)
    return frozenset() if is_open else frozenset({"none"})


def _is_dust(group: Group) -> bool:
    intensity, _, _, obscuration, other = group
    return "VC" not in (intensity or "") and ((obscuration or "") in _DUST or (other or "") in _DUST_STORMS)


def _pairs(letters: str) -> list[str]:
    return [letters[i : i + 2] for i in range(0, len(letters), 2)]
