"""What comes back to a ticket that holds a note: to look once more, or to let the note say that its advice has run out.

A request whose sender is gone may be carried out late, when everything has been looked at: so whenever it is not known
whether something was written, the ticket is looked at once more after a while, also when it was closed meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Engine

from repairadvisor.delivery.attempts import Attempts, outcome_of
from repairadvisor.delivery.bringing import carrier_and_ticket, noted_or_remembered
from repairadvisor.delivery.notes import ADVICE, WORK, expiring, tidied
from repairadvisor.delivery.queue import Step
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin.loading import Plugins
from repairadvisor.schemas.advice import read_document
from repairadvisor.service import Advisor
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState
from repairadvisor.store.work_notes import work_note


class Afterwards:
    """Comes back to tickets."""

    def __init__(
        self,
        engine: Engine,
        attempts: Attempts,
        advisor: Advisor,
        plugins: Plugins,
        clock: Callable[[], datetime],
        is_alive: Callable[[], bool],
        seal: Seal,
    ) -> None:
        self._engine = engine
        self._attempts = attempts
        self._advisor = advisor
        self._plugins = plugins
        self._clock = clock
        self._is_alive = is_alive
        self._seal = seal

    def come_back(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Look, rewrite what has to be, and remember."""
        written: Any = step("write", lambda: self._write(delivery_id, work_id))
        if written["state"] == "noted":
            step("finish", lambda: self._finish(delivery_id, work_id, written["healed"]))
        else:
            step("end", lambda: self._attempts.end_as(delivery_id, work_id, written))

    def _write(self, delivery_id: str, work_id: str) -> Mapping[str, Any]:
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is None:
            return {"state": "gone"}
        if not self._is_alive():
            return {"state": "later", "reason": "this process was away for so long that others took up its work"}
        try:
            return self._run_out(delivery) if delivery.cause == "expiry" else self._looked_at(delivery)
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)

    def _looked_at(self, delivery: Delivery) -> Mapping[str, Any]:
        carrier, ticket = carrier_and_ticket(self._engine, self._plugins, delivery)
        held = carrier.look(ticket.reference)
        if held is None:
            return {"state": "noted", "healed": 0}
        kind, counts, coming = self._counting(delivery, ticket)
        made = tidied(
            ticket.id, counts, held, self._clock(), self._seal, self._advisor.voice, kind, newer_is_coming=coming
        )
        if not made.is_settled:
            carrier.change(ticket.reference, made.change)
        return {"state": "noted", "healed": made.healed}

    def _counting(self, delivery: Delivery, ticket: TicketState) -> tuple[str, int, bool]:
        """Of which kind the notes are that are looked at, which revision counts, and whether a newer one is coming."""
        with reading(self._engine) as connection:
            if delivery.cause == "verdict_check":
                coming = store.open_of_cause(connection, ticket.id, "verdict")
                return WORK, work_note(connection, ticket.id).noted_revision, bool(coming)
            wanted_by = store.delivery(connection, ticket.wanted_by or "")
        return ADVICE, ticket.noted_revision, not ticket.ended and wanted_by is not None and wanted_by.is_open

    def _run_out(self, delivery: Delivery) -> Mapping[str, Any]:
        carrier, ticket = carrier_and_ticket(self._engine, self._plugins, delivery)
        if ticket.ended:
            return {"state": "ticket_ended", "reason": "the ticket has ended"}
        if ticket.noted_revision != delivery.revision or ticket.revisions != delivery.revision:
            return {"state": "overtaken", "reason": "another note took its place before"}
        until = read_document(self._advisor.given(delivery.advice_id or "").document).valid_until
        since = datetime.fromisoformat(until) if until else self._clock()
        held = noted_or_remembered(carrier, ticket)
        change = expiring(ticket.id, ticket.noted_revision, held, since, self._seal, self._advisor.voice)
        if change.rewrite:
            carrier.change(ticket.reference, change)
        return {"state": "noted", "healed": 0}

    def _finish(self, delivery_id: str, work_id: str, healed: int) -> str:
        now = self._clock()
        with writing(self._engine) as connection:
            delivery = self._attempts.current(delivery_id, work_id, connection)
            if delivery is None:
                return "gone"
            store.set_delivery(connection, delivery_id, now, state="noted", reason="", due_at=None, healed=healed)
            if delivery.cause == "expiry" and delivery.ticket_id:
                # The same advice given anew is a new note: the old one says that it no longer holds.
                store.set_ticket(connection, delivery.ticket_id, noted_digest="")
        return "noted"
