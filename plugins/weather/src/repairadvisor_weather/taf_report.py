"""A TAF as what it leaves open of the gusts in a stretch of time.

Decoded by the library ``metar-taf-parser-mivek``. It passes over what it cannot read and takes a wind without a unit
for one in knots, so its reading counts only where each wind and each change group of the text is accounted for.
Regulations: WMO No. 306, volume I.1, part A, FM 51.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from metar_taf_parser.commons.exception import ParseError
from metar_taf_parser.model.enum import WeatherChangeType
from metar_taf_parser.parser.parser import TAFParser

from repairadvisor_weather.groups import LONGEST_REPORT, Stretch, looks_like_wind, moment_near, unit_of, wind

_MISREAD = (ParseError, ValueError, TypeError, AttributeError, KeyError, IndexError, RecursionError)
_CHANGE = re.compile(r"FM\d{6}|BECMG|TEMPO|INTER|PROB\d{2}")
_MADE = re.compile(r"\d{6}Z")
_SHEAR = re.compile(r"WS\d{3}/\S+")
_VOID = frozenset({"NIL", "CNL"})
#: Weather whose gusts a wind group does not bound.
_UNBOUNDED = re.compile(r"(?:[-+]|VC)?(?:TS[A-Z]*|SQ|FC)")
#: Groups of letters alone that have a meaning: table 4678, and the code words. Another could be a storm miswritten.
_LETTERS = re.compile(r"[-+A-Z]+")
_WEATHER = re.compile(
    r"(?:[-+]|VC)?(?:MI|BC|PR|DR|BL|SH|TS|FZ)?"
    r"(?:DZ|RA|SN|SG|IC|PL|GR|GS|UP|BR|FG|FU|VA|DU|SA|HZ|PY|PO|SQ|FC|SS|DS)*"
)
_CODE_WORDS = frozenset({"CAVOK", "NSW", "NSC", "SKC", "CLR", "NCD", "BECMG", "TEMPO", "INTER"})
#: Units that the decoder reads.
_READ_UNITS = ("KT", "MPS")


@dataclass(frozen=True, slots=True)
class _Spell:
    """Something that may blow from ``start`` to ``end``: a wind with such gusts, or a storm (None)."""

    start: datetime
    end: datetime
    gust: Stretch | None

    def until(self, moment: datetime) -> _Spell:
        """The same, ended then at the latest."""
        return _Spell(self.start, min(self.end, moment), self.gust)

    def touches(self, start: datetime, end: datetime) -> bool:
        """Whether it may blow at any time of a stretch, its ends included."""
        return self.start <= end and start <= self.end


class _Course:
    """What may blow in the validity of a forecast, from ``start`` to ``end``."""

    def __init__(self, start: datetime, end: datetime) -> None:
        self.start, self.end = start, end
        self.prevailing: list[_Spell] = []
        self.passing: list[_Spell] = []

    def supersede(self, at: datetime) -> None:
        """FM: all that was forecast before ends then (51.8.2)."""
        self.prevailing = [one.until(at) for one in self.prevailing]
        self.passing = [one.until(at) for one in self.passing]

    def add(self, start: datetime, end: datetime, gust: Stretch | None, *, lasts: bool, storm: bool) -> None:
        """A wind that prevails or passes; a storm stays until FM, as BECMG need not repeat it (51.8.3)."""
        if gust is not None:
            (self.prevailing if lasts else self.passing).append(_Spell(start, self.end if lasts else end, gust))
        if storm:
            self.passing.append(_Spell(start, self.end if lasts else end, None))

    def gusts(self, start: datetime, end: datetime) -> Stretch | None:
        """Between what all gusts lie that may blow then; None where a storm may come."""
        blowing = [one.gust for one in (*self.prevailing, *self.passing) if one.touches(start, end)]
        bounds = [one for one in blowing if one is not None]
        if not bounds or len(bounds) < len(blowing):
            return None
        return min(low for low, _ in bounds), max(high for _, high in bounds)


def gusts(text: str, issued: datetime, start: datetime, end: datetime) -> Stretch | None:
    """Between what the gusts lie from ``start`` to ``end``, m/s, by a forecast ``issued`` then.

    None where the forecast does not cover the stretch, is cancelled, has thunderstorms or squalls in it, or cannot be
    read to the last group.
    """
    tokens = _tokens(text)
    if len(text) > LONGEST_REPORT or _VOID.intersection(tokens):
        return None
    try:
        course = _course(TAFParser().parse(" ".join(tokens)), tokens, issued)
    except _MISREAD:
        return None
    if course is None or not (course.start <= start and end <= course.end):
        return None
    return course.gusts(start, end)


def _tokens(text: str) -> list[str]:
    tokens = text.replace("=", " ").split()
    ends = next((i for i, token in enumerate(tokens) if token in ("RMK", "RMKS")), len(tokens))
    tokens = tokens[:ends]
    return tokens if tokens[:1] == ["TAF"] else ["TAF", *tokens]


def _parts(tokens: list[str]) -> list[list[str]]:
    """The groups of the forecast itself, then those of each change; PROB and the TEMPO after it are one."""
    parts: list[list[str]] = [[]]
    for token in tokens:
        joins = token == "TEMPO" and len(parts[-1]) == 1 and parts[-1][0].startswith("PROB")  # noqa: S105 - a code word
        if _CHANGE.fullmatch(token) and not joins:
            parts.append([])
        parts[-1].append(token)
    return parts


def _course(taf: Any, tokens: list[str], issued: datetime) -> _Course | None:
    """All that may blow, and when; None where some part of the text is not accounted for."""
    parts = _parts(tokens)
    limits = _limits(taf.validity, issued)
    own = _gust(taf, parts[0])
    if limits is None or own is None or own[0] is None or len(taf.trends) != len(parts) - 1:
        return None
    if not all(_has_a_meaning(token) for token in itertools.dropwhile(lambda one: not _MADE.fullmatch(one), tokens)):
        return None
    course = _Course(*limits)
    course.add(*limits, own[0], lasts=True, storm=own[1])
    for change, part in zip(taf.trends, parts[1:], strict=True):
        if not _follow(course, change, part, issued):
            return None
    return course


def _has_a_meaning(token: str) -> bool:
    if _LETTERS.fullmatch(token) is None or token in _CODE_WORDS:
        return True
    return _WEATHER.fullmatch(token) is not None


def _follow(course: _Course, change: Any, part: list[str], issued: datetime) -> bool:
    """Add a change to the course; False where it cannot be read."""
    times, found = _times(change, issued, (course.start, course.end)), _gust(change, part)
    if times is None or found is None:
        return False
    gust, storm = found
    if change.type is WeatherChangeType.FM:
        if gust is None:
            return False  # a part that stands for itself has a wind of its own
        course.supersede(times[0])
    elif change.type is WeatherChangeType.BECMG and gust is not None:
        course.prevailing = [one.until(times[1]) for one in course.prevailing]
    lasts = change.type in (WeatherChangeType.FM, WeatherChangeType.BECMG)
    course.add(*times, gust, lasts=lasts, storm=storm)
    return True


def _limits(validity: Any, near: datetime) -> tuple[datetime, datetime] | None:
    start = moment_near(validity.start_day, validity.start_hour, 0, near)
    end = moment_near(validity.end_day, validity.end_hour, 0, near)
    return (start, end) if start is not None and end is not None and start < end else None


def _times(change: Any, issued: datetime, limits: tuple[datetime, datetime]) -> tuple[datetime, datetime] | None:
    validity = change.validity
    if validity is None:
        return None
    if change.type is WeatherChangeType.FM:
        start = moment_near(validity.start_day, validity.start_hour, validity.start_minutes, issued)
        return (start, limits[1]) if start is not None and limits[0] <= start <= limits[1] else None
    return _limits(validity, issued)


def _gust(decoded: Any, part: list[str]) -> tuple[Stretch | None, bool] | None:
    """The gusts of one part and whether it has storms; None where its wind was not read as it is written."""
    groups = [token for token in part if looks_like_wind(token) and not _SHEAR.fullmatch(token)]
    stormy = any(_UNBOUNDED.fullmatch(token) for token in part)
    if not groups:
        return (None, stormy) if decoded.wind is None else None
    token = groups[0]
    if len(groups) > 1 or decoded.wind is None or unit_of(token) not in _READ_UNITS:
        return None
    if "P" in token.removesuffix("MPS") or "/" in token:  # the decoder passes over what it cannot read in a group
        return None
    if decoded.wind.unit != unit_of(token):
        return None
    found = wind(decoded.wind.speed, decoded.wind.gust, token)
    return None if found.gust is None else (found.gust, stormy)
