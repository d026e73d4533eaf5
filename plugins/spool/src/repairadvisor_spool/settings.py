"""What an operator may set."""

from __future__ import annotations

from pathlib import PurePosixPath

from marshmallow import Schema, ValidationError, fields, validate

from repairadvisor.plugin import LEAST_LONGEST_NOTE

RENAME, QUIET, DONE_FILE = "rename", "quiet", "done_file"
READY_BY = (RENAME, QUIET, DONE_FILE)
KEPT, REMOVED = "kept", "removed"
CONSUMED = (KEPT, REMOVED)

SETTLE_S = 2.0
POLL_EVERY_S = 10.0
MAX_BYTES = 1024 * 1024
LONGEST_NOTE = 10_000


def _absolute(folder: str) -> None:
    """A relative path would mean another folder from wherever the service is started."""
    if not PurePosixPath(folder).is_absolute() or "\0" in folder:
        raise ValidationError("is no absolute path")


def _range(low: float, high: float, unit: str) -> validate.Range:
    return validate.Range(low, high, error=f"is not within its range; allowed: {low} to {high} {unit}")


def _one_of(words: tuple[str, ...]) -> validate.OneOf:
    return validate.OneOf(words, error=f"is no such word; allowed: {', '.join(words)}")


class SourceSettings(Schema):
    """Settings of a source of event files."""

    folder = fields.String(required=True, validate=_absolute)
    ready_by = fields.String(load_default=QUIET, validate=_one_of(READY_BY))
    settle_s = fields.Float(load_default=SETTLE_S, validate=_range(0.1, 3600, "s"))
    poll_every_s = fields.Float(load_default=POLL_EVERY_S, validate=_range(0.5, 86_400, "s"))
    max_bytes = fields.Integer(load_default=MAX_BYTES, strict=True, validate=_range(1024, 16_777_216, "bytes"))


class CarrierSettings(Schema):
    """Settings of a carrier of note files."""

    folder = fields.String(required=True, validate=_absolute)
    consumed = fields.String(load_default=KEPT, validate=_one_of(CONSUMED))
    longest_note = fields.Integer(
        load_default=LONGEST_NOTE,
        strict=True,
        validate=_range(LEAST_LONGEST_NOTE, 100_000, "characters"),
    )
