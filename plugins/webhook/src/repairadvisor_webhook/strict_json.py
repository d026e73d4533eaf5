"""JSON that every reader reads alike: RFC 8259 (from memory) in UTF-8, each name once, numbers that can be held."""

from __future__ import annotations

import json
from typing import NoReturn

#: Longest text that is looked at, bytes.
LONGEST_BYTES = 1024 * 1024
#: Deepest nesting: an event needs six levels.
DEEPEST = 16

_MOST_64_BIT = 2**63 - 1


class NotStrictJsonError(ValueError):
    """Text that is no JSON, or that different readers would read differently. The reason is one line."""


def read_json(raw: bytes) -> object:
    """The value that ``raw`` holds. Raises :class:`NotStrictJsonError`. Nothing is repaired."""
    if len(raw) > LONGEST_BYTES:
        raise NotStrictJsonError(f"{len(raw)} bytes of JSON: allowed: up to {LONGEST_BYTES} bytes")
    try:
        value = json.loads(
            raw.decode(),
            object_pairs_hook=_each_name_once,
            parse_constant=_no_constant,
            parse_float=_finite,
            parse_int=_whole,
        )
    except NotStrictJsonError:
        raise
    except UnicodeDecodeError as error:
        raise NotStrictJsonError(f"byte {error.start} is not UTF-8") from None
    except json.JSONDecodeError as error:
        where = f"line {error.lineno} column {error.colno}"
        raise NotStrictJsonError(f"{where}: the text is not JSON: {error.msg}") from None
    except RecursionError:
        raise _too_deep() from None
    _refuse_depth(value)
    return value


def _each_name_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    kept: dict[str, object] = {}
    for name, value in pairs:
        if name in kept:
            raise NotStrictJsonError(f"{shown(name)} stands twice in one object; allowed: each name once")
        kept[name] = value
    return kept


def _no_constant(name: str) -> NoReturn:
    raise NotStrictJsonError(f"{name} is not a number in JSON; allowed: numbers in digits")


def _finite(digits: str) -> float:
    number = float(digits)
    if number in (float("inf"), float("-inf")):
        raise NotStrictJsonError(f"{shown(digits)} is beyond every number that can be held; allowed: to about 1.8e308")
    return number


def _whole(digits: str) -> int | float:
    """Whole numbers to 64 bits as such; beyond, other readers hold them as floating point, and so does this one."""
    if len(digits) > 20:
        return _finite(digits)
    number = int(digits)
    return number if abs(number) <= _MOST_64_BIT else _finite(digits)


def _refuse_depth(value: object) -> None:
    level, depth = [value], 0
    while level := [one for one in level if isinstance(one, dict | list)]:
        depth += 1
        if depth > DEEPEST:
            raise _too_deep()
        level = [part for one in level for part in _parts(one)]


def _parts(value: object) -> list[object]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def _too_deep() -> NotStrictJsonError:
    return NotStrictJsonError(f"the text is nested too deeply; allowed: up to {DEEPEST} levels")


def shown(value: object) -> str:
    """``value`` for an error: one line of printable characters, cut short."""
    text = ascii(value)
    return text if len(text) <= 60 else f"{text[:59]}…"
