"""What became of events, as it is published."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from marshmallow import RAISE, Schema, fields, validate

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import shown

#: Where a delivery can still go somewhere, and where it ended.
OPEN_STATES = ("waiting", "noting", "scheduled")
ENDED_STATES = (
    "noted",
    "unchanged",
    "overtaken",
    "ticket_ended",
    "no_ticket",
    "set_aside",
    "given_up",
    "cancelled",
)
STATES = (*OPEN_STATES, *ENDED_STATES)
#: What somebody should look at.
TROUBLED_STATES = ("set_aside", "given_up")
CAUSES = ("event", "parent", "expiry", "check", "verdict", "verdict_check", "follow_up")
MOST_LISTED = 500
LISTED = 100
_QUERY = ("state", "source", "ticket", "limit", "offset")

#: Each state as a sentence, for people.
SAID = {
    "waiting": "on disk, its ticket not yet advised on",
    "noting": "advised on, not all of its note is in the ticket yet",
    "scheduled": "to be looked at again later",
    "noted": "the ticket holds the note",
    "unchanged": "the ticket holds it already, or says nothing new",
    "overtaken": "something later took its place",
    "ticket_ended": "the ticket is closed",
    "no_ticket": "there is nothing to do",
    "set_aside": "cannot be read or used",
    "given_up": "tried too often, or refused",
    "cancelled": "cancelled by hand",
}


class DeliverySchema(Schema):
    """One event, or something that follows from one, and what became of it."""

    class Meta:
        unknown = RAISE

    id = fields.String(required=True)
    cause = fields.String(required=True, validate=validate.OneOf(CAUSES))
    source = fields.String(required=True)
    event = fields.String(required=True, metadata={"description": "the key under which its source sent it"})
    received_at = fields.String(required=True, metadata={"format": "date-time"})
    ticket = fields.String(required=True, allow_none=True, metadata={"description": "what its own system calls it"})
    sequence = fields.Integer(required=True, allow_none=True, strict=True)
    state = fields.String(required=True, validate=validate.OneOf(STATES))
    said = fields.String(required=True, metadata={"description": "the state in words"})
    reason = fields.String(required=True, metadata={"description": "why, where that says more"})
    attempts_failed = fields.Integer(required=True, strict=True)
    next_attempt_at = fields.String(required=True, allow_none=True, metadata={"format": "date-time"})
    changed_at = fields.String(required=True, metadata={"format": "date-time"})
    advice = fields.String(required=True, allow_none=True, metadata={"description": "the id of the advice"})
    note = fields.Integer(required=True, allow_none=True, strict=True, metadata={"description": "the how many-th note"})
    healed = fields.Integer(required=True, strict=True, metadata={"description": "notes that stood there twice"})


class DeliveriesSchema(Schema):
    """Deliveries, those that came last first."""

    class Meta:
        unknown = RAISE

    counts = fields.Dict(
        keys=fields.String(), values=fields.Integer(), required=True, metadata={"description": "how many in each state"}
    )
    sources_in_trouble = fields.Dict(
        keys=fields.String(),
        values=fields.String(),
        required=True,
        metadata={"description": "sources that could not be asked last time, and why"},
    )
    deliveries = fields.List(fields.Nested(DeliverySchema), required=True)


class AcceptedSchema(Schema):
    """An event is on disk."""

    class Meta:
        unknown = RAISE

    delivery = fields.String(required=True, metadata={"description": "its id"})
    again = fields.Boolean(required=True, metadata={"description": "it had come before, and is not done twice"})


def read_query(asked: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """Which deliveries are asked for: ``states``, ``source``, ``reference``, ``limit``, ``offset``.

    Raises :class:`InputError` with everything that is wrong.
    """
    faults = [
        Fault("unknown-field", name, shown(values[0]), "is nothing to choose by", ", ".join(_QUERY))
        for name, values in asked.items()
        if name not in _QUERY
    ]
    faults += [
        Fault("unknown-word", "state", shown(state), "is no state", ", ".join(STATES))
        for state in asked.get("state", ())
        if state not in STATES
    ]
    faults += [
        Fault("wrong-form", name, shown(values[-1]), "holds characters that cannot be printed")
        for name, values in asked.items()
        if name in ("source", "ticket") and not values[-1].isprintable()
    ]
    limit = _whole("limit", asked.get("limit", [str(LISTED)])[-1], 1, MOST_LISTED, faults)
    offset = _whole("offset", asked.get("offset", ["0"])[-1], 0, 10**9, faults)
    if faults:
        raise InputError(faults)
    return {
        "states": tuple(asked.get("state", ())),
        "source": asked.get("source", [""])[-1],
        "reference": asked.get("ticket", [""])[-1],
        "limit": limit,
        "offset": offset,
    }


def _whole(name: str, text: str, low: int, high: int, faults: list[Fault]) -> int:
    if text.isascii() and text.isdecimal() and len(text) < 11 and low <= int(text) <= high:
        return int(text)
    faults.append(Fault("out-of-range", name, shown(text), "is not within its range", f"{low} to {high}"))
    return low
