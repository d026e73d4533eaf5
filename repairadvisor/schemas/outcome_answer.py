"""What is answered to a report of work: the verdicts, equal ones folded, and what is known of closing the work."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import orjson
from marshmallow import Schema

from repairadvisor.decision.answer import moment_text
from repairadvisor.outcome import verdict as shape
from repairadvisor.outcome.verdict import ACCEPT, ESCALATE, REDO, WITHHELD, Verdict
from repairadvisor.schemas.advice import SCHEMAS, made_of, schema_of


@dataclass(frozen=True, slots=True)
class OutcomeAnswer:
    """The answer to one report. ``id`` is "" where it is not kept. ``attempts_new`` were told for the first time,
    ``attempts_corrected`` otherwise than before, and what was told last counts; ``attempts_known`` had been told just
    so. ``verdicts`` are those on the last attempt at
    every joint that was reported: equal ones are one, with all their fibres. ``is_temporary``: a permanent repair is
    owed, ``due_on`` by then ("": nobody has set a day)."""

    id: str
    advice: str
    plan: str
    received_at: str
    attempts_new: int
    attempts_corrected: int
    attempts_known: int
    verdicts: tuple[Verdict, ...]
    evidence: tuple[str, ...]
    is_temporary: bool
    due_on: str


@dataclass(frozen=True, slots=True)
class AttemptTold:
    """An attempt as it counts now, of all fibres of which the same was told. ``loss_db`` are the averages of both ways
    and ``one_way_db`` readings from one end, by wavelength in nanometres as text."""

    fibres: tuple[str, ...]
    joint: int
    attempt: int
    method: str
    made_at: str
    loss_db: dict[str, float]
    one_way_db: dict[str, float]
    verdict: str


@dataclass(frozen=True, slots=True)
class WorkSoFar:
    """All that is known of the work under one advice: every attempt that counts, and the verdict on each joint."""

    advice: str
    attempts: tuple[AttemptTold, ...]
    verdicts: tuple[Verdict, ...]
    evidence: tuple[str, ...]
    is_temporary: bool
    due_on: str


def answer_bytes(answer: OutcomeAnswer | WorkSoFar) -> bytes:
    """As JSON in UTF-8. The same answer gives the same bytes."""
    return orjson.dumps(answer)


def read_answer(document: bytes) -> OutcomeAnswer:
    """The answer that a document was written from. Raises :class:`ValueError` where another version wrote it."""
    try:
        answer: OutcomeAnswer = made_of(OutcomeAnswer, orjson.loads(document))
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"the document is of another version: {error!r}") from error
    return answer


def verdict_document(verdict: Verdict) -> bytes:
    """A verdict as it is kept: without what differs between fibres of which all else is alike."""
    return orjson.dumps(_without_names(verdict))


def read_verdict(document: bytes, fibres: Sequence[str], made_at: Sequence[datetime], now: datetime) -> Verdict:
    """A kept verdict, on these fibres; the moments at which they were made, and when it was given.

    Raises :class:`ValueError` where another version wrote it.
    """
    try:
        found: Verdict = made_of(Verdict, orjson.loads(document))
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"the verdict is of another version: {error!r}") from error
    hours = [one.within_h for one in found.owed]
    return replace(
        found,
        fibre=found.fibre or _only(fibres),
        fibres=tuple(fibres),
        owed_by=_said(min(made_at) + timedelta(hours=min(hours))) if hours else "",
        made_at=_said(max(made_at)),
        now=_said(now),
    )


def _said(moment: datetime) -> str:
    return moment_text(moment.astimezone(UTC))


def folded(verdicts: Iterable[Verdict]) -> tuple[Verdict, ...]:
    """Equal verdicts as one with all their fibres, in the order in which each kind came first; of
    moments at which they were made the last counts, of those by which something is owed the first."""
    alike: dict[bytes, list[Verdict]] = {}
    for one in verdicts:
        alike.setdefault(verdict_document(one), []).append(one)
    return tuple(_as_one(some) for some in alike.values())


def _as_one(verdicts: Sequence[Verdict]) -> Verdict:
    first = verdicts[0]
    if len(verdicts) == 1:
        return first
    return replace(
        first,
        fibre="",
        fibres=in_order_of_names(fibre for one in verdicts for fibre in one.fibres),
        made_at=max(one.made_at for one in verdicts),
        owed_by=min(one.owed_by for one in verdicts),
    )


def in_order_of_names(fibres: Iterable[str]) -> tuple[str, ...]:
    """Names of fibres in the order in which a person counts them: F2 before F10."""
    return tuple(sorted(set(fibres), key=by_number))


def by_number(name: str) -> tuple[tuple[str, int], ...]:
    """By what names of fibres are put in that order."""
    parts = re.findall(r"([^0-9]*)([0-9]*)", name)
    return tuple((text, int(number) if number else -1) for text, number in parts if text or number)


def _without_names(verdict: Verdict) -> Verdict:
    # Of a ribbon, judged as one, it counts which of its fibres decided.
    decided = verdict.fibre if len(verdict.fibres) > 1 else ""
    return replace(verdict, fibre=decided, fibres=(), made_at="", now="", owed_by="")


def _only(fibres: Sequence[str]) -> str:
    return fibres[0] if len(fibres) == 1 else ""


_VERDICTS = {"verdict": (ACCEPT, REDO, ESCALATE, WITHHELD)}
for _kind in vars(shape).copy().values():
    if isinstance(_kind, type) and _kind.__module__ == shape.__name__:
        SCHEMAS[_kind.__name__] = schema_of(_kind, _VERDICTS if _kind is Verdict else {})
SCHEMAS["AttemptTold"] = schema_of(AttemptTold)

OutcomeAnswerSchema: type[Schema] = schema_of(OutcomeAnswer)
WorkSoFarSchema: type[Schema] = schema_of(WorkSoFar)
