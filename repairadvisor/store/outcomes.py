"""What was reported after the work: every attempt beside the advice it belongs to, its verdict, and what goes with it.

Nothing reported is written over: a report that corrects an earlier one stands beside it, and the later one counts.
People, machines and cleavers are known here by pseudonyms alone. As in :mod:`.deliveries`, what changes something takes
the connection of the caller's transaction, so that a report and the work that follows from it are kept together.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    Engine,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    Select,
    String,
    Table,
    Text,
    and_,
    exists,
    func,
    or_,
    select,
)
from sqlalchemy.dialects import postgresql, sqlite

from repairadvisor.outcome.reported import Attempt
from repairadvisor.outcome.verdict import ACCEPT
from repairadvisor.schemas.outcome import WHO, from_measured
from repairadvisor.store.database import UtcDateTime, metadata, reading

#: The last word of a plan's id by which a repair is one for now.
TEMPORARY = "temporary_then_permanent"
_PSEUDONYM = re.compile(r"(person|machine|cleaver)-[0-9a-f]{16}")
#: So many rows go to the database, or come from it, at a time.
_AT_ONCE = 500

reports = Table(
    "reports",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("received_at", UtcDateTime, nullable=False, index=True),
    Column("said", String(64), nullable=True, index=True, unique=True),
    Column("answer", LargeBinary, nullable=False),
    Column("policy_id", String(64), ForeignKey("policies.policy_id"), nullable=False),
    Column("method_version", Text, nullable=False),
)

verdicts = Table(
    "verdicts",
    metadata,
    Column("digest", String(64), primary_key=True),
    Column("document", LargeBinary, nullable=False),
)

attempts = Table(
    "attempts",
    metadata,
    Column("report_id", String(32), ForeignKey("reports.id", ondelete="CASCADE"), primary_key=True),
    Column("part", Integer, primary_key=True, autoincrement=False),
    Column("received_at", UtcDateTime, nullable=False),
    Column("advice_id", String(32), ForeignKey("advices.id"), nullable=False),
    Column("fibre", Text, nullable=False),
    Column("joint", Integer, nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("ribbon", Text, nullable=False),
    Column("method", Text, nullable=False),
    Column("plan", Text, nullable=False),
    Column("made_at", UtcDateTime, nullable=False, index=True),
    *(Column(name, String(64), nullable=True, index=True) for name in WHO),
    Column("measured", LargeBinary, nullable=False),
    Column("verdict", String(16), nullable=False),
    Column("verdict_digest", String(64), ForeignKey("verdicts.digest"), nullable=True, index=True),
    Index("ix_attempts_key", "advice_id", "fibre", "joint", "attempt"),
)

closures = Table(
    "closures",
    metadata,
    Column("report_id", String(32), ForeignKey("reports.id", ondelete="CASCADE"), primary_key=True),
    Column("advice_id", String(32), primary_key=True, index=True),
    Column("evidence", LargeBinary, nullable=False),
    Column("due_on", String(10), nullable=True),
    Column("responsible", String(64), nullable=True, index=True),
)

report_keys = Table(
    "report_keys",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("asked", String(64), nullable=False),
    Column("report_id", String(32), ForeignKey("reports.id", ondelete="CASCADE"), nullable=False, index=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptReport:
    """One report, as it was answered. ``said`` is a digest of all it said, None once somebody was erased from it."""

    id: str
    received_at: datetime
    said: str | None
    answer: bytes
    policy_id: str
    method_version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAttempt:
    """One attempt at one joint of one fibre, as one report had it, and the verdict it got there.

    ``plan`` is the id of the plan that was advised, "" where none was. ``measured`` is the JSON of all that was
    reported of it besides the columns. ``person``, ``machine`` and ``cleaver`` are pseudonyms. ``verdict`` is "" where
    a later attempt at the joint was reported with it: then that one was judged.
    """

    report_id: str
    part: int
    received_at: datetime
    advice_id: str
    fibre: str
    joint: int
    attempt: int
    ribbon: str
    method: str
    plan: str
    made_at: datetime
    person: str | None
    machine: str | None
    cleaver: str | None
    measured: bytes
    verdict: str
    verdict_digest: str | None

    def as_reported(self) -> Attempt:
        """As it was reported, but for who and what made it: those are pseudonyms."""
        naming = {name: getattr(self, name) for name in ("fibre", "joint", "attempt", "ribbon", "method", "made_at")}
        who = {name: getattr(self, name) or "" for name in WHO}
        return from_measured(self.measured, advice=self.advice_id, **naming, **who)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptClosure:
    """What a report says of the closing of an advice's work: ``evidence``, a JSON list of texts; ``due_on``, the day
    (ISO 8601) on which a temporary repair is due to be made for good, and the pseudonym of who is to see to it."""

    report_id: str
    advice_id: str
    evidence: bytes
    due_on: str | None
    responsible: str | None


def pseudonym(secret: bytes, kind: str, name: str) -> str:
    """The pseudonym of a person, a machine or a cleaver: the same for the same name, under one installation's secret.

    What is one already stays as it is, so that what was exported can be reported again. "" stays "".
    """
    if not name or (is_pseudonym(name) and name.startswith(f"{kind}-")):
        return name
    said = f"{kind} {name}"
    return f"{kind}-{hmac.new(secret, said.encode(), hashlib.sha256).hexdigest()[:16]}"


def is_pseudonym(id: str) -> bool:  # noqa: A002
    """Whether an id is one that :func:`pseudonym` gives."""
    return _PSEUDONYM.fullmatch(id) is not None


# --- keeping --------------------------------------------------------------------------------------------------


def add_report(connection: Connection, report: KeptReport) -> bool:
    """Keep a report unless one that says the same is kept; whether it was new."""
    return bool(insert_new(connection, reports, [plain_row(report)]))


def add_key(connection: Connection, key: str, asked: str, report_id: str) -> bool:
    """Keep under which key a report came, unless something came under it before; whether it is new."""
    return bool(insert_new(connection, report_keys, [{"key": key, "asked": asked, "report_id": report_id}]))


def add_attempts(connection: Connection, rows: Iterable[KeptAttempt]) -> int:
    """Keep attempts, some at a time; how many. Their verdicts have to be kept before."""
    count = 0
    for some in _some(rows):
        connection.execute(attempts.insert(), [plain_row(row) for row in some])
        count += len(some)
    return count


def add_verdict(connection: Connection, document: bytes) -> str:
    """Keep a verdict's document once, however many joints got it; its SHA-256, by which attempts name it."""
    digest = digest_of(document)
    insert_new(connection, verdicts, [{"digest": digest, "document": document}])
    return digest


def add_closure(connection: Connection, closure: KeptClosure) -> None:
    """Keep what a report says of the closing of an advice's work."""
    connection.execute(closures.insert(), [plain_row(closure)])


def digest_of(content: bytes) -> str:
    """SHA-256, as 64 hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def insert_new(connection: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> int:
    """Insert rows but for those whose keys are there; how many were new."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(table).values(list(rows)).on_conflict_do_nothing()
    return len(connection.execute(statement.returning(*table.primary_key.columns)).all())


def plain_row(row: Any) -> dict[str, Any]:
    """The columns of a row by their names."""
    return {one.name: getattr(row, one.name) for one in fields(row)}


def _some(rows: Iterable[KeptAttempt]) -> Iterator[list[KeptAttempt]]:
    held: list[KeptAttempt] = []
    for row in rows:
        held.append(row)
        if len(held) == _AT_ONCE:
            yield held
            held = []
    if held:
        yield held


# --- reading --------------------------------------------------------------------------------------------------


def report(connection: Connection, id: str) -> KeptReport | None:  # noqa: A002
    """The report with that id."""
    row = connection.execute(select(reports).where(reports.c.id == id)).mappings().one_or_none()
    return None if row is None else KeptReport(**row)


def report_that_said(connection: Connection, said: str) -> KeptReport | None:
    """The report with that digest of what it said."""
    row = connection.execute(select(reports).where(reports.c.said == said)).mappings().one_or_none()
    return None if row is None else KeptReport(**row)


def of_key(connection: Connection, key: str) -> tuple[str, KeptReport] | None:
    """What was asked under a key, as a digest, and the report that came under it."""
    query = select(report_keys.c.asked, reports).join(reports, reports.c.id == report_keys.c.report_id)
    row = connection.execute(query.where(report_keys.c.key == key)).mappings().one_or_none()
    if row is None:
        return None
    return row["asked"], KeptReport(**{name: row[name] for name in reports.columns.keys()})  # noqa: SIM118 - no dict


def attempts_of(connection: Connection, advice_ids: Sequence[str]) -> Iterator[KeptAttempt]:
    """What counts of each attempt reported under advices, by advice, joint, ribbon, fibre and attempt."""
    order = (attempts.c.advice_id, attempts.c.joint, attempts.c.ribbon, attempts.c.fibre, attempts.c.attempt)
    query = _that_count(select(attempts)).where(attempts.c.advice_id.in_(advice_ids)).order_by(*order)
    return streamed(connection, query)


def attempts_since(connection: Connection, since: datetime | None = None) -> Iterator[KeptAttempt]:
    """What counts of every attempt made since then, in the order of the work, a few rows at a time."""
    order = (attempts.c.made_at, attempts.c.advice_id, attempts.c.fibre, attempts.c.joint, attempts.c.attempt)
    query = _that_count(select(attempts)).order_by(*order)
    return streamed(connection, query if since is None else query.where(attempts.c.made_at >= since))


def earlier_attempts(
    connection: Connection, advice_id: str, joint: int, fibre_names: Sequence[str], before: int
) -> list[KeptAttempt]:
    """What counts of the attempts before the ``before``-th at one joint of some fibres."""
    query = _that_count(select(attempts)).where(
        attempts.c.advice_id == advice_id,
        attempts.c.joint == joint,
        attempts.c.attempt < before,
        attempts.c.fibre.in_(fibre_names),
    )
    return list(streamed(connection, query.order_by(attempts.c.fibre, attempts.c.attempt)))


def _that_count(query: Select[Any]) -> Select[Any]:
    """Only the latest report of each attempt: an attempt that was reported again is known as it was told last."""
    later = attempts.alias()
    is_later = or_(
        later.c.received_at > attempts.c.received_at,
        and_(later.c.received_at == attempts.c.received_at, later.c.report_id > attempts.c.report_id),
    )
    same = [later.c[name] == attempts.c[name] for name in ("advice_id", "fibre", "joint", "attempt")]
    return query.where(~exists().where(*same, is_later))


def streamed(connection: Connection, query: Select[Any]) -> Iterator[KeptAttempt]:
    """Attempts, some at a time."""
    with connection.execute(query, execution_options={"yield_per": _AT_ONCE}) as found:
        for row in found.mappings():
            yield KeptAttempt(**row)


def temporary_is_kept(connection: Connection, advice_id: str) -> bool:
    """Whether a joint of a temporary repair may stay: then its permanent repair is owed."""
    query = select(attempts.c.part).where(
        attempts.c.advice_id == advice_id,
        attempts.c.plan.like(f"%/{TEMPORARY}"),
        attempts.c.verdict == ACCEPT,
    )
    return connection.execute(query.limit(1)).first() is not None


def verdict_documents(connection: Connection, digests: Iterable[str]) -> dict[str, bytes]:
    """Documents of verdicts by their digests."""
    query = select(verdicts).where(verdicts.c.digest.in_(set(digests)))
    return {row.digest: row.document for row in connection.execute(query)}


def closures_of(connection: Connection, advice_ids: Sequence[str]) -> list[KeptClosure]:
    """What was said of the closing of advices' work, in the order in which it came."""
    query = select(closures).join(reports, reports.c.id == closures.c.report_id)
    query = query.where(closures.c.advice_id.in_(advice_ids)).order_by(reports.c.received_at, reports.c.id)
    return [KeptClosure(**row) for row in connection.execute(query).mappings()]


class Outcomes:
    """What was reported, in one database that is migrated already: as those read it who change nothing."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def attempts(self, since: datetime | None = None) -> Iterator[KeptAttempt]:
        """What counts of every attempt made since then (aware), in the order of the work, a few rows at a time."""
        with reading(self._engine) as connection:
            yield from attempts_since(connection, since)

    def count(self) -> int:
        """How many attempts are kept, each as often as it was reported."""
        with reading(self._engine) as connection:
            return connection.execute(select(func.count()).select_from(attempts)).scalar_one()
