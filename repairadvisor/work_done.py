"""The use case of work that was done: a report in, verdicts out, every attempt kept beside the advice it belongs to.

Judged by the policy in force, on the facts of the advice and all attempts that are known of its repair. People,
machines and cleavers become pseudonyms before anything is looked at or kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import orjson
from sqlalchemy import Connection, Engine

from repairadvisor.errors import ConflictError, Fault, InputError, NotFoundError
from repairadvisor.judged_work import Judged, Ready, Work, digest_of, keep, made_ready, refuse_unfit
from repairadvisor.outcome.reported import Attempt
from repairadvisor.replay import told_again
from repairadvisor.schemas.outcome import WHO, Closure, Report, read_report
from repairadvisor.schemas.outcome_answer import WorkSoFar
from repairadvisor.service import ADVICE_ID, Advisor
from repairadvisor.store import outcomes as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import secret_of
from repairadvisor.store.erasing import holds_older, let_go
from repairadvisor.store.outcomes import KeptAttempt, KeptReport, pseudonym
from repairadvisor.store.work_so_far import so_far, together

#: More attempts than the largest cable makes, each fibre joined several times.
MOST_ATTEMPTS = 40_000

#: What follows from work that was reported under advices, kept in the same transaction.
Consequence = Callable[[Connection, Sequence[str], datetime], None]


class WorkDone:
    """Judges reports under the policy in force, and keeps them. ``then`` says what follows from each."""

    def __init__(self, advisor: Advisor, keep_days: int | None = None, then: Consequence | None = None) -> None:
        if advisor.records is None:
            raise ValueError("work that was done is kept beside advice, and no advice is kept here")
        self._advisor = advisor
        self._engine = advisor.records.engine
        self._secret = secret_of(self._engine)
        self._keep_days = keep_days
        self._then = then

    def report(self, body: Mapping[str, object], clock: datetime, key: str = "") -> KeptReport:
        """The report that a body holds judged, kept, and as it was answered. What says the same is answered with what
        was kept the first time.

        Raises :class:`InputError` with everything that is wrong, :class:`ConflictError` where something else came under
        this key.
        """
        told = self.with_pseudonyms(read_report(body))
        asked, said = digest_of(told), self.said_by(told)
        earlier = self._earlier(asked, said, key)
        if earlier is not None:
            return earlier
        work = self.work(told.advice, told.plan, clock)
        refuse_unfit(work.repair, [(one.attempt, f"{one.where}.") for one in told.entries])
        ready = self.ready(told, said, work, clock)
        with writing(self._engine) as connection:
            if keep(connection, ready):
                if key and not store.add_key(connection, digest_of_key(key), asked, ready.report.id):
                    connection.rollback()  # another request under this key was quicker
                else:
                    self.let_follow(connection, [work.advice], clock)
        self.let_go_of_old(clock)
        return self._earlier(asked, said, key) or ready.report

    def ready(self, told: Report, said: str, work: Work, clock: datetime) -> Ready:
        """A report that names nobody, judged and ready to be kept; ``said`` by :meth:`said_by`. Raises
        :class:`InputError`."""
        judged = self.judged(work, [one.attempt for one in told.entries], clock)
        with reading(self._engine) as connection:
            closure = together([*store.closures_of(connection, [told.advice])], told.closure)
        return made_ready(told, said, work, judged, closure, self._advisor.method.policy_id, clock)

    @property
    def engine(self) -> Engine:
        """The database in which work is kept."""
        return self._engine

    def said_by(self, told: Report) -> str:
        """A digest of what a report says. Where that is kept, but was told otherwise since, it is no repeat: then it
        comes after what it was kept as, and counts again."""
        said = digest_of(told)
        with reading(self._engine) as connection:
            same = store.report_that_said(connection, said)
            if same is None or _counts(told, store.attempts_of(connection, [told.advice])):
                return said
            while same is not None:
                said = store.digest_of(f"{said}\0{same.id}".encode())
                same = store.report_that_said(connection, said)
        return said

    def is_kept(self, said: str) -> bool:
        """Whether a report is kept that says this, by :meth:`said_by`."""
        with reading(self._engine) as connection:
            return store.report_that_said(connection, said) is not None

    def with_pseudonyms(self, told: Report) -> Report:
        """The same, with pseudonyms for who and what was named."""
        entries = tuple(replace(one, attempt=self.without_names(one.attempt)) for one in told.entries)
        return replace(told, entries=entries, closure=self.closure_without_names(told.closure))

    def without_names(self, attempt: Attempt) -> Attempt:
        """An attempt, with pseudonyms for who and what made it."""
        if not (attempt.person or attempt.machine or attempt.cleaver):
            return attempt
        person, machine, cleaver = (self.pseudonym(name, getattr(attempt, name)) for name in WHO)
        return replace(attempt, person=person, machine=machine, cleaver=cleaver)

    def closure_without_names(self, closure: Closure) -> Closure:
        """What goes with closing, with a pseudonym for who is to see to it."""
        return replace(closure, responsible=self.pseudonym("person", closure.responsible))

    def pseudonym(self, kind: str, name: str) -> str:
        """Under which pseudonym somebody or something is known here."""
        return pseudonym(self._secret, kind, name)

    def work(self, advice_id: str, plan_id: str, now: datetime) -> Work:
        """The repair of an advice. ``plan_id``: the plan that was carried out, "" for the one that was advised.

        Raises :class:`InputError` where there is no such advice, no such plan, or no plan at all.
        """
        try:
            stored = self._advisor.given(advice_id)
        except NotFoundError as error:
            problem = "no advice is kept under this id"
            raise InputError([Fault("no-advice", "advice", advice_id, problem, "the id of an advice")]) from error
        plan = plan_id or _advised_plan(stored.document)
        if not plan:
            problem = "no plan was advised here, and none is told"
            raise InputError([Fault("missing", "plan", "", problem, "the plan that was carried out")])
        if not self._advisor.knows_plan(plan):
            raise InputError([Fault("unknown-plan", "plan", plan, "no such plan", "a plan of the policy")])
        context, _, _ = told_again(stored)
        return Work(advice_id, context, plan, self._advisor.method.repair(context, plan, now))

    def judged(self, work: Work, attempts: Sequence[Attempt], now: datetime) -> Judged:
        """What attempts of one repair come to, with all that is known of it. Raises :class:`InputError`."""
        with reading(self._engine) as connection:
            known = [row.as_reported() for row in store.attempts_of(connection, [work.advice])]
        before = {one.key: one for one in known}
        new = tuple(one for one in attempts if before.get(one.key) != one)
        together = {**before, **{one.key: one for one in attempts}}
        if len(together) > MOST_ATTEMPTS:
            problem, allowed = "attempts under one advice are too many", f"up to {MOST_ATTEMPTS}"
            raise InputError([Fault("too-many", "attempts", str(len(together)), problem, allowed)])
        verdicts = self._advisor.method.judge(work.context, work.plan, tuple(together.values()), now)
        corrected = sum(one.key in before for one in new)
        judged = Judged(new, corrected, len(attempts) - len(new), verdicts, tuple(together.values()))
        return judged.speaks_of({(one.fibre, one.joint) for one in attempts})

    def kept(self, report_id: str, clock: datetime) -> KeptReport:
        """The report with that id, as it was answered. Raises :class:`NotFoundError`."""
        self.let_go_of_old(clock)
        with reading(self._engine) as connection:
            found = store.report(connection, report_id) if ADVICE_ID.fullmatch(report_id) else None
        if found is None:
            raise NotFoundError("report", report_id)
        return found

    def so_far(self, advice_id: str, clock: datetime) -> WorkSoFar:
        """All that is known of the work under an advice. Raises :class:`NotFoundError` without the advice."""
        stored = self._advisor.given(advice_id)
        self.let_go_of_old(clock)
        with reading(self._engine) as connection:
            return so_far(connection, advice_id, [advice_id], _advised_plan(stored.document))

    def let_go_of_old(self, clock: datetime) -> int:
        """Erase what was received before what the operator keeps; how many attempts went."""
        if self._keep_days is None:
            return 0
        before = clock - timedelta(days=self._keep_days)
        with reading(self._engine) as connection:
            if not holds_older(connection, before):
                return 0  # whoever only reads waits for nobody who writes
        with writing(self._engine) as connection:
            return let_go(connection, before)

    # --- keeping ----------------------------------------------------------------------------------------------

    def _earlier(self, asked: str, said: str, key: str) -> KeptReport | None:
        """What was kept of a report that says the same, or came under the same key; it is known under that key too."""
        with reading(self._engine) as connection:
            of_key = store.of_key(connection, digest_of_key(key)) if key else None
            same = store.report_that_said(connection, said)
        if of_key is None and same is not None and key:
            with writing(self._engine) as connection:
                store.add_key(connection, digest_of_key(key), asked, same.id)
                of_key = store.of_key(connection, digest_of_key(key))  # another request may have been quicker
        return same if of_key is None else _answered_once(of_key, asked)

    def let_follow(self, connection: Connection, advice_ids: Sequence[str], clock: datetime) -> None:
        """Keep what follows from work that was reported under advices."""
        if self._then is not None:
            self._then(connection, advice_ids, clock)


def _counts(told: Report, kept: Iterable[KeptAttempt]) -> bool:
    """Whether every attempt of a report counts as it tells it."""
    now = {one.key: one for one in (row.as_reported() for row in kept)}
    return all(now.get(one.attempt.key) == one.attempt for one in told.entries)


def digest_of_key(key: str) -> str:
    """Under what an idempotency key is kept."""
    return store.digest_of(f"report\0{key}".encode())


def _answered_once(of_key: tuple[str, KeptReport], said: str) -> KeptReport:
    asked, report = of_key
    if asked != said:
        raise ConflictError("something else was reported before under this idempotency key")
    return report


def _advised_plan(document: bytes) -> str:
    plan = orjson.loads(document).get("plan")
    if not isinstance(plan, dict):
        return ""
    return "/".join(str(plan.get(word, "")) for word in ("method", "layout", "position", "access", "shelter", "stage"))
