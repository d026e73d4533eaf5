"""Reports of work over HTTP. No outside source: these are promises of this product.

The method behind is a fixed one: up to 0.15 dB at 1310 nm a joint may stay, a ribbon where its worst fibre may.
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from builders import FixedMethod, a_database_url, a_plan, an_advice
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from repairadvisor.schemas.outcome_schema import ReportSchema
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store import outcomes as store
from repairadvisor.store.database import reading
from repairadvisor.store.outcomes import Outcomes
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app

MADE = {"joint": 1, "method": "fusion_splice", "attempt": 1, "made_at": "2021-05-04T09:10:00+02:00"}


@pytest.fixture
def advice(client: FlaskClient) -> str:
    """The id of an advice that was given."""
    given = client.post("/v1/advice", json={"facts": {"place": "pole_top"}})
    return str(given.headers["Location"].rpartition("/")[2])


def an_entry(fibre: str = "T1F1", loss_db: float = 0.04, **changes: Any) -> dict[str, Any]:
    return {**MADE, "fibre": fibre, "readings": [{"nm": 1310, "both_ways_db": loss_db}], **changes}


def a_report(advice: str, *entries: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return {"advice": advice, "attempts": list(entries or [an_entry()]), **changes}


def problem(client: FlaskClient, body: dict[str, Any], status: int = 422, **headers: str) -> dict[str, Any]:
    answer = client.post("/v1/outcomes", json=body, headers=headers)
    assert answer.status_code == status, answer.get_data(as_text=True)
    assert answer.mimetype == "application/problem+json"
    return dict(answer.get_json())


def fault(client: FlaskClient, body: dict[str, Any]) -> dict[str, str]:
    (found,) = problem(client, body)["faults"]
    return dict(found)


# --- in, and back ---------------------------------------------------------------------------------------------


def test_a_report_is_answered_with_its_verdict_and_can_be_read_again(client: FlaskClient, advice: str) -> None:
    given = client.post("/v1/outcomes", json=a_report(advice))
    assert given.status_code == 200
    said = given.get_json()
    assert [(one["verdict"], one["fibres"]) for one in said["verdicts"]] == [("accept", ["T1F1"])]
    assert (said["attempts_new"], said["attempts_known"], said["advice"]) == (1, 0, advice)
    again = client.get(given.headers["Location"])
    assert again.data == given.data
    assert given.headers["Location"] == f"/v1/outcomes/{said['id']}"


def test_moments_are_kept_and_told_in_utc(client: FlaskClient, advice: str, engine: Engine) -> None:
    said = client.post("/v1/outcomes", json=a_report(advice)).get_json()
    assert said["received_at"].endswith("Z")
    assert said["verdicts"][0]["made_at"] == "2021-05-04T07:10:00+00:00"
    (row,) = Outcomes(engine).attempts()
    assert row.made_at == datetime(2021, 5, 4, 7, 10, tzinfo=UTC)


def test_a_tube_with_an_exception_is_told_in_two_entries(client: FlaskClient, advice: str) -> None:
    body = a_report(
        advice,
        {"fibre": "T1F1..T1F12", "readings": [{"nm": 1310, "both_ways_db": 0.04}]},
        {"fibre": "T1F7", "readings": [{"nm": 1310, "both_ways_db": 0.31}]},
        each=MADE,
    )
    said = client.post("/v1/outcomes", json=body).get_json()
    others = [f"T1F{number}" for number in (1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12)]
    assert {one["verdict"]: one["fibres"] for one in said["verdicts"]} == {"accept": others, "redo": ["T1F7"]}
    assert said["attempts_new"] == 12


def test_a_ribbon_is_told_fibre_by_fibre_and_judged_as_one(client: FlaskClient, advice: str) -> None:
    entries = [an_entry(f"R1F{n}", 0.2 if n == 3 else 0.02, ribbon="R1") for n in range(1, 5)]
    (one,) = client.post("/v1/outcomes", json=a_report(advice, *entries)).get_json()["verdicts"]
    assert (one["verdict"], one["fibre"], one["fibres"]) == ("redo", "R1F3", ["R1F1", "R1F2", "R1F3", "R1F4"])


def test_a_later_attempt_is_judged_with_those_before_it(client: FlaskClient, advice: str, engine: Engine) -> None:
    client.post("/v1/outcomes", json=a_report(advice, an_entry(loss_db=0.3)))
    said = client.post("/v1/outcomes", json=a_report(advice, an_entry(loss_db=0.05, attempt=2))).get_json()
    assert [(one["verdict"], one["attempt"]) for one in said["verdicts"]] == [("accept", 2)]
    assert [(row.attempt, row.verdict) for row in Outcomes(engine).attempts()] == [(1, "redo"), (2, "accept")]


def test_all_that_is_known_of_the_work_is_told_by_advice(client: FlaskClient, advice: str) -> None:
    client.post("/v1/outcomes", json=a_report(advice, an_entry("F1..F4"), evidence=["photograph of tray 1"]))
    client.post("/v1/outcomes", json=a_report(advice, an_entry("F2", 0.4), an_entry("F2", 0.1, attempt=2)))
    said = client.get(f"/v1/advice/{advice}/outcomes").get_json()
    told = [(one["fibres"], one["attempt"], one["loss_db"], one["verdict"]) for one in said["attempts"]]
    assert told == [
        (["F1", "F3", "F4"], 1, {"1310": 0.04}, "accept"),
        (["F2"], 1, {"1310": 0.4}, ""),
        (["F2"], 2, {"1310": 0.1}, "accept"),
    ]
    assert [one["fibres"] for one in said["verdicts"]] == [["F1", "F3", "F4"], ["F2"]]
    assert said["evidence"] == ["photograph of tray 1"]


def test_what_was_reported_otherwise_counts_as_it_was_told_last(client: FlaskClient, advice: str) -> None:
    """First read from one end, then from both: both are kept, the later one counts."""
    one_way = an_entry(readings=[{"nm": 1310, "from_near_db": 0.22}])
    assert client.post("/v1/outcomes", json=a_report(advice, one_way)).get_json()["verdicts"][0]["verdict"] == "redo"
    both = an_entry(readings=[{"nm": 1310, "from_near_db": 0.22, "from_far_db": -0.1}])
    assert client.post("/v1/outcomes", json=a_report(advice, both)).get_json()["verdicts"][0]["verdict"] == "accept"
    (attempt,) = client.get(f"/v1/advice/{advice}/outcomes").get_json()["attempts"]
    assert attempt["loss_db"] == pytest.approx({"1310": 0.06})


@pytest.mark.parametrize("path", ["/v1/outcomes", "/v1/advice/{}/outcomes"])
def test_it_is_said_as_text_too(client: FlaskClient, advice: str, path: str) -> None:
    client.post("/v1/outcomes", json=a_report(advice))
    text = {"Accept": "text/plain"}
    if path == "/v1/outcomes":
        answer = client.post(path, json=a_report(advice), headers=text)
    else:
        answer = client.get(path.format(advice), headers=text)
    assert answer.mimetype == "text/plain"
    said = " ".join(answer.get_data(as_text=True).split())
    assert "WORK DONE: 1 joint reported: ACCEPT 1." in said
    assert "ACCEPT FOR THE TIME BEING: T1F1, joint 1. The owner's limit is 0.15 dB." in said


def test_people_and_machines_are_known_by_pseudonyms_alone(client: FlaskClient, advice: str, engine: Engine) -> None:
    entry = an_entry(person="kestrel-7", machine="M-0412", cleaver="C-9")
    body = a_report(advice, entry, temporary={"due_on": "2031-05-20", "responsible": "wren-2"})
    given = client.post("/v1/outcomes", json=body, headers={"Idempotency-Key": "k"})
    (row,) = Outcomes(engine).attempts()
    assert [who.partition("-")[0] for who in (row.person, row.machine, row.cleaver) if who] == [*store.WHO]
    with reading(engine) as connection:
        everything = [
            value if isinstance(value, bytes) else str(value).encode()
            for table in (store.reports, store.attempts, store.closures, store.report_keys, store.verdicts)
            for kept in connection.execute(select(table))
            for value in kept
        ]
    for name in (b"kestrel-7", b"M-0412", b"C-9", b"wren-2"):
        assert not any(name in value for value in everything)
        assert name not in given.data


# --- once -----------------------------------------------------------------------------------------------------


def test_the_same_key_and_body_get_the_same_answer_byte_for_byte(client: FlaskClient, advice: str) -> None:
    key = {"Idempotency-Key": '"a key"'}
    first = client.post("/v1/outcomes", json=a_report(advice), headers=key)
    again = client.post("/v1/outcomes", json=a_report(advice), headers=key)
    assert (again.status_code, again.data, again.headers["Location"]) == (200, first.data, first.headers["Location"])


def test_another_body_under_the_same_key_is_a_conflict(client: FlaskClient, advice: str, engine: Engine) -> None:
    key = {"Idempotency-Key": "k-1"}
    client.post("/v1/outcomes", json=a_report(advice), headers=key)
    found = problem(client, a_report(advice, an_entry("T1F2")), 409, **key)
    assert found["type"] == "/problems/conflict"
    assert [row.fibre for row in Outcomes(engine).attempts()] == ["T1F1"]


def test_the_same_result_twice_is_recognised_without_a_key(client: FlaskClient, advice: str, engine: Engine) -> None:
    first = client.post("/v1/outcomes", json=a_report(advice))
    again = client.post("/v1/outcomes", json=a_report(advice))
    assert (again.data, again.headers["Location"]) == (first.data, first.headers["Location"])
    assert Outcomes(engine).count() == 1
    more = client.post("/v1/outcomes", json=a_report(advice, an_entry(), an_entry("T1F2"))).get_json()
    assert (more["attempts_new"], more["attempts_corrected"], more["attempts_known"]) == (1, 0, 1)
    assert Outcomes(engine).count() == 2


def test_a_key_that_came_with_what_was_known_counts_all_the_same(client: FlaskClient, advice: str) -> None:
    client.post("/v1/outcomes", json=a_report(advice))
    client.post("/v1/outcomes", json=a_report(advice), headers={"Idempotency-Key": "late"})
    problem(client, a_report(advice, an_entry("T1F2")), 409, **{"Idempotency-Key": "late"})


@pytest.mark.parametrize("alike", [True, False])
def test_requests_that_race_with_one_key_lead_to_one_record(
    client: FlaskClient, advice: str, engine: Engine, alike: bool
) -> None:
    """All of them judge before one of them keeps; those that say something else are told so."""
    together = threading.Barrier(5)
    answers: list[tuple[int, bytes]] = []

    def send(number: int) -> None:
        body = a_report(advice, an_entry("T1F1" if alike else f"T1F{number}"))
        together.wait()
        answer = client.application.test_client().post("/v1/outcomes", json=body, headers={"Idempotency-Key": "race"})
        answers.append((answer.status_code, answer.data))

    threads = [threading.Thread(target=send, args=(number,)) for number in range(5)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    right = [data for status, data in answers if status == 200]
    assert len(set(right)) == 1
    assert sorted(status for status, _ in answers) == ([200] * 5 if alike else [200] + [409] * 4)
    assert Outcomes(engine).count() == 1
    with reading(engine) as connection:
        assert len(connection.execute(select(store.reports.c.id)).all()) == 1


# --- what cannot be used --------------------------------------------------------------------------------------


def test_advice_that_is_not_there(client: FlaskClient, advice: str, engine: Engine) -> None:
    found = fault(client, a_report("f" * 32))
    assert (found["field"], found["value"], found["problem"]) == (
        "advice",
        "f" * 32,
        "no advice is kept under this id",
    )
    assert Outcomes(engine).count() == 0


def test_a_gain_of_three_decibels(client: FlaskClient, advice: str) -> None:
    found = fault(client, a_report(advice, an_entry(readings=[{"nm": 1310, "from_near_db": -3}])))
    assert found["field"] == "attempts[0].readings.1310.from_near_db"
    assert (found["value"], found["allowed"], found["unit"]) == ("-3", "-2 to 20", "dB")


def test_a_wavelength_that_the_fibre_does_not_carry(client: FlaskClient, advice: str) -> None:
    found = fault(client, a_report(advice, an_entry(readings=[{"nm": 850, "both_ways_db": 0.1}])))
    assert found["field"] == "attempts[0].readings.nm"
    assert (found["value"], found["allowed"], found["unit"]) == ("850", "1310, 1490, 1550, 1577, 1625", "nm")


def test_attempt_nought(client: FlaskClient, advice: str) -> None:
    found = fault(client, a_report(advice, an_entry(attempt=0)))
    assert (found["field"], found["value"], found["allowed"]) == ("attempts[0].attempt", "0", "1 to 20")


def test_a_result_of_tomorrow(client: FlaskClient, advice: str) -> None:
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    found = fault(client, a_report(advice, an_entry(made_at=tomorrow)))
    assert (found["field"], found["value"], found["problem"]) == ("attempts[0].made_at", tomorrow, "lies after now")


def test_everything_that_is_wrong_is_named_at_once(client: FlaskClient, advice: str, engine: Engine) -> None:
    body = a_report(
        "none",
        an_entry(attempt=0, machine_estimate_db=9),
        {"fibre": "F9..F2"},
        an_entry(colour="blue", made_at="yesterday"),
        each={"light": 1},
        evidence=[""],
        temporary={"due_on": "soon", "responsible": "A. N. Other", "who": "x"},
        remark="hello",
    )
    found = {one["field"]: one for one in problem(client, body)["faults"]}
    assert set(found) == {
        *("remark", "each.light", "advice", "evidence"),
        *("attempts[0].attempt", "attempts[0].machine_estimate_db"),
        *("attempts[1].fibre", "attempts[1].joint", "attempts[1].method", "attempts[1].attempt"),
        *("attempts[1].made_at", "attempts[2].colour", "attempts[2].made_at"),
        *("temporary.due_on", "temporary.responsible", "temporary.who"),
    }
    assert Outcomes(engine).count() == 0


def test_one_attempt_told_twice_and_otherwise(client: FlaskClient, advice: str) -> None:
    found = fault(client, a_report(advice, an_entry(), an_entry(loss_db=0.2)))
    assert (found["field"], found["slug"]) == ("attempts[1]", "given-twice")
    assert "attempts[0]" in found["problem"]


@pytest.mark.parametrize("body", [{}, {"attempts": []}, {"attempts": "F1"}, {"attempts": [1]}, {"each": []}])
def test_a_report_without_an_attempt(client: FlaskClient, advice: str, body: dict[str, Any]) -> None:
    assert problem(client, {"advice": advice, **body})["faults"]


def test_what_goes_with_the_work_may_be_told_before_a_joint_is_made(client: FlaskClient, advice: str) -> None:
    body = {"advice": advice, "evidence": ["Step 1 otherwise: no room for a tent"]}
    said = client.post("/v1/outcomes", json=body).get_json()
    assert (said["attempts_new"], said["verdicts"], said["evidence"]) == (0, [], body["evidence"])
    assert client.post("/v1/outcomes", json=body).get_json()["id"] == said["id"]
    later = client.post("/v1/outcomes", json={"advice": advice, "temporary": {"due_on": "2031-05-20"}}).get_json()
    assert (later["due_on"], later["evidence"]) == ("2031-05-20", body["evidence"])


def test_an_advice_without_a_plan_needs_the_plan_that_was_carried_out(
    tmp_path: Any, engine: Engine, records: Records
) -> None:
    method = FixedMethod(an_advice(action="stand_off", plan=None))
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    advice = client.post("/v1/advice", json={"facts": {}}).headers["Location"].rpartition("/")[2]
    assert fault(client, a_report(advice))["field"] == "plan"
    assert fault(client, a_report(advice, plan=a_plan().id))["problem"] == "no such plan"


def test_what_is_not_there_is_not_found(client: FlaskClient, advice: str) -> None:
    for path in (f"/v1/outcomes/{'f' * 32}", "/v1/outcomes/x", f"/v1/advice/{'f' * 32}/outcomes"):
        assert client.get(path).status_code == 404


_PLAIN = st.none() | st.booleans() | st.integers(-5, 10**9) | st.text("aF1.", max_size=8)
_NAMES = st.sampled_from(["nm", "from_near_db", "fibre"])
_ANYTHING = st.recursive(
    _PLAIN | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_NAMES, inner),
    max_leaves=6,
)
_FIELDS = st.sampled_from([*ReportSchema().fields["attempts"].inner.schema.fields])  # type: ignore[attr-defined]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(_FIELDS, _ANYTHING, max_size=4),
    st.dictionaries(st.sampled_from([*ReportSchema().fields]), _ANYTHING, max_size=2),
)
def test_whatever_is_sent_is_answered_or_refused(
    client: FlaskClient, advice: str, told: dict[str, Any], around: dict[str, Any]
) -> None:
    answer = client.post("/v1/outcomes", json={**a_report(advice, an_entry(**told)), **around})
    assert answer.status_code in (200, 422)


# --- how long -------------------------------------------------------------------------------------------------


def test_what_is_older_than_the_operator_keeps_goes(
    tmp_path: Any, records: Records, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = Settings(database_url=a_database_url(tmp_path), outcome_days=30)
    client = create_app(settings, Advisor(FixedMethod(an_advice()), records)).test_client()
    advice = client.post("/v1/advice", json={"facts": {}}).headers["Location"].rpartition("/")[2]
    given = client.post("/v1/outcomes", json=a_report(advice))
    assert client.get(given.headers["Location"]).status_code == 200
    with engine.begin() as connection:
        long_ago = datetime.now(UTC) - timedelta(days=31)
        connection.execute(store.reports.update().values(received_at=long_ago))
        connection.execute(store.attempts.update().values(received_at=long_ago))
    assert client.get(given.headers["Location"]).status_code == 404
    assert Outcomes(engine).count() == 0
