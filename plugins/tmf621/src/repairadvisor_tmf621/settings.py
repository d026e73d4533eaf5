"""What an operator may set."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate

from repairadvisor.plugin import LEAST_LONGEST_NOTE

#: When a ticket is asked for, instead of read from the event that tells of it.
NEVER, THIN, ALWAYS = "never", "thin", "always"
#: How the other side is asked for fewer tickets than all of them.
READ_ALL, SORTED, JSONPATH, ATTRIBUTE = "read_all", "sorted", "jsonpath", "attribute"
#: How notes are written.
MERGE_PATCH, JSON_PATCH = "merge_patch", "json_patch"

#: No shorter secret is accepted, characters: 128 bits, if it is hexadecimal.
LEAST_SECRET = 32
#: The schema of the API calls these final by name; ``rejected`` is the operator's to add.
ENDED = ("resolved", "closed", "cancelled")


def _range(low: float, high: float, unit: str) -> validate.Range:
    return validate.Range(low, high, error=f"is not within its range; allowed: {low} to {high} {unit}")


def _one_of(*words: str) -> validate.OneOf:
    return validate.OneOf(words, error=f"is no such word; allowed: {', '.join(words)}")


def _long_enough(secret: str) -> None:
    if len(secret) < LEAST_SECRET or not (secret.isascii() and secret.isprintable()) or " " in secret:
        raise ValidationError(f"is no secret; allowed: {LEAST_SECRET} or more printable ASCII characters, no space")


def _header_name(name: str) -> None:
    if not name or not all(char.isascii() and (char.isalnum() or char == "-") for char in name):
        raise ValidationError("is no name of a header; allowed: letters, digits and -")


def _plain_text(text: str) -> None:
    if not text.strip() or len(text) > 200 or not text.isprintable():
        raise ValidationError("is no plain text; allowed: 1 to 200 printable characters")


def _moment(text: str) -> None:
    try:
        zoned = datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        zoned = False
    if text and not zoned:
        raise ValidationError("is no time; allowed: ISO 8601 with its zone, as 2031-05-04T07:30:00Z")


def _words(default: tuple[str, ...] = ()) -> fields.List[str]:
    return fields.List(fields.String(validate=_plain_text), load_default=lambda: list(default))


def _texts() -> fields.Dict:
    return fields.Dict(keys=fields.String(), values=fields.String(), load_default=dict)


class ApiSettings(Schema):
    """How the API is reached; both seams have these."""

    url = fields.String(load_default="")
    token = fields.String(load_default="")
    user = fields.String(load_default="")
    password = fields.String(load_default="")
    verify = fields.String(load_default="")
    proxy = fields.String(load_default="")
    timeout_s = fields.Float(load_default=15.0, validate=_range(0.1, 120, "s"))
    longest_answer_bytes = fields.Integer(
        load_default=16_777_216, strict=True, validate=_range(65_536, 268_435_456, "bytes")
    )
    page_size = fields.Integer(load_default=100, strict=True, validate=_range(2, 1000, "tickets"))
    most_pages = fields.Integer(load_default=500, strict=True, validate=_range(1, 10_000, "pages"))


class SourceSettings(ApiSettings):
    """Settings of a source of tickets."""

    accepted_tokens = fields.List(fields.String(validate=_long_enough), load_default=list)
    token_header = fields.String(load_default="authorization", validate=_header_name)
    signature_secrets = fields.List(fields.String(validate=_long_enough), load_default=list)
    signature_header = fields.String(load_default="", validate=lambda name: _header_name(name) if name else None)
    longest_event_bytes = fields.Integer(
        load_default=1_048_576, strict=True, validate=_range(1024, 67_108_864, "bytes")
    )
    fetch_ticket = fields.String(load_default="", validate=_one_of("", NEVER, THIN, ALWAYS))

    mapping = _texts()
    words: Any = fields.Dict(
        keys=fields.String(), values=fields.Dict(keys=fields.String(), values=fields.String()), load_default=dict
    )
    typed_facts = _words()
    latitude_deg = fields.String(load_default="")
    longitude_deg = fields.String(load_default="")
    parent_relationships = _words()
    ended_statuses = _words(ENDED)

    poll_every_s = fields.Float(load_default=0.0, validate=_range(0, 86_400, "s"))
    poll_from = fields.String(load_default="", validate=_moment)
    narrow_by = fields.String(load_default=READ_ALL, validate=_one_of(READ_ALL, SORTED, JSONPATH, ATTRIBUTE))
    overlap_s = fields.Float(load_default=300.0, validate=_range(0, 86_400, "s"))
    most_events = fields.Integer(load_default=500, strict=True, validate=_range(1, 10_000, "tickets"))


class CarrierSettings(ApiSettings):
    """Settings of a carrier of notes."""

    author = fields.String(load_default="repairadvisor", validate=_plain_text)
    longest_note = fields.Integer(
        load_default=4000,
        strict=True,
        validate=_range(LEAST_LONGEST_NOTE, 100_000, "characters"),
    )
    patch = fields.String(load_default=MERGE_PATCH, validate=_one_of(MERGE_PATCH, JSON_PATCH))
    write_without_etag = fields.Boolean(load_default=False)
    find_by = fields.String(load_default=JSONPATH, validate=_one_of(READ_ALL, JSONPATH, ATTRIBUTE))
    follow_up_severity = fields.String(load_default="Minor", validate=_plain_text)
    follow_up_type = fields.String(load_default="request", validate=_plain_text)
    follow_up_relationship = fields.String(load_default="dependency", validate=_plain_text)
