"""The use case of making a recorded advice again, under the policy that gave it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import orjson

from repairadvisor.decision.loosening import policy_of
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.replay import Replay, context_again, differences
from repairadvisor.errors import ConflictError, Fault, PolicyError
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import VOCABULARY_VERSION
from repairadvisor.methods import Method, prepared_under
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.service import Advisor
from repairadvisor.store.records import Records, StoredAdvice

#: Policies besides the one in force that are held ready: each takes much memory.
_HELD_READY = 1


class Replaying:
    """Makes recorded advice again. Policies are compiled once and, but for the last, forgotten again."""

    def __init__(self, records: Records, cache: Path | None = None, in_force: Method | None = None) -> None:
        self._records = records
        self._cache = cache
        self._in_force = in_force
        self._ready: dict[str, Method] = {}

    def replay(self, stored: StoredAdvice) -> Replay:
        """A recorded advice made again, and where it differs.

        Raises :class:`NotFoundError` where its policy is not kept; :class:`ConflictError` where this version cannot use
        that policy at all: then nothing can be made again.
        """
        method = self.method_under(stored.policy_id)
        told = _told(stored)
        context, unread = context_again(told.facts, told.now)
        for turning in told.turning:
            document = document_bytes(method.advise(context, told.issued_plan, turning=turning))
            if document == stored.document:
                break
        return Replay(
            advice=stored.id,
            policy=stored.policy_id,
            equal=document == stored.document,
            method_then=stored.method_version,
            method_now=METHOD_VERSION,
            vocabulary_then=stored.vocabulary_version,
            vocabulary_now=VOCABULARY_VERSION,
            not_read=tuple(fault.sentence() for fault in unread),
            differences=differences(stored.document, document),
        )

    def method_under(self, policy_id: str) -> Method:
        """The method under a policy that is kept. Raises as :meth:`replay`."""
        if self._in_force is not None and self._in_force.policy_id == policy_id:
            return self._in_force
        found = self._ready.get(policy_id)
        if found is None:
            canonical = self._records.policy(policy_id)
            try:
                found = prepared_under(policy_of(canonical), self._cache, self._records)
            except PolicyError as error:
                raise ConflictError(f"this version cannot use policy {policy_id[:12]}: {error}") from error
            while len(self._ready) >= _HELD_READY:
                self._ready.pop(next(iter(self._ready)), None)
            self._ready[policy_id] = found
        return found


def replay_of(advisor: Advisor, advice_id: str, cache: Path | None = None) -> Replay:
    """The advice that is kept under ``advice_id`` made again. Raises :class:`NotFoundError`, :class:`ConflictError`."""
    stored = advisor.given(advice_id)
    assert advisor.records is not None  # else nothing had been found
    return Replaying(advisor.records, cache, advisor.method).replay(stored)


def told_again(stored: StoredAdvice) -> tuple[Context, str, tuple[Fault, ...]]:
    """What a recorded advice was asked about: the context, the plan issued before, and what cannot be read any more."""
    told = _told(stored)
    context, unread = context_again(told.facts, told.now)
    return context, told.issued_plan, unread


@dataclass(frozen=True, slots=True)
class _Told:
    """What an advice was made from; ``turning``: whether what would turn it was asked, both where nobody knows."""

    facts: Mapping[str, object]
    now: datetime
    issued_plan: str
    turning: tuple[bool, ...]


def _told(stored: StoredAdvice) -> _Told:
    if stored.request is not None:
        told = orjson.loads(stored.request)
        now = datetime.fromisoformat(told["now"])
        return _Told(told["facts"], now, told["issued_plan"], (told["turning_points"],))
    # A version that did not keep the request: the document says which plan had been issued before.
    issued_plan = str(orjson.loads(stored.document).get("issued_plan", ""))
    return _Told(orjson.loads(stored.facts), stored.now, issued_plan, (True, False))
