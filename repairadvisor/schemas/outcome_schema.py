"""A report of work as it is published: what :mod:`.outcome` reads, as schemas."""

from __future__ import annotations

from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, validate

from repairadvisor.outcome import reported
from repairadvisor.outcome.reported import BOTH_WAYS_DB, BOUNDS, ONE_WAY_DB
from repairadvisor.schemas.outcome import LONGEST_EVIDENCE, MOST_ENTRIES, MOST_EVIDENCE, NEEDED
from repairadvisor.schemas.outcome_rows import WAVELENGTHS
from repairadvisor.schemas.request import PLAN_ID

_ADVICE_ID = "^[0-9a-f]{32}$"
_ID = r"^[A-Za-z0-9._-]{1,64}$"
_DAY = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"


class _Number(fields.Float):
    """Only what JSON calls a number: marshmallow's own field also takes "3" and true."""

    def _deserialize(self, value: object, *_: object, **__: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValidationError("a number")
        return float(value)


class _Whole(fields.Integer):
    """Only what JSON calls a whole number."""

    def _deserialize(self, value: object, *_: object, **__: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value // 1:
            raise ValidationError("a whole number")
        return int(value)


def _db(low: float, high: float, said: str) -> _Number:
    return _Number(validate=validate.Range(low, high), metadata={"description": f"{said} (dB)"}, allow_none=True)


class ReadingSchema(Schema):
    """What an instrument read of a joint at one wavelength: from one end, from both, or their average alone."""

    class Meta:
        unknown = RAISE

    nm = _Whole(required=True, validate=validate.OneOf(WAVELENGTHS), metadata={"description": "wavelength (nm)"})
    from_near_db = _db(*ONE_WAY_DB, "loss read from the equipment's side; a gain is negative")
    from_far_db = _db(*ONE_WAY_DB, "loss read from the customer's side; a gain is negative")
    both_ways_db = _db(*BOTH_WAYS_DB, "the average of both ways, where that alone was noted")
    bound = fields.String(
        validate=validate.OneOf(BOUNDS),
        metadata={"description": "whether the truth is what was read, or lies below or above it"},
    )


def _text(description: str) -> fields.String:
    return fields.String(validate=validate.Length(1, 64), metadata={"description": description})


def _id(description: str) -> fields.String:
    return fields.String(validate=validate.Regexp(_ID), metadata={"description": description})


_FIELDS: dict[str, fields.Field[Any]] = {
    "fibre": _text("the fibre's name, or a stretch of them as T1F1..T1F12"),
    "method": _text("how the joint was made, as in the plan"),
    "made_at": fields.String(metadata={"format": "date-time", "description": "when, ISO 8601 with its zone"}),
    "readings": fields.List(fields.Nested(ReadingSchema), metadata={"description": "one a wavelength"}),
    "ribbon": fields.String(
        validate=validate.Length(max=64),
        metadata={"description": "the ribbon that was joined as one; empty for a fibre joined by itself"},
    ),
    "person": _id("who made it: an id, never a name; a pseudonym of it is kept"),
    "machine": _id("the machine's id; a pseudonym of it is kept"),
    "cleaver": _id("the cleaver's id; a pseudonym of it is kept"),
}
for _name, _low, _high, _unit in reported.NUMBERS:
    _said = f"{_low:g} to {_high:g} {_unit}"
    _FIELDS[_name] = _Number(validate=validate.Range(_low, _high), metadata={"description": _said}, allow_none=True)
for _name, _least, _most in reported.COUNTS:
    _FIELDS[_name] = _Whole(validate=validate.Range(_least, _most), metadata={"description": f"{_least} to {_most}"})
for _name, _words in reported.WORDS:
    _FIELDS[_name] = fields.String(validate=validate.OneOf(_words))


_SAID = (
    "One attempt at one joint of one fibre, or of each fibre of a stretch; or, under each, what every attempt shares. "
    f"{', '.join(NEEDED)} have to be told in one of both places."
)
AttemptSchema: type[Schema] = type(
    "AttemptSchema", (Schema,), {**_FIELDS, "Meta": type("Meta", (), {"unknown": RAISE}), "__doc__": _SAID}
)


class TemporarySchema(Schema):
    """What is owed after a temporary repair."""

    class Meta:
        unknown = RAISE

    due_on = fields.String(
        validate=validate.Regexp(_DAY),
        metadata={"format": "date", "description": "the day on which the permanent repair is due"},
    )
    responsible = _id("who is to see to it: an id; a pseudonym of it is kept")


class ReportSchema(Schema):
    """A report on the work of one advice."""

    class Meta:
        unknown = RAISE

    advice = fields.String(
        required=True, validate=validate.Regexp(_ADVICE_ID), metadata={"description": "the id of the advice"}
    )
    plan = fields.String(
        validate=validate.Regexp(f"^({PLAN_ID.pattern})?$"),
        metadata={"description": "the plan that was carried out, where it is not the one that was advised"},
    )
    attempts = fields.List(
        fields.Nested(AttemptSchema),
        validate=validate.Length(0, MOST_ENTRIES),
        metadata={
            "description": "a fibre named by itself comes before a stretch that holds it; none only beside evidence, "
            "or beside what is told of a temporary repair"
        },
    )
    each = fields.Nested(AttemptSchema, metadata={"description": "what every attempt shares"})
    evidence = fields.List(
        fields.String(validate=validate.Length(1, LONGEST_EVIDENCE)),
        validate=validate.Length(max=MOST_EVIDENCE),
        metadata={"description": "traces, photographs, gas readings: what there is, and where"},
    )
    temporary = fields.Nested(TemporarySchema)
