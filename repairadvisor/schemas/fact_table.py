"""The table of facts as it is published."""

from __future__ import annotations

from typing import Any

from marshmallow import RAISE, Schema, fields

from repairadvisor.facts.units import accepted_units
from repairadvisor.facts.vocabulary import FACTS, FIRST_ASKED, VOCABULARY_VERSION, Fact


class FactSchema(Schema):
    """One fact: in words, or a number with a unit."""

    class Meta:
        unknown = RAISE

    name = fields.String(required=True)
    meaning = fields.String(required=True)
    words = fields.List(fields.String(), required=True, metadata={"description": "empty for a number"})
    unit = fields.String(required=True)
    accepted_units = fields.List(fields.String(), required=True)
    low = fields.Float(required=True, allow_none=True)
    high = fields.Float(required=True, allow_none=True)
    whole = fields.Boolean(required=True, metadata={"description": "whole numbers only"})
    applies = fields.Dict(
        keys=fields.String(),
        values=fields.List(fields.String()),
        required=True,
        metadata={"description": "has a meaning only beside these words of other facts; all must hold"},
    )
    as_time = fields.String(required=True, metadata={"description": "its name when given as a moment, or empty"})
    time_runs = fields.String(required=True, metadata={"description": "ago or ahead of now, or empty"})
    passing = fields.Boolean(required=True, metadata={"description": "changes by itself"})
    learnt = fields.List(fields.String(), required=True, metadata={"description": "how it can be learnt"})


class FactTableSchema(Schema):
    """Everything that can be said of a fault."""

    class Meta:
        unknown = RAISE

    vocabulary_version = fields.String(required=True)
    first_asked = fields.List(fields.String(), required=True)
    facts = fields.List(fields.Nested(FactSchema), required=True)


def fact_table() -> dict[str, Any]:
    """The table as plain values, in the order in which facts are shown."""
    return {
        "vocabulary_version": VOCABULARY_VERSION,
        "first_asked": list(FIRST_ASKED),
        "facts": [_plain(fact) for fact in FACTS],
    }


def _plain(fact: Fact) -> dict[str, Any]:
    return {
        "name": fact.name,
        "meaning": fact.meaning,
        "words": list(fact.words),
        "unit": fact.unit,
        "accepted_units": list(accepted_units(fact.unit)) if fact.is_number else [],
        "low": fact.low if fact.is_number else None,
        "high": fact.high if fact.is_number else None,
        "whole": fact.whole,
        "applies": {parent: list(words) for parent, words in fact.applies},
        "as_time": fact.as_time,
        "time_runs": fact.time_runs,
        "passing": fact.passing,
        "learnt": list(fact.learnt),
    }
