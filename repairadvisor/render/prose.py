"""Sentences with their quantities in the operator's units, and with his sign before decimals.

An advice is metric, also where it has been written as a sentence. For an operator who thinks in feet each length in
metres or kilometres, each temperature and each speed of wind is put into feet, miles, degrees Fahrenheit and miles an
hour where it stands. Millimetres, micrometres, nanometres and decibels stay: instruments and drawings have no others.

A number that was put into another unit is shown with as many decimals as it takes to be the same number: put back and
rounded to the decimals it had, it is what it was, and it is off by a twentieth of its last decimal at most. So no limit
gets looser or tighter by being read in feet.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from repairadvisor.render.voice import FEET, Voice

_NUMBER = r"[-+\N{MINUS SIGN}]?\d+(?:\.\d+)?"
#: A number that is no part of a name, a day, or a longer number.
_BEFORE = r"(?<![\w.,/:{-])"
_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?![\w.]|-\d)")


@dataclass(frozen=True, slots=True)
class _Other:
    """What a unit becomes: value times ``times`` plus ``plus``, exactly."""

    unit: str
    times: Decimal
    plus: Decimal = Decimal(0)


_FOOT_M, _MILE_M = Decimal("0.3048"), Decimal("1609.344")
#: International foot and mile, exactly, by the agreement of 1959; degrees Fahrenheit by their definition.
_INTO: Mapping[str, _Other] = {
    "m/s": _Other("mph", Decimal(3600) / _MILE_M),
    "km/h": _Other("mph", Decimal(1000) / _MILE_M),
    "km": _Other("mi", Decimal(1000) / _MILE_M),
    "m": _Other("ft", 1 / _FOOT_M),
    "°C": _Other("°F", Decimal("1.8"), Decimal(32)),
}


def prose(voice: Voice, text: str) -> str:
    """A sentence as it is shown. ``text`` has metric quantities, and a point before decimals or the sign of
    ``voice``."""
    sign = voice.say("figures", "decimal")
    if voice.units == FEET:
        between = (voice.say("figures", "to"), voice.say("figures", "and"), voice.say("figures", "of"))
        text = _quantities(sign, *between).sub(lambda found: _put(found, sign), text)
    return text if sign == "." else _DECIMAL.sub(rf"\1{sign}\2", text)


def unit(voice: Voice, metric: str) -> str:
    """The unit in which a quantity of a metric unit is shown."""
    return _INTO[metric].unit if voice.units == FEET and metric in _INTO else metric


@lru_cache
def _quantities(sign: str, to: str, and_: str, of: str) -> re.Pattern[str]:
    """A number with its unit, and the number before it that shares the unit: 3 m, 0.5 to 3 m, between -20 and 45 °C.

    A number before "to" or "and" may be of something else ("in 95 of 100 and 3 m"): after "of" it is.
    """
    number = _NUMBER if sign == "." else _NUMBER.replace(r"\.", rf"[.{re.escape(sign)}]")
    units = "|".join(re.escape(one) for one in _INTO)
    between = rf" {re.escape(to)} | {re.escape(and_)} |[-\N{{EN DASH}}](?=\d)"
    return re.compile(
        rf"(?:{_BEFORE}(?<!{re.escape(of)} )({number})({between})|{_BEFORE})({number})( ?)({units})(?![\w/²³°])"
    )


def _put(found: re.Match[str], sign: str) -> str:
    low, between, high, blank, metric = found.groups()
    other = _INTO[metric]
    said = _converted(high, other, sign) + blank + other.unit
    return said if low is None else _converted(low, other, sign) + between + said


def _converted(text: str, other: _Other, sign: str) -> str:
    plus = text[:1] if text[:1] == "+" else ""
    metric = Decimal(text.replace(sign, ".").replace("\N{MINUS SIGN}", "-").removeprefix("+"))
    exponent = metric.as_tuple().exponent
    assert isinstance(exponent, int)
    exact = metric * other.times + other.plus
    most_off = Decimal(5) * Decimal(10) ** (exponent - 2) * other.times
    for decimals in range(12):
        shown = round(exact, decimals)
        if abs(shown - exact) <= most_off:
            break
    said = f"{shown:f}"
    if "." in said:
        said = said.rstrip("0").rstrip(".")
    return plus + ("0" if said == "-0" else said).replace(".", sign)
