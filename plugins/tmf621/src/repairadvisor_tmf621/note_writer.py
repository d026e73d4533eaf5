"""Writing notes into a ticket that others write to as well.

Read, write, read again, until a reading shows the whole change and every note of others that an earlier one showed::

    GET ── all there ──> done
     │ └── something is left ──> PATCH ── 412, 409 ──> GET
     └──────────────────────────────┴── done ───────> GET

With a strong ETag a write holds only for the state that was read. Without one a merge patch can wipe out a note that
somebody writes between reading and writing, which no later reading shows: it is sent only where the operator allows it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from repairadvisor.plugin import NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor_tmf621.api import Document, TroubleTicketApi
from repairadvisor_tmf621.note_array import (
    Held,
    Work,
    foreign_notes,
    is_cut_off,
    is_there,
    merged,
    missing,
    notes_of,
    operations,
    work_left,
)
from repairadvisor_tmf621.outcome import ChangedMeanwhileError

_ROUNDS = 6
#: Rewriting is given up, and the text added instead, when it was done so often and nothing came of it.
_IGNORED = 2
_LATER_S = 60.0
_MERGE_TYPE, _JSON_PATCH_TYPE = "application/merge-patch+json", "application/json-patch+json"


class NoteWriter:
    """How notes are written: as whose, and by which kind of patch."""

    def __init__(self, api: TroubleTicketApi, *, author: str, is_merge: bool, write_without_etag: bool) -> None:
        self.api = api
        self.author = author
        self._is_merge = is_merge
        self._write_without_etag = write_without_etag

    def write(self, reference: str, change: NoteChange) -> None:
        """Returns once the whole change stands in the ticket.

        Raises :class:`~repairadvisor.errors.RemoteUnavailableError` where others keep writing over it, and as
        :mod:`.outcome` says.
        """
        _Writing(self, reference, change).until_done()

    def send(self, reference: str, ticket: Document, etag: str, work: Work) -> bool:
        """One patch. False where it is accepted and done later."""
        notes = notes_of(ticket, reference)
        date = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        is_safe = bool(etag) or self._write_without_etag
        if not self._is_merge:
            # To make the array is to replace one that somebody made since. Where that is not safe the other side is
            # asked to append to an array that it does not show: if it has none it refuses, and nothing is lost.
            made = operations(notes, work, self.author, date, make_array=ticket.get("note") is None and is_safe)
            return self.api.patch(reference, made, _JSON_PATCH_TYPE, etag, has_test=bool(work.rewrite))
        if not is_safe:
            raise RemoteRefusedError(
                f"ticket {reference}: the other side gives no strong ETag, so a merge patch could wipe out a note that "
                "somebody writes at the same moment; set patch = json_patch, or write_without_etag = true"
            )
        type_ = ticket.get("@type")
        whole = {
            "@type": type_ if isinstance(type_, str) and type_ else "TroubleTicket",
            "note": merged(notes, work, self.author, date),
        }
        return self.api.patch(reference, whole, _MERGE_TYPE, etag)


class _Writing:
    """One change on its way into one ticket."""

    def __init__(self, writer: NoteWriter, reference: str, change: NoteChange) -> None:
        self._writer = writer
        self._reference = reference
        self._change = change
        #: Notes of others that stood in the ticket at some reading, and those of them that were put back.
        self._seen: list[Held] = []
        self._put_back: list[Held] = []
        #: The last patch that was done, and the notes for which it was made.
        self._sent: tuple[Work, list[Held]] | None = None
        self._ignored = 0
        self._conflict: ChangedMeanwhileError | None = None

    def until_done(self) -> None:
        for _ in range(_ROUNDS):
            ticket, etag = self._writer.api.ticket(self._reference)
            notes = notes_of(ticket, self._reference)
            work = self._work(notes)
            if work.is_done:
                return
            self._conflict = None
            try:
                is_made = self._writer.send(self._reference, ticket, etag, work)
            except ChangedMeanwhileError as error:
                self._conflict = error
                continue
            self._sent = (work, notes)
            self._put_back += work.put_back
            if not is_made:
                self._check_whether_made()
                return
        self._give_up()

    def _work(self, notes: list[Held]) -> Work:
        """What is left to do, by what this reading shows."""
        author = self._writer.author
        if self._sent is not None:
            self._learn(notes, *self._sent)
            self._sent = None
        work = work_left(notes, self._change, author, fixed=self._ignored >= _IGNORED)
        lost = missing(self._seen, notes, self._put_back)
        self._seen += [note for note in foreign_notes(notes, author) if not is_there(note, self._seen)]
        return replace(work, put_back=lost)

    def _learn(self, notes: list[Held], sent: Work, before: list[Held]) -> None:
        """What became of the last patch that was done."""
        if is_cut_off(notes, before, [*sent.add, *sent.rewrite.values()]):
            raise RemoteRefusedError(
                f"ticket {self._reference}: a note came back without its last line, by which it is known; "
                "longest_note is more than the other side keeps"
            )
        if sent.rewrite and work_left(notes, self._change, self._writer.author).rewrite:
            self._ignored += 1

    def _check_whether_made(self) -> None:
        """After "accepted": sending it again before it is done would do it twice."""
        ticket, _ = self._writer.api.ticket(self._reference)
        if not self._work(notes_of(ticket, self._reference)).is_done:
            raise RemoteUnavailableError(f"ticket {self._reference}: the change is accepted and not made yet", _LATER_S)

    def _give_up(self) -> None:
        if self._conflict is not None and self._conflict.status != 412:
            raise self._conflict
        raise RemoteUnavailableError(f"ticket {self._reference}: others wrote over it {_ROUNDS} times in a row")
