"""Work that was judged, made ready to be kept: the report, its attempts, their verdicts, what goes with closing."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import orjson
from sqlalchemy import Connection

from repairadvisor.decision.answer import moment_text
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context
from repairadvisor.outcome.reported import Attempt, Repair, held_against
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.schemas.outcome import Closure, Report, measured
from repairadvisor.schemas.outcome_answer import OutcomeAnswer, answer_bytes, folded, verdict_document
from repairadvisor.store import outcomes as store
from repairadvisor.store.outcomes import KeptAttempt, KeptClosure, KeptReport
from repairadvisor.store.work_so_far import is_temporary


@dataclass(frozen=True, slots=True)
class Work:
    """The repair that an advice asked for: its facts, the plan that was carried out, what attempts are held against."""

    advice: str
    context: Context
    plan: str
    repair: Repair

    @property
    def is_temporary(self) -> bool:
        """Whether a permanent repair is owed after it."""
        return is_temporary(self.plan)


@dataclass(frozen=True, slots=True)
class Judged:
    """What attempts reported under one advice come to: those not told just so before, how many of these ``corrected``
    what was told of an attempt, how many were known, the verdicts on the joints that they speak of, and ``all`` that
    are known then."""

    new: tuple[Attempt, ...]
    corrected: int
    known: int
    verdicts: tuple[Verdict, ...]
    all: tuple[Attempt, ...]

    def by_attempt(self, attempts: Iterable[Attempt]) -> dict[tuple[str, int, int], Verdict]:
        """The verdict on each of some attempts that got one: those that are the last at their joints. A verdict on
        joints that were read together is one on each of them."""
        of_joint = {
            (fibre, one.joint + more): one
            for one in self.verdicts
            for fibre in one.fibres
            for more in range(one.joints_read)
        }
        last: dict[tuple[str, int], int] = {}
        some = [(one.fibre, one.joint, one.attempt) for one in attempts]
        for fibre, joint, attempt in some:
            last[fibre, joint] = max(attempt, last.get((fibre, joint), attempt))
        return {
            (fibre, joint, attempt): of_joint[fibre, joint]
            for fibre, joint, attempt in some
            if attempt == last[fibre, joint] and (fibre, joint) in of_joint
        }

    def speaks_of(self, joints: set[tuple[str, int]]) -> Judged:
        """The same with the verdicts on these joints of these fibres alone."""
        return replace(self, verdicts=tuple(one for one in self.verdicts if _speaks_of(one, joints)))


@dataclass(frozen=True, slots=True)
class Ready:
    """A report on the work of one advice, judged and ready to be kept; ``documents`` are those of its verdicts."""

    advice: str
    report: KeptReport
    rows: Iterable[KeptAttempt]
    documents: tuple[bytes, ...]
    closure: KeptClosure | None


def refuse_unfit(repair: Repair, attempts: Iterable[tuple[Attempt, str]]) -> None:
    """InputError with everything for which attempts cannot be of this repair; each comes with what is put before the
    names of its fields."""
    faults: list[Fault] = []
    for attempt, where in attempts:
        try:
            held_against(attempt, repair)
        except InputError as error:
            faults += [replace(fault, field=f"{where}{fault.field}") for fault in error.faults]
    if faults:
        raise InputError(dict.fromkeys(faults))


def made_ready(
    told: Report, said: str, work: Work, judged: Judged, closure: Closure, policy_id: str, clock: datetime
) -> Ready:
    """A report to be kept as received now, ``said`` is the digest of what it says; ``closure`` is all that is known of
    closing the work by then."""
    report = KeptReport(
        id=uuid.uuid4().hex,
        received_at=clock,
        said=said,
        answer=b"",
        policy_id=policy_id,
        method_version=METHOD_VERSION,
    )
    report = replace(report, answer=answer_bytes(_answer(report, work, judged, closure)))
    by_attempt = judged.by_attempt(judged.all)
    written: dict[int, bytes] = {}
    rows = []
    for part, one in enumerate(judged.new):
        verdict = by_attempt.get((one.fibre, one.joint, one.attempt))
        if verdict is not None and id(verdict) not in written:
            written[id(verdict)] = verdict_document(verdict)
        document = None if verdict is None else written[id(verdict)]
        rows.append(_row(report, work, part, one, "" if verdict is None else verdict.verdict, document))
    closing = _kept_closure(report.id, told.advice, told.closure) if told.closure.says_something else None
    return Ready(told.advice, report, tuple(rows), tuple(dict.fromkeys(written.values())), closing)


def keep(connection: Connection, ready: Ready) -> bool:
    """Keep a report with all that goes with it; nothing, and False, where one that says the same is kept."""
    if not store.add_report(connection, ready.report):
        return False
    for document in ready.documents:
        store.add_verdict(connection, document)
    store.add_attempts(connection, ready.rows)
    if ready.closure is not None:
        store.add_closure(connection, ready.closure)
    return True


def digest_of(told: Report) -> str:
    """A digest of all that a report says, whatever its form."""
    entries = sorted((one.attempt for one in told.entries), key=lambda one: one.key)
    return store.digest_of(orjson.dumps([told.advice, told.plan, entries, told.closure]))


def _row(
    report: KeptReport, work: Work, part: int, attempt: Attempt, verdict: str, document: bytes | None
) -> KeptAttempt:
    return KeptAttempt(
        report_id=report.id,
        part=part,
        received_at=report.received_at,
        advice_id=work.advice,
        fibre=attempt.fibre,
        joint=attempt.joint,
        attempt=attempt.attempt,
        ribbon=attempt.ribbon,
        method=attempt.method,
        plan=work.plan,
        made_at=attempt.made_at,
        person=attempt.person or None,
        machine=attempt.machine or None,
        cleaver=attempt.cleaver or None,
        measured=measured(attempt),
        verdict=verdict,
        verdict_digest=None if document is None else store.digest_of(document),
    )


def _speaks_of(verdict: Verdict, joints: set[tuple[str, int]]) -> bool:
    """Whether a verdict is on one of these joints of these fibres."""
    read = range(verdict.joint, verdict.joint + verdict.joints_read)
    return any((fibre, joint) in joints for fibre in verdict.fibres for joint in read)


def _kept_closure(report_id: str, advice_id: str, closure: Closure) -> KeptClosure:
    """What a report says of closing an advice's work, as it is kept."""
    return KeptClosure(
        report_id=report_id,
        advice_id=advice_id,
        evidence=orjson.dumps(closure.evidence),
        due_on=closure.due_on or None,
        responsible=closure.responsible or None,
    )


def _answer(report: KeptReport, work: Work, judged: Judged, closure: Closure) -> OutcomeAnswer:
    return OutcomeAnswer(
        id=report.id,
        advice=work.advice,
        plan=work.plan,
        received_at=moment_text(report.received_at.astimezone(UTC)),
        attempts_new=len(judged.new) - judged.corrected,
        attempts_corrected=judged.corrected,
        attempts_known=judged.known,
        verdicts=folded(judged.verdicts),
        evidence=closure.evidence,
        is_temporary=work.is_temporary,
        due_on=closure.due_on,
    )
