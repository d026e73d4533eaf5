"""A recorded advice made again, as it is published."""

from __future__ import annotations

import orjson
from marshmallow import RAISE, Schema, fields

from repairadvisor.decision.replay import Replay


def replay_bytes(replay: Replay) -> bytes:
    """As JSON in UTF-8."""
    return orjson.dumps(replay)


def _text(description: str) -> fields.String:
    return fields.String(required=True, metadata={"description": description})


class ChangedSchema(Schema):
    """One place in which two documents differ."""

    class Meta:
        unknown = RAISE

    path = _text("the place, as a JSON Pointer (RFC 6901)")
    then = _text("what stands there in the document that was given, as JSON text; empty where nothing stands there")
    now = _text("the same of the document made now")


class ReplaySchema(Schema):
    """A recorded advice made again under the policy that gave it."""

    class Meta:
        unknown = RAISE

    advice = _text("the id under which it is kept")
    policy = _text("the id of the policy")
    equal = fields.Boolean(required=True, metadata={"description": "whether it is the same, byte for byte"})
    method_then = _text("version of the method that gave it")
    method_now = _text("version of the method that made it again")
    vocabulary_then = _text("version of the table of facts then")
    vocabulary_now = _text("version of the table of facts now")
    not_read = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "what was told and cannot be read any more, and why: it was left out"},
    )
    differences = fields.List(fields.Nested(ChangedSchema), required=True)
