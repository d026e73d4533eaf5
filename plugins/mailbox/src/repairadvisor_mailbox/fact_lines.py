"""What a mail's text says of a ticket: lines of exactly ``name: value``, above all that is quoted or signed.

Everything else is free text and says nothing, also where it looks nearly so.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from repairadvisor.plugin import FACT_NAMES, EventUnreadableError, Site, typed_fact
from repairadvisor_mailbox.settings import shown

ENDED, PARENT, LATITUDE, LONGITUDE = "ticket-ended", "parent", "latitude", "longitude"
LONGEST_VALUE = 200

_LINE = re.compile(r"([a-z][a-z0-9_-]*)[ \t]*:[ \t]*(\S.*)")
_DEGREES = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{1,12})?")
_RULE = frozenset("-_=#")
_HEADER_LINE = re.compile(r"\*?(?:From|Von|De|Da|Van|Från|Fra):\*?\s")
_REPLY, _ABOVE = re.compile(r"\b(?:reply|write|type|respond)\b", re.IGNORECASE), re.compile(r"\babove\b", re.IGNORECASE)
#: No line that announces a quotation is longer; longer ones are not looked at further, as that would take its time.
_LONGEST_END = 200


@dataclass(frozen=True, slots=True)
class Told:
    """What the lines say: texts by the name of their fact, each text once, and what they say of the ticket."""

    facts: dict[str, list[str]] = field(default_factory=dict)
    ended: bool = False
    parent: str | None = None
    site: Site | None = None


def own_words(text: str, *, flowed: bool = False, delsp: bool = False) -> str:
    """The text down to the first line that is quoted, starts a signature or announces a quotation."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    kept = []
    for line in _unflowed(lines, delsp) if flowed else iter(lines):
        if _ends_words(line):
            break
        kept.append(line)
    return "\n".join(kept)


def _ends_words(line: str) -> bool:
    """Whether somebody's own words end at that line: common practice of mail programs, no source, but for the signature
    (RFC 3676, section 4.3)."""
    bare = line.strip()
    if line.startswith(">") or bare == "--":
        return True
    if len(line) > _LONGEST_END:
        return False
    ruled = len(bare) >= 5 and set(bare[:2] + bare[-2:]) <= _RULE and bare[0] == bare[1]
    reply = _REPLY.search(line)
    return ruled or _HEADER_LINE.match(line) is not None or bool(reply and _ABOVE.search(line, reply.end()))


def _unflowed(lines: list[str], delsp: bool) -> Iterator[str]:
    """Lines as they were before they were broken: RFC 3676, sections 4.2 (DelSp), 4.3 (signature), 4.4 (stuffing)."""
    held = ""
    for line in lines:
        quoted = line.startswith(">")
        if not quoted:
            line = line.removeprefix(" ")  # noqa: PLW2901
        if held and (quoted or line == "-- "):
            yield held
            held = ""
        if not quoted and line.endswith(" ") and line != "-- ":
            held += line[:-1] if delsp else line
        else:
            yield held + line
            held = ""
    if held:
        yield held


def told(words: str) -> Told:
    """What somebody's own words say. Raises :class:`EventUnreadableError` for a line about the ticket that is wrong.

    Facts are not judged here: a wrong one is refused by name where all facts are.
    """
    said: dict[str, list[str]] = {}
    for line in words.split("\n"):
        found = _LINE.fullmatch(line.rstrip())
        if found is None or found[1] not in FACT_NAMES | {ENDED, PARENT, LATITUDE, LONGITUDE}:
            continue
        name, value = found.groups()
        if len(value) > LONGEST_VALUE:
            raise EventUnreadableError(f"{name} is {len(value)} characters long; allowed: 1 to {LONGEST_VALUE}")
        if value not in said.setdefault(name, []):
            said[name].append(value)
    ended, parent = _single(said, ENDED), _single(said, PARENT)
    return Told(
        {name: values for name, values in said.items() if name in FACT_NAMES},
        _ended(ended),
        _parent(parent),
        _site(_single(said, LATITUDE), _single(said, LONGITUDE)),
    )


def reports(told_texts: dict[str, list[str]], address: str, seen_at: datetime) -> dict[str, object]:
    """The facts as they are given in a request: each says who told it and when; a list where the mail says two things
    of one fact."""
    found: dict[str, object] = {}
    for name, texts in told_texts.items():
        each = [_report(name, text, address, seen_at) for text in texts]
        found[name] = each[0] if len(each) == 1 else each
    return found


def _report(name: str, text: str, address: str, seen_at: datetime) -> dict[str, object]:
    typed = typed_fact(name, text)
    said: dict[str, object] = typed if isinstance(typed, dict) else {"value": typed}
    return said | {"source": f"mail of {address}", "seen_at": seen_at.isoformat()}


def _single(said: dict[str, list[str]], name: str) -> str | None:
    values = said.get(name, [])
    if len(values) > 1:
        raise EventUnreadableError(f"{name} is given as {shown(values[0], 60)} and as {shown(values[1], 60)}")
    return values[0] if values else None


def _ended(value: str | None) -> bool:
    if value not in (None, "yes", "no"):
        raise EventUnreadableError(f"{ENDED} = {shown(str(value), 60)}: allowed: yes, no")
    return value == "yes"


def _parent(value: str | None) -> str | None:
    if value is not None and (not value.isprintable() or re.search(r"\s", value)):
        raise EventUnreadableError(f"{PARENT} = {shown(value, 60)}: allowed: one reference, without spaces")
    return value


def _site(latitude: str | None, longitude: str | None) -> Site | None:
    if latitude is None and longitude is None:
        return None
    degrees = []
    for name, value, most in ((LATITUDE, latitude, 90), (LONGITUDE, longitude, 180)):
        if value is None or not _DEGREES.fullmatch(value) or abs(float(value)) > most:
            given = "is not given" if value is None else f"= {shown(value, 60)}"
            raise EventUnreadableError(f"{name} {given}: allowed: -{most} to {most} (degrees), both or neither")
        degrees.append(float(value))
    return Site(*degrees)
