"""Results of a file on their way: told by row, ready by report, in a file of SQLite's own that is gone afterwards.

However many there are, only those at work are in memory.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import fields
from datetime import datetime
from types import TracebackType
from typing import Any

import orjson

from repairadvisor.store.outcomes import KeptAttempt, KeptClosure, KeptReport

_MADE = """
CREATE TABLE told (advice TEXT, fibre TEXT, joint INTEGER, attempt INTEGER, is_exact INTEGER, line INTEGER, said BLOB,
    PRIMARY KEY (advice, fibre, joint, attempt, is_exact)) WITHOUT ROWID;
CREATE TABLE besides (advice TEXT, line INTEGER, plan TEXT, evidence TEXT, due_on TEXT, responsible TEXT,
    PRIMARY KEY (advice, line)) WITHOUT ROWID;
CREATE TABLE reports (number INTEGER PRIMARY KEY, advice TEXT, said BLOB, answer BLOB, closure BLOB);
CREATE TABLE rows (report INTEGER, said BLOB);
CREATE TABLE documents (report INTEGER, document BLOB);
CREATE INDEX rows_of ON rows (report);
CREATE INDEX documents_of ON documents (report);
"""
#: Pages in memory, KiB; the rest is on disk.
_IN_MEMORY_KIB = 32_768


class SpooledRows:
    """Rows of one file. To be used in a ``with`` block."""

    def __init__(self) -> None:
        self._file = sqlite3.connect("", isolation_level=None)
        self._file.execute(f"PRAGMA cache_size=-{_IN_MEMORY_KIB}")
        self._file.execute("PRAGMA journal_mode=OFF")
        self._file.executescript(_MADE)

    def __enter__(self) -> SpooledRows:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._file.close()

    # --- as told ----------------------------------------------------------------------------------------------

    def tell(self, key: tuple[str, str, int, int], line: int, said: bytes, *, is_exact: bool) -> int | None:
        """One attempt as a row tells it. The line of an earlier row that tells it otherwise, in the same way; then it
        is not taken."""
        place = (*key, int(is_exact))
        added = self._file.execute("INSERT OR IGNORE INTO told VALUES (?, ?, ?, ?, ?, ?, ?)", (*place, line, said))
        if added.rowcount:
            return None
        found = "SELECT line, said FROM told WHERE advice=? AND fibre=? AND joint=? AND attempt=? AND is_exact=?"
        before, told = self._file.execute(found, place).fetchone()
        return None if told == said else int(before)

    def tell_besides(self, advice: str, line: int, plan: str, evidence: Sequence[str], due_on: str, who: str) -> None:
        """What a row tells besides its attempt."""
        besides = (advice, line, plan, orjson.dumps(evidence), due_on, who)
        self._file.execute("INSERT OR REPLACE INTO besides VALUES (?, ?, ?, ?, ?, ?)", besides)

    def advices(self) -> Iterator[str]:
        """The advices of which rows tell."""
        for (advice,) in self._file.execute("SELECT DISTINCT advice FROM told ORDER BY advice"):
            yield advice

    def told(self, advice: str, most: int) -> list[tuple[int, bytes]]:
        """The line and the content of each attempt told under an advice, up to ``most``: what was told of a fibre by
        itself comes before a stretch that holds it."""
        query = (
            "SELECT MAX(is_exact), line, said FROM told WHERE advice=? GROUP BY fibre, joint, attempt"
            " ORDER BY joint, fibre, attempt LIMIT ?"
        )
        return [(line, said) for _, line, said in self._file.execute(query, (advice, most))]

    def besides(self, advice: str) -> list[tuple[int, str, list[str], str, str]]:
        """Line, plan, evidence, day and person of rows that tell any, in order."""
        query = "SELECT line, plan, evidence, due_on, responsible FROM besides WHERE advice=? ORDER BY line"
        found = self._file.execute(query, (advice,))
        return [(line, plan, orjson.loads(evidence), due_on, who) for line, plan, evidence, due_on, who in found]

    # --- as it is to be kept ----------------------------------------------------------------------------------

    def add(
        self,
        advice: str,
        report: KeptReport,
        rows: Sequence[KeptAttempt],
        documents: Sequence[bytes],
        closure: KeptClosure | None,
    ) -> None:
        """A report that is ready."""
        said = (advice, _written(report, ("answer",)), report.answer, None if closure is None else _written(closure))
        number = self._file.execute(
            "INSERT INTO reports (advice, said, answer, closure) VALUES (?, ?, ?, ?)", said
        ).lastrowid
        self._file.executemany("INSERT INTO rows VALUES (?, ?)", ((number, _written(row)) for row in rows))
        self._file.executemany("INSERT INTO documents VALUES (?, ?)", ((number, one) for one in documents))

    def ready(self) -> Iterator[tuple[int, str, KeptReport, KeptClosure | None]]:
        """Each report that is ready: its number here, its advice, itself, and what it says of closing."""
        for number, advice, said, answer, closure in self._file.execute("SELECT * FROM reports ORDER BY number"):
            told = orjson.loads(said)
            report = KeptReport(
                **{**told, "received_at": datetime.fromisoformat(told["received_at"]), "answer": answer}
            )
            yield number, advice, report, None if closure is None else _closure(closure)

    def rows(self, number: int) -> Iterator[KeptAttempt]:
        """The attempts of a report."""
        for (said,) in self._file.execute("SELECT said FROM rows WHERE report=? ORDER BY rowid", (number,)):
            told = orjson.loads(said)
            moments = {name: datetime.fromisoformat(told[name]) for name in ("received_at", "made_at")}
            yield KeptAttempt(**{**told, **moments, "measured": told["measured"].encode()})

    def documents(self, number: int) -> Iterator[bytes]:
        """The documents of the verdicts of a report."""
        for (document,) in self._file.execute("SELECT document FROM documents WHERE report=?", (number,)):
            yield document

    def answers(self) -> Iterator[bytes]:
        """The answers to all reports that are ready."""
        for (answer,) in self._file.execute("SELECT answer FROM reports ORDER BY number"):
            yield answer


def _written(row: Any, without: Sequence[str] = ()) -> bytes:
    """A row as JSON; what is JSON itself stands in it as text."""
    plain = {one.name: getattr(row, one.name) for one in fields(row) if one.name not in without}
    return orjson.dumps({name: value.decode() if isinstance(value, bytes) else value for name, value in plain.items()})


def _closure(said: bytes) -> KeptClosure:
    told = orjson.loads(said)
    return KeptClosure(**{**told, "evidence": told["evidence"].encode()})
