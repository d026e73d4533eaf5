"""Tickets from webhooks: Standard Webhooks 1.0.0 says who sent one, CloudEvents 1.0 how it is laid out."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from marshmallow import Schema, fields, validate

from repairadvisor.plugin import MOST_SEQUENCE, EventUnreadableError, RawEvent, Site, Ticket
from repairadvisor_webhook.cloud_event import CloudEvent, json_data, moment, received
from repairadvisor_webhook.key_settings import verifying_keys
from repairadvisor_webhook.keys import Dated, VerifyingKey
from repairadvisor_webhook.signed_headers import verified_id
from repairadvisor_webhook.strict_json import shown

#: The specification's libraries take five minutes.
REPLAY_WINDOW_S, LEAST_WINDOW_S, MOST_WINDOW_S = 300, 1, 3600
TYPES = ("ticket.created", "ticket.changed")
ENDED_TYPES = ("ticket.closed",)

_LONGEST_REFERENCE = 200
_MICROSECOND = timedelta(microseconds=1)
_DIGITS = re.compile(r"[0-9]{1,19}")
# Controls, breaks of line and paragraph, marks that turn the direction of writing, halves of characters.
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


class SourceSettings(Schema):
    """The operator's settings of a source; see README."""

    secrets = verifying_keys()
    replay_window_s = fields.Integer(
        strict=True, load_default=REPLAY_WINDOW_S, validate=validate.Range(LEAST_WINDOW_S, MOST_WINDOW_S)
    )
    types = fields.List(
        fields.String(validate=validate.Length(1, 200)), load_default=list(TYPES), validate=validate.Length(max=50)
    )
    ended_types = fields.List(
        fields.String(validate=validate.Length(1, 200)),
        load_default=list(ENDED_TYPES),
        validate=validate.Length(max=50),
    )
    sequence_from = fields.String(load_default="data", validate=validate.OneOf(("data", "sequence_extension", "time")))
    binary_mode = fields.Boolean(load_default=False, truthy={True}, falsy={False})


class WebhookSource:
    """Tickets that come as signed events.

    Raises :class:`ValueError` where settings do not go together.
    """

    settings = SourceSettings

    def __init__(
        self,
        *,
        secrets: Sequence[Dated[VerifyingKey]],
        replay_window_s: int,
        types: Sequence[str],
        ended_types: Sequence[str],
        sequence_from: str,
        binary_mode: bool,
    ) -> None:
        both = sorted(set(types) & set(ended_types))
        if both:
            raise ValueError(f"{both[0]} stands in types and in ended_types; allowed: one of them")
        if not types and not ended_types:
            raise ValueError("types and ended_types are both empty: no event would be read")
        if binary_mode and sequence_from != "data":
            raise ValueError(
                f"sequence_from = {sequence_from} with binary_mode = true: the signature does not cover it there;"
                " allowed: data"
            )
        self._keys = tuple(secrets)
        self._window = timedelta(seconds=replay_window_s)
        self._types = frozenset(types)
        self._ended_types = frozenset(ended_types)
        self._sequence: Callable[[CloudEvent, Mapping[str, object]], int] = _SEQUENCES[sequence_from]
        self._binary_mode = binary_mode

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        """The ``webhook-id``: the specification's idempotency key, 1 to 150 characters.

        Raises :class:`EventRefusedError` where a header is missing or not as it must be, the time is outside the
        window, or no secret that counts at ``now`` signed it.
        """
        return verified_id(event.headers, event.body, self._keys, now, self._window)

    def read(self, event: RawEvent) -> Ticket | None:
        """The ticket in the data of the CloudEvent; None for types of events that are none of ours.

        Asks nobody. Raises :class:`EventUnreadableError` for what is no CloudEvent or says nothing usable of a ticket.
        """
        cloud_event = received(event, binary_mode=self._binary_mode)
        if cloud_event.type not in self._types | self._ended_types:
            return None
        data = json_data(cloud_event)
        if not isinstance(data, dict):
            raise _wrong("data", data, "an object")
        return self._ticket(cloud_event, data)

    def _ticket(self, event: CloudEvent, data: Mapping[str, object]) -> Ticket:
        """Nothing but the names that are asked for here is looked at: what else stands in ``data`` says nothing."""
        ended = self._ended(event, data)
        reference = _reference("data.ticket", data.get("ticket"))
        parent = None if data.get("parent") is None else _reference("data.parent", data["parent"])
        if parent == reference:
            raise _wrong("data.parent", parent, "another ticket than data.ticket")
        facts = _facts(data.get("facts", {} if ended else None))
        sequence = self._sequence(event, data)
        return Ticket(
            reference=reference,
            sequence=sequence,
            facts=facts,
            ended=ended,
            parent=parent,
            site=_site(data.get("site")),
        )

    def _ended(self, event: CloudEvent, data: Mapping[str, object]) -> bool:
        """As ``data`` says it, or the type if that is signed; where they contradict each other neither is believed."""
        by_type = event.type in self._ended_types
        said = data.get("ended")
        if said is None:
            if not event.signed_attributes:
                raise _wrong("data.ended", said, "true or false, which binary mode asks for: its type is not signed")
            return by_type
        if not isinstance(said, bool):
            raise _wrong("data.ended", said, "true or false")
        if by_type and not said:
            raise _wrong("data.ended", said, f"true, or none, in an event of type {event.type}")
        return said


def _wrong(field: str, value: object, allowed: str) -> EventUnreadableError:
    return EventUnreadableError(f"{field} = {shown(value)}: allowed: {allowed}")


def _reference(field: str, value: object) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= _LONGEST_REFERENCE or not value.isprintable():
        raise _wrong(field, value, f"a text of 1 to {_LONGEST_REFERENCE} printable characters")
    return value


def _facts(value: object) -> Mapping[str, object]:
    """Raw facts: their names and values are checked where all facts are. Only what cannot be shown is refused here."""
    if not isinstance(value, dict):
        raise _wrong("data.facts", value, "an object")
    _refuse_unprintable("data.facts", value)
    return value


def _refuse_unprintable(where: str, value: object) -> None:
    if isinstance(value, str) and _UNPRINTABLE.search(value):
        raise _wrong(where, value, "printable text")
    if isinstance(value, list):
        for i, part in enumerate(value):
            _refuse_unprintable(f"{where}[{i}]", part)
    if isinstance(value, dict):
        for name, part in value.items():
            if _UNPRINTABLE.search(name):
                raise _wrong(where, name, "names in printable text")
            _refuse_unprintable(f"{where}.{name}", part)


def _site(value: object) -> Site | None:
    if value is None:
        return None
    if not isinstance(value, dict):
        raise _wrong("data.site", value, "an object of latitude_deg and longitude_deg")
    latitude_deg = _degrees("data.site.latitude_deg", value.get("latitude_deg"), 90)
    return Site(latitude_deg, _degrees("data.site.longitude_deg", value.get("longitude_deg"), 180))


def _degrees(field: str, value: object, most: int) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not -most <= value <= most:
        raise _wrong(field, value, f"-{most} to {most} (degrees, WGS 84)")
    return float(value)


def _sequence_in_data(_event: CloudEvent, data: Mapping[str, object]) -> int:
    return _whole("data.sequence", data.get("sequence"))


def _sequence_extension(event: CloudEvent, _data: Mapping[str, object]) -> int:
    """The extension "Sequence" of CloudEvents: a text, here of digits, so that order by text and by number agree only
    if the sender pads it; order by number is what counts."""
    value = event.attributes.get("sequence")
    if isinstance(value, str) and _DIGITS.fullmatch(value):
        value = int(value)
    return _whole("sequence", value)


def _sequence_of_time(event: CloudEvent, _data: Mapping[str, object]) -> int:
    if "time" not in event.attributes:
        raise _wrong("time", None, "RFC 3339: it orders the events of a ticket here")
    return _whole("time", (moment(str(event.attributes["time"])) - datetime(1970, 1, 1, tzinfo=UTC)) // _MICROSECOND)


_SEQUENCES: dict[str, Any] = {
    "data": _sequence_in_data,
    "sequence_extension": _sequence_extension,
    "time": _sequence_of_time,
}


def _whole(field: str, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= MOST_SEQUENCE:
        raise _wrong(field, value, f"a whole number from 0 to {MOST_SEQUENCE}")
    return value
