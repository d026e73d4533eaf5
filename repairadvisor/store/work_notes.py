"""How the note on work that was done stands in each ticket, beside the tickets themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Column, Connection, Integer, LargeBinary, String, Table, Text, select, update

from repairadvisor.store.database import metadata
from repairadvisor.store.outcomes import insert_new, plain_row

work_notes = Table(
    "work_notes",
    metadata,
    Column("ticket_id", String(32), primary_key=True),
    Column("revisions", Integer, nullable=False),
    Column("noted_revision", Integer, nullable=False),
    Column("noted_digest", String(64), nullable=False),
    Column("notes", LargeBinary, nullable=False),
    Column("follow_up", Text, nullable=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkNote:
    """How the note on the work stands in a ticket, as the tickets' own columns say it of advice; ``follow_up`` is the
    reference of the ticket that was opened for what a temporary repair leaves."""

    ticket_id: str
    revisions: int = 0
    noted_revision: int = 0
    noted_digest: str = ""
    notes: bytes = b"[]"
    follow_up: str | None = None


def work_note(connection: Connection, ticket_id: str) -> WorkNote:
    """How the note on the work stands in a ticket. The ticket itself is to be locked by whoever changes it."""
    row = connection.execute(select(work_notes).where(work_notes.c.ticket_id == ticket_id)).mappings().one_or_none()
    return WorkNote(ticket_id=ticket_id) if row is None else WorkNote(**row)


def set_work_note(connection: Connection, ticket_id: str, **values: Any) -> None:
    """Change that."""
    insert_new(connection, work_notes, [plain_row(WorkNote(ticket_id=ticket_id))])
    connection.execute(update(work_notes).where(work_notes.c.ticket_id == ticket_id).values(**values))
