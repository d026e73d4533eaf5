"""The use cases: what every door calls, and the only place where decision, store and policy files meet."""

from __future__ import annotations

import functools
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.fault_tree import Tree
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules_in_force import RulesInForce
from repairadvisor.decision.what_if import Comparison, compare
from repairadvisor.errors import ConflictError, Fault, InputError, KeyReusedError, NotFoundError
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import Method, prepared_method
from repairadvisor.render.voice import METRIC, Voice
from repairadvisor.schemas.advice import document_bytes, read_document
from repairadvisor.schemas.claims import claims_as_plain
from repairadvisor.schemas.request import AdviceRequest, read_request, read_tree_request
from repairadvisor.settings import Settings
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.outcomes import Outcomes
from repairadvisor.store.records import AdviceRecord, Records, StoredAdvice

ADVICE_ID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class KeepAs:
    """Under which id an advice is kept, what was asked, as a digest, and whose ticket it is for.

    What is asked again under the same id is answered with what was kept.
    """

    id: str
    asked: str
    ticket: str | None = None

    @classmethod
    def of_key(cls, key: str, request: Mapping[str, object]) -> KeepAs:
        """For a request that came with an idempotency key."""
        asked = hashlib.sha256(orjson.dumps(request, option=orjson.OPT_SORT_KEYS)).hexdigest()
        return cls(hashlib.sha256(f"idempotency-key\0{key}".encode()).hexdigest()[:32], asked)


@dataclass(frozen=True, slots=True)
class Answer:
    """An advice, its document as JSON, and the id under which it is kept (None: it is not kept)."""

    advice: Advice
    document: bytes
    id: str | None


class Advisor:
    """Gives advice under one policy, and keeps it.

    Without ``records`` nothing can be kept: then every request must say so.
    """

    def __init__(self, method: Method, records: Records | None, units: str = METRIC) -> None:
        self._method = method
        self._records = records
        self._voice = Voice(Words(method.wording), units)
        if records is not None:
            records.keep_policy(method.policy_id, method.policy_text)

    @property
    def wording(self) -> Mapping[str, object]:
        """The words of the policy in force."""
        return self._method.wording

    @property
    def voice(self) -> Voice:
        """How people are spoken to under the policy in force, in the operator's units."""
        return self._voice

    @property
    def method(self) -> Method:
        """The method under the policy in force."""
        return self._method

    @property
    def records(self) -> Records | None:
        """Where advice is kept, if anywhere."""
        return self._records

    @functools.cached_property
    def outcomes(self) -> Outcomes | None:
        """What was reported after the work, where anything is kept."""
        return None if self._records is None else Outcomes(self._records.engine)

    @functools.cached_property
    def rules_in_force(self) -> RulesInForce:
        """The rules and numbers of the policy in force, put into words once."""
        return self._method.rules_in_force()

    def claims(self) -> dict[str, Any]:
        """What the policy in force claims, and what became of it when that was last looked at."""
        kept = None if self._records is None else self._records.proofs(self._method.policy_id, METHOD_VERSION)
        return claims_as_plain(self._method.policy_id, self._method.claims, METHOD_VERSION, kept)

    def advise(self, request: Mapping[str, object], clock: datetime, keep_as: KeepAs | None = None) -> Answer:
        """Advice on a request as it came in, kept unless it says ``"record": false``.

        ``clock`` is the time it is (aware): the request's own ``now`` counts before it. With ``keep_as`` the same
        request is answered once: asked again, it gets what was kept. Raises :class:`InputError` with everything wrong
        with the request, and the cautions of the place it names; :class:`KeyReusedError` where something else was
        asked under that id.
        """
        asked, faults = self._read(request)
        if keep_as is not None and asked.record and (earlier := self._earlier(keep_as)) is not None:
            return earlier
        context = self._context(asked.facts, asked.now or clock, faults)
        advice = self._method.advise(context, asked.issued_plan, turning=asked.turning_points)
        document = document_bytes(advice)
        if not asked.record:
            return Answer(advice, document, None)
        if self._records is None:
            raise ValueError("there is nowhere to keep the advice, and the request does not forgo it")
        told = told_bytes(asked.facts, context.now, asked.issued_plan, turning=asked.turning_points)
        record = self._record(context, advice, document, clock, keep_as, told)
        if keep_as is None:
            return Answer(advice, document, self._records.save(record))
        return _answer_once(keep_as, self._records.save_once(keep_as.id, record))

    def compare(self, request: Mapping[str, object], clock: datetime) -> Comparison:
        """The advice on a request beside that on the same facts with those under ``compare_with`` told otherwise.

        Nothing is kept. Raises :class:`InputError` with everything wrong with either.
        """
        asked, faults = self._read(request)
        if asked.compare_with is None:
            faults.append(Fault("missing", "compare_with", "", "is missing", "an object of facts by name"))
        now = asked.now or clock
        answers = []
        for changes in ({}, asked.compare_with or {}):
            told = {**asked.facts, **changes}
            try:
                context = parse_context({name: one for name, one in told.items() if one is not None}, now)
            except InputError as error:
                raise InputError([*faults, *error.faults], error.place) from error
            if not faults:
                answers.append(self._method.advise(context, asked.issued_plan, turning=asked.turning_points))
        if faults:
            raise InputError(faults, "")
        return self.compared(answers[0], answers[1])

    def compared(self, first: Advice, second: Advice) -> Comparison:
        """Two answers that were given, side by side."""
        return compare(first, second, Words(self.wording))

    def tree(self, request: Mapping[str, object], clock: datetime, most_nodes: int | None = None) -> Tree:
        """The tree of questions from the facts of a request, whole or not at all. Nothing is kept.

        Raises :class:`InputError` with everything wrong with the request, and the cautions of the place it names; also
        where the tree has more than ``most_nodes`` nodes (None: however many there are).
        """
        asked, faults = read_tree_request(request)
        context = self._context(asked.facts, asked.now or clock, faults)
        try:
            return self._method.tree(context, asked.depth, most_nodes)
        except InputError as error:
            raise self._refusal(context, error.faults) from error

    def _context(self, facts: Mapping[str, object], now: datetime, faults: Sequence[Fault]) -> Context:
        """The context of the facts of a request, in which ``faults`` were found before; else everything wrong with it,
        and the cautions of the place it names."""
        try:
            context = parse_context(facts, now)
        except InputError as error:
            # A moment cannot be judged beside a now that was given wrongly.
            now_is_wrong = any(fault.field == "now" for fault in faults)
            of_facts = [one for one in error.faults if not (now_is_wrong and one.slug == "wrong-time")]
            raise InputError([*faults, *of_facts], error.place, self._cautions_at(error.place, now)) from error
        if faults:
            raise self._refusal(context, faults)
        return context

    def _refusal(self, context: Context, faults: Sequence[Fault]) -> InputError:
        """What is wrong with a request whose facts can be read, and the cautions of the place they name."""
        named = str(getattr(context.state("place"), "value", ""))
        return InputError(faults, named, self._cautions_at(named, context.now))

    def knows_plan(self, plan_id: str) -> bool:
        """Whether the policy in force has a plan."""
        return plan_id in self._method.plan_ids()

    def _read(self, request: Mapping[str, object]) -> tuple[AdviceRequest, list[Fault]]:
        """The request, and everything wrong around its facts."""
        asked, faults = read_request(request)
        if asked.issued_plan and not self.knows_plan(asked.issued_plan):
            faults.append(
                Fault("unknown-plan", "issued_plan", asked.issued_plan, "no such plan", "a plan of the policy")
            )
        return asked, faults

    def _earlier(self, keep_as: KeepAs) -> Answer | None:
        if self._records is None:
            return None
        try:
            return _answer_once(keep_as, self._records.get(keep_as.id))
        except NotFoundError:
            return None

    def given(self, advice_id: str) -> StoredAdvice:
        """The advice that was kept under ``advice_id``. Raises :class:`NotFoundError`."""
        if self._records is None or not ADVICE_ID.fullmatch(advice_id):
            raise NotFoundError("advice", advice_id)
        return self._records.get(advice_id)

    def answer_given(self, advice_id: str) -> Answer:
        """The advice that was kept under ``advice_id``, read again. Raises :class:`NotFoundError`, and
        :class:`ConflictError` for one that was written by a version of this program with other fields."""
        return _read_again(self.given(advice_id))

    def _cautions_at(self, place: str, now: datetime) -> tuple[str, ...]:
        """What to beware of at a place, whatever else may be known."""
        if not place:
            return ()
        return self._method.standing_cautions(parse_context({"place": place}, now))

    def _record(
        self,
        context: Context,
        advice: Advice,
        document: bytes,
        clock: datetime,
        keep_as: KeepAs | None,
        told: bytes,
    ) -> AdviceRecord:
        return AdviceRecord(
            given_at=clock,
            now=context.now,
            facts=orjson.dumps(context.as_given()),
            policy_id=self._method.policy_id,
            vocabulary_version=advice.vocabulary_version,
            method_version=advice.method_version,
            document=document,
            action=advice.action,
            ticket=None if keep_as is None else keep_as.ticket,
            asked=None if keep_as is None else keep_as.asked,
            request=told,
        )


def told_bytes(facts: Mapping[str, object], now: datetime, issued_plan: str, *, turning: bool) -> bytes:
    """What was told, as JSON: all that an advice is made from besides its policy and the method."""
    told = {"facts": facts, "now": now.isoformat(), "issued_plan": issued_plan, "turning_points": turning}
    return orjson.dumps(told, default=dict)


def _answer_once(keep_as: KeepAs, stored: StoredAdvice) -> Answer:
    """What was kept under that id, if the same was asked."""
    if stored.asked != keep_as.asked:
        raise KeyReusedError
    return _read_again(stored)


def _read_again(stored: StoredAdvice) -> Answer:
    try:
        return Answer(read_document(stored.document), stored.document, stored.id)
    except ValueError as error:
        raise ConflictError(
            f"this advice was given by another version of the program: /v1/advice/{stored.id} has it as JSON"
        ) from error


def open_records(settings: Settings) -> Records:
    """The records that ``settings`` name, brought to the shape this program needs."""
    engine = open_database(settings.database_url)
    migrate(engine)
    return Records(engine)


def open_outcomes(settings: Settings) -> Outcomes:
    """What was reported after the work, in the records that ``settings`` name."""
    return Outcomes(open_records(settings).engine)


def open_advisor(settings: Settings) -> Advisor:
    """The whole service as ``settings`` say. Raises :class:`SettingsError` where they cannot be met, and
    :class:`PolicyError` for an overlay that cannot be used."""
    records = open_records(settings)
    return Advisor(prepared_method(settings.cache, records, settings.policy), records, settings.units)
