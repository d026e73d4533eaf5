"""The use case of a file of results: read once, judged advice by advice, kept whole or not at all.

However long the file is, what is in memory is one row, or the work of one advice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import orjson

from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.parse import read_moment
from repairadvisor.judged_work import Ready, keep, refuse_unfit
from repairadvisor.outcome.reported import Attempt, Reading, Repair
from repairadvisor.schemas.outcome import Closure, Entry, Report, told_otherwise
from repairadvisor.schemas.outcome_rows import Row
from repairadvisor.store.database import writing
from repairadvisor.store.spooled_rows import SpooledRows
from repairadvisor.work_done import MOST_ATTEMPTS, WorkDone

#: Repairs whose limits are remembered between rows.
_REMEMBERED = 20_000
#: Progress is told after so many rows.
EVERY = 1000


@dataclass(slots=True)
class Tally:
    """What became of the rows of a file. ``bad`` rows have faults; ``new`` attempts were told for the first time,
    ``corrected`` ones otherwise than before, ``known`` ones had been told just so;
    ``verdicts`` counts joints by verdict."""

    rows: int = 0
    bad: int = 0
    new: int = 0
    corrected: int = 0
    known: int = 0
    reports: int = 0
    verdicts: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Telling:
    """Whom to tell what while it goes on: every fault, and now and then how far it is: what is done, and how much."""

    fault: Callable[[Fault], None]
    progress: Callable[[str, int], None]


class WorkFile:
    """One file of results on its way into the records. To be used in a ``with`` block."""

    def __init__(self, work: WorkDone, clock: datetime, telling: Telling) -> None:
        self._work = work
        self._clock = clock
        self._telling = telling
        self._spool = SpooledRows()
        self._repairs: dict[tuple[str, str], Repair | InputError] = {}
        self.tally = Tally()

    def __enter__(self) -> WorkFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._spool.__exit__()

    def take(self, rows: Iterable[Row | InputError]) -> None:
        """Read all rows and judge them; every fault is told. Nothing is kept yet."""
        for row in rows:
            self.tally.rows += 1
            faults = list(row.faults) if isinstance(row, InputError) else self._told(row)
            self._bad(faults)
            if self.tally.rows % EVERY == 0:
                self._telling.progress("rows read", self.tally.rows)
        judged = 0
        for advice in list(self._spool.advices()):
            judged += self._judged(advice)
            self._telling.progress("attempts judged", judged)

    def keep(self) -> None:
        """Keep everything that could be used, in one transaction, and what follows from it."""
        advices: dict[str, None] = {}
        with writing(self._work.engine) as connection:
            for number, advice, report, closure in self._spool.ready():
                ready = Ready(advice, report, self._spool.rows(number), tuple(self._spool.documents(number)), closure)
                if keep(connection, ready):
                    advices[advice] = None
            self._work.let_follow(connection, tuple(advices), self._clock)
        self._work.let_go_of_old(self._clock)

    def answers(self) -> Iterator[bytes]:
        """The answer to the work of each advice, as it would have been given to a report of its own."""
        return self._spool.answers()

    # --- row by row -------------------------------------------------------------------------------------------

    def _told(self, row: Row) -> list[Fault]:
        repair = self._repair(row)
        if isinstance(repair, InputError):
            return [replace(fault, field=f"{row.where}{fault.field}") for fault in repair.faults]
        try:
            refuse_unfit(repair, [(one.attempt, f"{one.where}{row.between}") for one in row.entries])
        except InputError as error:
            return list(error.faults)
        return self._spooled(row)

    def _repair(self, row: Row) -> Repair | InputError:
        """What attempts under an advice are held against, or why there is nothing."""
        key = (row.advice, row.plan)
        if key not in self._repairs:
            if len(self._repairs) >= _REMEMBERED:
                self._repairs.clear()
            try:
                self._repairs[key] = self._work.work(row.advice, row.plan, self._clock).repair
            except InputError as error:
                self._repairs[key] = error
        return self._repairs[key]

    def _spooled(self, row: Row) -> list[Fault]:
        faults = []
        for one in row.entries:
            attempt = self._work.without_names(one.attempt)
            said = orjson.dumps(attempt)
            before = self._spool.tell(attempt.key, row.line, said, is_exact=one.is_exact)
            if before is not None:
                faults.append(told_otherwise(one.where, f"line {before}", attempt))
        closure = self._work.closure_without_names(row.closure)
        if closure.says_something or row.plan:
            besides = (row.plan, closure.evidence, closure.due_on, closure.responsible)
            self._spool.tell_besides(row.advice, row.line, *besides)
        return faults

    def _bad(self, faults: list[Fault]) -> None:
        for fault in faults:
            self._telling.fault(fault)
        self.tally.bad += bool(faults)

    # --- advice by advice -------------------------------------------------------------------------------------

    def _judged(self, advice: str) -> int:
        """Judge what was told under an advice, and make it ready to be kept; how many attempts that were."""
        told = self._spool.told(advice, MOST_ATTEMPTS + 1)
        besides = self._spool.besides(advice)
        plans = dict.fromkeys(plan for _, plan, *_ in besides if plan)
        lines = (told[0][0], told[-1][0])
        if len(plans) > 1:
            fault = Fault(
                "given-twice", f"line {besides[-1][0]}: plan", ", ".join(plans), "are two plans of one advice"
            )
            self._bad([replace(fault, allowed="one plan")])
            return len(told)
        entries = tuple(Entry(attempt_of(said), f"line {line}") for line, said in told)
        report = Report(advice, next(iter(plans), ""), entries, _together(besides))
        said = self._work.said_by(report)
        if self._work.is_kept(said):
            self.tally.known += len(entries)
            return len(told)
        try:
            ready = self._work.ready(report, said, self._work.work(advice, report.plan, self._clock), self._clock)
        except InputError as error:
            where = f"lines {min(lines)} to {max(lines)}: "
            self._bad([replace(fault, field=f"{where}{fault.field}") for fault in error.faults])
            return len(told)
        self._count(ready)
        if ready.rows or ready.closure is not None:
            self._spool.add(advice, ready.report, tuple(ready.rows), ready.documents, ready.closure)
        return len(told)

    def _count(self, ready: Ready) -> None:
        answer = orjson.loads(ready.report.answer)
        self.tally.new += answer["attempts_new"]
        self.tally.corrected += answer["attempts_corrected"]
        self.tally.known += answer["attempts_known"]
        self.tally.reports += 1
        for one in answer["verdicts"]:
            word = one["verdict"]
            self.tally.verdicts[word] = self.tally.verdicts.get(word, 0) + len(one["fibres"])


def _together(besides: Iterable[tuple[int, str, list[str], str, str]]) -> Closure:
    """What rows of one advice tell of closing its work: evidence adds up, of days and persons the last counts."""
    evidence: dict[str, None] = {}
    due_on = responsible = ""
    for _, _, lines, day, who in besides:
        evidence |= dict.fromkeys(lines)
        due_on, responsible = day or due_on, who or responsible
    return Closure(tuple(evidence), due_on, responsible)


def attempt_of(said: bytes) -> Attempt:
    """An attempt from its JSON."""
    told: Mapping[str, Any] = orjson.loads(said)
    readings = tuple(Reading(**one) for one in told["readings"])
    made_at = read_moment(told["made_at"])
    return Attempt(**{**told, "readings": readings, "made_at": made_at})
