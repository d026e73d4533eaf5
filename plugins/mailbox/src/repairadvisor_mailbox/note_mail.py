"""A note as a mail, and a mail that is read back as the note it was."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parsedate_to_datetime

from repairadvisor.plugin import EventUnreadableError, RemoteRefusedError
from repairadvisor_mailbox.mail import parsed
from repairadvisor_mailbox.message_ids import (
    KEY,
    NOTE_HEADER,
    REWRITE_HEADER,
    SEAL_HEADER,
    TICKET_HEADER,
    note_id,
    rewrite_id,
    root_id,
    ticket_digest,
)
from repairadvisor_mailbox.settings import shown

_SUBJECT_WORDS = 60
#: RFC 2045, section 6.7, rule 5: an encoded line has up to 76 characters.
_BODY = SMTP.clone(max_line_length=76)
#: RFC 5322, section 2.1.1, allows 998; a Message-ID that is folded is no longer found by some servers.
_HEADERS = SMTP.clone(max_line_length=500)


@dataclass(frozen=True, slots=True)
class SentNote:
    """A note as it was sent. ``rewrite`` is 0, or the how many-th time that its text became another."""

    message_id: str
    key: str
    rewrite: int
    text: str
    sent_at: datetime


@dataclass(frozen=True, slots=True)
class Envelope:
    """What all notes to one ticket have alike."""

    reference: str
    from_address: str
    to: str
    domain: str
    seal: str = field(repr=False)

    def __post_init__(self) -> None:
        """Raises :class:`RemoteRefusedError`: a line break in a reference would start a header of its own."""
        if not 0 < len(self.reference) <= 200 or not self.reference.isprintable():
            problem = "cannot stand in a subject; allowed: 1 to 200 printable characters"
            raise RemoteRefusedError(f"reference = {shown(self.reference)}: {problem}")


def new_note(key: str, text: str, domain: str) -> SentNote:
    """A note that is to be sent for the first time. Raises :class:`RemoteRefusedError` for a key that does not fit."""
    return SentNote(note_id(_checked(key), domain), key, 0, plain(text), _now())


def rewritten_note(key: str, number: int, text: str, domain: str) -> SentNote:
    """A note whose text became another for the ``number``-th time."""
    return SentNote(rewrite_id(_checked(key), number, plain(text), domain), key, number, plain(text), _now())


def _checked(key: str) -> str:
    if not KEY.fullmatch(key):
        raise RemoteRefusedError(f"key = {shown(key)}: cannot stand in a Message-ID; allowed: letters, digits, . _ -")
    return key


def _now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)


def as_mail(note: SentNote, envelope: Envelope) -> bytes:
    """The note as a mail: plain text, UTF-8, no line of it broken."""
    root = root_id(envelope.reference, envelope.domain)
    message = EmailMessage(policy=_BODY)
    message["From"] = envelope.from_address
    message["To"] = envelope.to
    message["Subject"] = subject(note, envelope.reference)
    message["Date"] = format_datetime(note.sent_at)
    message["Message-ID"] = note.message_id
    message["In-Reply-To"] = root
    message["References"] = root
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834, section 5: no direct response to one mail
    message[NOTE_HEADER] = note.key
    message[TICKET_HEADER] = ticket_digest(envelope.reference)
    if note.rewrite:
        message[REWRITE_HEADER] = str(note.rewrite)
    if envelope.seal:
        message[SEAL_HEADER] = _seal(note, envelope.reference, envelope.seal)
    message.set_content(_introduced(note), charset="utf-8", cte="quoted-printable")
    return message.as_bytes(policy=_HEADERS)


def subject(note: SentNote, reference: str) -> str:
    """The ticket's reference in brackets, and how the note starts."""
    lines = note.text.strip().splitlines()
    words = shown(lines[0] if lines else "", _SUBJECT_WORDS)
    return f"[{reference}] {'Changed: ' if note.rewrite else ''}{words}".strip()


def _introduced(note: SentNote) -> str:
    return _introduction(note.key) + note.text if note.rewrite else note.text


def _introduction(key: str) -> str:
    return f"In place of the note {key}:\n"


def as_note(raw: bytes, reference: str, seal: str) -> SentNote | None:
    """The note that a mail brought to that ticket; None where we did not send it, or it is not as we sent it.

    Anybody can write our headers, and a forged copy would keep a note from being sent: so each mail is sealed with a
    secret.
    """
    try:
        message = parsed(raw)
        note = _read(message)
    except (EventUnreadableError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return None
    alike = hmac.compare_digest(_header(message, SEAL_HEADER).encode(), _seal(note, reference, seal).encode())
    return note if alike and _header(message, TICKET_HEADER) == ticket_digest(reference) else None


def _read(message: EmailMessage) -> SentNote:
    key = _header(message, NOTE_HEADER)
    rewrite = int(_header(message, REWRITE_HEADER) or "0")
    text = _lines(message.get_content(errors="strict"))
    if rewrite:
        text = text.removeprefix(_introduction(key))
    sent_at = parsedate_to_datetime(_header(message, "Date"))
    return SentNote(_header(message, "Message-ID"), key, rewrite, plain(text), sent_at)


def _header(message: EmailMessage, name: str) -> str:
    return "".join(str(message.get(name, "")).split()) if name != "Date" else str(message.get(name, ""))


def _seal(note: SentNote, reference: str, seal: str) -> str:
    parts = (note.message_id, ticket_digest(reference), note.key, str(note.rewrite), plain(note.text))
    return hmac.new(seal.encode("utf-8"), "\n".join(parts).encode("utf-8"), hashlib.sha256).hexdigest()


def plain(text: str) -> str:
    """A text as a mail keeps it: with its own kind of line breaks, and none at the end."""
    return _lines(text).rstrip("\n")


def _lines(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")
