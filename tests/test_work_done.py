"""Reported work kept once, on both databases. No outside source: these are promises of this product."""

from __future__ import annotations

import json
import os
import threading
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from builders import NOW, FixedMethod, a_plan, an_advice
from delivery.desk import QUICK
from sqlalchemy import Engine
from store.conftest import database_url, empty, engine

from repairadvisor.errors import ConflictError, Fault, InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import prepared_method
from repairadvisor.outcome.judging import judge
from repairadvisor.schemas.outcome_answer import read_answer
from repairadvisor.schemas.outcome_rows import Row, rows_of
from repairadvisor.service import Advisor
from repairadvisor.settings import cache_folder
from repairadvisor.store import deliveries, erasing
from repairadvisor.store.database import reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState
from repairadvisor.store.outcomes import KeptReport, Outcomes
from repairadvisor.store.records import Records
from repairadvisor.work_done import WorkDone
from repairadvisor.work_file import Telling, WorkFile

__all__ = ["database_url", "empty", "engine"]

HEAD = "advice,fibre,joint,method,attempt,made_at,both_ways_1310_db,due_on,evidence"


@pytest.fixture
def advisor(engine: Engine) -> Advisor:
    return Advisor(FixedMethod(an_advice(plan=a_plan(stage="temporary_then_permanent"))), Records(engine))


@pytest.fixture
def advice(advisor: Advisor) -> str:
    return advisor.advise({"facts": {}}, NOW).id or ""


def a_body(advice: str, fibre: str = "F1", loss_db: float = 0.04, **changes: Any) -> dict[str, Any]:
    entry = {"fibre": fibre, "joint": 1, "method": "fusion_splice", "attempt": 1, "made_at": "2031-05-04T06:00:00Z"}
    return {"advice": advice, "attempts": [{**entry, "readings": [{"nm": 1310, "both_ways_db": loss_db}]}], **changes}


@pytest.mark.parametrize("alike", [True, False])
def test_reports_that_race_under_one_key_are_one_record(advisor: Advisor, advice: str, alike: bool) -> None:
    work = WorkDone(advisor)
    together = threading.Barrier(5)
    got: list[str] = []

    def send(number: int) -> None:
        together.wait()
        try:
            got.append(work.report(a_body(advice, "F1" if alike else f"F{number}"), NOW, "a key").id)
        except ConflictError:
            got.append("conflict")

    threads = [threading.Thread(target=send, args=(number,)) for number in range(5)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    kept = [one for one in got if one != "conflict"]
    assert len(got) == 5
    assert len(set(kept)) == 1
    assert len(kept) == (5 if alike else 1)
    assert Outcomes(work.engine).count() == 1


@pytest.mark.parametrize("keyed", [False, True])
def test_what_is_told_again_after_it_was_told_otherwise_counts_again(
    advisor: Advisor, advice: str, keyed: bool
) -> None:
    """A, B, A: the last counts. A repeat of what counts is one, and so is a request sent again under its key."""
    work = WorkDone(advisor)

    def told(number: int, loss_db: float) -> KeptReport:
        clock = NOW + timedelta(minutes=number)
        return work.report(a_body(advice, loss_db=loss_db), clock, f"k{number}" if keyed else "")

    first, _, third, repeat = told(0, 0.04), told(1, 0.3), told(2, 0.04), told(3, 0.04)
    assert third.id != first.id
    assert repeat.id == first.id
    assert json.loads(third.answer)["attempts_corrected"] == 1
    (counts,) = Outcomes(work.engine).attempts()
    assert (counts.report_id, counts.verdict) == (third.id, "accept")
    told(4, 0.3)
    if keyed:  # a request that comes late is no new telling
        assert told(0, 0.04).id == first.id
    (counts,) = Outcomes(work.engine).attempts()
    assert counts.verdict == "redo"


def test_what_follows_is_kept_with_the_report_or_not_at_all(advisor: Advisor, advice: str) -> None:
    def fail(*_: object) -> None:
        raise OSError("the queue is away")

    work = WorkDone(advisor, then=fail)
    with pytest.raises(OSError, match="queue"):
        work.report(a_body(advice), NOW)
    assert Outcomes(work.engine).count() == 0
    told: list[Any] = []
    work = WorkDone(advisor, then=lambda _, advices, clock: told.append((*advices, clock)))
    work.report(a_body(advice), NOW)
    work.report(a_body(advice), NOW + timedelta(hours=1))
    assert told == [(advice, NOW)], "what is recognised leads to nothing more"


def test_a_file_is_kept_as_so_many_reports_would_be(advisor: Advisor, advice: str) -> None:
    """Rows of two advices, mixed; one of them reported before by the door."""
    other = advisor.advise({"facts": {}}, NOW).id or ""
    told: list[Any] = []
    work = WorkDone(advisor, then=lambda _, advices, __: told.append(sorted(advices)))
    before = work.report(a_body(advice, "F0", 0.3), NOW)
    ending = "1,fusion_splice,1,2031-05-04T06:00:00Z"
    lines = [
        HEAD,
        f"{other},F1,{ending},0.04,2031-05-20,photograph of tray 1",
        f"{advice},F1..F2,{ending},0.05,,",
        f"{other},F2,{ending},0.3,,photograph of tray 2",
        f"{advice},F0,{ending},0.3,,",
    ]
    faults: list[Fault] = []
    with WorkFile(work, NOW, Telling(faults.append, lambda *_: None)) as file:
        file.take(rows_of((f"{line}\n" for line in lines), {}))
        assert Outcomes(work.engine).count() == 1, "nothing of it is kept yet"
        file.keep()
        answers = [read_answer(one) for one in file.answers()]
        tally = file.tally
    assert faults == []
    assert told[1:] == [sorted([advice, other])]
    assert (tally.rows, tally.new, tally.known, tally.verdicts) == (4, 4, 1, {"accept": 3, "redo": 2})
    by_advice = {one.advice: one for one in answers}
    assert by_advice[other].evidence == ("photograph of tray 1", "photograph of tray 2")
    assert (by_advice[other].is_temporary, by_advice[other].due_on) == (True, "2031-05-20")
    found = [(row.advice_id, row.fibre, row.verdict) for row in Outcomes(work.engine).attempts()]
    wanted = [(advice, "F0", "redo"), (advice, "F1", "accept"), (advice, "F2", "accept")]
    assert sorted(found) == sorted([*wanted, (other, "F1", "accept"), (other, "F2", "redo")])
    assert work.kept(answers[0].id, NOW).id != before.id


def test_two_plans_of_one_advice_are_refused(advisor: Advisor, advice: str) -> None:
    work = WorkDone(advisor)
    entries = next(iter(rows_of([f"{HEAD}\n", f"{advice},F1,1,fusion_splice,1,2031-05-04T06:00:00Z,0.1,,\n"], {})))
    assert isinstance(entries, Row)
    plan = a_plan(stage="temporary_then_permanent").id
    faults: list[Fault] = []
    with WorkFile(work, NOW, Telling(faults.append, lambda *_: None)) as file:
        file.take([replace(entries, plan=plan), replace(entries, line=3, plan=plan)])
        assert faults == []
    other = plan.replace("climbing", "platform")
    with WorkFile(work, NOW, Telling(faults.append, lambda *_: None)) as file:
        file._repairs[advice, other] = work.work(advice, plan, NOW).repair  # as if the policy had that plan too
        file.take([replace(entries, plan=plan), replace(entries, line=3, plan=other)])
    assert [one.field for one in faults] == ["line 3: plan"]


def test_evidence_adds_up_and_the_last_day_counts(advisor: Advisor, advice: str) -> None:
    work = WorkDone(advisor)
    work.report(a_body(advice, evidence=["a", "b"], temporary={"due_on": "2031-05-20"}), NOW)
    later = NOW + timedelta(hours=1)
    answer = read_answer(work.report(a_body(advice, "F2", evidence=["b", "c"]), later).answer)
    assert (answer.evidence, answer.due_on) == (("a", "b", "c"), "2031-05-20")
    work.report(a_body(advice, "F3", temporary={"due_on": "2031-06-01"}), later + timedelta(hours=1))
    so_far = work.so_far(advice, later)
    assert (so_far.evidence, so_far.due_on, so_far.is_temporary) == (("a", "b", "c"), "2031-06-01", True)


def test_more_attempts_than_any_cable_makes_are_refused(
    advisor: Advisor, advice: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("repairadvisor.work_done.MOST_ATTEMPTS", 3)
    work = WorkDone(advisor)
    work.report(a_body(advice, "F1..F2"), NOW)
    with pytest.raises(InputError, match="attempts = 4: attempts under one advice are too many; allowed: up to 3"):
        work.report(a_body(advice, "F3..F4"), NOW)


def test_somebody_who_was_erased_may_be_told_anew(advisor: Advisor, advice: str) -> None:
    work = WorkDone(advisor)
    body = a_body(advice)
    body["attempts"][0]["person"] = "kestrel-7"
    first = work.report(body, NOW, "a key")
    with writing(work.engine) as connection:
        assert erasing.forget(connection, work.pseudonym("person", "kestrel-7")) == 1
    again = work.report(body, NOW + timedelta(hours=1), "a key")
    assert again.id != first.id
    assert [row.person for row in Outcomes(work.engine).attempts()] == [work.pseudonym("person", "kestrel-7")]
    assert Outcomes(work.engine).count() == 2


def test_the_policys_own_method_judges(engine: Engine) -> None:
    """Through the door the same verdict as by the function of the method, on the facts of the advice."""
    method = prepared_method(cache_folder(os.environ))
    advisor = Advisor(method, Records(engine))
    answer = advisor.advise({"facts": QUICK}, NOW)
    assert answer.advice.plan is not None
    work = WorkDone(advisor)
    body = a_body(answer.id or "", loss_db=1.5)
    body["attempts"][0] |= {"method": answer.advice.plan.method, "pull_test": "passed", "inspection": "clean"}
    found = read_answer(work.report(body, NOW).answer)
    (attempt,) = [row.as_reported() for row in Outcomes(engine).attempts()]
    plan = next(one for one in method.policy.plans if one.id == answer.advice.plan.id)
    wanted = judge(method.rules, parse_context(QUICK, NOW), plan, [attempt], NOW)
    assert found.verdicts == wanted
    assert found.verdicts[0].verdict != "accept", "1.5 dB is beyond what a joint of any method may keep"
    assert work.so_far(answer.id or "", NOW).verdicts == wanted


def test_tickets_that_were_given_an_advice(engine: Engine, advice: str) -> None:
    """Those that events and parents led to, and no other deliveries."""

    def keep(number: int, cause: str, ticket: str, advice_id: str) -> None:
        said = {"source": "desk", "key": str(number), "received_at": NOW, "changed_at": NOW, "state": "noted"}
        with writing(engine) as connection:
            row = TicketState(
                id=ticket * 32,
                source="desk",
                reference=ticket,
                sequence=1,
                told="",
                told_by="",
                ended=False,
                parent_id=None,
            )
            deliveries.add_ticket(connection, row)
            one = Delivery(id=f"{number:032}", cause=cause, ticket_id=ticket * 32, advice_id=advice_id, **said)
            deliveries.add_delivery(connection, one)

    for number, (cause, ticket, under) in enumerate(
        [
            ("event", "b", advice),
            ("parent", "a", advice),
            ("expiry", "c", advice),
            ("event", "d", "x"),
            ("event", "a", "y"),
        ]
    ):
        keep(number, cause, ticket, under)
    with writing(engine) as connection:
        assert [one.reference for one in deliveries.tickets_given(connection, advice)] == ["a", "b"]
    with reading(engine) as connection:
        assert sorted(deliveries.advices_given(connection, "a" * 32)) == sorted([advice, "y"])
        assert deliveries.open_of_cause(connection, "a" * 32, "event") == []
