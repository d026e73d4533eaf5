"""The three headers of Standard Webhooks 1.0.0: written, and verified over bytes that nobody has parsed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

from repairadvisor.plugin import EventRefusedError
from repairadvisor_webhook.keys import Dated, Message, SigningKey, VerifyingKey, current

ID, TIMESTAMP, SIGNATURE = "webhook-id", "webhook-timestamp", "webhook-signature"
#: Longest id, characters.
LONGEST_ID = 150
#: Most signatures that are looked at: each costs a computation, before the sender is known.
MOST_SIGNATURES = 20

# No full stop: it parts id, timestamp and body in what is signed (specification, section "Signature scheme").
_ID = re.compile(r"[!-\-/-~]{1,150}")
_ID_ALLOWED = f"1 to {LONGEST_ID} visible ASCII characters without full stops"
# No sign, no fraction, no leading zero: one moment has one spelling.
_TIMESTAMP = re.compile(r"[1-9][0-9]{0,11}")
_SIGNATURE = re.compile(r"v1a?,[A-Za-z0-9+/]{1,120}={0,2}")


def verified_id(
    headers: Mapping[str, str], body: bytes, keys: Sequence[Dated[VerifyingKey]], now: datetime, window: timedelta
) -> str:
    """The id of a webhook that one of ``keys`` signed no further than ``window`` from ``now``, edges included.

    ``headers`` with their names in lower case. Raises :class:`EventRefusedError` with the kind of what is wrong: the
    reason holds nothing of headers or body but how far the timestamp is off.
    """
    message_id = _header(headers, ID)
    if not _ID.fullmatch(message_id):
        raise EventRefusedError(f"{ID} is not allowed: {_ID_ALLOWED}")
    timestamp = _timestamp(_header(headers, TIMESTAMP))
    signatures = _signatures(_header(headers, SIGNATURE))
    _refuse_outside(timestamp, now, window)
    counting = current(keys, now)
    if not counting:
        raise EventRefusedError("no secret of this source counts any more: each is past its not_after")
    message = Message(message_id, timestamp, _text(body))
    if not any(key.signed(signature, message) for signature in signatures for key in counting):
        raise EventRefusedError(f"{SIGNATURE} holds no signature of a secret that counts, over this id, time and body")
    return message_id


def _header(headers: Mapping[str, str], name: str) -> str:
    value = headers.get(name, "")
    if not value:
        raise EventRefusedError(f"{name} is missing")
    return value


def _timestamp(text: str) -> int:
    if not _TIMESTAMP.fullmatch(text):
        raise EventRefusedError(f"{TIMESTAMP} is not allowed: whole seconds since 1970 in plain digits")
    return int(text)


def _signatures(text: str) -> list[str]:
    parts = text.split(" ")
    if len(parts) > MOST_SIGNATURES:
        raise EventRefusedError(f"{SIGNATURE} holds {len(parts)} signatures; allowed: up to {MOST_SIGNATURES}")
    known = [part for part in parts if _SIGNATURE.fullmatch(part)]
    if not known:
        raise EventRefusedError(f"{SIGNATURE} holds no signature of a scheme that is known here; allowed: v1, v1a")
    return known


def _refuse_outside(timestamp: int, now: datetime, window: timedelta) -> None:
    # Seconds since 1970 are compared as a span: some moments that twelve digits can say are no dates here.
    since_1970 = now - datetime(1970, 1, 1, tzinfo=UTC)
    off = since_1970 - timedelta(seconds=timestamp)
    if abs(off) <= window:
        return
    side = "before" if off > timedelta(0) else "after"
    seconds = abs(off).total_seconds()
    allowed = window.total_seconds()
    raise EventRefusedError(f"{TIMESTAMP} lies {seconds:.0f} s {side} now; allowed: up to {allowed:g} s either way")


def _text(body: bytes) -> str:
    """The body as text, byte for byte: strict UTF-8 goes there and back unchanged. It is not parsed."""
    try:
        return body.decode()
    except UnicodeDecodeError:
        raise EventRefusedError("the body is not UTF-8") from None


def signed_headers(message_id: str, body: bytes, keys: Sequence[SigningKey], now: datetime) -> dict[str, str]:
    """The three headers for ``body`` (UTF-8), with a signature of each of ``keys``, sent at ``now``.

    Raises :class:`ValueError` for an id that a receiver would have to refuse.
    """
    if not _ID.fullmatch(message_id):
        raise ValueError(f"{message_id!a} is no id of a webhook: allowed: {_ID_ALLOWED}")
    message = Message(message_id, int(now.timestamp()), body.decode())
    signatures = " ".join(key.sign(message) for key in keys)
    return {ID: message_id, TIMESTAMP: str(message.timestamp), SIGNATURE: signatures}
