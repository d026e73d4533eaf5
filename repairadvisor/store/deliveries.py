"""What became of each event, and how each ticket stands: the tables that delivery works on.

Every function that changes something takes the connection of the caller's transaction, so that a change and the work
that follows from it are kept together or not at all.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Connection,
    Engine,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    delete,
    func,
    insert,
    select,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite

from repairadvisor.schemas.delivery import OPEN_STATES
from repairadvisor.store.database import UtcDateTime, metadata, writing

deliveries = Table(
    "deliveries",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("cause", String(16), nullable=False),
    Column("source", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("received_at", UtcDateTime, nullable=False, index=True),
    Column("headers", LargeBinary, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("ticket_id", String(32), nullable=True, index=True),
    Column("reference", Text, nullable=True),
    Column("sequence", BigInteger, nullable=True),
    Column("state", String(16), nullable=False, index=True),
    Column("reason", Text, nullable=False),
    Column("round", Integer, nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("begins", Integer, nullable=False),
    Column("due_at", UtcDateTime, nullable=True),
    Column("changed_at", UtcDateTime, nullable=False),
    Column("work_id", Text, nullable=True),
    Column("advice_id", String(32), nullable=True, index=True),
    Column("revision", Integer, nullable=True),
    Column("healed", Integer, nullable=False),
)

tickets = Table(
    "tickets",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("source", Text, nullable=False),
    Column("reference", Text, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("told", String(64), nullable=False),
    Column("told_by", String(32), nullable=False),
    Column("ended", Boolean, nullable=False),
    Column("parent_id", String(32), nullable=True, index=True),
    Column("advice_id", String(32), nullable=True),
    Column("wanted_by", String(32), nullable=True),
    Column("revisions", Integer, nullable=False),
    Column("noted_revision", Integer, nullable=False),
    Column("noted_digest", String(64), nullable=False),
    Column("notes", LargeBinary, nullable=False),
)

workers = Table(
    "workers",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("life", String(32), nullable=False),
    Column("seen_at", UtcDateTime, nullable=False),
)

polls = Table(
    "polls",
    metadata,
    Column("source", Text, primary_key=True),
    Column("cursor", Text, nullable=False),
    Column("poller", Text, nullable=True),
    Column("polled_at", UtcDateTime, nullable=True),
    Column("problem", Text, nullable=False),
)


installations = Table(
    "installations",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("secret", LargeBinary, nullable=False),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One event of a ticket system, or something that follows from one, and what became of it.

    ``cause``: "event"; "parent", a child shares its parent's new advice; "expiry", a note is to say that its advice
    has run out; "check", its ticket is looked at once more; "verdict", the note on the work that was done;
    "verdict_check", that is looked at once more; "follow_up", the ticket for what a temporary repair leaves. ``round``
    counts how often it was begun anew by hand, ``attempt`` the failed attempts of this round.
    ``due_at`` is when it is tried next. ``healed`` counts notes that had been written twice and were marked void.
    """

    id: str
    cause: str
    source: str
    key: str
    received_at: datetime
    headers: bytes = b"{}"
    body: bytes = b""
    ticket_id: str | None = None
    reference: str | None = None
    sequence: int | None = None
    state: str = "waiting"
    reason: str = ""
    round: int = 0
    attempt: int = 0
    begins: int = 0
    due_at: datetime | None = None
    changed_at: datetime
    work_id: str | None = None
    advice_id: str | None = None
    revision: int | None = None
    healed: int = 0

    @property
    def is_open(self) -> bool:
        """Whether something is still to be done."""
        return self.state in OPEN_STATES


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketState:
    """How a ticket stands. ``told`` is a digest of what its latest event said, ``told_by`` that event's delivery;
    ``advice_id`` what its note is to say and ``wanted_by`` whose delivery is to bring it; ``revisions`` how many
    notes were begun; ``noted_revision``, ``noted_digest`` and ``notes`` what is known to stand in the ticket."""

    id: str
    source: str
    reference: str
    sequence: int
    told: str
    told_by: str
    ended: bool
    parent_id: str | None
    advice_id: str | None = None
    wanted_by: str | None = None
    revisions: int = 0
    noted_revision: int = 0
    noted_digest: str = ""
    notes: bytes = b"[]"


def secret_of(engine: Engine) -> bytes:
    """The secret of this installation, 32 bytes: made when it is first asked for, the same ever after."""
    with writing(engine) as connection:
        _insert_new(connection, installations, {"number": 1, "secret": secrets.token_bytes(32)})
        found: bytes = connection.execute(select(installations.c.secret)).scalar_one()
    return found


def delivery_id(cause: str, source: str, key: str) -> str:
    """The id of what comes from ``source`` under ``key``: 32 hexadecimal digits, the same however often it comes."""
    return _digest("delivery", cause, source, key)


def ticket_id(source: str, reference: str) -> str:
    """The id of a ticket here: 32 hexadecimal digits."""
    return _digest("ticket", source, reference)


def _digest(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]


def add_delivery(connection: Connection, delivery: Delivery) -> bool:
    """Keep a delivery unless one with its id is kept; whether it was new."""
    return _insert_new(connection, deliveries, {name: getattr(delivery, name) for name in _NAMES_OF_DELIVERY})


def add_ticket(connection: Connection, ticket: TicketState) -> bool:
    """Keep a ticket unless it is known; whether it was new."""
    return _insert_new(connection, tickets, {name: getattr(ticket, name) for name in _NAMES_OF_TICKET})


_NAMES_OF_DELIVERY = tuple(column.name for column in deliveries.columns)
_NAMES_OF_TICKET = tuple(column.name for column in tickets.columns)


def _insert_new(connection: Connection, table: Table, values: dict[str, Any]) -> bool:
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(table).values(**values).on_conflict_do_nothing()
    # How many rows that were drivers tell differently, or not at all; a row that comes back was written.
    return connection.execute(statement.returning(*table.primary_key.columns)).first() is not None


def delivery(connection: Connection, id: str, *, lock: bool = False) -> Delivery | None:  # noqa: A002
    """The delivery with that id; with ``lock`` nobody else changes it before the transaction ends."""
    query = select(deliveries).where(deliveries.c.id == id)
    row = connection.execute(query.with_for_update() if lock else query).mappings().one_or_none()
    return None if row is None else Delivery(**row)


def ticket(connection: Connection, id: str, *, lock: bool = False) -> TicketState | None:  # noqa: A002
    """The ticket with that id; with ``lock`` nobody else changes it before the transaction ends."""
    query = select(tickets).where(tickets.c.id == id)
    row = connection.execute(query.with_for_update() if lock else query).mappings().one_or_none()
    return None if row is None else TicketState(**row)


def set_delivery(connection: Connection, id: str, now: datetime, **values: Any) -> None:  # noqa: A002
    """Change a delivery."""
    connection.execute(update(deliveries).where(deliveries.c.id == id).values(changed_at=now, **values))


def set_ticket(connection: Connection, id: str, **values: Any) -> None:  # noqa: A002
    """Change a ticket."""
    connection.execute(update(tickets).where(tickets.c.id == id).values(**values))


def children(connection: Connection, parent_id: str) -> list[TicketState]:
    """The tickets that share a parent's advice, in the order of their ids."""
    query = select(tickets).where(tickets.c.parent_id == parent_id, tickets.c.ended.is_(False)).order_by(tickets.c.id)
    return [TicketState(**row) for row in connection.execute(query).mappings()]


def tickets_given(connection: Connection, advice_id: str) -> list[TicketState]:
    """The tickets that were given an advice, in the order of their ids, each locked."""
    given = select(deliveries.c.ticket_id).where(deliveries.c.advice_id == advice_id, deliveries.c.cause.in_(_GIVING))
    query = select(tickets).where(tickets.c.id.in_(given)).order_by(tickets.c.id).with_for_update()
    return [TicketState(**row) for row in connection.execute(query).mappings()]


def advices_given(connection: Connection, ticket_id: str) -> list[str]:
    """The ids of all advices that a ticket was given, the first one first."""
    query = select(deliveries.c.advice_id, func.min(deliveries.c.received_at)).where(
        deliveries.c.ticket_id == ticket_id, deliveries.c.cause.in_(_GIVING), deliveries.c.advice_id.is_not(None)
    )
    query = query.group_by(deliveries.c.advice_id).order_by(func.min(deliveries.c.received_at), deliveries.c.advice_id)
    return [advice_id for advice_id, _ in connection.execute(query)]


def open_of_cause(connection: Connection, ticket_id: str, cause: str) -> list[Delivery]:
    """Deliveries of a cause to a ticket that can still go somewhere."""
    query = select(deliveries).where(
        deliveries.c.ticket_id == ticket_id, deliveries.c.cause == cause, deliveries.c.state.in_(OPEN_STATES)
    )
    return [Delivery(**row) for row in connection.execute(query).mappings()]


#: Causes by which a ticket is given an advice.
_GIVING = ("event", "parent")


def listed(
    connection: Connection,
    states: Sequence[str] = (),
    source: str = "",
    reference: str = "",
    limit: int = 100,
    offset: int = 0,
) -> list[Delivery]:
    """Deliveries without headers and body, those that came last first."""
    bulky = ("headers", "body")
    query = select(*(column for column in deliveries.columns if column.name not in bulky))
    if states:
        query = query.where(deliveries.c.state.in_(states))
    if source:
        query = query.where(deliveries.c.source == source)
    if reference:
        query = query.where(deliveries.c.reference == reference)
    query = query.order_by(deliveries.c.received_at.desc(), deliveries.c.id).limit(limit).offset(offset)
    return [Delivery(**row) for row in connection.execute(query).mappings()]


def counted(connection: Connection) -> dict[str, int]:
    """How many deliveries are in each state."""
    query = select(deliveries.c.state, func.count()).group_by(deliveries.c.state).order_by(deliveries.c.state)
    return dict(connection.execute(query).all())


def without_progress(connection: Connection, since: datetime, limit: int = 500) -> list[Delivery]:
    """Open deliveries that are due and that nothing has happened to since then, longest first."""
    query = (
        select(deliveries)
        .where(deliveries.c.state.in_(OPEN_STATES), deliveries.c.changed_at < since)
        .where((deliveries.c.due_at.is_(None)) | (deliveries.c.due_at < since))
        .order_by(deliveries.c.changed_at)
        .limit(limit)
    )
    return [Delivery(**row) for row in connection.execute(query).mappings()]


# --- workers --------------------------------------------------------------------------------------------------


def beat(connection: Connection, name: str, life: str, now: datetime) -> str:
    """Say that a worker lives; the life that is on record for its name. Takes the record only where there is none."""
    _insert_new(connection, workers, {"name": name, "life": life, "seen_at": now})
    connection.execute(update(workers).where(workers.c.name == name, workers.c.life == life).values(seen_at=now))
    found: str = connection.execute(select(workers.c.life).where(workers.c.name == name)).scalar_one()
    return found


def take_name(connection: Connection, name: str, life: str, now: datetime) -> None:
    """A worker begins a new life under its name. What its former life was writing may be written by others."""
    connection.execute(delete(workers).where(workers.c.name == name))
    connection.execute(insert(workers).values(name=name, life=life, seen_at=now))


def leave(connection: Connection, name: str, life: str) -> None:
    """A worker ends of its own accord."""
    connection.execute(delete(workers).where(workers.c.name == name, workers.c.life == life))


def seen(connection: Connection) -> dict[str, tuple[str, datetime]]:
    """Each worker's life, and when it was last heard of."""
    query = select(workers.c.name, workers.c.life, workers.c.seen_at)
    return {name: (life, seen_at) for name, life, seen_at in connection.execute(query)}


# --- polls ----------------------------------------------------------------------------------------------------


def poll(connection: Connection, source: str) -> tuple[str, str | None, datetime | None]:
    """Where a polled source was left, who asks it, and when it was last asked."""
    _insert_new(connection, polls, {"source": source, "cursor": "", "problem": ""})
    query = select(polls.c.cursor, polls.c.poller, polls.c.polled_at).where(polls.c.source == source).with_for_update()
    cursor, poller, polled_at = connection.execute(query).one()
    return cursor, poller, polled_at


def set_poll(connection: Connection, source: str, **values: Any) -> None:
    """Change where a polled source was left."""
    connection.execute(update(polls).where(polls.c.source == source).values(**values))


def poll_problems(connection: Connection) -> dict[str, str]:
    """Sources that could not be asked last time, and why."""
    query = select(polls.c.source, polls.c.problem).where(polls.c.problem != "").order_by(polls.c.source)
    return dict(connection.execute(query).all())
