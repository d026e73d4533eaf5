"""The first half of a delivery: an event is read, its ticket brought up to date, and advice given on it.

Each method that changes the tables does so in one transaction, together with the work that follows from it, and does
no harm when it is run twice.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

import orjson
from sqlalchemy import Connection, Engine

from repairadvisor.delivery.attempts import Attempts, outcome_of
from repairadvisor.delivery.gathering import gathered
from repairadvisor.delivery.queue import Step
from repairadvisor.errors import ConflictError, EventUnreadableError, InputError, NotFoundError
from repairadvisor.plugin import RawEvent, Site, Ticket
from repairadvisor.plugin.loading import Plugins
from repairadvisor.service import Advisor, KeepAs
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState


class Intake:
    """Reads events and advises on their tickets."""

    def __init__(
        self, engine: Engine, attempts: Attempts, advisor: Advisor, plugins: Plugins, clock: Callable[[], datetime]
    ) -> None:
        self._engine = engine
        self._attempts = attempts
        self._advisor = advisor
        self._plugins = plugins
        self._clock = clock
        # Advice is pure reckoning: two at a time take twice as long, and hold up the door meanwhile.
        self._one_at_a_time = threading.Lock()

    def take_in(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Read an event, advise on its ticket, and hand the advice on to be noted."""
        told: Any = step("read", lambda: self._read(delivery_id, work_id))
        if "ticket" not in told:
            step("end", lambda: self._attempts.end_as(delivery_id, work_id, told))
            return
        ticket = _ticket_of(told["ticket"])
        accepted: Any = step("accept", lambda: self._accept(delivery_id, work_id, ticket))
        if accepted == "share":
            step("hand_over", lambda: self._hand_over(delivery_id, work_id, None))
        if accepted != "go":
            return
        known: Any = step("facts", lambda: self._known(ticket))
        if "facts" not in known:
            step("end", lambda: self._attempts.end_as(delivery_id, work_id, known))
            return
        advised: Any = step("advise", lambda: self._advise(delivery_id, ticket, known))
        if "advice_id" not in advised:
            step("end", lambda: self._attempts.end_as(delivery_id, work_id, advised))
            return
        step("hand_over", lambda: self._hand_over(delivery_id, work_id, advised["advice_id"]))

    def read_event(self, source_name: str, event: RawEvent) -> Ticket | None:
        """The ticket of an event, in a form that can be kept."""
        configured = self._plugins.sources.get(source_name)
        if configured is None:
            raise ValueError(f"no source {source_name} is set up any more")
        ticket = configured.source.read(event)
        if ticket is None:
            return None
        try:
            return _ticket_of(orjson.loads(orjson.dumps(asdict(ticket))))
        except (orjson.JSONEncodeError, TypeError, ValueError) as error:
            raise EventUnreadableError(f"the ticket cannot be kept: {error}") from error

    def _read(self, delivery_id: str, work_id: str) -> Mapping[str, object]:
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is None:
            return {"state": "gone"}
        event = RawEvent(orjson.loads(delivery.headers), delivery.body)
        try:
            ticket = self.read_event(delivery.source, event)
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)
        if ticket is None:
            return {"state": "no_ticket", "reason": "the event tells of no ticket"}
        return {"ticket": orjson.loads(orjson.dumps(asdict(ticket)))}

    # --- the ticket -------------------------------------------------------------------------------------------

    def _accept(self, delivery_id: str, work_id: str, ticket: Ticket) -> str:
        """Bring what is known of the ticket up to date, unless a later event has done so.

        "go" if advice is due, "share" if the ticket's parent has it.
        """
        with writing(self._engine) as connection:
            delivery = self._attempts.current(delivery_id, work_id, connection)
            if delivery is None:
                return "gone"
            id = store.ticket_id(delivery.source, ticket.reference)  # noqa: A001
            named: dict[str, Any] = {"ticket_id": id, "reference": ticket.reference, "sequence": ticket.sequence}
            state, reason = self._bring_up_to_date(connection, delivery, id, ticket)
            if state:
                named |= {"state": state, "reason": reason, "due_at": None}
            store.set_delivery(connection, delivery_id, self._clock(), **named)
            stands = None if state else store.ticket(connection, id)
            shared = stands is not None and self._of_parent(connection, stands) is not None
        return state or ("share" if shared else "go")

    def _bring_up_to_date(self, connection: Connection, delivery: Delivery, id: str, ticket: Ticket) -> tuple[str, str]:  # noqa: A002
        told = hashlib.sha256(orjson.dumps(_what_it_tells(ticket), option=orjson.OPT_SORT_KEYS)).hexdigest()
        parent = ticket.parent if ticket.parent != ticket.reference else None
        stands: dict[str, Any] = {
            "sequence": ticket.sequence,
            "told": told,
            "told_by": delivery.id,
            "ended": ticket.ended,
            "parent_id": store.ticket_id(delivery.source, parent) if parent else None,
        }
        new = TicketState(id=id, source=delivery.source, reference=ticket.reference, **stands)
        if not store.add_ticket(connection, new):
            before = store.ticket(connection, id, lock=True)
            if before is None:
                raise ValueError(f"ticket {id} is there and is not there")
            if before.told_by != delivery.id and not _is_later(connection, delivery, ticket, before):
                return "overtaken", "a later state of this ticket came first"
            if before.told == told and before.told_by != delivery.id and not _is_owed(connection, before):
                # Its advice is given or on its way: whoever brings it must not be overtaken by an echo.
                store.set_ticket(connection, id, sequence=ticket.sequence)
                return "unchanged", "the ticket says what it said before"
            # Run again after a crash: an echo may have raised the sequence meanwhile, and relied on this event.
            store.set_ticket(connection, id, **{**stands, "sequence": max(before.sequence, ticket.sequence)})
        return ("ticket_ended", "the ticket has ended") if ticket.ended else ("", "")

    # --- advice -----------------------------------------------------------------------------------------------

    def _known(self, ticket: Ticket) -> Mapping[str, object]:
        now = self._clock()
        try:
            found, problems = gathered(self._plugins.facts, ticket, now)
        except InputError as error:
            return {"state": "set_aside", "reason": f"the facts cannot be used: {error}"}
        return {"now": now.isoformat(), "facts": {**ticket.facts, **found}, "problems": problems}

    def _advise(self, delivery_id: str, ticket: Ticket, known: Mapping[str, Any]) -> Mapping[str, object]:
        with reading(self._engine) as connection:
            delivery = store.delivery(connection, delivery_id)
        if delivery is None:
            return {"state": "gone"}
        try:
            return {"advice_id": self._advice(delivery, ticket, known["facts"], known["now"])}
        except InputError as error:
            return {"state": "set_aside", "reason": f"the facts cannot be used: {error}"}

    def _advice(self, delivery: Delivery, ticket: Ticket, facts: Mapping[str, object], now: str) -> str:
        request = {"facts": facts, "now": now, "issued_plan": self._issued_plan(delivery)}
        asked = hashlib.sha256(orjson.dumps(request, option=orjson.OPT_SORT_KEYS)).hexdigest()
        id = hashlib.sha256(f"{delivery.id} {delivery.round} {asked}".encode()).hexdigest()[:32]  # noqa: A001
        with self._one_at_a_time:
            answer = self._advisor.advise(request, datetime.fromisoformat(now), KeepAs(id, asked, ticket.reference))
        if answer.id is None:
            raise ValueError("the advice was not kept")
        return answer.id

    def _issued_plan(self, delivery: Delivery) -> str:
        """The plan that the ticket was given last, so that plans do not flip on the road; "" where there is none."""
        with reading(self._engine) as connection:
            ticket = None if delivery.ticket_id is None else store.ticket(connection, delivery.ticket_id)
        if ticket is None or ticket.advice_id is None:
            return ""
        try:
            advice = self._advisor.answer_given(ticket.advice_id).advice
        except (NotFoundError, ConflictError):
            return ""
        given = advice.plan.id if advice.action == "repair" and advice.plan is not None else ""
        return given if self._advisor.knows_plan(given) else ""  # another policy may be in force since

    def _hand_over(self, delivery_id: str, work_id: str, advice_id: str | None) -> str:
        """Have the advice noted in the ticket, and in those that share it."""
        now = self._clock()
        with writing(self._engine) as connection:
            delivery = self._attempts.current(delivery_id, work_id, connection)
            if delivery is None or delivery.ticket_id is None:
                return "gone"
            ticket = store.ticket(connection, delivery.ticket_id, lock=True)
            if ticket is None or ticket.told_by != delivery_id:
                store.set_delivery(connection, delivery_id, now, state="overtaken", reason="a later event came")
                return "overtaken"
            advice_id = self._of_parent(connection, ticket) or advice_id
            if advice_id is None:  # the parent ended since: this ticket is advised on by itself
                self._attempts.begin_as(connection, delivery_id, now, {"round": delivery.round + 1})
                return "again"
            self._attempts.begin_noting(connection, delivery, ticket, advice_id, now)
            for child in store.children(connection, ticket.id) if ticket.parent_id is None else ():
                shared = Delivery(
                    id=store.delivery_id("parent", child.source, f"{delivery_id} {delivery.round} {child.id}"),
                    cause="parent",
                    source=child.source,
                    key=f"{ticket.reference}: {delivery.key}",
                    received_at=now,
                    changed_at=now,
                    ticket_id=child.id,
                    reference=child.reference,
                    sequence=child.sequence,
                    state="noting",
                )
                if store.add_delivery(connection, shared):
                    self._attempts.begin_noting(connection, shared, child, advice_id, now)
        return "noting"

    def _of_parent(self, connection: Connection, ticket: TicketState) -> str | None:
        """The advice of the ticket to which this one belongs, where that one has any."""
        parent = store.ticket(connection, ticket.parent_id) if ticket.parent_id else None
        if parent is None or parent.ended or parent.parent_id is not None:
            return None  # in a chain or a circle of parents nobody is the first: each is advised on by itself
        return parent.advice_id


def _is_later(connection: Connection, delivery: Delivery, ticket: Ticket, before: TicketState) -> bool:
    """Whether an event says something later of a ticket than what is known. Of two that were said at the same moment
    the one that came later counts; where even that is the same, any, but always the same one."""
    if ticket.sequence != before.sequence:
        return ticket.sequence > before.sequence
    told_by = store.delivery(connection, before.told_by)
    return told_by is None or (delivery.received_at, delivery.id) >= (told_by.received_at, told_by.id)


def _is_owed(connection: Connection, before: TicketState) -> bool:
    """Whether nobody is going to bring what the ticket's latest event asks for, though it could be brought."""
    told_by = store.delivery(connection, before.told_by)
    return told_by is not None and told_by.state in ("given_up", "cancelled")


def _what_it_tells(ticket: Ticket) -> dict[str, object]:
    said = asdict(ticket)
    del said["sequence"]
    return said


def _ticket_of(plain: Mapping[str, Any]) -> Ticket:
    site = plain["site"]
    return Ticket(**{**plain, "site": Site(**site) if site else None})
