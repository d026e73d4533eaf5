"""The tree of questions for a fault as it is published; every door writes it here."""

from __future__ import annotations

import orjson
from marshmallow import RAISE, Schema, fields

from repairadvisor.decision.fault_tree import Tree
from repairadvisor.schemas.advice import SCHEMAS, AdviceSchema, document
from repairadvisor.schemas.context import FactsSchema


def tree_bytes(tree: Tree) -> bytes:
    """The tree of questions as JSON in UTF-8: the root, and the advice that its leaves name by their place."""
    return orjson.dumps({"root": tree.root, "advice": [document(one) for one in tree.advice]})


class BranchSchema(Schema):
    """An answer, and where it leads."""

    class Meta:
        unknown = RAISE

    answer = fields.String(required=True, metadata={"description": "the answer in words"})
    told = fields.Nested(
        FactsSchema,
        required=True,
        metadata={"description": "the answer as the fact that it tells, in the form in which facts are given"},
    )
    node = fields.Nested("NodeSchema", required=True)


class NodeSchema(Schema):
    """A question with its answers, or the end of a way."""

    class Meta:
        unknown = RAISE

    question = fields.Nested(SCHEMAS["Question"], required=True, allow_none=True)
    branches = fields.List(fields.Nested(BranchSchema), required=True)
    advice = fields.Integer(
        strict=True,
        required=True,
        allow_none=True,
        metadata={"description": "at the end of a way the place, from 0, of its advice among the tree's; else null"},
    )


class TreeSchema(Schema):
    """What to ask next, answer by answer, and the advice at the end of every way."""

    class Meta:
        unknown = RAISE

    root = fields.Nested(NodeSchema, required=True)
    advice = fields.List(
        fields.Nested(AdviceSchema),
        required=True,
        metadata={"description": "what the ends of ways say, each once; facts_used is empty, they stand on the way"},
    )
