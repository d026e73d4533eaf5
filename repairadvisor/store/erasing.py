"""What is kept of a report, an advice or somebody: found by its id, taken out, erased."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, and_, delete, exists, or_, select, update

from repairadvisor.schemas.outcome import WHO
from repairadvisor.store.outcomes import (
    KeptAttempt,
    KeptClosure,
    attempts,
    closures,
    report_keys,
    reports,
    streamed,
    verdicts,
)

#: So many ids are named in one statement.
_AT_ONCE = 500


def attempts_by(connection: Connection, id: str) -> Iterator[KeptAttempt]:  # noqa: A002
    """Every attempt as it was reported each time, of a report, an advice, or somebody or something by its pseudonym."""
    query = select(attempts).where(_named(id)).order_by(attempts.c.received_at, attempts.c.report_id, attempts.c.part)
    return streamed(connection, query)


def closures_by(connection: Connection, id: str) -> list[KeptClosure]:  # noqa: A002
    """What the same says of closings."""
    named = or_(closures.c.report_id == id, closures.c.advice_id == id, closures.c.responsible == id)
    rows = connection.execute(select(closures).where(named).order_by(closures.c.report_id, closures.c.advice_id))
    return [KeptClosure(**row) for row in rows.mappings()]


def _named(id: str) -> ColumnElement[bool]:  # noqa: A002
    return or_(attempts.c.report_id == id, attempts.c.advice_id == id, *(attempts.c[name] == id for name in WHO))


def forget(connection: Connection, id: str) -> int:  # noqa: A002
    """Take a pseudonym out of everything reported; in how many places it stood.

    The work stays, as made by nobody knows whom. The digests of what was said go too: made with the pseudonym in it,
    they would tell whether it had stood there.
    """
    touched = set(connection.execute(select(attempts.c.report_id).where(_named(id)).distinct()).scalars())
    found = select(closures.c.report_id).where(closures.c.responsible == id).distinct()
    touched |= set(connection.execute(found).scalars())
    count = 0
    for name in WHO:
        count += connection.execute(update(attempts).where(attempts.c[name] == id).values({name: None})).rowcount
    gone = update(closures).where(closures.c.responsible == id).values(responsible=None)
    count += connection.execute(gone).rowcount
    for some in (sorted(touched)[at : at + _AT_ONCE] for at in range(0, len(touched), _AT_ONCE)):
        connection.execute(update(reports).where(reports.c.id.in_(some)).values(said=None))
        connection.execute(delete(report_keys).where(report_keys.c.report_id.in_(some)))
    return count


def erase(connection: Connection, id: str) -> int:  # noqa: A002
    """Erase a report, or all that was reported under an advice; how many attempts, and tellings of closings, went."""
    gone = or_(attempts.c.report_id == id, attempts.c.advice_id == id)
    count = connection.execute(delete(attempts).where(gone)).rowcount
    told = delete(closures).where(or_(closures.c.report_id == id, closures.c.advice_id == id))
    count += connection.execute(told).rowcount
    _tidy(connection, reports.c.id == id)
    return count


def holds_older(connection: Connection, before: datetime) -> bool:
    """Whether anything was received before a moment."""
    return connection.execute(select(reports.c.id).where(reports.c.received_at < before).limit(1)).first() is not None


def let_go(connection: Connection, before: datetime) -> int:
    """Erase what was received before a moment; how many attempts went."""
    count = connection.execute(delete(attempts).where(attempts.c.received_at < before)).rowcount
    _tidy(connection, reports.c.received_at < before)
    return count


def _tidy(connection: Connection, gone: ColumnElement[bool]) -> None:
    """Reports that are to go, or hold nothing any more, and verdicts that nobody got, go too."""
    holds = exists().where(attempts.c.report_id == reports.c.id)
    says = exists().where(closures.c.report_id == reports.c.id)
    connection.execute(delete(reports).where(or_(gone, and_(~holds, ~says))))
    connection.execute(delete(verdicts).where(~exists().where(attempts.c.verdict_digest == verdicts.c.digest)))
