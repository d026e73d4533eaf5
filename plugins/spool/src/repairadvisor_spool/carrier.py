"""Notes as files in a folder for each ticket.

::

    outgoing/<ticket>/reference.txt                        what the ticket is called
    outgoing/<ticket>/3f2a9c1b7d40-advice-2-1-3.txt        a note to be taken
    outgoing/<ticket>/seen/3f2a9c1b7d40-advice-1-1-1.txt   a note that was taken
    follow_up/<key>.json                                   a ticket to be opened
    follow_up/seen/<key>.json                              one that was opened

A file beside one of the same name in ``seen`` takes its place: its text was changed after it was taken.

Where the other system removes what it takes, nothing here tells what it has: :meth:`SpoolCarrier.look` says None, and a
changed text is a file of its own, since a file that is changed while somebody reads and then removes it would be lost.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from repairadvisor.plugin import HeldNote, NoteChange, NoteMark, RemoteRefusedError, mark_of, mark_of_key
from repairadvisor_spool.folder import Folder, open_folder, told
from repairadvisor_spool.safe_name import safe_name
from repairadvisor_spool.settings import KEPT, LONGEST_NOTE, REMOVED, CarrierSettings

OUTGOING, FOLLOW_UP, SEEN = "outgoing", "follow_up", "seen"
REFERENCE = "reference.txt"
_NOTE, _TICKET = ".txt", ".json"
#: Larger files in our folders are not ours, bytes: four for each character of the longest note and what it may gain.
_MOST_BYTES = 1024 * 1024


class SpoolCarrier:
    """Writes notes, and tickets to be opened, as files."""

    settings = CarrierSettings

    def __init__(self, *, folder: str, consumed: str = KEPT, longest_note: int = LONGEST_NOTE) -> None:
        self.longest_note = longest_note
        self._folder = Path(folder)
        self._removed = consumed == REMOVED

    # --- notes ------------------------------------------------------------------------------------------------

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        """Our notes, taken or not, by kind, revision and part; None where what is taken is removed."""
        if self._removed:
            return None
        name = safe_name(reference)
        with open_folder(self._folder) as folder, folder.inside(OUTGOING) as outgoing:
            with told(f"{outgoing.shown}/{name}"):
                if not outgoing.has_folder(name):
                    return []
            with outgoing.inside(name) as ticket, told(ticket.shown):
                self._check_reference(ticket, reference)
                texts = _notes(ticket)
        return [HeldNote(key, texts[key]) for key in sorted(texts, key=_in_order)]

    def change(self, reference: str, change: NoteChange) -> None:
        """Write the change; every file is on disk when this returns."""
        if not change.add and not change.rewrite:
            return
        with self._ticket(reference) as ticket, told(ticket.shown):
            there = _notes(ticket)
            # What was said before and holds no longer is marked before anything new is said.
            for held, text in change.rewrite:
                self._rewrite(ticket, there, held, text)
            for note in change.add:
                _check_mark(note.key, note.text)
                if note.key not in there:
                    _write_note(ticket, note.key, note.text)

    @contextmanager
    def _ticket(self, reference: str) -> Iterator[Folder]:
        """The folder of a ticket, made with all that belongs in it."""
        with (
            open_folder(self._folder) as folder,
            folder.inside(OUTGOING) as outgoing,
            outgoing.inside(safe_name(reference), make=True) as ticket,
        ):
            with told(ticket.shown):
                if not self._check_reference(ticket, reference):
                    ticket.write(REFERENCE, f"{reference}\n".encode())
            if not self._removed:
                with ticket.inside(SEEN, make=True):
                    pass
            yield ticket

    def _check_reference(self, ticket: Folder, reference: str) -> bool:
        """Whether the folder says that it is this ticket's. Raises where it says that it is another's."""
        said = _text(ticket, REFERENCE)
        if said is not None and said != reference:
            raise RemoteRefusedError(f"{ticket.shown}/{REFERENCE} names another ticket")
        return said is not None

    def _rewrite(self, ticket: Folder, there: dict[str, str], held: HeldNote, text: str) -> None:
        mark = _check_mark(held.handle, text)
        if not self._removed:
            if there.get(held.handle) != text:
                _write_note(ticket, held.handle, text)
            return
        # A note that is superseded says so with the hour: said again after a crash, it is the same file all the same.
        name = f"{held.handle}_{mark.status or hashlib.sha256(text.encode()).hexdigest()[:24]}"
        if _text(ticket, name + _NOTE) is None:
            _write_note(ticket, name, text)

    # --- follow-up tickets ------------------------------------------------------------------------------------

    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        """Ask for a ticket by a file; its reference is ``spool-`` and the key, which whoever opens it has to keep."""
        opened = f"spool-{key}"
        if not key or len(opened) > 200 or not key.isprintable():
            raise RemoteRefusedError("the key of a follow-up ticket has 1 to 194 printable characters")
        name = safe_name(key) + _TICKET
        wanted = {"reference": opened, "follows": reference, "key": key, "title": title, "text": text}
        with (
            open_folder(self._folder) as folder,
            folder.inside(FOLLOW_UP) as follow_up,
            follow_up.inside(SEEN, make=True) as seen,
            told(follow_up.shown),
        ):
            if follow_up.mark(name) is None and seen.mark(name) is None:
                follow_up.write(name, json.dumps(wanted, ensure_ascii=False, indent=2).encode() + b"\n")
        return opened


def _check_mark(key: str, text: str) -> NoteMark:
    """The mark of a text. A file whose name and text disagree would not be known again."""
    mark = mark_of(text)
    if mark is None or mark.key != key:
        raise RemoteRefusedError(f"the text of note {key!r} does not bear the mark of that key")
    return mark


def _notes(ticket: Folder) -> dict[str, str]:
    """The texts of our notes by their keys; one that waits to be taken counts before one that was."""
    found: dict[str, str] = {}
    if ticket.has_folder(SEEN):
        with ticket.inside(SEEN) as seen:
            found.update(_notes_in(seen))
    return found | _notes_in(ticket)


def _notes_in(folder: Folder) -> dict[str, str]:
    """A file counts as a note whose text bears the mark that its name says."""
    found = {}
    for name in folder.files():
        key = name.removesuffix(_NOTE)
        text = _text(folder, name) if name.endswith(_NOTE) and mark_of_key(key) is not None else None
        mark = mark_of(text) if text is not None else None
        if text is not None and mark is not None and mark.key == key:
            found[key] = text
    return found


def _in_order(key: str) -> NoteMark:
    mark = mark_of_key(key)
    if mark is None:
        raise ValueError(f"{key} is no key of a note")
    return mark


def _text(folder: Folder, name: str) -> str | None:
    """The text of a file of ours, without the line break at its end; None where there is none."""
    found = folder.read(name, _MOST_BYTES)
    if found is None or not found[0].endswith(b"\n"):
        return None
    try:
        return found[0][:-1].decode()
    except UnicodeDecodeError:
        return None


def _write_note(ticket: Folder, name: str, text: str) -> None:
    ticket.write(name + _NOTE, f"{text}\n".encode())
