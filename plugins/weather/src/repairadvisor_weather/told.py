"""What is told of the weather, in the form in which raw facts are given; and whom it may be told of."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from repairadvisor.plugin import FACTS, Ticket

_BY_NAME = {fact.name: fact for fact in FACTS}

#: What anything that falls can be called.
FALLING = ("drizzle", "rain", "snow", "freezing_rain")
PRECIPITATION = ("none", *FALLING)

WINDS = ("wind_mean_mps", "wind_gust_mps")
FORECASTS = (
    "forecast_wind_gust_mps",
    "forecast_air_temperature_c",
    "forecast_in_min",
    "forecast_from",
)

#: No real wind, gust or temperature is known more closely than this; ends of a stretch are rounded outward to it.
_STEP = 0.001


@dataclass(frozen=True, slots=True)
class Sight:
    """Who says it, when it was seen, and until when it may be used."""

    source: str
    seen_at: datetime
    valid_until: datetime

    def as_of(self, moment: datetime) -> Sight:
        """The same for minutes that are counted from ``moment``, not from when the rest was seen."""
        return replace(self, seen_at=moment)

    def report(self, says: Mapping[str, object]) -> dict[str, object]:
        """``says`` with its source and times."""
        times = {"seen_at": self.seen_at.isoformat(), "valid_until": self.valid_until.isoformat()}
        return {**says, "source": self.source, **times}


def highest(name: str) -> float:
    """The upper end of the range of a fact: where a report says "or more", this is how far "more" goes."""
    return _BY_NAME[name].high


def number(name: str, low: float, high: float, sight: Sight) -> dict[str, object]:
    """``{name: report}`` of a number from ``low`` to ``high`` in the fact's own unit.

    Empty where it does not lie within the fact's range: what cannot be is not weather but an error, and nothing is
    clipped.
    """
    fact = _BY_NAME[name]
    if not (math.isfinite(low) and math.isfinite(high) and fact.low <= low <= high <= fact.high):
        return {}
    if low == high:
        return {name: sight.report({"value": low, "unit": fact.unit})}
    # A millionth of a step is noise of binary fractions: 31.5 kn are 16.205 m/s and not a hair more.
    first, last = math.floor(round(low / _STEP, 6)), math.ceil(round(high / _STEP, 6))
    ends = [max(fact.low, round(first * _STEP, 3)), min(fact.high, round(last * _STEP, 3))]
    return {name: sight.report({"between": ends, "unit": fact.unit})}


def word(name: str, words: Iterable[str], sight: Sight) -> dict[str, object]:
    """``{name: report}`` of a fact in words that is one of ``words``; empty where they leave nothing or everything."""
    possible = set(words)
    kept = [one for one in _BY_NAME[name].words if one in possible]
    if not kept or len(kept) == len(_BY_NAME[name].words):
        return {}
    return {name: sight.report({"value": kept[0]} if len(kept) == 1 else {"one_of": kept})}


def in_the_open(ticket: Ticket) -> bool:
    """Whether the ticket says that the fault is out of doors, whatever else it leaves open.

    Weather is told of no other ticket: beside a place indoors it contradicts, and beside no place it would say that the
    place is out of doors, which no weather report knows.
    """
    places = _words(ticket.facts.get("place"))
    outdoors = dict(_BY_NAME["wind_mean_mps"].applies)["place"]
    return bool(places) and all(isinstance(one, str) and one in outdoors for one in places)


def _words(raw: object) -> list[object]:
    if isinstance(raw, list | tuple):
        return [one for report in raw for one in (_words(report) or [None])]
    if not isinstance(raw, Mapping):
        return [] if raw is None else [raw]
    given = raw.get("one_of", raw.get("value"))
    return list(given) if isinstance(given, list | tuple) else [given]


def unless_told(ticket: Ticket, facts: Mapping[str, object]) -> dict[str, object]:
    """``facts`` without those that would stand beside a word of the ticket's own on the same thing.

    Mean wind and gust bound each other, and a forecast is one with its start: half of ours beside half of somebody
    else's would be a contradiction or, worse, none.
    """
    left_out = {name for group in (WINDS, FORECASTS) if any(one in ticket.facts for one in group) for name in group}
    if "last_thunder_at" in ticket.facts:
        left_out.add("since_thunder_min")
    return {name: report for name, report in facts.items() if name not in left_out and name not in ticket.facts}
