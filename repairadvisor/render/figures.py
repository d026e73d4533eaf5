"""Numbers, units, times and words as a person reads them. The only place where they are put into text."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_ONE_OF = {
    "pieces": "piece",
    "sets": "set",
    "fibres": "fibre",
    "persons": "person",
    "joints": "joint",
    "attempts": "attempt",
    "pairs": "pair",
    "packs": "pack",
    "rolls": "roll",
    "boxes": "box",
    "bottles": "bottle",
}
_HOUR_MIN, _DAY_MIN = 60, 24 * 60


def number(value: float, digits: int = 2) -> str:
    """Up to ``digits`` decimals, none that say nothing: 3, 2.5, 0.07. Halves go away from zero."""
    text = fixed(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def fixed(value: float, digits: int) -> str:
    """Exactly ``digits`` decimals, halves away from zero, never a negative zero."""
    scaled = math.floor(abs(value) * 10**digits + 0.5 + 1e-9) / 10**digits
    text = f"{scaled:.{digits}f}"
    return f"-{text}" if value < 0 and scaled > 0 else text


def loss(value_db: float) -> str:
    """A loss or a margin: 0.07 dB."""
    return f"{fixed(value_db, 2)} dB"


def reflectance(value_db: float) -> str:
    """A reflectance: -55 dB."""
    return f"{number(value_db, 1)} dB"


def quantity(value: float, unit: str) -> str:
    """A number with its unit, if it has one: 12.5 m, 1 piece, 3."""
    said = number(value)
    return f"{said} {_ONE_OF.get(unit, unit) if said == '1' else unit}".rstrip()


def money(value: float, currency: str) -> str:
    """An amount, in whole units from ten upwards: 312 cu, 4.5 cu."""
    return f"{number(value, 0 if abs(value) >= 10 else 1)} {currency}".rstrip()


def minutes(value_min: float) -> str:
    """A stretch of time: 0 min, 35 min, 1 h 35 min, 2 d 3 h."""
    whole = math.floor(value_min + 0.5)
    if whole < _HOUR_MIN:
        return f"{whole} min"
    if whole < 2 * _DAY_MIN:
        return _two(whole, _HOUR_MIN, "h", 1, "min")
    return _two(math.floor(value_min / _HOUR_MIN + 0.5) * _HOUR_MIN, _DAY_MIN, "d", _HOUR_MIN, "h")


def _two(whole: int, large: int, large_name: str, small: int, small_name: str) -> str:
    rest = whole % large // small
    return f"{whole // large} {large_name}" + (f" {rest} {small_name}" if rest else "")


def chance(value: float) -> str:
    """A chance in parts of a hundred. Only what is certain is called so."""
    if value in (0.0, 1.0):
        return f"{value * 100:.0f} %"
    if value > 0.999:
        return "over 99.9 %"
    if value < 0.001:
        return "under 0.1 %"
    return f"{fixed(value * 100, 1 if value >= 0.99 or value < 0.01 else 0)} %"


def how_often(rate: float, thing: str) -> str:
    """How often something happens for each of a thing: on one fibre in 20, 1.3 times on each fibre."""
    if rate < 0.6:
        return f"on one {thing} in {math.floor(1.0 / rate + 0.5)}"
    return f"{number(rate, 1)} times on each {thing}"


def moment(text: str) -> str:
    """A moment in ISO 8601 as 4 May 2031 07:30 UTC; any other text stays as it is."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    offset = at.utcoffset()
    if offset is None:
        return text
    zone = "UTC" if offset == timedelta(0) else at.tzname()
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year} {at.hour:02d}:{at.minute:02d} {zone}"


def words(name: str) -> str:
    """A word of ours as it is said: pole_top, pole top."""
    return name.replace("_", " ")
