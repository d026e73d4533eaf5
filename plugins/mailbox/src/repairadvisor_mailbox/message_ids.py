"""Message-IDs (RFC 5322, section 3.6.4) of our own mails, and what a reply's In-Reply-To and References tell.

Each note's mail has ``<key@domain>``. All of one ticket's mails refer to ``<ticket.…@domain>``, a mail that was never
sent: its name holds the ticket's reference, so a reply is known by it even where somebody changes the subject.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re

NOTE_HEADER, TICKET_HEADER, SEAL_HEADER = "Repairadvisor-Note", "Repairadvisor-Ticket", "Repairadvisor-Seal"
REWRITE_HEADER = "Repairadvisor-Rewrite"

#: Fit to be kept and searched for; a longer or stranger one is not used.
MESSAGE_ID = re.compile(r"<[!#-;=?A-~]{1,100}@[!#-;=?A-~]{1,100}>")
KEY = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")

_LONGEST_READABLE_BYTES = 50
_ROOT = re.compile(r"ticket\.([a-z2-7]+)")


def note_id(key: str, domain: str) -> str:
    """The Message-ID of a note."""
    return f"<{key}@{domain}>"


def rewrite_id(key: str, number: int, text: str, domain: str) -> str:
    """The Message-ID of the mail that says for the ``number``-th time (from 1) that a note's text is another now."""
    digest = hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:12]
    return f"<{key}-r{number}-{digest}@{domain}>"


def root_id(reference: str, domain: str) -> str:
    """The Message-ID that all mails of a ticket refer to."""
    name = reference.encode("utf-8", "replace")
    if len(name) > _LONGEST_READABLE_BYTES:
        return f"<ticket-{ticket_digest(reference)}@{domain}>"
    return f"<ticket.{base64.b32encode(name).decode('ascii').rstrip('=').lower()}@{domain}>"


def reference_of_root(message_id: str, domain: str) -> str | None:
    """The reference of the ticket whose root this is; None where it is none of ours, or was too long to be kept."""
    local = local_part(message_id, domain)
    found = _ROOT.fullmatch(local) if local else None
    if found is None:
        return None
    name = found[1].upper()
    try:
        reference = base64.b32decode(name + "=" * (-len(name) % 8)).decode("utf-8")
    except (binascii.Error, UnicodeDecodeError):
        return None
    return reference if root_id(reference, domain) == message_id.lower().replace(domain.lower(), domain) else None


def local_part(message_id: str, domain: str) -> str | None:
    """What stands before the @ of a Message-ID of ours; None where it is not of our domain."""
    ending = f"@{domain}>".lower()
    if not message_id.startswith("<") or not message_id.lower().endswith(ending):
        return None
    return message_id[1 : -len(ending)]


def ticket_digest(reference: str) -> str:
    """A ticket's reference as 32 hexadecimal digits: what every IMAP server can search a header for."""
    return hashlib.sha256(reference.encode("utf-8", "replace")).hexdigest()[:32]
