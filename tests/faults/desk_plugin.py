"""The plugin for that desk: naive on purpose. It looks only when it is asked to, and writes what it is told to."""

from __future__ import annotations

import hashlib
import hmac
import json
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

import requests

from repairadvisor.plugin import (
    EventRefusedError,
    EventUnreadableError,
    HeldNote,
    NoteChange,
    RawEvent,
    RemoteRefusedError,
    RemoteUnavailableError,
    Ticket,
)

SECRET = b"known to both sides of this test"
KEY_HEADER, SIGNATURE_HEADER = "event-id", "event-signature"
_TIMEOUT_S, _MOST_BYTES = 1.0, 1_000_000


def signed(key: str, body: bytes) -> dict[str, str]:
    """The headers of an event."""
    return {
        "Content-Type": "application/json",
        KEY_HEADER: key,
        SIGNATURE_HEADER: hmac.new(SECRET, key.encode() + b"." + body, hashlib.sha256).hexdigest(),
    }


class DeskSource:
    """A ticket source: events with a key and a signature."""

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        key = event.headers.get(KEY_HEADER, "")
        right = signed(key, event.body)[SIGNATURE_HEADER]
        if not key or not hmac.compare_digest(right, event.headers.get(SIGNATURE_HEADER, "")):
            raise EventRefusedError("the signature is wrong")
        return key

    def read(self, event: RawEvent) -> Ticket | None:
        try:
            said = json.loads(event.body)
            return Ticket(
                reference=said["ticket"],
                sequence=said["sequence"],
                facts=said["facts"],
                ended=said["ended"],
                parent=said["parent"],
            )
        except (ValueError, KeyError, TypeError) as error:
            raise EventUnreadableError(f"no ticket: {error}") from error


class DeskCarrier:
    """A note carrier. ``between`` is called after each single write; ``can_look`` False: it says it cannot look."""

    longest_note = 1800

    def __init__(
        self, url: str, worker: str, *, can_look: bool = True, between: Callable[[], None] = lambda: None
    ) -> None:
        self._url = url
        self._worker = worker
        self._can_look = can_look
        self._between = between

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        if not self._can_look:
            return None
        answer = self._asked("GET", f"/tickets/{reference}/notes")
        if not isinstance(answer, list):
            raise RemoteUnavailableError("the desk's answer is no list of notes")
        try:
            return [HeldNote(one["id"], one["text"]) for one in answer]
        except (TypeError, KeyError) as error:
            raise RemoteUnavailableError("the desk's answer is no list of notes") from error

    def change(self, reference: str, change: NoteChange) -> None:
        for note in change.add:
            self._written("POST", f"/tickets/{reference}/notes", note.text)
        for held, text in change.rewrite:
            self._written("PUT", f"/tickets/{reference}/notes/{held.handle}", text)

    def _written(self, method: str, path: str, text: str) -> None:
        answer = self._asked(method, path, {"text": text})
        if not isinstance(answer, dict) or set(answer) != {"id"}:
            raise RemoteUnavailableError("the desk's answer is not what it says to a note")
        self._between()

    def _asked(self, method: str, path: str, said: Mapping[str, str] | None = None) -> Any:
        until = time.monotonic() + _TIMEOUT_S
        try:
            with requests.request(
                method,
                self._url + path,
                json=said,
                headers={"X-Worker": self._worker},
                timeout=_TIMEOUT_S,
                stream=True,
                allow_redirects=False,
            ) as response:
                body = _body(response, until)
        except requests.RequestException as error:
            raise RemoteUnavailableError(f"{method}: {type(error).__name__}") from error
        if response.status_code in (429, 503):
            after = response.headers.get("Retry-After")
            raise RemoteUnavailableError(f"{method}: {response.status_code}", float(after) if after else None)
        if response.status_code not in (200, 201):
            raise RemoteRefusedError(f"{method}: {response.status_code}")
        try:
            return json.loads(body)
        except ValueError as error:
            raise RemoteUnavailableError(f"{method}: the answer is no JSON") from error


def _body(response: requests.Response, until: float) -> bytes:
    """The body, if it comes within the time: a timeout of the library's counts from one byte to the next."""
    parts: list[bytes] = []
    for part in response.iter_content(1):
        parts.append(part)
        if time.monotonic() > until or len(parts) > _MOST_BYTES:
            raise RemoteUnavailableError("the answer takes too long")
    return b"".join(parts)
