"""JSON as it may come in: RFC 8259, and none of what different readers read differently.

Refused besides what is no JSON at all: a name given twice in one object (readers keep the first or the last),
numbers beyond double precision's range, control characters and invisible reversals of writing direction in
text, nesting far beyond any request. Nothing is repaired.
"""

from __future__ import annotations

import json
import re

import orjson

from repairadvisor.errors import Fault, InputError

#: Longest text that is looked at, bytes.
LONGEST = 1024 * 1024
#: Deepest nesting: a request needs five levels.
DEEPEST = 16

_NESTING = (dict, list)
_SPACE_BEFORE_COLON = (b" :", b"\t:", b"\n:", b"\r:")
# Controls, breaks of line and paragraph, and marks that reverse or isolate the direction of writing: with
# those, what is read is not what is stored.
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
# The parser itself refuses the first 32 in text unless they are escaped.
_UNPRINTABLE_AS_SUCH = re.compile("[\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
_BRACKETS_AND_TEXT = re.compile(r'"(?:[^"\\]|\\.)*"?|[\[\]{}]', re.DOTALL)


class NotJsonError(InputError):
    """Text that cannot be read as one JSON object. Holds exactly one fault; its slug says which kind."""

    slug = "not-json"


def read_object(raw: bytes) -> dict[str, object]:
    """The JSON object that ``raw`` (UTF-8) holds. Raises :class:`NotJsonError`."""
    try:
        value = orjson.loads(raw)
    except orjson.JSONDecodeError as error:
        raise _explained(raw, error) from error
    if not isinstance(value, dict):
        raise _refused("not-an-object", "", "the text is JSON but not an object", "one JSON object")
    if not _plainly_unambiguous(raw, value):
        _refuse_doubtful(raw)
    return value


def _plainly_unambiguous(raw: bytes, value: dict[str, object]) -> bool:
    """A quick look that settles nearly every text: True only if nothing can be wrong with it.

    Without escapes and without space before colons each name shows as ``":`` in the text, and so does a text
    that begins with a colon; so the count can only be the number of names that were kept if none was lost.
    """
    if b"\\" in raw or any(mark in raw for mark in _SPACE_BEFORE_COLON):
        return False
    if (b"\x7f" in raw or not raw.isascii()) and _UNPRINTABLE_AS_SUCH.search(raw.decode()):
        return False
    return raw.count(b'":') == _names(value, 1)


def _names(value: dict[str, object] | list[object], depth: int) -> int:
    """How many names ``value`` and the objects in it hold. Raises :class:`NotJsonError` below ``DEEPEST``."""
    if depth > DEEPEST:
        raise _too_deep()
    if isinstance(value, dict):
        count, parts = len(value), list(value.values())
    else:
        count, parts = 0, value
    for part in parts:
        if isinstance(part, _NESTING):
            count += _names(part, depth + 1)
    return count


def _refuse_doubtful(raw: bytes) -> None:
    """The slow, plain way for texts that the quick look does not settle."""
    text = raw.decode()
    _refuse_depth(text)
    json.loads(text, object_pairs_hook=_each_name_once, parse_int=str)
    for piece in _texts(orjson.loads(raw)):
        _refuse_unprintable(piece)


def _each_name_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    kept: dict[str, object] = {}
    for name, value in pairs:
        if name in kept:
            raise NotJsonError([Fault("name-twice", name, "", "stands twice in one object", "each name once")])
        kept[name] = value
    return kept


def _texts(value: object) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for name, part in value.items() for text in (name, *_texts(part))]
    if isinstance(value, list):
        return [text for part in value for text in _texts(part)]
    return []


def _refuse_unprintable(text: str) -> None:
    found = _UNPRINTABLE.search(text)
    if found:
        code = f"U+{ord(found.group()):04X}"
        raise _refused("control-character", code, "a control character in text", "printable text")


def _refuse_depth(text: str) -> None:
    depth = 0
    for match in _BRACKETS_AND_TEXT.finditer(text):
        sign = match.group()
        if sign in ("[", "{"):
            depth += 1
            if depth > DEEPEST:
                raise _too_deep()
        elif sign in ("]", "}"):
            depth -= 1


def _explained(raw: bytes, error: orjson.JSONDecodeError) -> NotJsonError:
    """What is wrong with text that is no JSON, said as exactly as can be."""
    if not raw.strip():
        return _refused("empty", "", "nothing was sent", "one JSON object")
    try:
        text = raw.decode()
    except UnicodeDecodeError as wrong:
        return _refused("not-utf-8", f"byte {wrong.start}", "the text is not UTF-8", "UTF-8")
    try:
        _refuse_depth(text)
        json.loads(text, parse_constant=_no_constant, parse_float=_finite, parse_int=_finite)
    except NotJsonError as known:
        return known
    except ValueError:  # no JSON to the other reader either
        pass
    where = f"line {error.lineno} column {error.colno}"
    if "control character" in str(error):
        return _refused("control-character", where, "a control character in text", "printable text")
    return _refused("not-json", where, f"the text is not JSON: {error.msg.split(': line')[0]}", "one JSON object")


def _no_constant(name: str) -> object:
    raise _refused("not-finite", name, "is not a number in JSON", "numbers in digits")


def _finite(digits: str) -> float:
    if float(digits) in (float("inf"), float("-inf")):
        shown = digits if len(digits) <= 20 else digits[:19] + "…"
        raise _refused("not-finite", shown, "is beyond every number that can be held", "up to about 1.8e308")
    return 0.0


def _too_deep() -> NotJsonError:
    return _refused("too-deep", "", "the text is nested too deeply", f"up to {DEEPEST} levels")


def _refused(slug: str, value: str, problem: str, allowed: str) -> NotJsonError:
    return NotJsonError([Fault(slug, "body", value, problem, allowed)])
