"""Sentences with their quantities in the operator's units, and with his sign before decimals.

An advice is metric, also where it has been written as a sentence. For an operator who thinks in feet each length in
metres or kilometres, each temperature and each speed of wind is put into feet, miles, degrees Fahrenheit and miles an
hour where it stands. Millimetres, micrometres, nanometres and decibels stay: instruments and drawings have no others.

A number that was put into another unit is shown with as many decimals as it takes to be the same number: put back and
rounded to the decimals it had, it is what it was; it is off by a twentieth of its last place at most, and by more than
a hundredth only where that is one part in two thousand. So no limit gets looser or tighter by being read in feet:
3 m is 9.84 ft and not 10. Where the words beside a number say on which side of it things have to be, its last place is
rounded to the safe side: below a limit never reads higher, at least so much never less. A speed of wind beside such
words never reads higher, since of wind there is only ever too much. "3 °C above" is a difference and gets no 32.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from functools import lru_cache

from repairadvisor.render.voice import FEET, Voice

_NUMBER = r"[-+\N{MINUS SIGN}]?\d+(?:\.\d+)?"
#: A number that is no part of a name, a day, or a longer number.
_BEFORE = r"(?<![\w.,/:{-])"
_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?![\w.]|-\d)")
_ROUNDING = {-1: ROUND_FLOOR, 0: ROUND_HALF_EVEN, 1: ROUND_CEILING}


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


@dataclass(frozen=True, slots=True)
class _Language:
    """The words of a language that say what a number is: see the wording's table ``figures``."""

    sign: str
    to: str
    and_: str
    of: str
    between: str
    #: What stands before a number, longest first: rounded down (-1) or up (1).
    before: tuple[tuple[str, int], ...]
    after: tuple[tuple[str, int], ...]
    negated: tuple[str, ...]
    differs: tuple[str, ...]


def prose(voice: Voice, text: str) -> str:
    """A sentence as it is shown. ``text`` has metric quantities, and a point before decimals or the sign of
    ``voice``."""
    sign = voice.say("figures", "decimal")
    if voice.units == FEET:
        words = _language(voice)
        text = _quantities(words).sub(lambda found: _put(found, words), text)
    return text if sign == "." else _DECIMAL.sub(rf"\1{sign}\2", text)


def _language(voice: Voice) -> _Language:
    def listed(key: str) -> tuple[str, ...]:
        return tuple(voice.words.say("figures", key).split("|"))

    def sided(down: str, up: str) -> tuple[tuple[str, int], ...]:
        both = [*((word, -1) for word in listed(down)), *((word, 1) for word in listed(up))]
        return tuple(sorted(both, key=lambda one: -len(one[0])))

    return _Language(
        voice.say("figures", "decimal"),
        voice.say("figures", "to"),
        voice.say("figures", "and"),
        voice.say("figures", "of"),
        voice.say("figures", "between"),
        sided("at_most", "at_least"),
        sided("or_less", "or_more"),
        listed("not"),
        listed("difference"),
    )


def unit(voice: Voice, metric: str) -> str:
    """The unit in which a quantity of a metric unit is shown."""
    return _INTO[metric].unit if voice.units == FEET and metric in _INTO else metric


def typed_units(voice: Voice) -> Mapping[str, str]:
    """In which unit a number is typed that stands alone, by the metric one it would else be in."""
    return {metric: other.unit for metric, other in _INTO.items()} if voice.units == FEET else {}


@lru_cache
def _quantities(words: _Language) -> re.Pattern[str]:
    """A number with its unit, and the number before it that shares the unit: 3 m, 0.5 to 3 m, between -20 and 45 °C.

    A number before "to" may be of something else ("in 95 of 100 to 3 m"): after "of" it is. One before "and" shares the
    unit after "between" alone: in "1 or 2 and 10 m" it does not.
    """
    number = _NUMBER if words.sign == "." else _NUMBER.replace(r"\.", rf"[.{re.escape(words.sign)}]")
    units = "|".join(re.escape(one) for one in _INTO)
    to = rf" {re.escape(words.to)} |[-\N{{EN DASH}}](?=\d)"
    both = rf"(?<=\b(?i:{re.escape(words.between)}) )(?P<least>{number})(?P<and> {re.escape(words.and_)} )"
    return re.compile(
        rf"(?:{both}|{_BEFORE}(?<!{re.escape(words.of)} )(?P<low>{number})(?P<to>{to})|{_BEFORE})"
        rf"(?P<high>{number})(?P<blank> ?)(?P<unit>{units})(?![\w/²³°])"
    )


def _put(found: re.Match[str], words: _Language) -> str:
    other = _INTO[found["unit"]]
    before, after = found.string[: found.start()].rstrip().lower(), found.string[found.end() :].lstrip().lower()
    is_difference = bool(other.plus) and _begins(after, words.differs)
    low, joined = (found["low"], found["to"]) if found["least"] is None else (found["least"], found["and"])
    side = 0 if low is not None else _side(before, after, words)
    if side and other.unit == "mph":
        side = -1
    said = _converted(found["high"], other, words.sign, side, is_difference=is_difference) + found["blank"] + other.unit
    return said if low is None else _converted(low, other, words.sign, 0, is_difference=is_difference) + joined + said


def _begins(text: str, words: Iterable[str]) -> bool:
    return any(re.match(rf"{re.escape(word)}\b", text) for word in words)


def _side(before: str, after: str, words: _Language) -> int:
    """To which side a number is rounded by the words beside it: down (-1), up (1), or to the nearest (0)."""
    for word, side in words.after:
        if _begins(after, [word]):
            return side
    for word, side in words.before:
        if re.search(rf"(?<!\w){re.escape(word)}$", before):
            rest = before.removesuffix(word).rstrip()
            return -side if any(re.search(rf"(?<!\w){re.escape(one)}$", rest) for one in words.negated) else side
    return 0


def _converted(text: str, other: _Other, sign: str, side: int, *, is_difference: bool) -> str:
    plus = text[:1] if text[:1] == "+" else ""
    metric = Decimal(text.replace(sign, ".").replace("\N{MINUS SIGN}", "-").removeprefix("+"))
    exponent = metric.as_tuple().exponent
    assert isinstance(exponent, int)
    exact = metric * other.times + (Decimal(0) if is_difference else other.plus)
    last = Decimal(10) ** exponent
    most_off = min(last / 20, max(last / 100, abs(metric) / 2000)) * other.times
    for decimals in range(12):
        shown = exact.quantize(Decimal(1).scaleb(-decimals), _ROUNDING[side])
        if abs(shown - exact) <= most_off:
            break
    said = f"{shown:f}"
    if "." in said:
        said = said.rstrip("0").rstrip(".")
    return plus + ("0" if said == "-0" else said).replace(".", sign)
