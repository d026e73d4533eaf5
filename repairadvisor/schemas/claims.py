"""What a policy claims, and what became of it, as published."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

import orjson
from marshmallow import RAISE, Schema, fields

from repairadvisor.decision.proofs import FAILS, HOLDS, UNDECIDED, Proof
from repairadvisor.policy.model import Claim

NOT_LOOKED_AT = "nobody has looked"
_OF_LIMITS = ("name", "value", "unit", "source", "known", "since")


class ClaimLimitSchema(Schema):
    """A figure of a claim's own."""

    class Meta:
        unknown = RAISE

    name = fields.String(required=True)
    value = fields.Float(required=True)
    unit = fields.String(required=True)
    source = fields.String(required=True)
    known = fields.String(required=True, metadata={"description": "how it is known"})
    since = fields.String(required=True)


class CounterexampleSchema(Schema):
    """Facts that speak against a claim, and what the service says of them."""

    class Meta:
        unknown = RAISE

    told = fields.Dict(keys=fields.String(), required=True)
    now = fields.DateTime(required=True)
    plan = fields.String(required=True)
    action = fields.String(required=True)
    said = fields.String(required=True)


class ClaimSchema(Schema):
    """A sentence about the whole policy, and what became of it when it was looked at."""

    class Meta:
        unknown = RAISE

    id = fields.String(required=True)
    kind = fields.String(required=True)
    says = fields.String(required=True)
    limits = fields.List(fields.Nested(ClaimLimitSchema), required=True)
    source = fields.String(required=True)
    known = fields.String(required=True, metadata={"description": "how it is known"})
    verdict = fields.String(required=True, metadata={"enum": [HOLDS, FAILS, UNDECIDED, NOT_LOOKED_AT]})
    how = fields.String(required=True, metadata={"description": "what was proven and what was only tried"})
    branches = fields.Integer(required=True)
    plans = fields.Integer(required=True)
    seconds = fields.Float(required=True)
    counterexample = fields.Nested(CounterexampleSchema, required=True, allow_none=True)


class ClaimsSchema(Schema):
    """The claims of the policy in force."""

    class Meta:
        unknown = RAISE

    policy_id = fields.String(required=True)
    method_version = fields.String(required=True)
    proven_at = fields.DateTime(required=True, allow_none=True, metadata={"description": "when they were looked at"})
    claims = fields.List(fields.Nested(ClaimSchema), required=True)


def proofs_bytes(found: Sequence[tuple[Proof, float]]) -> bytes:
    """Proofs with the seconds that each took, to be kept."""
    return orjson.dumps([{**asdict(proof), "seconds": round(seconds, 3)} for proof, seconds in found])


def claims_as_plain(
    policy_id: str, claimed: Sequence[Claim], method_version: str, kept: tuple[datetime, bytes] | None
) -> dict[str, Any]:
    """The claims of a policy beside what was kept of their proofs; a claim without one is nowhere called proven."""
    found = {} if kept is None else {one["claim"]: one for one in orjson.loads(kept[1])}
    claims = []
    for claim in claimed:
        proof = found.get(claim.id, {})
        claims.append(
            {
                "id": claim.id,
                "kind": claim.kind,
                "says": claim.says,
                "limits": [{name: getattr(limit, name) for name in _OF_LIMITS} for limit in claim.limits],
                "source": claim.source,
                "known": claim.known,
                "verdict": proof.get("verdict", NOT_LOOKED_AT),
                "how": proof.get("how", ""),
                **{name: proof.get(name, 0) for name in ("branches", "plans", "seconds")},
                "counterexample": proof.get("counterexample"),
            }
        )
    proven_at = None if kept is None else kept[0].isoformat()
    return {"policy_id": policy_id, "method_version": method_version, "proven_at": proven_at, "claims": claims}


def claims_bytes(plain: dict[str, Any]) -> bytes:
    """The same as JSON."""
    return orjson.dumps(plain)
