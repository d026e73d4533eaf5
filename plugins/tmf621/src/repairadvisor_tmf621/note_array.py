"""What is to become of the notes of a ticket: pure functions over the array as it stands.

The trap: under a merge patch (RFC 7396) an array is replaced whole. So everybody's notes are sent along as they were
read, and a note that somebody wrote in between would be gone. A JSON patch (RFC 6902) names places in the array
instead: it appends with ``/note/-`` and takes nothing away.
"""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from repairadvisor.plugin import HeldNote, NoteChange, NoteMark, RemoteUnavailableError, mark_of

#: A note as it stands in a ticket, with whatever its system holds of it.
Held = dict[str, Any]

_LEAST_CUT = 20  # characters of a note that tell that it is the beginning of ours
#: A system that escapes what it is sent escapes it again when it is sent back.
_MOST_ESCAPES = 5
_NOWHERE = -1


def notes_of(ticket: Mapping[str, Any], reference: str) -> list[Held]:
    """The notes of a ticket. Raises :class:`~repairadvisor.errors.RemoteUnavailableError` where they are no notes: to
    write would be to guess what they are."""
    notes = ticket.get("note")
    if notes is None:
        return []
    if not isinstance(notes, list) or not all(isinstance(one, dict) for one in notes):
        raise RemoteUnavailableError(f"ticket {reference}: its note is no list of notes")
    return notes


def our_places(notes: Sequence[Held], author: str) -> dict[int, NoteMark]:
    """Where our notes stand, oldest first: by date and part where each has a date, else as they stand.

    Somebody who answers may quote a note of ours with its mark, which makes the answer no note of ours. So of several
    notes with one mark those count whose author is ``author``, or, where the system puts another name there, whoever
    wrote the oldest.
    """
    marked = [(place, mark) for place, note in enumerate(notes) if (mark := _mark_in(note)) is not None]
    if all(isinstance(notes[place].get("date"), str) for place, _ in marked):
        marked.sort(key=lambda one: (notes[one[0]]["date"], one[1].revision, one[1].part))
    writers: dict[NoteMark, Any] = {}
    for place, mark in marked:
        writer = notes[place].get("author")
        if writer == author or mark not in writers:
            writers[mark] = writer
    return {place: mark for place, mark in marked if notes[place].get("author") == writers[mark]}


def _mark_in(note: Held) -> NoteMark | None:
    text = note.get("text")
    return mark_of(text) if isinstance(text, str) else None


def held_notes(notes: Sequence[Held], author: str) -> list[HeldNote]:
    """Our notes, oldest first."""
    ours = our_places(notes, author).items()
    return [HeldNote(_handle(notes[place], mark), notes[place]["text"]) for place, mark in ours]


def _handle(note: Held, mark: NoteMark) -> str:
    return note["id"] if isinstance(note.get("id"), str) and note["id"] else mark.key


def foreign_notes(notes: Sequence[Held], author: str) -> list[Held]:
    """The notes that others wrote."""
    ours = our_places(notes, author)
    return [note for place, note in enumerate(notes) if place not in ours]


@dataclass(frozen=True, slots=True)
class Work:
    """What is left to do: texts of notes to add, places in the array with the text that is to stand there, and notes of
    others that were there and are no more."""

    add: tuple[str, ...] = ()
    rewrite: Mapping[int, str] = field(default_factory=dict)
    put_back: tuple[Held, ...] = ()

    @property
    def is_done(self) -> bool:
        """Whether nothing is left."""
        return not (self.add or self.rewrite or self.put_back)


def work_left(notes: Sequence[Held], change: NoteChange, author: str, *, fixed: bool = False) -> Work:
    """What of ``change`` is not in ``notes`` yet.

    ``fixed``: notes do not let themselves be rewritten here, so the new text is added as a note of its own.
    """
    ours = our_places(notes, author)
    keys = {mark.key for mark in ours.values()}
    wanted = {note.key: note.text for note in change.add}
    add = [text for key, text in wanted.items() if key not in keys]
    rewrite: dict[int, str] = {}
    for before, text in change.rewrite:
        place = _place(notes, ours, before, text, fixed=fixed)
        if place is not None and (fixed or place == _NOWHERE):
            add.append(text)
        elif place is not None:
            rewrite[place] = text
    return Work(tuple(add), rewrite)


def _place(
    notes: Sequence[Held], ours: Mapping[int, NoteMark], before: HeldNote, text: str, *, fixed: bool
) -> int | None:
    """Where the note stands that is to be rewritten; ``_NOWHERE`` where that cannot be told; None where nothing is left
    to do, because the new text stands there or the note was taken away."""
    mark = mark_of(before.text)
    of_key = [place for place, one in ours.items() if mark is not None and one.key == mark.key]
    places = [place for place in of_key if ours[place] == mark]
    # The new text has a mark of another status: it is looked for among all that have the key.
    if not places or any(is_same_text(notes[place]["text"], text) for place in of_key):
        return None
    if fixed and len(of_key) > 1:  # the new text was added, and is kept in words of the system's own
        return None
    named = [place for place in places if notes[place].get("id") == before.handle]
    alike = [place for place in places if is_same_text(notes[place]["text"], before.text)]
    found = named or alike or places
    return found[0] if len(found) == 1 or found is alike else _NOWHERE


def is_same_text(one: str, other: str) -> bool:
    """Whether two texts differ at most in how a system keeps white space and ``<``, ``>``, ``&``, escaped or not."""
    return _plain(one) == _plain(other)


def _plain(text: str) -> str:
    for _ in range(_MOST_ESCAPES):
        before, text = text, html.unescape(text)
        if text == before:
            break
    return " ".join(text.split())


def missing(seen: Sequence[Held], notes: Sequence[Held], put_back: Sequence[Held]) -> tuple[Held, ...]:
    """Which of the notes that were ``seen`` stand in ``notes`` no more.

    A note is known by its id, or by what it says. One that was ``put_back`` may have got another id, author and date.
    """
    return tuple(note for note in seen if not is_there(note, notes, by_text=note in put_back))


def is_there(note: Held, notes: Sequence[Held], *, by_text: bool = False) -> bool:
    """Whether a note of somebody else's is among ``notes``."""
    names = ("text",) if by_text else ("author", "date", "text")
    said = [note.get(name) for name in names]
    return any(
        ("id" in note and one.get("id") == note["id"]) or said == [one.get(name) for name in names] for one in notes
    )


def is_cut_off(notes: Sequence[Held], before: Sequence[Held], texts: Sequence[str]) -> bool:
    """Whether a note came back without its mark: it would be taken for somebody else's, and added again and again."""
    for note in notes:
        text = note.get("text")
        if not isinstance(text, str) or _mark_in(note) is not None or is_there(note, before):
            continue
        start = _plain(text).rstrip(".…")
        if len(start) >= _LEAST_CUT and any(_plain(whole).startswith(start) for whole in texts):
            return True
    return False


def merged(notes: Sequence[Held], work: Work, author: str, date: str) -> list[Held]:
    """The whole array as it is to be: everybody's notes as they were read, with ours rewritten and added."""
    kept = [{**note, "text": work.rewrite[i]} if i in work.rewrite else note for i, note in enumerate(notes)]
    return [*kept, *_added(work, author, date)]


def operations(notes: Sequence[Held], work: Work, author: str, date: str, *, make_array: bool) -> list[dict[str, Any]]:
    """The same as operations of a JSON patch; ``make_array``: there is no array yet, so it comes with the notes.

    A note is rewritten only where it still stands: else the test fails and with it the whole patch.
    """
    made: list[dict[str, Any]] = []
    for place, text in work.rewrite.items():
        at = f"/note/{place}/text"
        made.append({"op": "test", "path": at, "value": notes[place]["text"]})
        made.append({"op": "replace", "path": at, "value": text})
    added = _added(work, author, date)
    if make_array and added:
        return [*made, {"op": "add", "path": "/note", "value": added}]
    return [*made, *({"op": "add", "path": "/note/-", "value": note} for note in added)]


def _added(work: Work, author: str, date: str) -> list[Held]:
    """Notes that come to the array. Ours have no id: that is the other side's to give."""
    ours = [{"@type": "Note", "author": author, "date": date, "text": text} for text in work.add]
    return [*work.put_back, *ours]
