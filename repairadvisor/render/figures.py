"""Numbers, units, times and words as a person reads them. The only place where they are put into text.

All in the units of the advice document; :mod:`.prose` puts what is shown into the operator's.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from repairadvisor.render.voice import Voice

_HOUR_MIN, _DAY_MIN = 60, 24 * 60


def number(voice: Voice, value: float, digits: int = 2) -> str:
    """Up to ``digits`` decimals, none that say nothing: 3, 2.5, 0.07. Halves go away from zero."""
    return with_sign(voice, short(value, digits))


def fixed(voice: Voice, value: float, digits: int) -> str:
    """Exactly ``digits`` decimals, halves away from zero, never a negative zero."""
    return with_sign(voice, plain(value, digits))


def plain(value: float, digits: int) -> str:
    """As :func:`fixed`, with a point before its decimals, whatever the language."""
    scaled = math.floor(abs(value) * 10**digits + 0.5 + 1e-9) / 10**digits
    text = f"{scaled:.{digits}f}"
    return f"-{text}" if value < 0 and scaled > 0 else text


def short(value: float, digits: int = 2) -> str:
    """As :func:`number`, with a point before its decimals, whatever the language."""
    text = plain(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def with_sign(voice: Voice, text: str) -> str:
    """A number as it is written with a point, with the language's own sign before the decimals."""
    return text.replace(".", voice.say("figures", "decimal"))


def loss(voice: Voice, value_db: float) -> str:
    """A loss or a margin: 0.07 dB."""
    return voice.say("figures", "loss", n=fixed(voice, value_db, 2))


def quantity(voice: Voice, value: float, unit: str) -> str:
    """A number with its unit, if it has one: 12.5 m, 1 piece, 3."""
    said = number(voice, value)
    counted = voice.words.table("figures", "counted_one") if said == "1" else voice.words.table("figures", "counted")
    return str(counted[unit]).format(n=said) if unit in counted else f"{said} {unit}".rstrip()


def money(voice: Voice, value: float, currency: str) -> str:
    """An amount, in whole units from ten upwards: 312 cu, 4.5 cu."""
    return f"{number(voice, value, 0 if abs(value) >= 10 else 1)} {currency}".rstrip()


def minutes(voice: Voice, value_min: float) -> str:
    """A stretch of time: 0 min, 35 min, 1 h 35 min, 2 d 3 h."""
    whole = math.floor(value_min + 0.5)
    if whole < _HOUR_MIN:
        return voice.say("figures", "minutes", min=whole)
    if whole < 2 * _DAY_MIN:
        h, rest = divmod(whole, _HOUR_MIN)
        return voice.say("figures", "hours_minutes", h=h, min=rest) if rest else voice.say("figures", "hours", h=h)
    d, h = divmod(math.floor(value_min / _HOUR_MIN + 0.5), _DAY_MIN // _HOUR_MIN)
    return voice.say("figures", "days_hours", d=d, h=h) if h else voice.say("figures", "days", d=d)


def chance(voice: Voice, value: float) -> str:
    """A chance in parts of a hundred. Only what is certain is called so."""
    if value in (0.0, 1.0):
        return voice.say("figures", "percent", n=f"{value * 100:.0f}")
    if value > 0.999:
        return voice.say("figures", "percent_over", n=number(voice, 99.9))
    if value < 0.001:
        return voice.say("figures", "percent_under", n=number(voice, 0.1))
    return voice.say("figures", "percent", n=fixed(voice, value * 100, 1 if value >= 0.99 or value < 0.01 else 0))


def how_often_on_a_fibre(voice: Voice, rate: float) -> str:
    """How often something happens on each fibre: on one fibre in 20, 1.3 times on each fibre."""
    if rate < 0.6:
        return voice.say("figures", "on_one_fibre_in", n=math.floor(1.0 / rate + 0.5))
    return voice.say("figures", "times_on_each_fibre", n=number(voice, rate, 1))


def moment(voice: Voice, text: str) -> str:
    """A moment in ISO 8601 as 4 May 2031 07:30 UTC; any other text stays as it is."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    offset = at.utcoffset()
    if offset is None:
        return text
    return voice.say(
        "figures",
        "moment",
        day=at.day,
        month=voice.say("figures", "month", str(at.month)),
        year=at.year,
        hour=f"{at.hour:02d}",
        minute=f"{at.minute:02d}",
        zone=voice.say("figures", "utc") if offset == timedelta(0) else at.tzname(),
    )


def words(name: str) -> str:
    """A word of ours as the tools of whoever writes a policy say it, which are in English: pole_top, pole top."""
    return name.replace("_", " ")
