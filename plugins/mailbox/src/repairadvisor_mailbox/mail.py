"""A mail that came in, taken apart once: all that is read of it later are plain texts.

Whoever sends it chooses every byte. The parser of Python's own library stays right on strange input but is slow on some
of it, and on other input fails in many ways, so what it is given is bounded first and all its faults become one.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass
from email.errors import ObsoleteHeaderDefect
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import EmailPolicy
from typing import Any

from repairadvisor.plugin import EventUnreadableError
from repairadvisor_mailbox.bounce import Returned, is_report, returned
from repairadvisor_mailbox.message_ids import NOTE_HEADER
from repairadvisor_mailbox.settings import shown

#: Measured: with these, the worst mail that was found takes seconds. The parser looks at each line once for each
#: multipart around it, so their product counts; 25 MB in base64 have 330,000 lines.
MOST_LINES, MOST_MULTIPARTS, MOST_PARTS = 400_000, 20, 50
MOST_LINES_TIMES_MULTIPARTS = 2_500_000
LONGEST_HEADER, LONGEST_STRUCTURED_HEADER = 16_000, 1_000

_FREE_HEADERS = frozenset({"subject", "references", "in-reply-to", "received", "to", "cc", "authentication-results"})
#: Codecs that are no character sets of mail; some take quadratic time.
_NO_CHARSETS = frozenset({"punycode", "idna", "unicode_escape", "unicode-escape", "raw-unicode-escape", "utf-7"})
_FOLD = re.compile(r"\r?\n(?=[ \t])|\r?\n\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """What is read of a mail.

    ``senders`` are all addresses of all From headers, "" for one that cannot be read. ``authentication_results`` and
    ``received`` are raw, the topmost first. ``text`` is the first plain text, None where there is none; where it cannot
    be read, ``text_problem`` says why. ``reports`` is what a delivery report (RFC 3464) tells, None where the mail is
    none.
    """

    senders: tuple[str, ...]
    subject: str
    message_id: str
    thread_ids: tuple[str, ...]
    auto_submitted: str
    precedence: str
    return_path: str
    note_key: str
    authentication_results: tuple[str, ...]
    received: str
    date: str
    text: str | None
    text_problem: str
    flowed: bool
    delsp: bool
    reports: Returned | None


class _Bounded(EmailPolicy):
    """The library's policy, with headers no longer than it reads in a moment."""

    def header_fetch_parse(self, name: str, value: str) -> Any:
        longest = LONGEST_HEADER if name.lower() in _FREE_HEADERS else LONGEST_STRUCTURED_HEADER
        if len(value) > longest:
            raise EventUnreadableError(f"header {shown(name, 40)} is {len(value)} characters long; allowed: {longest}")
        return super().header_fetch_parse(name, value)


_POLICY = _Bounded()


def parsed(raw: bytes) -> EmailMessage:
    """The mail as the library has it. Raises :class:`EventUnreadableError` for more than it can read in a moment."""
    lower = raw.lower()
    lines = raw.count(b"\n") + raw.count(b"\r") - raw.count(b"\r\n")
    multiparts = lower.count(b"multipart/") + lower.count(b"message/")
    counts = (
        ("lines", lines, MOST_LINES),
        ("multiparts", multiparts, MOST_MULTIPARTS),
        ("lines times multiparts", lines * multiparts, MOST_LINES_TIMES_MULTIPARTS),
        ("parts", lower.count(b"content-type"), MOST_PARTS),
    )
    for what, count, most in counts:
        if count > most:
            raise EventUnreadableError(f"the mail has {count} {what}; allowed: {most}")
    message = BytesParser(policy=_POLICY).parsebytes(raw)
    assert isinstance(message, EmailMessage)
    return message


def open_mail(raw: bytes) -> Mail:
    """Take a mail apart. Raises :class:`EventUnreadableError`, and nothing else, whatever the bytes are."""
    try:
        return _opened(parsed(raw))
    except EventUnreadableError:
        raise
    except Exception as error:  # the library fails on strange mail in ways that it does not list
        raise EventUnreadableError(f"the mail cannot be taken apart: {type(error).__name__}") from error


def _opened(message: EmailMessage) -> Mail:
    text, problem, part = _plain_text(message)
    return Mail(
        senders=_senders(message),
        subject=_one(message, "Subject"),
        message_id=_raw(message, "Message-ID"),
        thread_ids=tuple(" ".join((_raw(message, "In-Reply-To"), _raw(message, "References"))).split()),
        auto_submitted=_word(message, "Auto-Submitted"),
        precedence=_word(message, "Precedence"),
        return_path=_raw(message, "Return-Path"),
        note_key=_raw(message, NOTE_HEADER),
        authentication_results=_raws(message, "Authentication-Results"),
        received=_raw(message, "Received"),
        date=_raw(message, "Date"),
        text=text,
        text_problem=problem,
        flowed=part is not None and _parameter(part, "format") == "flowed",
        delsp=part is not None and _parameter(part, "delsp") == "yes",
        reports=returned(message) if is_report(message) else None,
    )


def _raws(message: EmailMessage, name: str) -> tuple[str, ...]:
    """Headers as they stand, unfolded but not decoded: a decoded one could say what its writer never wrote."""
    found = [str(value) for key, value in message.raw_items() if key.lower() == name.lower()]
    return tuple(_FOLD.sub("", value).strip() for value in found)


def _raw(message: EmailMessage, name: str) -> str:
    """The topmost header of that name, "" where there is none."""
    found = _raws(message, name)
    return found[0] if found else ""


def _one(message: EmailMessage, name: str) -> str:
    return str(message.get(name, "")).strip()


def _word(message: EmailMessage, name: str) -> str:
    """The keyword of a header, in small letters: what stands before parameters and comments."""
    return re.split(r"[;(\s]", _raw(message, name).lower(), maxsplit=1)[0]


def _senders(message: EmailMessage) -> tuple[str, ...]:
    found: list[str] = []
    for header in message.get_all("From", []):
        strange = any(not isinstance(defect, ObsoleteHeaderDefect) for defect in header.defects)
        found += ["" if strange else address.addr_spec for address in header.addresses] or [""]
    return tuple(found)


def _plain_text(message: EmailMessage) -> tuple[str | None, str, EmailMessage | None]:
    """The first plain text, what keeps it from being read, and the part that it stands in."""
    part = message.get_body(preferencelist=("plain",))
    if part is None:
        return None, _defects(message), None
    assert isinstance(part, EmailMessage)
    charset = str(part.get_param("charset", "us-ascii"))
    try:
        if codecs.lookup(charset).name in _NO_CHARSETS:
            return None, f"charset {shown(charset, 40)} is not read", part
        text = part.get_content(errors="strict")
    except (LookupError, ValueError):
        return None, f"the text is no {shown(charset, 40)}", part
    problem = _defects(message) or _defects(part)
    return (None, problem, part) if problem else (str(text), "", part)


def _defects(part: EmailMessage) -> str:
    """Why a part may not be all that was sent: a mail that was cut off is not read in part."""
    defects: Sequence[Any] = part.defects
    return f"the mail is damaged: {type(defects[0]).__name__}" if defects else ""


def _parameter(part: EmailMessage, name: str) -> str:
    return str(part.get_param(name, "")).lower()
