"""Notes as webhooks: each is one CloudEvent in one signed POST.

What the receiver is told is in README. It cannot be asked what it has, so it has to recognise a ``webhook-id`` that it
has had; the same note therefore goes out under the same id and as the same bytes, whenever it goes out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import requests
from marshmallow import Schema, fields, validate

from repairadvisor.plugin import (
    LEAST_LONGEST_NOTE,
    HeldNote,
    Note,
    NoteChange,
    NoteMark,
    RemoteRefusedError,
    mark_of,
    mark_of_key,
)
from repairadvisor_webhook.cloud_event import STRUCTURED, structured
from repairadvisor_webhook.delivery import Endpoint
from repairadvisor_webhook.key_settings import signing_keys
from repairadvisor_webhook.keys import Dated, SigningKey, current
from repairadvisor_webhook.signed_headers import signed_headers
from repairadvisor_webhook.strict_json import NotStrictJsonError, read_json, shown

NOTE_ADDED, NOTE_REWRITTEN, FOLLOW_UP_OWED = "advice.note.added", "advice.note.rewritten", "follow_up.owed"

#: Within the 15 to 30 s of the specification, section "Request timeouts".
TIMEOUT_S, LEAST_TIMEOUT_S, MOST_TIMEOUT_S = 20.0, 1.0, 120.0
#: Well within the 20 kB that the specification recommends for an event, section "Payload size".
LONGEST_NOTE, MOST_LONGEST_NOTE = 4000, 100_000
_LONGEST_REFERENCE = 200
_DIGEST_DIGITS = 32


def _flag() -> fields.Boolean:
    return fields.Boolean(load_default=False, truthy={True}, falsy={False})


class CarrierSettings(Schema):
    """The operator's settings of a carrier; see README."""

    url = fields.String(required=True, validate=validate.Length(1, 2000, error="is longer than 2000 characters"))
    secrets = signing_keys()
    event_source = fields.String(
        load_default="/repairadvisor",
        validate=validate.Regexp(r"[A-Za-z0-9._~:/?#@!$&'()*+,;=%-]{1,200}\Z", error="is no URI reference"),
    )
    longest_note = fields.Integer(
        strict=True, load_default=LONGEST_NOTE, validate=validate.Range(LEAST_LONGEST_NOTE, MOST_LONGEST_NOTE)
    )
    timeout_s = fields.Float(load_default=TIMEOUT_S, validate=validate.Range(LEAST_TIMEOUT_S, MOST_TIMEOUT_S))
    allow_plain_http = _flag()
    allow_private = _flag()
    proxy = fields.String(
        load_default=None, validate=validate.Regexp(r"https?://[!-~]+\Z", error="is no http:// or https:// address")
    )
    ca_file = fields.String(load_default=None, validate=validate.Length(min=1))


class WebhookCarrier:
    """Notes that go out as signed events. Raises :class:`ValueError` for a URL that cannot be used."""

    settings = CarrierSettings

    def __init__(
        self,
        *,
        url: str,
        secrets: Sequence[Dated[SigningKey]],
        event_source: str,
        longest_note: int,
        timeout_s: float,
        allow_plain_http: bool,
        allow_private: bool,
        proxy: str | None,
        ca_file: str | None,
    ) -> None:
        self._endpoint = Endpoint(
            url=url,
            timeout_s=timeout_s,
            allow_plain_http=allow_plain_http,
            allow_private=allow_private,
            proxy=proxy,
            ca_file=ca_file,
        )
        self._keys = tuple(secrets)
        self._event_source = event_source
        self.longest_note = longest_note

    def look(self, reference: str) -> None:  # noqa: ARG002  # nobody is asked
        """None: webhooks go one way."""
        return

    def change(self, reference: str, change: NoteChange) -> None:
        """Send rewritten notes, then added ones, each once the one before it was taken.

        Rewritten first: if it breaks off between the two, no old advice stands there as if it were still good.

        Raises :class:`RemoteUnavailableError` and :class:`RemoteRefusedError`; what was sent before stays sent.
        """
        if not change.add and not change.rewrite:
            return
        with self._endpoint.session() as session:
            for held, text in change.rewrite:
                mark = _mark_of_held(held)
                digest = hashlib.sha256(text.encode()).hexdigest()[:_DIGEST_DIGITS]
                data = _note_data(reference, mark, text)
                self._send(session, f"{mark.key}-{digest}", NOTE_REWRITTEN, reference, data)
            for note in change.add:
                self._send(
                    session, note.key, NOTE_ADDED, reference, _note_data(reference, _mark_of_note(note), note.text)
                )

    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        """The reference that the receiver answers with: ``{"ticket": "…"}``.

        Raises :class:`RemoteUnavailableError` and :class:`RemoteRefusedError`; the latter also where the answer is
        2xx and names no new ticket.
        """
        data = {"ticket": reference, "key": key, "title": title, "text": text}
        with self._endpoint.session() as session:
            answer = self._send(session, key, FOLLOW_UP_OWED, reference, data, read_answer=True)
        return self._opened(answer, reference)

    def _send(
        self,
        session: requests.Session,
        event_id: str,
        event_type: str,
        reference: str,
        data: dict[str, Any],
        *,
        read_answer: bool = False,
    ) -> bytes:
        body = structured(event_id, self._event_source, event_type, reference, data)
        now = self._now()
        keys = current(self._keys, now)
        if not keys:
            raise RemoteRefusedError("nothing was sent: each secret of this carrier is past its not_after")
        headers = {"Content-Type": STRUCTURED, **signed_headers(event_id, body, keys, now)}
        return self._endpoint.post(session, headers, body, now, read_answer=read_answer)

    def _now(self) -> datetime:
        return datetime.now(UTC)

    def _opened(self, answer: bytes, reference: str) -> str:
        host = self._endpoint.host
        try:
            told = read_json(answer)
        except NotStrictJsonError as error:
            raise RemoteRefusedError(f"{host} took the event and its answer cannot be read: {error}") from None
        ticket = told.get("ticket") if isinstance(told, dict) else None
        if not isinstance(ticket, str) or not 1 <= len(ticket) <= _LONGEST_REFERENCE or not ticket.isprintable():
            raise RemoteRefusedError(
                f"{host} took the event; ticket = {shown(ticket)} in its answer: allowed: a text of 1 to"
                f" {_LONGEST_REFERENCE} printable characters"
            )
        if ticket == reference:
            raise RemoteRefusedError(f"{host} took the event and names the ticket itself as what follows from it")
        return ticket


def _mark_of_note(note: Note) -> NoteMark:
    mark = mark_of_key(note.key)
    if mark is None:
        raise ValueError(f"{note.key!a} is no key of a note")
    return mark


def _mark_of_held(held: HeldNote) -> NoteMark:
    """By the note's own last line; by its handle, which here is its key, where that line is gone."""
    mark = mark_of(held.text) or mark_of_key(held.handle)
    if mark is None:
        raise ValueError(f"{held.handle!a} and its text hold no mark of a note")
    return mark


def _note_data(reference: str, mark: NoteMark, text: str) -> dict[str, Any]:
    return {
        "ticket": reference,
        "note": mark.key,
        "kind": mark.kind,
        "revision": mark.revision,
        "part": mark.part,
        "parts": mark.parts,
        "text": text,
    }
