"""Notes by mail into a ticket system that takes mail."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence

from repairadvisor.plugin import HeldNote, NoteChange, NoteMark, RemoteRefusedError, mark_of, mark_of_key
from repairadvisor_mailbox.imap import open_folder
from repairadvisor_mailbox.message_ids import TICKET_HEADER, ticket_digest
from repairadvisor_mailbox.note_mail import Envelope, SentNote, as_mail, as_note, new_note, plain, rewritten_note
from repairadvisor_mailbox.settings import CarrierSettings, Server, shown
from repairadvisor_mailbox.smtp import open_smtp, send

#: Copies of one ticket's notes that are looked at, the newest; and bytes of one.
MOST_COPIES, LARGEST_COPY_BYTES = 500, 2_000_000
_MOST_REMEMBERED = 5_000


class MailboxCarrier:
    """Sends each note as a mail, and keeps a copy in a mailbox of the operator's to look it up.

    Settings are those of :class:`~repairadvisor_mailbox.settings.CarrierSettings`. Raises :class:`ValueError` where
    they do not go together.
    """

    settings = CarrierSettings

    def __init__(
        self,
        *,
        smtp: Server,
        domain: str,
        from_address: str,
        to: str,
        copies_to: str,
        imap: Server | None,
        seal: str,
        longest_note: int,
    ) -> None:
        if len({bool(copies_to), imap is not None, bool(seal)}) != 1:
            raise ValueError("copies_to, imap and seal: go together, all three or none")
        if seal and len(seal) < 16:
            raise ValueError("seal: is too short; allowed: 16 to 500 characters")
        if copies_to.casefold() == to.casefold():
            raise ValueError(f"copies_to = {copies_to}: is whom the notes are for")
        if bool(smtp.user) != bool(smtp.password):
            raise ValueError("smtp.user and smtp.password: go together")
        self.longest_note = longest_note
        self._smtp = smtp
        self._imap = imap
        self._domain = domain
        self._from_address = from_address
        self._to = to
        self._copies_to = copies_to
        self._seal = seal
        self._lock = threading.Lock()
        #: Notes that the SMTP server took since the start, by ticket: their copies may still be on the way.
        self._sent: OrderedDict[str, tuple[SentNote, ...]] = OrderedDict()

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        """Our notes as their copies have them, and those whose copies are still on the way. None without ``imap``.

        Raises :class:`~repairadvisor.plugin.RemoteUnavailableError`.
        """
        if self._imap is None:
            return None
        latest: dict[str, list[SentNote]] = {}
        for note in self._known(reference):
            latest.setdefault(note.key, []).append(note)
        return [
            HeldNote(min(notes, key=_rewrites).message_id, max(notes, key=_rewrites).text) for notes in latest.values()
        ]

    def change(self, reference: str, change: NoteChange) -> None:
        """Send what was not sent yet: first the notes that are another now, then the new ones, so these come last.

        Raises :class:`~repairadvisor.plugin.RemoteUnavailableError` and :class:`RemoteRefusedError`.
        """
        if not change.add and not change.rewrite:
            return
        envelope = Envelope(reference, self._from_address, self._to, self._domain, self._seal)
        known = self._known(reference)
        due = [note for note in (self._rewritten(known, *one) for one in change.rewrite) if note is not None]
        keys = {note.key for note in known if not note.rewrite}
        due += [new_note(note.key, note.text, self._domain) for note in change.add if note.key not in keys]
        if due:
            self._send(due, envelope)

    def _rewritten(self, known: Sequence[SentNote], held: HeldNote, text: str) -> SentNote | None:
        """The mail that says what a note says now; None where that was the last thing said."""
        mark = mark_of(held.text)
        if mark is None:
            raise RemoteRefusedError(f"{shown(held.handle)}: is no note of ours")
        told = sorted((note for note in known if note.key == mark.key), key=_rewrites)
        if told and told[-1].text == plain(text):
            return None
        number = told[-1].rewrite + 1 if told else 1
        return rewritten_note(mark.key, number, text, self._domain)

    def _send(self, due: Iterable[SentNote], envelope: Envelope) -> None:
        recipients = [self._to, self._copies_to] if self._copies_to else [self._to]
        with open_smtp(self._smtp, self._domain) as connection:
            for note in due:
                send(connection, self._smtp, self._from_address, recipients, as_mail(note, envelope))
                self._remember(envelope.reference, note)

    def _remember(self, reference: str, note: SentNote) -> None:
        with self._lock:
            self._sent[reference] = (*self._sent.pop(reference, ()), note)
            while len(self._sent) > _MOST_REMEMBERED:
                self._sent.popitem(last=False)

    def _known(self, reference: str) -> list[SentNote]:
        """Every note that was sent to the ticket, in the order in which they were."""
        with self._lock:
            notes = {note.message_id: note for note in self._sent.get(reference, ())}
        if self._imap is not None:
            notes |= {note.message_id: note for note in self._copies(self._imap, reference)}
        return sorted(notes.values(), key=_order)

    def _copies(self, server: Server, reference: str) -> list[SentNote]:
        found = []
        with open_folder(server, readonly=True) as (client, _):
            uids = sorted(client.search(["HEADER", TICKET_HEADER, ticket_digest(reference)]))[-MOST_COPIES:]
            sizes = client.fetch(uids, ["RFC822.SIZE"]) if uids else {}
            for uid in uids:
                if sizes.get(uid, {}).get(b"RFC822.SIZE", LARGEST_COPY_BYTES) >= LARGEST_COPY_BYTES:
                    continue
                raw = client.fetch([uid], ["BODY.PEEK[]"]).get(uid, {}).get(b"BODY[]")
                note = as_note(raw, reference, self._seal) if isinstance(raw, bytes) else None
                if note is not None:
                    found.append(note)
        return found


def _rewrites(note: SentNote) -> int:
    return note.rewrite


def _order(note: SentNote) -> tuple[object, ...]:
    """By the second in which it was sent, and within one as the parts of a note follow each other."""
    mark = mark_of_key(note.key) or NoteMark("", "", 0, 0, 0)
    return note.sent_at, note.rewrite, mark.revision, mark.part, note.key
