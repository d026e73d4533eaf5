"""Control charts of machines, cleavers and persons, as they are published."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

import orjson
from marshmallow import RAISE, Schema, fields

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import read_moment, shown
from repairadvisor.outcome.control_chart import SIDES
from repairadvisor.outcome.workmanship_charts import KINDS, Workmanship

_SIDE = {"enum": list(SIDES), "description": "upper: joints lose more than they should; lower: less"}
_KIND = {"enum": list(KINDS)}
_SCORE = {"description": "standard deviations; the normal score of what was read under what was to be expected"}
SINCE = "since"


class CompanionSchema(Schema):
    """Somebody or something that took part in some of the joints behind a signal."""

    class Meta:
        unknown = RAISE

    kind = fields.String(required=True, metadata=_KIND)
    id = fields.String(required=True, metadata={"description": "a pseudonym"})
    joints = fields.Integer(required=True)
    mean_score = fields.Float(required=True, metadata=_SCORE)


class SignalSchema(Schema):
    """A sum passed the decision interval."""

    class Meta:
        unknown = RAISE

    side = fields.String(required=True, metadata=_SIDE)
    at = fields.DateTime(required=True, metadata={"description": "when the joint was made with which it was found"})
    since = fields.DateTime(required=True, metadata={"description": "when the joint was made with which it began"})
    joints = fields.Integer(required=True)
    mean_score = fields.Float(required=True, metadata=_SCORE)
    companions = fields.List(fields.Nested(CompanionSchema), required=True)
    said = fields.List(fields.String(), required=True)
    usually = fields.List(fields.String(), required=True, metadata={"description": "what usually lies behind it"})


class PointSchema(Schema):
    """One joint, and both sums after it."""

    class Meta:
        unknown = RAISE

    at = fields.DateTime(required=True)
    score = fields.Float(required=True, metadata=_SCORE)
    upper = fields.Float(required=True)
    lower = fields.Float(required=True)
    signal = fields.String(required=True, metadata={"enum": ["", *SIDES], "description": "the side that signalled"})


class ChartSchema(Schema):
    """The chart of one machine, cleaver or person."""

    class Meta:
        unknown = RAISE

    kind = fields.String(required=True, metadata=_KIND)
    id = fields.String(required=True, metadata={"description": "a pseudonym"})
    joints = fields.Integer(required=True)
    first = fields.DateTime(required=True)
    last = fields.DateTime(required=True)
    signals = fields.List(fields.Nested(SignalSchema), required=True)
    signals_before = fields.Integer(required=True, metadata={"description": "before those that are listed"})
    since_signal = fields.Integer(
        required=True, allow_none=True, metadata={"description": "joints made after the last signal"}
    )
    said = fields.List(fields.String(), required=True)
    points = fields.List(fields.Nested(PointSchema), required=True, metadata={"description": "the last joints"})


class WorkmanshipSchema(Schema):
    """All charts, those that signalled last first."""

    class Meta:
        unknown = RAISE

    policy_id = fields.String(required=True, metadata={"pattern": "^[0-9a-f]{64}$"})
    since = fields.DateTime(required=True, metadata={"description": "attempts made from then on are in the charts"})
    allowance = fields.Float(required=True)
    interval = fields.Float(required=True, metadata={"description": "a sum that passes it signals"})
    attempts = fields.Integer(required=True)
    joints = fields.Integer(required=True)
    unnamed = fields.Integer(required=True, metadata={"description": "joints in no chart: nobody said who made them"})
    left_out = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)
    charts = fields.List(fields.Nested(ChartSchema), required=True)
    does_not_say = fields.List(fields.String(), required=True)


def plain_workmanship(found: Workmanship, since: datetime) -> dict[str, Any]:
    """The document as plain values."""
    return {"since": since, **asdict(found)}


def workmanship_bytes(found: Workmanship, since: datetime) -> bytes:
    """The document as JSON."""
    return orjson.dumps(plain_workmanship(found, since))


def read_since(given: Mapping[str, Sequence[str]]) -> datetime | None:
    """The moment of a query, None where it names none. Raises :class:`InputError` with everything wrong with it."""
    faults = [
        Fault("unknown-field", shown(name), shown(texts[0]), "no such field", SINCE)
        for name, texts in given.items()
        if name != SINCE
    ]
    texts = given.get(SINCE, ())
    if len(texts) > 1:
        faults.append(Fault("name-twice", SINCE, shown(texts[-1]), "stands twice", "once"))
    moment = read_moment(texts[0]) if texts else None
    if texts and moment is None:
        faults.append(Fault("wrong-time", SINCE, shown(texts[0]), "is no moment", "2031-05-04T07:30:00Z"))
    if faults:
        raise InputError(faults)
    return moment
