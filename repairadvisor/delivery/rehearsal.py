"""What an event would lead to, with nothing kept and nothing written: for whoever sets up a ticket system."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import orjson

from repairadvisor.decision.advice import Advice
from repairadvisor.delivery.gathering import gathered
from repairadvisor.delivery.notes import Foot, marks_of, parts_of, reconciled, texts_of
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin import NoteCarrier, RawEvent, Ticket
from repairadvisor.plugin.loading import Plugins
from repairadvisor.service import Advisor
from repairadvisor.store.deliveries import ticket_id


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What would happen, in lines; the notes that would be added; and what would be rewritten, from and to."""

    says: tuple[str, ...]
    adds: tuple[str, ...] = ()
    rewrites: tuple[tuple[str, str], ...] = field(default=())

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        rewrites = [{"from": before, "to": after} for before, after in self.rewrites]
        return {"says": list(self.says), "adds": list(self.adds), "rewrites": rewrites}


def rehearsed(
    plugins: Plugins, advisor: Advisor, source: str, event: RawEvent, seal: Seal, now: datetime, *, look: bool
) -> Rehearsal:
    """What an event of ``source`` would lead to; with ``look`` given what stands in its ticket now.

    Raises what the plugin raises, and :class:`~repairadvisor.errors.InputError` for facts that cannot be used.
    """
    configured = plugins.sources[source]
    ticket = configured.source.read(event)
    if ticket is None:
        return Rehearsal(("The event tells of no ticket: nothing would happen.",))
    found, problems = gathered(plugins.facts, ticket, now)
    says = [*_read(ticket), *(f"Added by others: {name}" for name in found), *(f"Not added: {one}" for one in problems)]
    if ticket.ended:
        return Rehearsal((*says, "The ticket has ended: nothing would be written."))
    request = {"facts": {**ticket.facts, **found}, "now": now.isoformat(), "record": False}
    advice = advisor.advise(request, now).advice
    return _changes(
        advisor, plugins.carriers[configured.notes], source, ticket, advice, says, now, look=look, seal=seal
    )


def _read(ticket: Ticket) -> list[str]:
    line = f"Ticket {ticket.reference}, sequence {ticket.sequence}"
    if ticket.parent:
        line += f", belongs to {ticket.parent}: it would share that ticket's advice once there is one"
    return [line, *(f"Fact {name}: {_said(value)}" for name, value in sorted(ticket.facts.items()))]


def _said(value: object) -> str:
    return value if isinstance(value, str) else orjson.dumps(value).decode()


def _changes(
    advisor: Advisor,
    carrier: NoteCarrier,
    source: str,
    ticket: Ticket,
    advice: Advice,
    says: list[str],
    now: datetime,
    *,
    look: bool,
    seal: Seal,
) -> Rehearsal:
    id = ticket_id(source, ticket.reference)  # noqa: A001
    held = carrier.look(ticket.reference) if look else []
    revision = 1 + max((mark.revision for mark, _ in marks_of(id, held or [], seal)), default=0)
    texts = texts_of(advice, advisor.voice, carrier.longest_note)
    notes = parts_of(texts, id, revision, Foot("not kept"), seal, advisor.voice)
    made = reconciled(notes, id, revision, held or [], now, seal, advisor.voice)
    if held is None:
        says.append("The carrier cannot look into tickets: what is remembered of this one is not considered here.")
    rewrites = tuple((before.text, after) for before, after in made.change.rewrite)
    return Rehearsal(tuple(says), tuple(note.text for note in made.change.add), rewrites)
