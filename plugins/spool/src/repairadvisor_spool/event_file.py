"""An event file read as a ticket.

A file that ends in ``.json``::

    {"ticket": "T-1", "sequence": 7, "facts": {"place": "pole_top"}, "ended": false, "parent": "T-0",
     "site": {"latitude_deg": 12.5, "longitude_deg": -30.25}}

and one that ends in ``.txt``, whose first empty line ends what is read::

    ticket: T-1
    place: pole_top
    spare_near_m: 0.5..3

Text is UTF-8, with or without a byte order mark. Names that are not known are left out.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote_from_bytes, unquote_to_bytes

from repairadvisor.plugin import FACT_NAMES, EventUnreadableError, RawEvent, Site, Ticket, typed_fact
from repairadvisor_spool.folder import FileMark
from repairadvisor_spool.settings import QUIET

#: How far a file's time may lie ahead of our clock, s, before it is not believed. Common practice, no source.
MOST_AHEAD_S = 300

_LINE = re.compile(r"([a-z][a-z0-9_]*)[ \t]*:(.*)")
_DIGITS = re.compile(r"[0-9]{1,19}")
_DEGREES = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{1,12})?")
_OUR_LINES = ("ticket", "sequence", "ended", "parent", "latitude_deg", "longitude_deg")


def shown(name: str) -> str:
    """A file's name on one line of printable ASCII, whatever it holds."""
    return quote_from_bytes(os.fsencode(name), safe=" ()[]+,;=@'")


def headers(
    *, name: str, mark: FileMark, looked_us: int, ready_by: str, too_large_for_bytes: int | None
) -> dict[str, str]:
    """What is kept of a file besides its content."""
    kept = {
        "file-name": shown(name),
        "modified-us": str(mark.modified_ns // 1000),
        "looked-us": str(looked_us),
        "size-bytes": str(mark.size_bytes),
        "ready-by": ready_by,
    }
    if too_large_for_bytes is not None:
        kept["too-large-for-bytes"] = str(too_large_for_bytes)
    return kept


def read(event: RawEvent) -> Ticket:
    """The ticket. Raises :class:`~repairadvisor.errors.EventUnreadableError` with the file's name."""
    name = event.headers.get("file-name", "")
    try:
        return _ticket(_told(event, unquote_to_bytes(name).lower()), event.headers)
    except RecursionError as error:
        raise EventUnreadableError(f"{name}: is nested too deeply") from error
    except ValueError as error:
        raise EventUnreadableError(f"{name}: {_one_line(error)}") from error


def _one_line(error: ValueError) -> str:
    """What is wrong, without what a stranger could do to whoever reads it."""
    said = str(error)
    return "".join(sign if sign.isprintable() else " " for sign in said)[:500]


def _told(event: RawEvent, name: bytes) -> Mapping[str, Any]:
    if "too-large-for-bytes" in event.headers:
        allowed = event.headers["too-large-for-bytes"]
        raise ValueError(f"holds {event.headers.get('size-bytes')} bytes; allowed: up to {allowed} (max_bytes)")
    try:
        text = event.body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"is not UTF-8 at byte {error.start}") from error
    if name.endswith(b".json"):
        return _of_json(text)
    if name.endswith(b".txt"):
        if event.headers.get("ready-by") == QUIET and not text.endswith("\n"):
            raise ValueError("its last line does not end with a line break: it may be cut off")
        return _of_lines(text)
    raise ValueError("its name ends neither in .json nor in .txt")


# --- JSON -----------------------------------------------------------------------------------------------------


def _of_json(text: str) -> Mapping[str, Any]:
    told = json.loads(text, object_pairs_hook=_each_name_once, parse_constant=_no_number)
    if not isinstance(told, dict):
        raise _wrong("", "is no JSON object")
    # Halves of surrogate pairs, and numbers beyond double precision, which the reader lets pass.
    json.dumps(told, ensure_ascii=False, allow_nan=False).encode()
    if not isinstance(told.get("facts"), dict):
        raise _wrong("facts", "is missing or is no object")
    return told


def _wrong(name: str, problem: str) -> ValueError:
    return ValueError(f"{name}: {problem}" if name else problem)


def _each_name_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    kept: dict[str, object] = {}
    for name, value in pairs:
        if name in kept:
            raise ValueError(f"{name[:60]}: stands twice in one object")
        kept[name] = value
    return kept


def _no_number(word: str) -> object:
    raise ValueError(f"{word} is no number in JSON")


# --- lines ----------------------------------------------------------------------------------------------------


def _of_lines(text: str) -> Mapping[str, Any]:
    lines = _head(text)
    told: dict[str, Any] = {name: lines[name] for name in ("ticket", "parent") if name in lines}
    if "sequence" in lines:
        if not _DIGITS.fullmatch(lines["sequence"]):
            raise _wrong("sequence", "is no whole number in up to 19 digits")
        told["sequence"] = int(lines["sequence"])
    if "ended" in lines:
        if lines["ended"] not in ("yes", "no"):
            raise _wrong("ended", "is neither yes nor no")
        told["ended"] = lines["ended"] == "yes"
    site = {name: _degrees(name, lines[name]) for name in ("latitude_deg", "longitude_deg") if name in lines}
    facts = {name: typed_fact(name, value) for name, value in lines.items() if name in FACT_NAMES}
    return told | {"facts": facts, "site": site or None}


def _head(text: str) -> dict[str, str]:
    """The known names and their values, of the lines before the first empty one. An empty value says nothing."""
    found: dict[str, str] = {}
    # Not splitlines: it would also break a line within a value, at signs that no editor shows.
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n")):
        if not line.strip():
            break
        parts = _LINE.fullmatch(line)
        name, value = (parts[1], parts[2].strip()) if parts else ("", "")
        if number == 0 and name != "ticket":
            raise ValueError("its first line does not begin with ticket:")
        if not value or (name not in FACT_NAMES and name not in _OUR_LINES):
            continue
        if name in found:
            raise ValueError(f"{name}: stands twice")
        if not value.isprintable():
            raise ValueError(f"{name}: holds a control character")
        found[name] = value
    return found


def _degrees(name: str, value: str) -> float:
    if not _DEGREES.fullmatch(value):
        raise _wrong(name, "is no number of degrees")
    return float(value)


# --- both -----------------------------------------------------------------------------------------------------


def _ticket(told: Mapping[str, Any], kept: Mapping[str, str]) -> Ticket:
    sequence = told.get("sequence")
    if sequence is None:
        sequence = _modified_us(kept)
    elif type(sequence) is not int:
        raise _wrong("sequence", "is no whole number")
    ended = told.get("ended", False)
    if not isinstance(ended, bool):
        raise _wrong("ended", "is neither true nor false")
    reference = _reference("ticket", told.get("ticket"))
    parent = told.get("parent")
    return Ticket(
        reference=reference,
        sequence=sequence,
        facts=told["facts"],
        ended=ended,
        parent=None if parent is None else _reference("parent", parent),
        site=_site(told.get("site")),
    )


def _reference(name: str, value: object) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= 200 or not value.isprintable():
        raise _wrong(name, "is missing or is no text of 1 to 200 printable characters")
    return value


def _modified_us(kept: Mapping[str, str]) -> int:
    """The file's time as a sequence. One that lies ahead would outrank whatever is said of the ticket until then."""
    modified_us, looked_us = int(kept.get("modified-us", "-1")), int(kept.get("looked-us", "0"))
    if not 0 <= modified_us <= looked_us + MOST_AHEAD_S * 1_000_000:
        allowed = f"from 1970 to {MOST_AHEAD_S} s ahead of our clock, or a sequence in the file"
        raise ValueError(f"its time of modification, {modified_us} us after 1970, cannot be right; allowed: {allowed}")
    return modified_us


def _site(value: object) -> Site | None:
    if value is None:
        return None
    if not isinstance(value, dict):
        raise _wrong("site", "is no object")
    return Site(_number(value, "latitude_deg"), _number(value, "longitude_deg"))


def _number(site: Mapping[str, Any], name: str) -> float:
    degrees = site.get(name)
    if isinstance(degrees, bool) or not isinstance(degrees, int | float):
        raise _wrong(f"site.{name}", "is missing or is no number of degrees")
    return degrees
