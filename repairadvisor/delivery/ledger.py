"""What became of each event: told, and changed by hand."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from sqlalchemy import Engine

from repairadvisor.delivery.attempts import Attempts
from repairadvisor.delivery.queue import Queue
from repairadvisor.errors import ConflictError, NotFoundError
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import Delivery

_ID = re.compile(r"[0-9a-f]{32}")
#: In which state a delivery begins anew, by its cause, where it does not come back to a note that stands.
_BEGINS = {"event": "waiting", "parent": "noting", "verdict": "noting", "follow_up": "noting"}


class Ledger:
    """The deliveries of one database."""

    def __init__(self, engine: Engine, queue: Queue, attempts: Attempts, clock: Callable[[], datetime]) -> None:
        self._engine = engine
        self._queue = queue
        self._attempts = attempts
        self._clock = clock

    def listed(
        self, states: Sequence[str] = (), source: str = "", reference: str = "", limit: int = 100, offset: int = 0
    ) -> list[Delivery]:
        """Deliveries, those that came last first, without headers and body."""
        with reading(self._engine) as connection:
            return store.listed(connection, states, source, reference, limit, offset)

    def counted(self) -> Mapping[str, int]:
        """How many deliveries are in each state."""
        with reading(self._engine) as connection:
            return store.counted(connection)

    def poll_problems(self) -> Mapping[str, str]:
        """Sources that could not be asked last time, and why."""
        with reading(self._engine) as connection:
            return store.poll_problems(connection)

    def given(self, id: str) -> Delivery:  # noqa: A002
        """The delivery with that id. Raises :class:`NotFoundError`."""
        with reading(self._engine) as connection:
            found = store.delivery(connection, id) if _ID.fullmatch(id) else None
        if found is None:
            raise NotFoundError("delivery", id)
        return found

    def retry(self, id: str) -> Delivery:  # noqa: A002
        """Begin an ended delivery anew. Raises :class:`NotFoundError`, :class:`ConflictError` while it is open."""
        now = self._clock()
        with writing(self._engine) as connection:
            found = store.delivery(connection, id, lock=True) if _ID.fullmatch(id) else None
            if found is None:
                raise NotFoundError("delivery", id)
            if found.is_open and found.attempt == 0:
                raise ConflictError(f"the delivery is {found.state} and is being worked on")
            begins = _BEGINS.get(found.cause, "scheduled")
            anew = {"state": begins, "reason": "", "round": found.round + 1, "attempt": 0}
            # What is to say that an advice has run out does not say so before it has.
            early_s = (
                max(0.0, (found.due_at - now).total_seconds()) if found.cause == "expiry" and found.due_at else 0.0
            )
            self._attempts.begin_as(connection, id, now, anew, early_s)
        return self.given(id)

    def cancel(self, id: str) -> Delivery:  # noqa: A002
        """Do nothing more about a delivery. :class:`NotFoundError`, or :class:`ConflictError` where it has ended."""
        with writing(self._engine) as connection:
            found = store.delivery(connection, id, lock=True) if _ID.fullmatch(id) else None
            if found is None:
                raise NotFoundError("delivery", id)
            if not found.is_open:
                raise ConflictError(f"the delivery has ended: {found.state}")
            now = self._clock()
            store.set_delivery(connection, id, now, state="cancelled", reason="cancelled by hand")
            self._attempts.check_later(connection, found, now)
        if found.work_id:
            self._queue.cancel(found.work_id)
        return self.given(id)
