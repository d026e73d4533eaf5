"""Attempts at a delivery: which one counts, when the next one is, when to give up.

Whatever goes wrong becomes a plain outcome, ``{"state": …, "reason": …, "retry_after_s": …}``, that a durable engine
can remember: state "later", or the state in which the delivery ends, or "gone" where nobody wants it any more.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

import orjson
from sqlalchemy import Connection, Engine

from repairadvisor.delivery.queue import BRING, EVENTS_LANE, TAKE_IN, Queue, Work
from repairadvisor.errors import (
    EventUnreadableError,
    RemoteRefusedError,
    RemoteUnavailableError,
)
from repairadvisor.plugin import RawEvent
from repairadvisor.plugin.loading import LONGEST_RETRY_S, Plugins
from repairadvisor.render.sentences import one_line
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import RecordsError, reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState

#: Waits are spread by up to this share, so that what failed together does not come back together.
_SPREAD = 0.2
_LONGEST_REASON = 2000


def outcome_of(error: Exception) -> dict[str, object]:
    """What follows from an error of a plugin."""
    if isinstance(error, RecordsError):
        raise error  # our own database is away: that is waited for, and no fault of the delivery
    if isinstance(error, EventUnreadableError):
        return {"state": "set_aside", "reason": _reason(str(error))}
    if isinstance(error, RemoteRefusedError):
        return {"state": "given_up", "reason": _reason(str(error))}
    if isinstance(error, RemoteUnavailableError):
        return {"state": "later", "reason": _reason(str(error)), "retry_after_s": error.retry_after_s}
    return {"state": "later", "reason": _reason(f"the plugin failed: {type(error).__name__}: {error}")}


def _reason(text: str) -> str:
    return one_line(text)[:_LONGEST_REASON]


def lane_of(carrier: str) -> str:
    """The lane of a carrier: a slow one holds up no other."""
    return f"notes.{carrier}"


class Attempts:
    """Begins attempts, and ends them."""

    def __init__(self, engine: Engine, queue: Queue, plugins: Plugins, clock: Callable[[], datetime]) -> None:
        self._engine = engine
        self._queue = queue
        self._plugins = plugins
        self._clock = clock

    def add_event(
        self, connection: Connection, source: str, key: str, event: RawEvent, now: datetime
    ) -> tuple[str, bool]:
        """Keep an event and the work that follows from it, unless it is kept; its delivery's id, whether it is new."""
        new = Delivery(
            id=store.delivery_id("event", source, key),
            cause="event",
            source=source,
            key=key,
            received_at=now,
            changed_at=now,
            headers=orjson.dumps(dict(event.headers)),
            body=event.body,
        )
        is_new = store.add_delivery(connection, new)
        if is_new:
            self.begin(connection, new, TAKE_IN, now)
        return new.id, is_new

    def current(self, delivery_id: str, work_id: str, connection: Connection | None = None) -> Delivery | None:
        """The delivery, if it is open and this attempt at it is the one that counts; locked in a given transaction."""
        if connection is None:
            with reading(self._engine) as own:
                delivery = store.delivery(own, delivery_id)
        else:
            delivery = store.delivery(connection, delivery_id, lock=True)
        wanted = delivery is not None and delivery.is_open and delivery.work_id == work_id
        return delivery if wanted else None

    def begin(self, connection: Connection, delivery: Delivery, kind: str, now: datetime, after_s: float = 0.0) -> None:
        """Submit an attempt at a delivery as it is now."""
        work_id = f"{delivery.id}-{delivery.round}-{delivery.attempt}-{kind}"
        self._submit(connection, delivery, work_id, now, after_s)

    def begin_noting(
        self, connection: Connection, delivery: Delivery, ticket: TicketState, advice_id: str, now: datetime
    ) -> None:
        """Have an advice noted in a ticket, by this delivery and no earlier one."""
        store.set_ticket(connection, ticket.id, advice_id=advice_id, wanted_by=delivery.id)
        store.set_delivery(
            connection, delivery.id, now, state="noting", reason="", advice_id=advice_id, revision=None, attempt=0
        )
        noting = store.delivery(connection, delivery.id)
        if noting is None:
            raise ValueError(f"delivery {delivery.id} is gone")
        self.begin(connection, noting, BRING, now)

    def end_as(self, delivery_id: str, work_id: str, outcome: Mapping[str, Any]) -> str:
        """End an attempt: for good, or until the next one."""
        now = self._clock()
        if outcome["state"] == "gone":
            return "gone"
        with writing(self._engine) as connection:
            delivery = self.current(delivery_id, work_id, connection)
            if delivery is None:
                return "gone"
            if outcome["state"] == "later":
                return self._later(connection, delivery, outcome, now)
            values = {name: value for name, value in outcome.items() if name in ("state", "reason", "healed")}
            store.set_delivery(connection, delivery_id, now, due_at=None, **values)
        return str(outcome["state"])

    def _later(self, connection: Connection, delivery: Delivery, outcome: Mapping[str, Any], now: datetime) -> str:
        waits = self._plugins.retry_after_s
        if delivery.attempt >= len(waits):
            reason = f"given up after {delivery.attempt + 1} attempts: {outcome['reason']}"
            store.set_delivery(connection, delivery.id, now, state="given_up", reason=reason, due_at=None)
            return "given_up"
        wait_s = waits[delivery.attempt] * (1 + _SPREAD * _share(f"{delivery.id} {delivery.attempt}"))
        wait_s = min(max(wait_s, outcome.get("retry_after_s") or 0.0), LONGEST_RETRY_S)
        store.set_delivery(connection, delivery.id, now, attempt=delivery.attempt + 1, reason=outcome["reason"])
        again = store.delivery(connection, delivery.id)
        if again is None:
            raise ValueError(f"delivery {delivery.id} is gone")
        kind = TAKE_IN if again.state == "waiting" else BRING
        self.begin(connection, again, kind, now, wait_s)
        return "later"

    def _submit(self, connection: Connection, delivery: Delivery, work_id: str, now: datetime, after_s: float) -> None:
        kind = TAKE_IN if f"-{TAKE_IN}" in work_id else BRING
        source = self._plugins.sources.get(delivery.source)
        # A source that is set up no more has nobody to note: that is found, and said, where events are read.
        lane = EVENTS_LANE if kind == TAKE_IN or source is None else lane_of(source.notes)
        one_at_a_time = delivery.id if kind == TAKE_IN else delivery.ticket_id or delivery.id
        due_at = now + timedelta(seconds=after_s) if after_s > 0 else None
        store.set_delivery(connection, delivery.id, now, work_id=work_id, due_at=due_at)
        self._queue.submit(connection, Work(work_id, kind, delivery.id, lane, one_at_a_time, after_s))


def _share(text: str) -> float:
    """0 to 1, spread evenly over texts."""
    return hashlib.sha256(text.encode()).digest()[0] / 255
