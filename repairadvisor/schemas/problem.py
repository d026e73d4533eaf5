"""What is sent instead of advice: a problem by RFC 9457, in one shape for every door."""

from __future__ import annotations

from typing import Any

from marshmallow import RAISE, Schema, fields

from repairadvisor.errors import Fault
from repairadvisor.facts.parse import shown


class FaultSchema(Schema):
    """One thing wrong with one field."""

    class Meta:
        unknown = RAISE

    slug = fields.String(required=True, metadata={"description": "a word for the kind of fault; does not change"})
    field = fields.String(required=True, metadata={"description": "the field's name as it was written"})
    value = fields.String(required=True, metadata={"description": "what stood there"})
    problem = fields.String(required=True)
    allowed = fields.String(required=True, metadata={"description": "the permitted range, words or form"})
    unit = fields.String(required=True)


class ProblemSchema(Schema):
    """Why there is no answer, and what to change."""

    class Meta:
        unknown = RAISE

    type = fields.String(required=True, metadata={"format": "uri-reference"})
    title = fields.String(required=True)
    status = fields.Integer(required=True, strict=True)
    detail = fields.String(required=True)
    faults = fields.List(fields.Nested(FaultSchema), required=True)
    cautions = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "cautions that hold at the place that was named, whatever else was wrong"},
    )


def problem(
    slug: str, title: str, status: int, detail: str, faults: tuple[Fault, ...] = (), cautions: tuple[str, ...] = ()
) -> dict[str, Any]:
    """A problem as plain values. ``slug`` names its kind."""
    return {
        "type": f"/problems/{slug}",
        "title": title,
        "status": status,
        "detail": detail,
        "faults": [plain_fault(fault) for fault in faults],
        "cautions": list(cautions),
    }


def plain_fault(fault: Fault) -> dict[str, str]:
    """One fault as plain values; what was sent to us is repeated short and printable."""
    return {
        "slug": fault.slug,
        "field": shown(fault.field),
        "value": shown(fault.value),
        "problem": fault.problem,
        "allowed": fault.allowed,
        "unit": fault.unit,
    }
