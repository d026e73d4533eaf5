"""Attempts at a delivery: which one counts, when the next one is, when to give up.

Whatever goes wrong becomes a plain outcome, ``{"state": …, "reason": …, "retry_after_s": …}``, that a durable engine
can remember: state "later", or the state in which the delivery ends, or "gone" where nobody wants it any more.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import orjson
from sqlalchemy import Connection, Engine

from repairadvisor.delivery.queue import BRING, COME_BACK, EVENTS_LANE, TAKE_IN, Queue, Work
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
from repairadvisor.store.work_notes import set_work_note

#: Waits are spread by up to this share, so that what failed together does not come back together.
_SPREAD = 0.2
#: How often an attempt may be begun: a process may be killed many times in an hour for reasons of its own.
MOST_BEGINS = 25
#: What comes back to a ticket that holds a note.
AFTERWARDS = ("expiry", "check", "verdict_check")
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


def kind_of(delivery: Delivery) -> str:
    """The work that is next for a delivery."""
    if delivery.state == "waiting":
        return TAKE_IN
    return COME_BACK if delivery.cause in AFTERWARDS else BRING


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
            self.begin(connection, new, now)
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

    def may_begin(self, delivery_id: str, work_id: str) -> bool:
        """Whether a process may begin, or begin again, on an attempt: it counts, and not too many have died over it.

        What ends every process that touches it would otherwise end them for ever, and hold up all that comes behind.
        """
        with writing(self._engine) as connection:
            delivery = self.current(delivery_id, work_id, connection)
            if delivery is None:
                return False
            now = self._clock()
            if delivery.begins < MOST_BEGINS:
                store.set_delivery(connection, delivery_id, now, begins=delivery.begins + 1)
                return True
            reason = f"processes ended {delivery.begins} times while they were at it"
            store.set_delivery(connection, delivery_id, now, state="given_up", reason=reason, due_at=None)
        return False

    def begin(self, connection: Connection, delivery: Delivery, now: datetime, after_s: float = 0.0) -> None:
        """Submit an attempt at a delivery as it is now."""
        kind = kind_of(delivery)
        source = self._plugins.sources.get(delivery.source)
        # A source that is set up no more has nobody to note: that is found, and said, where events are read.
        lane = EVENTS_LANE if kind == TAKE_IN or source is None else lane_of(source.notes)
        one_at_a_time = delivery.id if kind == TAKE_IN else delivery.ticket_id or delivery.id
        work = Work(
            f"{delivery.id}-{delivery.round}-{delivery.attempt}-{kind}", kind, delivery.id, lane, one_at_a_time, after_s
        )
        due_at = now + timedelta(seconds=after_s) if after_s > 0 else None
        store.set_delivery(connection, delivery.id, now, work_id=work.id, due_at=due_at, begins=0)
        self._queue.submit(connection, work)

    def begin_as(
        self, connection: Connection, delivery_id: str, now: datetime, changes: Mapping[str, Any], after_s: float = 0.0
    ) -> None:
        """Change a delivery and submit an attempt at it as it is then."""
        store.set_delivery(connection, delivery_id, now, **changes)
        changed = store.delivery(connection, delivery_id)
        if changed is None:
            raise ValueError(f"delivery {delivery_id} is gone")
        self.begin(connection, changed, now, after_s)

    def come_back(
        self, connection: Connection, cause: str, key: str, delivery: Delivery, now: datetime, after_s: float
    ) -> None:
        """Come back to the ticket of a delivery later; once for each ``key``."""
        later = Delivery(
            id=store.delivery_id(cause, delivery.source, f"{delivery.id} {key}"),
            cause=cause,
            source=delivery.source,
            key=f"{delivery.reference}: note {delivery.revision}",
            received_at=now,
            changed_at=now,
            ticket_id=delivery.ticket_id,
            reference=delivery.reference,
            sequence=delivery.sequence,
            state="scheduled",
            advice_id=delivery.advice_id,
            revision=delivery.revision,
        )
        if store.add_delivery(connection, later):
            self.begin(connection, later, now, after_s)

    def check_later(self, connection: Connection, delivery: Delivery, now: datetime) -> None:
        """What was sent for a delivery and not answered may still arrive, after everything that was looked at: look at
        its ticket once more. Looking once more leads to no further look, or it would never end."""
        if delivery.cause not in AFTERWARDS and delivery.revision is not None:
            key = f"{delivery.round} {delivery.attempt}"
            cause = "verdict_check" if delivery.cause == "verdict" else "check"
            self.come_back(connection, cause, key, delivery, now, self._plugins.check_after_s)

    def begin_noting(
        self, connection: Connection, delivery: Delivery, ticket: TicketState, advice_id: str, now: datetime
    ) -> None:
        """Have an advice noted in a ticket, by this delivery and no earlier one."""
        store.set_ticket(connection, ticket.id, advice_id=advice_id, wanted_by=delivery.id)
        begun = {"state": "noting", "reason": "", "advice_id": advice_id, "revision": None, "attempt": 0}
        self.begin_as(connection, delivery.id, now, begun)

    def end_as(
        self, delivery_id: str, work_id: str, outcome: Mapping[str, Any], *, may_have_written: bool = False
    ) -> str:
        """End an attempt: for good, or until the next one."""
        now = self._clock()
        if outcome["state"] == "gone":
            return "gone"
        with writing(self._engine) as connection:
            delivery = self.current(delivery_id, work_id, connection)
            if delivery is None:
                return "gone"
            if may_have_written:
                self.check_later(connection, delivery, now)
            if "newest" in outcome:
                delivery = self._number_anew(connection, delivery, outcome["newest"], now)
            if outcome["state"] == "later":
                return self._later(connection, delivery, outcome, now)
            values = {"state": outcome["state"], "reason": _reason(str(outcome.get("reason", "")))}
            store.set_delivery(connection, delivery_id, now, due_at=None, **values)
        return str(outcome["state"])

    def stumbled(self, connection: Connection, delivery: Delivery, now: datetime) -> str:
        """An attempt whose work ended without an outcome, as by a fault of ours: it counts as one that failed."""
        reason = "the work ended without an outcome; the log of the process says more"
        return self._later(connection, delivery, {"state": "later", "reason": reason}, now)

    def _number_anew(self, connection: Connection, delivery: Delivery, newest: int, now: datetime) -> Delivery:
        """A note of ours stands in a ticket that is later than any that is known here, as after the database was put
        back to an earlier day: the next one is numbered behind it."""
        if delivery.cause == "verdict":
            set_work_note(connection, delivery.ticket_id or "", revisions=newest)
        else:
            store.set_ticket(connection, delivery.ticket_id or "", revisions=newest)
        store.set_delivery(connection, delivery.id, now, revision=None)
        return replace(delivery, revision=None)

    def _later(self, connection: Connection, delivery: Delivery, outcome: Mapping[str, Any], now: datetime) -> str:
        waits = self._plugins.retry_after_s
        if delivery.attempt >= len(waits):
            reason = _reason(f"given up after {delivery.attempt + 1} attempts: {outcome['reason']}")
            store.set_delivery(connection, delivery.id, now, state="given_up", reason=reason, due_at=None)
            return "given_up"
        wait_s = waits[delivery.attempt] * (1 + _SPREAD * _share(f"{delivery.id} {delivery.attempt}"))
        wait_s = min(max(wait_s, outcome.get("retry_after_s") or 0.0), LONGEST_RETRY_S)
        failed = {"attempt": delivery.attempt + 1, "reason": _reason(outcome["reason"])}
        self.begin_as(connection, delivery.id, now, failed, wait_s)
        return "later"


def _share(text: str) -> float:
    """0 to 1, spread evenly over texts."""
    return hashlib.sha256(text.encode()).digest()[0] / 255
