"""What another policy would change, as it is published."""

from __future__ import annotations

import orjson

from repairadvisor.decision.policy_comparison import PolicyComparison


def policy_comparison_bytes(found: PolicyComparison, faults: str) -> bytes:
    """As JSON in UTF-8; ``faults`` says what it was made on."""
    return orjson.dumps({"faults": faults, "comparison": found})
