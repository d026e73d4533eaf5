"""A delivery as it is published: plain values, in the shape that :mod:`repairadvisor.schemas.delivery` describes."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from repairadvisor.schemas.delivery import SAID
from repairadvisor.store.deliveries import Delivery


def plain_delivery(delivery: Delivery) -> dict[str, Any]:
    """A delivery as plain values."""
    return {
        "id": delivery.id,
        "cause": delivery.cause,
        "source": delivery.source,
        "event": delivery.key,
        "received_at": _at(delivery.received_at),
        "ticket": delivery.reference,
        "sequence": delivery.sequence,
        "state": delivery.state,
        "said": SAID[delivery.state],
        "reason": delivery.reason,
        "attempts_failed": delivery.attempt,
        "next_attempt_at": _at(delivery.due_at),
        "changed_at": _at(delivery.changed_at),
        "advice": delivery.advice_id,
        "note": delivery.revision,
        "healed": delivery.healed,
    }


def _at(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat().replace("+00:00", "Z")
