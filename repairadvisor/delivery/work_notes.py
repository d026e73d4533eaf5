"""What was done goes back to the ticket: verdicts, attempts, evidence, the day a temporary repair is due, in one note
beside the advice; and a temporary repair opens the ticket that follows from it, once.

The note says all that is known of the work when it is begun, so that reports that come together lead to one note. It
is brought also to a ticket that has ended meanwhile: it is no guidance but the record, and what is owed after a
temporary repair is owed all the more when its ticket is closed.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

import orjson
from sqlalchemy import Connection, Engine

from repairadvisor.delivery.attempts import Attempts, outcome_of
from repairadvisor.delivery.bringing import carrier_and_ticket
from repairadvisor.delivery.notes import WORK, Reconciled, marked, reconciled, room_around
from repairadvisor.delivery.queue import Step
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin import FollowUpOpener, HeldNote, Note, NoteCarrier, NoteChange, NoteMark
from repairadvisor.plugin.loading import Plugins
from repairadvisor.render.outcome import note_lines
from repairadvisor.render.ticket_note import packed
from repairadvisor.schemas.outcome_answer import WorkSoFar
from repairadvisor.service import Advisor
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState
from repairadvisor.store.outcomes import temporary_is_kept
from repairadvisor.store.work_notes import WorkNote, set_work_note, work_note
from repairadvisor.store.work_so_far import so_far

NOTE, FOLLOW_UP = "verdict", "follow_up"
Outcome = Mapping[str, Any]


class WorkNotes:
    """Brings what was done back to tickets."""

    def __init__(
        self,
        engine: Engine,
        attempts: Attempts,
        advisor: Advisor,
        plugins: Plugins,
        clock: Callable[[], datetime],
        life: str,
        is_alive: Callable[[], bool],
        seal: Seal,
        public_url: str,
    ) -> None:
        """As of :class:`~repairadvisor.delivery.bringing.Bringing`."""
        self._engine = engine
        self._attempts = attempts
        self._advisor = advisor
        self._plugins = plugins
        self._clock = clock
        self._life = life
        self._is_alive = is_alive
        self._seal = seal
        self._public_url = public_url

    def owe(self, connection: Connection, advice_ids: Sequence[str], now: datetime) -> None:
        """Have the tickets that were given these advices told of the work; in the transaction that keeps the report."""
        for advice_id in advice_ids:
            tickets = store.tickets_given(connection, advice_id)
            for ticket in tickets:
                self._owe_note(connection, ticket, advice_id, now)
            if tickets and temporary_is_kept(connection, advice_id):
                self._owe_follow_up(connection, _first_given(tickets), advice_id, now)

    def brings(self, delivery_id: str) -> bool:
        """Whether a delivery is one of these. What it is never changes, so no step has to remember it."""
        with reading(self._engine) as connection:
            delivery = store.delivery(connection, delivery_id)
        return delivery is not None and delivery.cause in (NOTE, FOLLOW_UP)

    def bring(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Bring the note on the work, or open the ticket that follows."""
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is not None and delivery.cause == FOLLOW_UP:
            opened: Any = step("open", lambda: self._open(delivery_id, work_id))
            done = "remember" if opened["state"] == "opened" else "end"
            step(done, lambda: self._opened(delivery_id, work_id, opened))
            return
        begun: Any = step("begin", lambda: self._begin(delivery_id, work_id))
        if "revision" not in begun:
            return
        written: Any = step("write", lambda: self._write(delivery_id, work_id, begun))
        if written["state"] == "written":
            written = step("confirm", lambda: self._confirm(delivery_id, begun, written["healed"]))
        if written["state"] == "confirmed":
            step("finish", lambda: self._finish(delivery_id, work_id, begun, written["healed"]))
        else:
            step("end", lambda: self._attempts.end_as(delivery_id, work_id, written, may_have_written=True))

    # --- what is owed -----------------------------------------------------------------------------------------

    def _owe_note(self, connection: Connection, ticket: TicketState, advice_id: str, now: datetime) -> None:
        waiting = store.open_of_cause(connection, ticket.id, NOTE)
        if any(one.revision is None for one in waiting):
            return  # it has not begun, and will say this too
        self._add(connection, NOTE, uuid.uuid4().hex, ticket, advice_id, now)

    def _owe_follow_up(self, connection: Connection, ticket: TicketState, advice_id: str, now: datetime) -> None:
        """One ticket owes one permanent repair, however often a temporary one was made and reported."""
        id = store.delivery_id(FOLLOW_UP, ticket.source, ticket.id)  # noqa: A001
        self._add(connection, FOLLOW_UP, id, ticket, advice_id, now)

    def _add(
        self,
        connection: Connection,
        cause: str,
        id: str,  # noqa: A002
        ticket: TicketState,
        advice_id: str,
        now: datetime,
    ) -> None:
        owed = Delivery(
            id=id,
            cause=cause,
            source=ticket.source,
            key=f"{ticket.reference}: work under advice {advice_id}",
            received_at=now,
            changed_at=now,
            ticket_id=ticket.id,
            reference=ticket.reference,
            sequence=ticket.sequence,
            state="noting",
            advice_id=advice_id,
        )
        if store.add_delivery(connection, owed):
            self._attempts.begin(connection, owed, now)

    # --- the note ---------------------------------------------------------------------------------------------

    def _begin(self, delivery_id: str, work_id: str) -> Mapping[str, object]:
        """The revision to write, unless the ticket says it already. Each attempt is a revision of its own: more may be
        known of the work by now, and what a revision says may not change under somebody who half wrote it."""
        now = self._clock()
        with writing(self._engine) as connection:
            current = self._attempts.current(delivery_id, work_id, connection)
            ticket = None if current is None else store.ticket(connection, current.ticket_id or "", lock=True)
            if current is None or ticket is None:
                return {}
            note = work_note(connection, ticket.id)
            lines = note_lines(self._known(connection, ticket, current), note.follow_up or "", self._advisor.voice)
            digest = hashlib.sha256("\f".join(lines).encode()).hexdigest()
            state, reason = self._not_wanted(current, note, digest)
            if state:
                store.set_delivery(connection, delivery_id, now, state=state, reason=reason, due_at=None)
                return {}
            revision = note.revisions + 1
            set_work_note(connection, ticket.id, revisions=revision)
            store.set_delivery(connection, delivery_id, now, revision=revision)
        notes = self._notes_of(lines, ticket, current, revision)
        return {"revision": revision, "life": self._life, "digest": digest, "notes": [asdict(one) for one in notes]}

    def _known(self, connection: Connection, ticket: TicketState, delivery: Delivery) -> WorkSoFar:
        """All that is known of the work under every advice that the ticket was given."""
        advice_ids = store.advices_given(connection, ticket.id)
        return so_far(connection, delivery.advice_id or "", advice_ids, "")

    def _not_wanted(self, delivery: Delivery, note: WorkNote, digest: str) -> tuple[str, str]:
        if delivery.source not in self._plugins.sources:
            return "given_up", f"no source {delivery.source} is set up any more"
        if note.noted_digest == digest and note.noted_revision == note.revisions:
            return "unchanged", "the ticket holds this note already"
        return "", ""

    def _notes_of(
        self, lines: Sequence[str], ticket: TicketState, delivery: Delivery, revision: int
    ) -> tuple[Note, ...]:
        carrier = self._plugins.carriers[self._plugins.sources[delivery.source].notes]
        texts = packed(lines, self._advisor.voice, carrier.longest_note - room_around(self._advisor.voice))
        path = f"/v1/advice/{delivery.advice_id}/outcomes"
        under = [self._advisor.voice.say("note", "whole_work", where=f"{self._public_url}{path}")]
        if revision > 1:
            under.append(self._advisor.voice.say("note", "work_revision", n=revision))
        return marked(texts, under, NoteMark(ticket.id[:12], WORK, revision, 1, 1), ticket.id, self._seal)

    def _write(self, delivery_id: str, work_id: str, begun: Outcome) -> Outcome:
        """Make the ticket hold the note, if this attempt still counts."""
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is None:
            return {"state": "gone"}
        if begun["life"] != self._life:
            # Whoever began this died over it, perhaps with a request on its way.
            with writing(self._engine) as connection:
                self._attempts.check_later(connection, delivery, self._clock())
        if not self._is_alive():
            return {"state": "later", "reason": "this process was away for so long that others took up its work"}
        try:
            carrier, ticket, made = self._reconciled(delivery, begun)
            if made is None:
                made = self._reconciled_with_remembered(ticket, begun)
            if made.newest:
                reason = f"note {made.newest} on the work stands in the ticket, unknown here: numbered anew"
                return {"state": "later", "reason": reason, "newest": made.newest}
            if not made.is_settled:
                carrier.change(ticket.reference, made.change)
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)
        return {"state": "written", "healed": made.healed}

    def _confirm(self, delivery_id: str, begun: Outcome, healed: int) -> Outcome:
        """Whether the ticket holds the note now, once."""
        with reading(self._engine) as connection:
            delivery = store.delivery(connection, delivery_id)
        if delivery is None:
            return {"state": "gone"}
        try:
            carrier, ticket, made = self._reconciled(delivery, begun)
            if made is None:  # nobody can look
                return {"state": "confirmed", "healed": healed}
            if made.change.rewrite:
                carrier.change(ticket.reference, NoteChange(rewrite=made.change.rewrite))
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)
        if made.change.add:
            return {"state": "later", "reason": "the note was taken and does not stand in the ticket"}
        return {"state": "confirmed", "healed": healed + made.healed}

    def _reconciled(self, delivery: Delivery, begun: Outcome) -> tuple[NoteCarrier, TicketState, Reconciled | None]:
        """Who brings the note, its ticket, and what has to change in it; None where the carrier cannot look."""
        carrier, ticket = carrier_and_ticket(self._engine, self._plugins, delivery)
        held = carrier.look(ticket.reference)
        return carrier, ticket, None if held is None else self._against(ticket, begun, held)

    def _reconciled_with_remembered(self, ticket: TicketState, begun: Outcome) -> Reconciled:
        with reading(self._engine) as connection:
            note = work_note(connection, ticket.id)
        return self._against(ticket, begun, [HeldNote(one["key"], one["text"]) for one in orjson.loads(note.notes)])

    def _against(self, ticket: TicketState, begun: Outcome, held: Sequence[HeldNote]) -> Reconciled:
        notes = tuple(Note(**note) for note in begun["notes"])
        return reconciled(
            notes, ticket.id, begun["revision"], held, self._clock(), self._seal, self._advisor.voice, WORK
        )

    def _finish(self, delivery_id: str, work_id: str, begun: Outcome, healed: int) -> str:
        """Remember what stands in the ticket."""
        with writing(self._engine) as connection:
            current = self._attempts.current(delivery_id, work_id, connection)
            if current is None:
                return "gone"
            now = self._clock()
            store.set_delivery(connection, delivery_id, now, state="noted", reason="", due_at=None, healed=healed)
            stands = {"noted_revision": begun["revision"], "noted_digest": begun["digest"]}
            set_work_note(connection, current.ticket_id or "", notes=orjson.dumps(begun["notes"]), **stands)
        return "noted"

    # --- the ticket that follows ------------------------------------------------------------------------------

    def _open(self, delivery_id: str, work_id: str) -> Outcome:
        """Have it opened; the carrier opens one for a key, however often it is asked."""
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is None:
            return {"state": "gone"}
        if not self._is_alive():
            return {"state": "later", "reason": "this process was away for so long that others took up its work"}
        try:
            carrier, ticket = carrier_and_ticket(self._engine, self._plugins, delivery)
            if not isinstance(carrier, FollowUpOpener):
                reason = "this carrier opens no tickets: open one by hand for the permanent repair"
                return {"state": "given_up", "reason": reason}
            title, text = self._owed_repair(ticket, delivery)
            key = f"{ticket.id[:12]}-follow-up-1"
            return {"state": "opened", "ticket": carrier.open_follow_up(ticket.reference, key, title, text)}
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)

    def _owed_repair(self, ticket: TicketState, delivery: Delivery) -> tuple[str, str]:
        """Title and text of the ticket that follows."""
        with reading(self._engine) as connection:
            work = self._known(connection, ticket, delivery)
        voice, day = self._advisor.voice, work.due_on
        if day:
            title = voice.say("note", "owed_title_by", day=day)
            owed = voice.say("note", "owed_due", ticket=ticket.reference, day=day)
        else:
            title = voice.say("note", "owed_title")
            owed = voice.say("note", "owed_no_day", ticket=ticket.reference)
        under = voice.say("note", "owed_advice", advice=delivery.advice_id)
        return title, "\n".join((owed, under, *note_lines(work, "", voice)))

    def _opened(self, delivery_id: str, work_id: str, opened: Outcome) -> str:
        """Remember its reference, and have the note name it."""
        if opened["state"] != "opened":
            return self._attempts.end_as(delivery_id, work_id, opened)
        now = self._clock()
        with writing(self._engine) as connection:
            current = self._attempts.current(delivery_id, work_id, connection)
            ticket = None if current is None else store.ticket(connection, current.ticket_id or "", lock=True)
            if current is None or ticket is None:
                return "gone"
            set_work_note(connection, ticket.id, follow_up=opened["ticket"])
            reason = f"ticket {opened['ticket']} was opened"
            store.set_delivery(connection, delivery_id, now, state="noted", reason=reason, due_at=None)
            self._owe_note(connection, ticket, current.advice_id or "", now)
        return "noted"


def _first_given(tickets: Sequence[TicketState]) -> TicketState:
    """The ticket from which the permanent repair follows: of tickets that share an advice the one they belong to."""
    parents = {one.parent_id for one in tickets}
    return next((one for one in tickets if one.id in parents), tickets[0])
