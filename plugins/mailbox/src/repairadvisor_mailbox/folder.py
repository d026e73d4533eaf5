"""The folder that tickets come from: what is new in it, and what is done.

The cursor is "UIDVALIDITY:UID" (RFC 3501, section 2.3.1.1). Where UIDVALIDITY is another one, all UIDs are, and the
folder is read again from its start: each mail has the same key as before. Nothing depends on flags, so a person who
reads the folder takes nothing away.
"""

from __future__ import annotations

import hashlib
import re
import threading
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.parser import BytesHeaderParser
from email.policy import compat32
from typing import Any

from imapclient import SEEN, IMAPClient

from repairadvisor.plugin import Fetched, RawEvent
from repairadvisor_mailbox.imap import open_folder
from repairadvisor_mailbox.message_ids import MESSAGE_ID
from repairadvisor_mailbox.settings import Server

#: Of one answer to :meth:`Folder.fetch`; a single mail may be larger.
MOST_BYTES = 32_000_000
#: Of a mail that is too large, this much of its headers is kept.
HEADER_BYTES = 65_536

_CURSOR = re.compile(r"([0-9]{1,10}):([0-9]{1,10})")
_KEY = re.compile(r"mail ([0-9a-f]{64})(?: (<\S+>))?")
_MOST_REMEMBERED = 20_000


@dataclass(frozen=True, slots=True)
class _Kept:
    """A mail as the server keeps it."""

    uid: int
    size: int
    received_at: datetime


class Folder:
    """An IMAP folder that is read from a cursor on. Connects anew each time: a line that broke is no matter then."""

    def __init__(self, server: Server, settle_by: str, done_folder: str, most: int, largest_bytes: int) -> None:
        self._server = server
        self._settle_by = settle_by
        self._done_folder = done_folder
        self._most = most
        self._largest = largest_bytes
        self._lock = threading.Lock()
        self._uids: OrderedDict[str, tuple[int, set[int]]] = OrderedDict()

    def fetch(self, cursor: str) -> Fetched:
        """Mails after ``cursor``, oldest first, a bounded number and size. Leaves them unseen.

        Each event has the headers "uid", "received-at" (ISO 8601) and, for a mail above the largest size, "too-large":
        then its body is the mail's headers. Raises :class:`~repairadvisor.plugin.RemoteUnavailableError`.
        """
        with open_folder(self._server) as (client, validity):
            found = _CURSOR.fullmatch(cursor)
            last = int(found[2]) if found and int(found[1]) == validity else 0
            events: dict[str, RawEvent] = {}
            for kept in self._next(client, last):
                event = self._event(client, kept)
                if event is not None:
                    key = event_key(event)
                    events.setdefault(key, event)
                    self._remember(key, validity, kept.uid)
                last = kept.uid
        return Fetched(tuple(events.items()), f"{validity}:{last}")

    def _next(self, client: IMAPClient, last: int) -> Iterator[_Kept]:
        # "*" is the last mail, and "n:*" holds it even where its UID is below n (RFC 3501, section 6.4.8).
        new = sorted(uid for uid in client.search(["UID", f"{last + 1}:*"]) if uid > last)[: self._most]
        if not new:
            return
        answer = client.fetch(new, ["RFC822.SIZE", "INTERNALDATE"])
        room = MOST_BYTES
        for uid in new:
            told: Mapping[bytes, Any] = answer.get(uid, {})
            if b"RFC822.SIZE" not in told or b"INTERNALDATE" not in told:
                continue  # taken out of the folder in between
            size = int(told[b"RFC822.SIZE"])
            if room < MOST_BYTES and size > room:
                return
            room -= min(size, self._largest)
            yield _Kept(uid, size, told[b"INTERNALDATE"])

    def _event(self, client: IMAPClient, kept: _Kept) -> RawEvent | None:
        """The mail as an event; None where it is there no more."""
        large = kept.size > self._largest
        wanted = f"BODY.PEEK[HEADER]<0.{HEADER_BYTES}>" if large else "BODY.PEEK[]"
        told: Mapping[bytes, Any] = client.fetch([kept.uid], [wanted]).get(kept.uid, {})
        body = next((value for name, value in told.items() if name.startswith(b"BODY[")), None)
        if not isinstance(body, bytes):
            return None
        # A server's clock may be ahead of ours; what was fetched now cannot have come later than now.
        received = min(kept.received_at.astimezone(UTC), datetime.now(UTC))
        headers = {"uid": str(kept.uid), "received-at": received.isoformat()}
        if large:
            headers["too-large"] = f"{kept.size} bytes; allowed: {self._largest}; only its headers were fetched"
        return RawEvent(headers, body)

    def _remember(self, key: str, validity: int, uid: int) -> None:
        with self._lock:
            known, uids = self._uids.get(key, (validity, set()))
            self._uids[key] = (validity, {*uids, uid} if known == validity else {uid})
            while len(self._uids) > _MOST_REMEMBERED:
                self._uids.popitem(last=False)

    def settle(self, keys: Sequence[str]) -> None:
        """Mark as seen, or move, the mails with those keys that are still there."""
        if self._settle_by == "leave" or not keys:
            return
        with open_folder(self._server) as (client, validity):
            uids = sorted({uid for key in keys for uid in self._uids_of(client, validity, key)})
            if not uids:
                return
            if self._settle_by == "seen":
                client.add_flags(uids, [SEEN], silent=True)
            else:
                _move(client, uids, self._done_folder)

    def _uids_of(self, client: IMAPClient, validity: int, key: str) -> set[int]:
        with self._lock:
            known, uids = self._uids.get(key, (0, set()))
        return uids if known == validity else self._searched(client, key)

    def _searched(self, client: IMAPClient, key: str) -> set[int]:
        """Where a mail is that another process fetched: by its Message-ID, and what it holds. One without is left."""
        found = _KEY.fullmatch(key)
        if found is None or found[2] is None:
            return set()
        uids = client.search(["HEADER", "Message-ID", found[2]])[: self._most]
        answer = client.fetch(uids, ["RFC822.SIZE", "INTERNALDATE"]) if uids else {}
        there = set()
        for uid, told in answer.items():
            event = self._event(client, _Kept(uid, int(told[b"RFC822.SIZE"]), told[b"INTERNALDATE"]))
            if event is not None and event_key(event) == key:
                there.add(uid)
        return there


def event_key(event: RawEvent) -> str:
    """A mail's key: what it holds as a digest, and its Message-ID where that is well formed.

    The Message-ID alone would not do. Whoever guesses the next one of a ticket system could send it first, and the true
    mail would be taken for one that is known.
    """
    digest = hashlib.sha256(event.body + event.headers.get("too-large", "").encode("utf-8")).hexdigest()
    message_id = _message_id(event.body)
    return f"mail {digest} {message_id}" if message_id and len(message_id) <= 120 else f"mail {digest}"


def _message_id(raw: bytes) -> str:
    try:
        found = BytesHeaderParser(policy=compat32).parsebytes(raw[:HEADER_BYTES]).get("Message-ID", "")
    except Exception:  # noqa: BLE001 - the library fails on strange mail in ways that it does not list
        return ""
    text = str(found).strip()
    return text if MESSAGE_ID.fullmatch(text) else ""


def _move(client: IMAPClient, uids: list[int], folder: str) -> None:
    """RFC 6851 where the server has it; else a copy is made, and what was copied is taken out."""
    if client.has_capability("MOVE"):
        client.move(uids, folder)
        return
    client.copy(uids, folder)
    client.delete_messages(uids, silent=True)
    if client.has_capability("UIDPLUS"):
        client.uid_expunge(uids)
