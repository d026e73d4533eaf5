"""Delivery reports (RFC 3464): whether a mail of ours came back, and why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from email.message import EmailMessage, Message
from email.parser import HeaderParser
from email.policy import compat32
from typing import Any

from repairadvisor_mailbox.message_ids import NOTE_HEADER
from repairadvisor_mailbox.settings import shown

_REPORT_TYPES = ("message/delivery-status", "message/global-delivery-status")
_HEADERS_ONLY = ("text/rfc822-headers", "message/rfc822-headers", "message/global-headers")
_MOST_RECIPIENTS = 5


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a mail for one recipient: action "failed", "delayed", "delivered", "relayed" or "expanded"."""

    recipient: str
    action: str
    status: str

    def sentence(self) -> str:
        """As it is shown."""
        return (
            f"to {self.recipient or 'an unnamed recipient'}: {self.action or 'no action named'} {self.status}".strip()
        )


@dataclass(frozen=True, slots=True)
class Returned:
    """What a delivery report tells: the mail it is about ("" where it does not say), and its fate."""

    message_id: str
    note_key: str
    fates: tuple[Fate, ...]


def is_report(message: EmailMessage) -> bool:
    """Whether a mail is a delivery report, by its own type or by what it holds."""
    if message.get_content_type() != "multipart/report":
        return False
    return any(part.get_content_type() in _REPORT_TYPES for part in _parts(message))


def returned(message: EmailMessage) -> Returned:
    """What a delivery report tells."""
    message_id = note_key = ""
    fates: list[Fate] = []
    for part in _parts(message):
        kind = part.get_content_type()
        if kind in _REPORT_TYPES:
            fates += _fates(part)
        elif kind in ("message/rfc822", "message/global", *_HEADERS_ONLY):
            message_id, note_key = _original(part, kind)
    return Returned(message_id, note_key, tuple(fates[:_MOST_RECIPIENTS]))


def _parts(message: EmailMessage) -> Iterator[Message]:
    content: Any = message.get_payload()
    return iter(content if isinstance(content, list) else [])


def _fates(part: Message) -> list[Fate]:
    """One for each recipient: the blocks of fields after the first, which is about the report (section 2.1)."""
    blocks: Any = part.get_payload()
    found = []
    for block in blocks if isinstance(blocks, list) else []:
        if block.get("Final-Recipient") is None and block.get("Action") is None:
            continue
        recipient = str(block.get("Final-Recipient", "")).partition(";")[2].strip()
        action = shown(str(block.get("Action", "")).lower(), 20)
        told = " ".join(str(block.get(name, "")).strip() for name in ("Status", "Diagnostic-Code"))
        found.append(Fate(shown(recipient, 100), action, shown(told)))
    return found


def _original(part: Message, kind: str) -> tuple[str, str]:
    """Message-ID and note key of the mail that is reported on."""
    content: Any = part.get_payload()
    if kind in _HEADERS_ONLY and not isinstance(content, list):
        decoded: Any = part.get_payload(decode=True)
        text = decoded.decode("ascii", "replace") if isinstance(decoded, bytes) else str(content)
        original: Message = HeaderParser(policy=compat32).parsestr(text)
    elif isinstance(content, list) and content:
        original = content[0]
    else:
        return "", ""
    return _plain(original, "Message-ID"), _plain(original, NOTE_HEADER)


def _plain(message: Message, name: str) -> str:
    found = [str(value) for key, value in message.raw_items() if key.lower() == name.lower()]
    return shown(found[0], 200) if found else ""
