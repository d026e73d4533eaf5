"""What was reported after the work, on both databases. No outside source: these are promises of this product.

A model in plain Python says what counts of each attempt.
"""

from __future__ import annotations

import hashlib
import threading
import tracemalloc
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError

from repairadvisor.outcome.reported import Attempt, Reading
from repairadvisor.schemas.outcome import measured
from repairadvisor.store import erasing, work_notes
from repairadvisor.store import outcomes as store
from repairadvisor.store.database import reading, writing
from repairadvisor.store.outcomes import KeptAttempt, KeptClosure, KeptReport, Outcomes, pseudonym
from repairadvisor.store.records import AdviceRecord, Records

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
POLICY = b"a policy"
POLICY_ID = hashlib.sha256(POLICY).hexdigest()
SECRET = b"a secret of this installation"
PERSON = pseudonym(SECRET, "person", "kestrel-7")


@pytest.fixture
def advice(engine: Engine) -> str:
    """The id of an advice that is kept."""
    records = Records(engine)
    records.keep_policy(POLICY_ID, POLICY)
    return records.save(
        AdviceRecord(
            given_at=NOW,
            now=NOW,
            facts=b"{}",
            policy_id=POLICY_ID,
            vocabulary_version="2",
            method_version="2",
            document=b"{}",
            action="repair",
        )
    )


def a_report(number: int = 1, **changes: Any) -> KeptReport:
    parts: dict[str, Any] = {"id": f"{number:032x}", "received_at": NOW + timedelta(seconds=number), "said": None}
    parts |= {"answer": b'{"id":1}', "policy_id": POLICY_ID, "method_version": "2"}
    return KeptReport(**{**parts, **changes})


def an_attempt(advice: str, number: int = 1, part: int = 0, **changes: Any) -> KeptAttempt:
    parts: dict[str, Any] = {
        "report_id": f"{number:032x}",
        "part": part,
        "received_at": NOW + timedelta(seconds=number),
        "advice_id": advice,
        "fibre": "T1F1",
        "joint": 1,
        "attempt": 1,
        "ribbon": "",
        "method": "fusion_splice",
        "plan": "",
        "made_at": NOW,
        "person": PERSON,
        "machine": None,
        "cleaver": None,
        "measured": b"{}",
        "verdict": "",
        "verdict_digest": None,
    }
    return KeptAttempt(**{**parts, **changes})


def keep(engine: Engine, report: KeptReport, *rows: KeptAttempt) -> None:
    with writing(engine) as connection:
        store.add_report(connection, report)
        store.add_attempts(connection, rows)


def test_an_attempt_comes_back_as_it_was_reported(engine: Engine, advice: str) -> None:
    told = Attempt(
        advice=advice,
        fibre="µ 7",
        joint=2,
        method="fusion_splice",
        attempt=3,
        made_at=datetime.fromisoformat("2031-05-04T09:10:11.000012+02:00"),
        readings=(Reading(1310, from_near_db=-0.04, from_far_db=0.1), Reading(1550, both_ways_db=0.02, bound="below")),
        ribbon="R1",
        machine_estimate_db=0.03,
        reflectance_db=-60,
        pull_test="passed",
        tray_fibre_near_m=0.4,
        joint_bodies_left=3,
        person=PERSON,
        machine=pseudonym(SECRET, "machine", "M-1"),
    )
    naming = {name: getattr(told, name) for name in ("fibre", "joint", "method", "attempt", "made_at", "ribbon")}
    who = {name: getattr(told, name) or None for name in ("person", "machine", "cleaver")}
    row = an_attempt(advice, measured=measured(told), **naming, **who)
    keep(engine, a_report(), row)

    (back,) = Outcomes(engine).attempts()
    assert back == row
    assert back.as_reported() == told
    assert back.made_at.isoformat() == "2031-05-04T07:10:11.000012+00:00"
    assert PERSON.encode() not in back.measured


def test_an_attempt_belongs_to_an_advice_that_is_there(engine: Engine, advice: str) -> None:
    with pytest.raises(IntegrityError):
        keep(engine, a_report(), an_attempt("f" * 32))
    assert Outcomes(engine).count() == 0


def test_the_same_said_twice_is_one_report(engine: Engine, advice: str) -> None:
    with writing(engine) as connection:
        assert store.add_report(connection, a_report(1, said="a" * 64))
        assert not store.add_report(connection, a_report(2, said="a" * 64))
        assert store.report_that_said(connection, "a" * 64) == a_report(1, said="a" * 64)
        assert store.add_report(connection, a_report(3)), "what says nothing known stands by itself"
        assert store.add_report(connection, a_report(4))


def test_one_key_leads_to_one_report_however_many_race(engine: Engine, advice: str) -> None:
    """Each of several writers keeps a report and its key in one transaction, or nothing."""
    together = threading.Barrier(6)
    kept: list[int] = []

    def race(number: int) -> None:
        together.wait()
        with writing(engine) as connection:
            store.add_report(connection, a_report(number))
            if store.add_key(connection, "k" * 64, "a" * 64, f"{number:032x}"):
                store.add_attempts(connection, [an_attempt(advice, number)])
                kept.append(number)
            else:
                connection.rollback()

    threads = [threading.Thread(target=race, args=(number,)) for number in range(1, 7)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len(kept) == 1
    with reading(engine) as connection:
        found = store.of_key(connection, "k" * 64)
        assert found == ("a" * 64, a_report(kept[0]))
        assert len(connection.execute(select(store.reports.c.id)).all()) == 1
    assert Outcomes(engine).count() == 1


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(1, 6), st.sampled_from("abc"), st.integers(1, 2), st.integers(1, 2), st.integers(0, 5)),
        max_size=14,
        unique_by=lambda one: one[:4],
    )
)
def test_the_latest_report_of_each_attempt_counts(
    engine: Engine, advice: str, told: list[tuple[int, str, int, int, int]]
) -> None:
    with writing(engine) as connection:
        connection.execute(store.attempts.delete())
        connection.execute(store.reports.delete())
        for number in sorted({one[0] for one in told}):
            store.add_report(connection, a_report(number))
        rows = [
            an_attempt(
                advice, number, part, fibre=fibre, joint=joint, attempt=attempt, made_at=NOW + timedelta(hours=hour)
            )
            for part, (number, fibre, joint, attempt, hour) in enumerate(told)
        ]
        store.add_attempts(connection, rows)
    latest: dict[tuple[str, int, int], KeptAttempt] = {}
    for row in sorted(rows, key=lambda row: row.received_at):
        latest[row.fibre, row.joint, row.attempt] = row
    in_order = sorted(latest.values(), key=lambda row: (row.made_at, row.fibre, row.joint, row.attempt))

    assert list(Outcomes(engine).attempts()) == in_order
    since = NOW + timedelta(hours=3)
    assert list(Outcomes(engine).attempts(since)) == [row for row in in_order if row.made_at >= since]
    with reading(engine) as connection:
        assert sorted(store.attempts_of(connection, [advice]), key=id_of) == sorted(in_order, key=id_of)


def id_of(row: KeptAttempt) -> tuple[str, int]:
    return row.report_id, row.part


def test_a_verdict_is_kept_once_however_many_joints_got_it(engine: Engine, advice: str) -> None:
    with writing(engine) as connection:
        digest = store.add_verdict(connection, b'{"verdict":"accept"}')
        assert store.add_verdict(connection, b'{"verdict":"accept"}') == digest
        store.add_report(connection, a_report())
        rows = [an_attempt(advice, part=i, fibre=f"F{i}", verdict_digest=digest) for i in range(1200)]
        assert store.add_attempts(connection, iter(rows)) == 1200
        assert store.verdict_documents(connection, [digest, digest]) == {digest: b'{"verdict":"accept"}'}


# --- who ------------------------------------------------------------------------------------------------------


def test_a_pseudonym_says_nothing_and_is_the_same_each_time() -> None:
    assert pseudonym(SECRET, "person", "kestrel-7") == PERSON
    assert "kestrel" not in PERSON
    assert pseudonym(SECRET, "machine", "kestrel-7") != PERSON
    assert pseudonym(b"another installation", "person", "kestrel-7") != PERSON
    assert pseudonym(SECRET, "person", PERSON) == PERSON, "what was exported can be reported again"
    assert pseudonym(SECRET, "machine", PERSON) != PERSON, "a person is no machine"
    assert pseudonym(SECRET, "cleaver", "") == ""


@pytest.fixture
def with_two_people(engine: Engine, advice: str) -> Engine:
    other = pseudonym(SECRET, "person", "wren-2")
    keep(
        engine, a_report(1, said="1" * 64), an_attempt(advice, 1), an_attempt(advice, 1, 1, fibre="T1F2", person=other)
    )
    keep(engine, a_report(2, said="2" * 64), an_attempt(advice, 2, fibre="T1F3", person=other))
    with writing(engine) as connection:
        store.add_key(connection, "1" * 64, "a" * 64, f"{1:032x}")
        store.add_key(connection, "2" * 64, "a" * 64, f"{2:032x}")
        closure = KeptClosure(
            report_id=f"{2:032x}", advice_id=advice, evidence=b"[]", due_on="2031-05-20", responsible=PERSON
        )
        store.add_closure(connection, closure)
    return engine


def test_what_is_kept_of_somebody_is_found_by_pseudonym(with_two_people: Engine, advice: str) -> None:
    with reading(with_two_people) as connection:
        assert [row.fibre for row in erasing.attempts_by(connection, PERSON)] == ["T1F1"]
        assert [one.due_on for one in erasing.closures_by(connection, PERSON)] == ["2031-05-20"]
        assert [row.fibre for row in erasing.attempts_by(connection, advice)] == ["T1F1", "T1F2", "T1F3"]
        assert [row.fibre for row in erasing.attempts_by(connection, f"{2:032x}")] == ["T1F3"]


def test_forgetting_somebody_leaves_the_work_and_no_trace_of_who(with_two_people: Engine, advice: str) -> None:
    with writing(with_two_people) as connection:
        assert erasing.forget(connection, PERSON) == 2
    with reading(with_two_people) as connection:
        everything = [
            value
            for table in (store.reports, store.attempts, store.closures, store.report_keys)
            for row in connection.execute(select(table))
            for value in row
        ]
        assert PERSON not in everything
        assert {row.fibre: row.person for row in store.attempts_of(connection, [advice])}["T1F1"] is None
        assert connection.execute(select(store.reports.c.said)).scalars().all() == [None, None]
        assert connection.execute(select(store.report_keys.c.key)).all() == []


def test_forgetting_somebody_else_changes_nothing(with_two_people: Engine) -> None:
    with writing(with_two_people) as connection:
        assert erasing.forget(connection, pseudonym(SECRET, "person", "nobody")) == 0
        assert sorted(connection.execute(select(store.reports.c.said)).scalars()) == ["1" * 64, "2" * 64]


def test_a_report_is_erased_whole(with_two_people: Engine, advice: str) -> None:
    with writing(with_two_people) as connection:
        digest = store.add_verdict(connection, b"nobody got it")
        assert erasing.erase(connection, f"{1:032x}") == 2
        assert store.report(connection, f"{1:032x}") is None
        assert store.of_key(connection, "1" * 64) is None
        assert [row.fibre for row in store.attempts_of(connection, [advice])] == ["T1F3"]
        assert store.verdict_documents(connection, [digest]) == {}


def test_all_that_was_reported_under_an_advice_is_erased(with_two_people: Engine, advice: str) -> None:
    with writing(with_two_people) as connection:
        assert erasing.erase(connection, advice) == 4, "three attempts and a closure"
        assert [connection.execute(select(table)).all() for table in (store.reports, store.report_keys)] == [[], []]
        assert store.closures_of(connection, [advice]) == []


def test_what_is_too_old_goes(with_two_people: Engine, advice: str) -> None:
    with writing(with_two_people) as connection:
        assert erasing.let_go(connection, NOW + timedelta(seconds=1)) == 0
        assert erasing.let_go(connection, NOW + timedelta(seconds=2)) == 2
    assert [row.fibre for row in Outcomes(with_two_people).attempts()] == ["T1F3"]
    with reading(with_two_people) as connection:
        assert store.report(connection, f"{1:032x}") is None


def test_many_rows_are_read_a_few_at_a_time(engine: Engine, advice: str) -> None:
    """Eight times as many rows take no more memory (as Python allocates it)."""
    told = b"x" * 2000
    keep(engine, a_report(), *(an_attempt(advice, part=i, fibre=f"F{i:04}", measured=told) for i in range(8000)))
    outcomes = Outcomes(engine)
    assert sum(1 for _ in outcomes.attempts()) == 8000  # what is made once is made
    tracemalloc.start()
    assert sum(1 for _ in outcomes.attempts()) == 8000
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 0.4 * 8000 * len(told)


# --- notes on the work ----------------------------------------------------------------------------------------


def test_how_a_note_on_the_work_stands(engine: Engine) -> None:
    with writing(engine) as connection:
        assert work_notes.work_note(connection, "t" * 32) == work_notes.WorkNote(ticket_id="t" * 32)
        work_notes.set_work_note(connection, "t" * 32, revisions=2, follow_up="LF-9")
        work_notes.set_work_note(connection, "t" * 32, noted_revision=2)
        wanted = work_notes.WorkNote(ticket_id="t" * 32, revisions=2, noted_revision=2, follow_up="LF-9")
        assert work_notes.work_note(connection, "t" * 32) == wanted
