"""The second half of a delivery: an advice becomes the current note of a ticket.

Another system may have taken a note and not lived to say so. So it is looked at before anything is written, looked at
again afterwards, and what stands there twice is healed. The queue lets one piece of work at a time have a ticket.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

import orjson
from sqlalchemy import Engine

from repairadvisor.decision.advice import Advice
from repairadvisor.delivery.attempts import Attempts, outcome_of
from repairadvisor.delivery.notes import Foot, digest_of, parts_of, reconciled, texts_of
from repairadvisor.delivery.queue import Step
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin import HeldNote, Note, NoteCarrier, NoteChange
from repairadvisor.plugin.loading import Plugins
from repairadvisor.schemas.advice import read_document
from repairadvisor.service import Advisor
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState

Outcome = Mapping[str, Any]


class Bringing:
    """Brings notes into tickets."""

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
        """``life`` is new each time this process is started; ``is_alive`` whether the others still take it to live."""
        self._engine = engine
        self._attempts = attempts
        self._advisor = advisor
        self._plugins = plugins
        self._clock = clock
        self._life = life
        self._is_alive = is_alive
        self._seal = seal
        self._public_url = public_url

    def bring(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Look, write, look again, and remember."""
        begun: Any = step("begin", lambda: self._begin(delivery_id, work_id))
        if "revision" not in begun:
            return
        written: Any = step("write", lambda: self._write(delivery_id, work_id, begun))
        if written["state"] == "written":
            confirmed: Any = step("confirm", lambda: self._confirm(delivery_id, begun))
            if confirmed["state"] == "confirmed":
                healed = written["healed"] + confirmed["healed"]
                step("finish", lambda: self._finish(delivery_id, work_id, begun, healed))
                return
            written = confirmed
        step("end", lambda: self._attempts.end_as(delivery_id, work_id, written, may_have_written=True))

    def _notes_of(self, texts: Sequence[str], ticket: TicketState, revision: int, advice_id: str) -> tuple[Note, ...]:
        """The notes of a revision."""
        voice = self._advisor.voice
        where = voice.say("note", "advice_id", id=advice_id)
        if self._public_url:
            where = f"{self._public_url}/v1/advice/{advice_id}"
        return parts_of(texts, ticket.id, revision, Foot(where, self._shared_with(ticket)), self._seal, voice)

    # --- steps ------------------------------------------------------------------------------------------------

    def _begin(self, delivery_id: str, work_id: str) -> Mapping[str, object]:
        """The revision to write, unless nobody wants it any more or the ticket says it already."""
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is None or delivery.ticket_id is None:
            return {}
        texts, digest = self._to_say(delivery)
        now = self._clock()
        with writing(self._engine) as connection:
            current = self._attempts.current(delivery_id, work_id, connection)
            ticket = store.ticket(connection, delivery.ticket_id, lock=True)
            if current is None or ticket is None:
                return {}
            state, reason = _not_wanted(current, ticket, digest)
            if state:
                store.set_delivery(connection, delivery_id, now, state=state, reason=reason, due_at=None)
                return {}
            revision = current.revision
            if revision is None:
                revision = ticket.revisions + 1
                store.set_ticket(connection, ticket.id, revisions=revision)
            store.set_delivery(connection, delivery_id, now, state="noting", revision=revision)
        notes = self._notes_of(texts, ticket, revision, delivery.advice_id or "")
        # Said once and for all: what a revision says may not change under somebody who half wrote it.
        return {"revision": revision, "life": self._life, "digest": digest, "notes": [asdict(note) for note in notes]}

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
            return self._changed(delivery, begun)
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)

    def _changed(self, delivery: Delivery, begun: Outcome) -> Outcome:
        carrier, ticket = carrier_and_ticket(self._engine, self._plugins, delivery)
        state, reason = _not_wanted(delivery, ticket, "")
        if state:
            return {"state": state, "reason": reason}
        held = noted_or_remembered(carrier, ticket)
        made = reconciled(
            _notes(begun), ticket.id, begun["revision"], held, self._clock(), self._seal, self._advisor.voice
        )
        if made.newest:
            reason = f"note {made.newest} stands in the ticket, of which nothing is known here: numbered anew"
            return {"state": "later", "reason": reason, "newest": made.newest}
        if not made.is_settled:
            carrier.change(ticket.reference, made.change)
        return {"state": "written", "healed": made.healed}

    def _confirm(self, delivery_id: str, begun: Outcome) -> Outcome:
        """Whether the ticket holds the note now, once."""
        with reading(self._engine) as connection:
            delivery = store.delivery(connection, delivery_id)
        if delivery is None:
            return {"state": "confirmed", "healed": 0}
        try:
            carrier, ticket = carrier_and_ticket(self._engine, self._plugins, delivery)
            held = carrier.look(ticket.reference)
            if held is None:
                return {"state": "confirmed", "healed": 0}
            made = reconciled(
                _notes(begun), ticket.id, begun["revision"], held, self._clock(), self._seal, self._advisor.voice
            )
            if made.change.rewrite:
                carrier.change(ticket.reference, NoteChange(rewrite=made.change.rewrite))
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            return outcome_of(error)
        if made.change.add:
            return {"state": "later", "reason": "the note was taken and does not stand in the ticket"}
        return {"state": "confirmed", "healed": made.healed}

    def _finish(self, delivery_id: str, work_id: str, begun: Outcome, healed: int) -> str:
        """Remember what stands in the ticket; see to it that it says so when its advice has run out."""
        delivery = self._attempts.current(delivery_id, work_id)
        if delivery is None:
            return "gone"
        until = self._advice(delivery).valid_until
        now = self._clock()
        with writing(self._engine) as connection:
            current = self._attempts.current(delivery_id, work_id, connection)
            ticket = store.ticket(connection, delivery.ticket_id or "", lock=True)
            if current is None or ticket is None:
                return "gone"
            store.set_delivery(connection, delivery_id, now, state="noted", reason="", due_at=None, healed=healed)
            stands = {"noted_revision": begun["revision"], "noted_digest": begun["digest"]}
            store.set_ticket(connection, ticket.id, notes=orjson.dumps(begun["notes"]), **stands)
            if until:
                wait_s = max(0.0, (datetime.fromisoformat(until) - now).total_seconds())
                self._attempts.come_back(connection, "expiry", str(current.revision), current, now, wait_s)
        return "noted"

    # --- what goes into them ----------------------------------------------------------------------------------

    def _to_say(self, delivery: Delivery) -> tuple[tuple[str, ...], str]:
        """What the notes of a delivery's advice say, and its digest."""
        configured = self._plugins.sources.get(delivery.source)
        if configured is None:
            return (), ""
        said = (self._advice(delivery), self._advisor.voice, self._plugins.carriers[configured.notes].longest_note)
        return texts_of(*said), digest_of(*said)

    def _advice(self, delivery: Delivery) -> Advice:
        return read_document(self._advisor.given(delivery.advice_id or "").document)

    def _shared_with(self, ticket: TicketState) -> str:
        """The reference of the ticket whose advice this one shares, or ""."""
        if ticket.parent_id is None:
            return ""
        with reading(self._engine) as connection:
            parent = store.ticket(connection, ticket.parent_id)
        return parent.reference if parent is not None and parent.advice_id == ticket.advice_id else ""


def _notes(begun: Outcome) -> tuple[Note, ...]:
    return tuple(Note(**note) for note in begun["notes"])


def carrier_and_ticket(engine: Engine, plugins: Plugins, delivery: Delivery) -> tuple[NoteCarrier, TicketState]:
    """Who brings the notes of a delivery, and its ticket as it stands. Raises :class:`ValueError` without either."""
    configured = plugins.sources.get(delivery.source)
    if configured is None:
        raise ValueError(f"no source {delivery.source} is set up any more")
    with reading(engine) as connection:
        ticket = store.ticket(connection, delivery.ticket_id or "")
    if ticket is None:
        raise ValueError(f"no ticket {delivery.ticket_id}")
    return plugins.carriers[configured.notes], ticket


def noted_or_remembered(carrier: NoteCarrier, ticket: TicketState) -> Sequence[HeldNote]:
    """Our notes in a ticket; as remembered where the carrier cannot look."""
    held = carrier.look(ticket.reference)
    if held is not None:
        return held
    return [HeldNote(note["key"], note["text"]) for note in orjson.loads(ticket.notes)]


def _not_wanted(delivery: Delivery, ticket: TicketState, digest: str) -> tuple[str, str]:
    """The state in which a delivery ends before anything is written, and why; "" where it is to be written."""
    if ticket.ended:
        return "ticket_ended", "the ticket has ended"
    if ticket.wanted_by != delivery.id:
        return "overtaken", "a later advice on this ticket came"
    if digest and ticket.noted_digest == digest and ticket.noted_revision == ticket.revisions:
        return "unchanged", "the ticket holds this note already"
    return "", ""
