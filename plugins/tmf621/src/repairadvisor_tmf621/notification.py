"""What a notification of the API says: which ticket, what became of it, and when.

``TroubleTicketCreateEvent`` carries a whole ticket; the schema's own examples of the others carry what has changed, and
of a deleted ticket no more than ``id`` and ``href``. A body without ``event`` is a bare ticket, as polling gives it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from repairadvisor.plugin import MOST_SEQUENCE, EventUnreadableError

_EVENT = "TroubleTicket{}Event".format
CREATED, DELETED, RESOLVED = _EVENT("Create"), _EVENT("Delete"), _EVENT("Resolved")
#: Events that tell of a ticket.
TICKET_EVENTS = frozenset(
    {
        CREATED,
        DELETED,
        RESOLVED,
        _EVENT("AttributeValueChange"),
        _EVENT("StatusChange"),
        _EVENT("InformationRequired"),
    }
)
#: Events of the API that tell of no ticket, but of the form that tickets are made by.
FORM_EVENTS = frozenset(
    _EVENT(f"Specification{what}") for what in ("Create", "AttributeValueChange", "StatusChange", "Delete")
)
BARE = "a bare ticket"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LONGEST_REFERENCE = 200


@dataclass(frozen=True, slots=True)
class Notification:
    """``kind`` is one of ``TICKET_EVENTS`` or ``BARE``; ``ticket`` what it holds of the ticket; ``event`` the rest."""

    kind: str
    ticket: Mapping[str, Any]
    event: Mapping[str, Any]

    @property
    def reference(self) -> str:
        """The ticket's id. Raises :class:`~repairadvisor.errors.EventUnreadableError` where there is none."""
        return reference_of(self.ticket)

    @property
    def is_thin(self) -> bool:
        """Whether it says of the ticket no more than which one it is."""
        return all(name in ("id", "href") or name.startswith("@") for name in self.ticket)

    @property
    def sequence(self) -> int:
        """Microseconds since 1970: when the ticket was last changed.

        Said by ``lastUpdate``; where that is missing by when the event occurred (``timeOccurred``, ``eventTime``), else
        by the latest of ``statusChangeDate`` and ``creationDate``. The time of an event lies after the change that it
        tells of, so a change that follows closely may seem older than it.
        """
        moments = [
            moment_us(self.ticket.get("lastUpdate")),
            moment_us(self.event.get("timeOccurred")),
            moment_us(self.event.get("eventTime")),
            max(moment_us(self.ticket.get(name)) or 0 for name in ("statusChangeDate", "creationDate")) or None,
        ]
        for moment in moments:
            if moment is not None:
                return moment
        raise EventUnreadableError(f"ticket {self.reference}: nothing says when it was last changed")


def read_notification(body: bytes, longest: int) -> Notification | None:
    """The notification in ``body``; None where it rightly tells of no ticket.

    Raises :class:`~repairadvisor.errors.EventUnreadableError`.
    """
    content = _object(body, longest)
    if "event" not in content:
        return Notification(BARE, content, {})
    kind = _kind(content)
    if kind in FORM_EVENTS:
        return None
    payload = content["event"]
    ticket = payload.get("troubleTicket") if isinstance(payload, dict) else None
    if not isinstance(ticket, dict):
        raise EventUnreadableError("event.troubleTicket: is missing or is no object")
    return Notification(kind, ticket, content)


def reference_of(ticket: Mapping[str, Any]) -> str:
    """A ticket's id. Raises :class:`~repairadvisor.errors.EventUnreadableError` where it has none that can be used."""
    reference = ticket.get("id")
    if not is_reference(reference):
        raise EventUnreadableError(
            f"id: is missing or unusable; allowed: 1 to {_LONGEST_REFERENCE} printable characters"
        )
    return str(reference)


def is_reference(value: object) -> bool:
    """Whether a ticket can be called so."""
    return isinstance(value, str) and 0 < len(value) <= _LONGEST_REFERENCE and value.isprintable()


def moment_us(value: object) -> int | None:
    """A moment as microseconds since 1970; None where it is none, has no zone, or lies before 1970."""
    if not isinstance(value, str):
        return None
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        return None
    if moment.tzinfo is None:
        return None
    try:
        microseconds = (moment - _EPOCH) // timedelta(microseconds=1)
    except OverflowError:
        return None
    return microseconds if 0 <= microseconds <= MOST_SEQUENCE else None


def _object(body: bytes, longest: int) -> dict[str, Any]:
    if len(body) > longest:
        problem = f"the event is too long: {len(body)} bytes; allowed: longest_event_bytes = {longest}"
        raise EventUnreadableError(problem)
    try:
        content = json.loads(body, parse_constant=_no_number, object_pairs_hook=_said_once)
    except RecursionError as error:
        raise EventUnreadableError("the event is nested too deeply") from error
    except ValueError as error:
        reason = "".join(char if char.isprintable() else "?" for char in str(error))
        raise EventUnreadableError(f"the event is no JSON: {reason[:200]}") from error
    if not isinstance(content, dict):
        raise EventUnreadableError("the event is no JSON object")
    return content


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _said_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object whose names stand in it once: of two that differ, nobody knows which is meant."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _kind(content: Mapping[str, Any]) -> str:
    """What kind of event it calls itself. ``@baseType`` counts for kinds that an operator has derived."""
    known = [content.get(name) for name in ("eventType", "@type", "@baseType")]
    kinds = {kind for kind in known if isinstance(kind, str) and kind in TICKET_EVENTS | FORM_EVENTS}
    if len(kinds) == 1:
        return kinds.pop()
    if kinds:
        raise EventUnreadableError(f"the event calls itself {' and '.join(sorted(kinds))} at once")
    raise EventUnreadableError("eventType: is none of this API; allowed: " + ", ".join(sorted(TICKET_EVENTS)))
