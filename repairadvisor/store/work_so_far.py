"""What is known of the work under an advice, all reports together: attempts, verdicts, evidence, what is owed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import orjson
from sqlalchemy import Connection

from repairadvisor.decision.answer import moment_text
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.schemas.outcome import Closure
from repairadvisor.schemas.outcome_answer import (
    AttemptTold,
    WorkSoFar,
    by_number,
    folded,
    in_order_of_names,
    read_verdict,
)
from repairadvisor.store import outcomes as store
from repairadvisor.store.outcomes import TEMPORARY, KeptAttempt, KeptClosure

NOTHING_TOLD = Closure()


def is_temporary(plan_id: str) -> bool:
    """Whether a permanent repair is owed after a plan."""
    return plan_id.endswith(f"/{TEMPORARY}")


def so_far(connection: Connection, named: str, advice_ids: Sequence[str], advised_plan: str) -> WorkSoFar:
    """All that is known of the work under advices; ``named`` is the one by whose id it is told."""
    rows = list(store.attempts_of(connection, advice_ids))
    last = {(row.advice_id, row.fibre, row.joint): row for row in sorted(rows, key=lambda row: row.attempt)}
    closure = together(store.closures_of(connection, advice_ids))
    plan = max(rows, key=lambda row: row.received_at).plan if rows else advised_plan
    return WorkSoFar(
        advice=named,
        attempts=_told(rows),
        verdicts=_verdicts_on(connection, last.values()),
        evidence=closure.evidence,
        is_temporary=is_temporary(plan),
        due_on=closure.due_on,
    )


def _verdicts_on(connection: Connection, rows: Iterable[KeptAttempt]) -> tuple[Verdict, ...]:
    """The verdicts that the last attempts at some joints got, equal ones folded."""
    alike: dict[tuple[str, int, str], list[KeptAttempt]] = {}
    for row in rows:
        if row.verdict_digest is not None:
            alike.setdefault((row.verdict_digest, row.joint, row.ribbon), []).append(row)
    documents = store.verdict_documents(connection, (digest for digest, _, _ in alike))
    found = []
    for (digest, _, _), some in alike.items():
        fibres = in_order_of_names(row.fibre for row in some)
        made_at, received_at = [row.made_at for row in some], max(row.received_at for row in some)
        found.append(read_verdict(documents[digest], fibres, made_at, received_at))
    return folded(found)


def _told(rows: Iterable[KeptAttempt]) -> tuple[AttemptTold, ...]:
    """Attempts as they count, those that read alike as one with all their fibres."""
    alike: dict[tuple[object, ...], list[KeptAttempt]] = {}
    for row in rows:
        alike.setdefault((row.joint, row.attempt, row.method, row.verdict, row.measured), []).append(row)
    told = []
    for some in alike.values():
        row, readings = some[0], some[0].as_reported().readings
        told.append(
            AttemptTold(
                fibres=in_order_of_names(one.fibre for one in some),
                joint=row.joint,
                attempt=row.attempt,
                method=row.method,
                made_at=moment_text(max(one.made_at for one in some)),
                loss_db={str(one.nm): one.loss_db for one in readings if one.ways == 2},
                one_way_db={str(one.nm): one.loss_db for one in readings if one.ways == 1},
                verdict=row.verdict,
            )
        )
    return tuple(sorted(told, key=lambda one: (one.joint, by_number(one.fibres[0]), one.attempt)))


def together(kept: Iterable[KeptClosure], told: Closure = NOTHING_TOLD) -> Closure:
    """What was said of closing one advice's work, all told: evidence adds up, of days and persons the last counts."""
    evidence: dict[str, None] = {}
    due_on = responsible = ""
    for one in kept:
        evidence |= dict.fromkeys(orjson.loads(one.evidence))
        due_on, responsible = one.due_on or due_on, one.responsible or responsible
    evidence |= dict.fromkeys(told.evidence)
    return Closure(tuple(evidence), told.due_on or due_on, told.responsible or responsible)
