"""The rules in force as they are published."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import orjson
from marshmallow import RAISE, Schema, fields

from repairadvisor.decision.rules_in_force import RulesInForce
from repairadvisor.policy.model import SCREEN_KINDS


class ExampleSchema(Schema):
    """Facts with which a rule bars, clears, or stays open."""

    class Meta:
        unknown = RAISE

    shows = fields.String(required=True, metadata={"enum": ["bars", "clears", "leaves_open"]})
    facts = fields.String(required=True, metadata={"description": "the facts in words"})


class RuleSchema(Schema):
    """A rule that bars plans."""

    class Meta:
        unknown = RAISE

    id = fields.String(required=True)
    kind = fields.String(required=True, metadata={"enum": list(SCREEN_KINDS)})
    plans = fields.String(required=True, metadata={"description": "the plans it bars, in words"})
    bars_when = fields.String(required=True, metadata={"description": "the whole condition, in words"})
    because = fields.String(required=True)
    not_before = fields.String(
        required=True, metadata={"description": "said at the spot where it is checked on arrival, or empty"}
    )
    source = fields.String(required=True)
    known = fields.String(required=True, metadata={"description": "how it is known"})
    lifted_by = fields.String(required=True)
    lifted_who = fields.String(required=True)
    lifted_after = fields.String(
        required=True, metadata={"description": "minutes, or the fact that tells them; empty where nobody can say"}
    )
    call = fields.List(fields.String(), required=True, metadata={"description": "whom to ring"})
    examples = fields.List(fields.Nested(ExampleSchema), required=True)


class FigureSchema(Schema):
    """A number that a rule, a price or a chance rests on."""

    class Meta:
        unknown = RAISE

    name = fields.String(required=True)
    of = fields.String(
        required=True,
        metadata={
            "enum": ["limit", "rate", "after_work", "floor"],
            "description": "a limit of rules, a rate of prices, what joints are held against after the work, the least "
            "chance that the link closes",
        },
    )
    value = fields.Float(required=True)
    unit = fields.String(required=True)
    source = fields.String(required=True)
    known = fields.String(required=True, metadata={"description": "how it is known"})
    since = fields.String(required=True)


class RulesInForceSchema(Schema):
    """The rules and numbers of the policy in force."""

    class Meta:
        unknown = RAISE

    policy_id = fields.String(required=True, metadata={"pattern": "^[0-9a-f]{64}$"})
    method_version = fields.String(required=True)
    vocabulary_version = fields.String(required=True)
    rules = fields.List(fields.Nested(RuleSchema), required=True)
    figures = fields.List(fields.Nested(FigureSchema), required=True)


def rules_bytes(found: RulesInForce) -> bytes:
    """The document as JSON."""
    return orjson.dumps(plain_rules(found))


def plain_rules(found: RulesInForce) -> dict[str, Any]:
    """The document as plain values."""
    return asdict(found)
