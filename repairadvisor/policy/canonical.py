"""A policy as one text, and back: keys in order, numbers as decimal texts, dates as ISO texts."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from datetime import date, datetime

from repairadvisor.errors import PolicyError

#: How numbers and dates begin in the canonical text.
_NUMBER = "number "
_DATE = re.compile(r"date \d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d(\.\d{6})?([+-]\d\d:\d\d)?)?")


def canonical_text(raw: Mapping[str, object]) -> bytes:
    """What the files hold, parsed, as one text: keys in order, numbers as decimal texts, dates as ISO texts."""
    return json.dumps(_decimal(raw), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def plain_of(canonical: bytes) -> dict[str, object]:
    """What the files held, parsed, from the canonical text. Raises PolicyError for what is no such text."""
    try:
        found = _undone(json.loads(canonical))
    except (ValueError, RecursionError) as error:
        raise PolicyError("policy", f"is no canonical text: {str(error)[:200]}") from error
    if not isinstance(found, dict):
        raise PolicyError("policy", "is no canonical text")
    return found


def _decimal(value: object) -> object:
    """The value with every number as a decimal text and every date as ISO text."""
    if isinstance(value, Mapping):
        return {str(key): _decimal(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_decimal(one) for one in value]
    if isinstance(value, str) and not all(char.isprintable() or char == "\n" for char in value):
        raise PolicyError("policy", f"{value[:40]!r} holds control characters")
    if isinstance(value, str) and _undone(value) is not value:
        raise PolicyError("policy", f"{value!r} is a text that reads like a number or a date", "write it otherwise")
    if isinstance(value, bool | str):
        return value
    if isinstance(value, int | float):
        if not math.isfinite(value):
            raise PolicyError("policy", f"{value!r} is no number to reckon with")
        return f"{_NUMBER}{float(value)!r}"
    if isinstance(value, date):
        return f"date {value.isoformat()}"
    raise PolicyError("policy", f"{value!r} is neither text, number, date, list nor table")


def _undone(value: object) -> object:
    """The value with every number and date in the place of its text; whole numbers are whole."""
    if isinstance(value, dict):
        return {key: _undone(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_undone(one) for one in value]
    if not isinstance(value, str):
        return value
    if value.startswith(_NUMBER):
        return _number(value)
    if _DATE.fullmatch(value):
        return datetime.fromisoformat(value[5:]) if "T" in value else date.fromisoformat(value[5:])
    return value


def _number(text: str) -> object:
    """The number that a text stands for, or the text itself where it stands for none."""
    try:
        number = float(text.removeprefix(_NUMBER))
    except ValueError:
        return text
    if f"{_NUMBER}{number!r}" != text or not math.isfinite(number):
        return text
    return int(number) if number.is_integer() and text != "number -0.0" else number
