"""Events that the desk sends: each is one ticket as it is now, as JSON, signed.

::

    POST /v1/events/<name>
    Desk-Signature: sha256=<HMAC-SHA256 of the body, 64 hexadecimal digits>

    {"kind": "ticket",
     "ticket": {"number": "LF-17", "version": 4, "state": "open", "title": "...", "parent": null,
                "fields": {"where": "pole", "seen": "hanging", "spare_m": 12}}}
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from marshmallow import EXCLUDE, Schema, ValidationError, fields, validate

from repairadvisor.plugin import MOST_SEQUENCE, EventRefusedError, EventUnreadableError, RawEvent, Ticket

#: What the desk's words mean in the table of facts. A word that does not stand here says nothing.
WORDS: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "where": ("place", {"pole": "pole_top", "manhole": "chamber", "home": "customer_home"}),
    "seen": ("fault_seen", {"cut": "cut", "hanging": "hanging", "bitten": "chewed_end"}),
}
#: Its numbers, with the unit that each of them has there.
NUMBERS: Mapping[str, tuple[str, str]] = {"spare_m": ("spare_near_m", "m"), "fibres_out": ("fibres_down_count", "")}
ENDED = frozenset({"closed", "cancelled"})


class SourceSettings(Schema):
    """Settings of the source."""

    secret = fields.String(required=True, validate=validate.Length(24, 200, error="is no text of 24 to 200 characters"))


class _TicketBody(Schema):
    """The part of a ticket that is read. The rest, titles and descriptions above all, is left out."""

    class Meta:
        unknown = EXCLUDE

    number = fields.String(required=True)
    version = fields.Integer(required=True, strict=True, validate=validate.Range(0, MOST_SEQUENCE))
    state = fields.String(required=True)
    parent = fields.String(load_default=None, allow_none=True)
    fields_ = fields.Dict(keys=fields.String(), data_key="fields", load_default=dict)


class _EventBody(Schema):
    class Meta:
        unknown = EXCLUDE

    ticket = fields.Nested(_TicketBody, required=True)


class DeskSource:
    """Tickets that the desk sends."""

    settings = SourceSettings

    def __init__(self, *, secret: str) -> None:
        self._secret = secret.encode()

    def authenticate(self, event: RawEvent, now: datetime) -> str:  # noqa: ARG002
        """The digest of the body: an event that is sent again, by the desk or by an eavesdropper, is the same event."""
        given = event.headers.get("desk-signature", "")
        # Compared as bytes: text with other signs than ASCII cannot be.
        if not hmac.compare_digest(given.encode(), signature(self._secret, event.body).encode()):
            raise EventRefusedError("the header Desk-Signature is missing, or is not that of the body and our secret")
        return hashlib.sha256(event.body).hexdigest()

    def read(self, event: RawEvent) -> Ticket | None:
        """The ticket; None where the event is of another kind."""
        try:
            body = json.loads(event.body, object_pairs_hook=_each_name_once, parse_constant=_no_number)
            if isinstance(body, dict) and isinstance(body.get("kind"), str) and body["kind"] != "ticket":
                return None
            told = _EventBody().load(body)["ticket"]
            return Ticket(
                reference=told["number"],
                sequence=told["version"],
                facts=facts_of(told["fields_"]),
                ended=told["state"] in ENDED,
                parent=told["parent"],
            )
        except ValidationError as error:
            raise EventUnreadableError(f"the event is not as agreed: {_first(error)}") from error
        except (ValueError, RecursionError) as error:  # JSON, UTF-8, and what a ticket may be called
            raise EventUnreadableError(
                f"the event cannot be read: {type(error).__name__}: {str(error)[:200]!r}"
            ) from error


def signature(secret: bytes, body: bytes) -> str:
    """As it stands in the header (HMAC, RFC 2104)."""
    return "sha256=" + hmac.new(secret, body, hashlib.sha256).hexdigest()


def facts_of(told: Mapping[str, Any]) -> dict[str, object]:
    """What the ticket's fields say, in words of the table of facts. What is not understood is left out."""
    facts: dict[str, object] = {}
    for name, (fact, words) in WORDS.items():
        word = told.get(name)
        if isinstance(word, str) and word in words:
            facts[fact] = {"value": words[word], "source": "ticket desk"}
    for name, (fact, unit) in NUMBERS.items():
        number = told.get(name)
        if isinstance(number, int | float) and not isinstance(number, bool):
            facts[fact] = {"value": number, "source": "ticket desk"} | ({"unit": unit} if unit else {})
    return facts


def _each_name_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """An object; a name that stands twice in it has no one meaning."""
    if len({name for name, _ in pairs}) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return dict(pairs)


def _no_number(word: str) -> object:
    raise ValueError(f"{word} is no number in JSON")


def _first(error: ValidationError) -> str:
    """The first thing that is wrong, and where."""
    path, said = [], error.messages
    while isinstance(said, dict):
        name, said = next(iter(said.items()))
        path.append(str(name))
    return f"{'.'.join(path)}: {said[0] if isinstance(said, list) else said}"
