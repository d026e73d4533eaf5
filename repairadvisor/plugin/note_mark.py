"""The mark by which a note in somebody else's ticket is known to be ours, and which one it is.

A mark is the last line of a note::

    [repairadvisor 3f2a9c1b7d40 advice 2 1/3 9c41d07be25f3a86]

ticket, kind, revision, part, seal. Its parts joined by ``-`` are the note's *key*,
``3f2a9c1b7d40-advice-2-1-3-9c41d07be25f3a86``: the same however often the note is written, fit for a header, a file
name and a Message-ID. A note that no longer counts says so in its mark too, before the bracket: ``superseded``,
``expired`` or ``void``; its key stays. The seal is made with a secret of the installation, so that nobody who may write
into a ticket can pass off a note as ours; a plugin need not look at it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

#: No mark is longer, characters.
LONGEST_MARK = 96

_KINDS = "advice|verdict|evidence"
_MARK = re.compile(
    rf"\[repairadvisor (?P<ticket>[0-9a-f]{{12}}) (?P<kind>{_KINDS}) (?P<revision>[1-9][0-9]{{0,8}})"
    r" (?P<part>[1-9][0-9]{0,3})/(?P<parts>[1-9][0-9]{0,3})(?: (?P<seal>[0-9a-f]{16}))?"
    r"(?: (?P<status>superseded|expired|void))?\]"
)
_KEY = re.compile(
    rf"(?P<ticket>[0-9a-f]{{12}})-(?P<kind>{_KINDS})-(?P<revision>[1-9][0-9]{{0,8}})"
    r"-(?P<part>[1-9][0-9]{0,3})-(?P<parts>[1-9][0-9]{0,3})(?:-(?P<seal>[0-9a-f]{16}))?"
)


@dataclass(frozen=True, slots=True, order=True)
class NoteMark:
    """Which note it is: of which ticket (12 hexadecimal digits), of what kind ("advice", "verdict" or "evidence"),
    the how many-th of that kind, and which part of how many. ``status`` is "" while it counts, else "superseded",
    "expired" or "void". ``seal`` is 16 hexadecimal digits, or "" in a note that nobody sealed."""

    ticket: str
    kind: str
    revision: int
    part: int
    parts: int
    status: str = ""
    seal: str = ""

    @property
    def line(self) -> str:
        """As the last line of a note."""
        said = (self.ticket, self.kind, str(self.revision), f"{self.part}/{self.parts}", self.seal, self.status)
        return f"[repairadvisor {' '.join(one for one in said if one)}]"

    @property
    def key(self) -> str:
        """As one word of letters, digits and ``-``."""
        key = f"{self.ticket}-{self.kind}-{self.revision}-{self.part}-{self.parts}"
        return f"{key}-{self.seal}" if self.seal else key


def mark_of(text: str) -> NoteMark | None:
    """The mark of a note as it stands in a ticket, or None: then the note is not ours.

    A ticket system may wrap a note or put something under it, so the last mark anywhere in the text counts.
    """
    found = list(_MARK.finditer(text))
    return _read(found[-1]) if found else None


def mark_of_key(key: str) -> NoteMark | None:
    """The mark whose key this is, or None."""
    found = _KEY.fullmatch(key)
    return None if found is None else _read(found)


def _read(found: re.Match[str]) -> NoteMark:
    return NoteMark(
        ticket=found["ticket"],
        kind=found["kind"],
        revision=int(found["revision"]),
        part=int(found["part"]),
        parts=int(found["parts"]),
        status=found.groupdict().get("status") or "",
        seal=found["seal"] or "",
    )
