"""Attempts kept in a database beside advice on their facts, for the doors that read them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime

import orjson

from repairadvisor.outcome.attempt_readings import Made
from repairadvisor.schemas.outcome import measured
from repairadvisor.store import outcomes as store
from repairadvisor.store.database import writing
from repairadvisor.store.outcomes import KeptAttempt, KeptReport
from repairadvisor.store.records import AdviceRecord, Records

FACTS = {"fibre_mode": "single_mode"}


def keep(records: Records, joints: Iterable[Made], policy_id: str, facts: Mapping[str, object] = FACTS) -> None:
    """Keep attempts as one report under a policy that is kept, each under an advice of its own name on ``facts``."""
    joints = list(joints)
    ids = {name: _advice(records, facts, policy_id) for name in dict.fromkeys(one.attempt.advice for one in joints)}
    last = max(one.attempt.made_at for one in joints)
    report = KeptReport(
        id=f"{records.count():032x}",
        received_at=last,
        said=None,
        answer=b"{}",
        policy_id=policy_id,
        method_version="2",
    )
    with writing(records.engine) as connection:
        store.add_report(connection, report)
        store.add_attempts(connection, (_row(one, ids, report, part) for part, one in enumerate(joints)))


def _row(one: Made, ids: Mapping[str, str], report: KeptReport, part: int) -> KeptAttempt:
    attempt = replace(one.attempt, advice=ids[one.attempt.advice])
    return KeptAttempt(
        report_id=report.id,
        part=part,
        received_at=report.received_at,
        advice_id=attempt.advice,
        fibre=attempt.fibre,
        joint=attempt.joint,
        attempt=attempt.attempt,
        ribbon=attempt.ribbon,
        method=attempt.method,
        plan=one.plan,
        made_at=attempt.made_at,
        person=attempt.person or None,
        machine=attempt.machine or None,
        cleaver=attempt.cleaver or None,
        measured=measured(attempt),
        verdict="",
        verdict_digest=None,
    )


def _advice(records: Records, facts: Mapping[str, object], policy_id: str) -> str:
    now = "2031-03-01T08:00:00+00:00"
    told = {"facts": facts, "now": now, "issued_plan": "", "turning_points": False}
    return records.save(
        AdviceRecord(
            given_at=datetime.fromisoformat(now),
            now=datetime.fromisoformat(now),
            facts=b"{}",
            policy_id=policy_id,
            vocabulary_version="2",
            method_version="2",
            document=b"{}",
            action="repair",
            request=orjson.dumps(told),
        )
    )
