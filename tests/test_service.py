"""The use cases of the service."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from builders import NOW, VOICE, FixedMethod, a_database_url, an_advice

from repairadvisor.errors import InputError, NotFoundError
from repairadvisor.facts.vocabulary import VOCABULARY_VERSION
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.render import terminal
from repairadvisor.render.ticket_note import LONGEST, notes
from repairadvisor.schemas.advice import AdviceSchema, document_bytes
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.database import open_database
from repairadvisor.store.records import Records

CLOCK = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
FACTS = {"place": "pole_top", "spare_near_m": {"value": 3, "source": "Pipit Court crew"}}


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return open_records(Settings(database_url=a_database_url(tmp_path)))


@pytest.fixture
def advisor(records: Records) -> Advisor:
    return Advisor(FixedMethod(an_advice()), records)


def test_advice_is_kept_byte_for_byte_with_its_facts_and_policy(advisor: Advisor, records: Records) -> None:
    answer = advisor.advise({"facts": FACTS, "now": NOW.isoformat()}, CLOCK)
    assert answer.id is not None
    kept = advisor.given(answer.id)
    assert kept.document == answer.document == document_bytes(answer.advice)
    assert set(json.loads(kept.facts)) == set(FACTS)
    assert (kept.now, kept.given_at) == (NOW, CLOCK)
    assert kept.policy_id == FixedMethod(an_advice()).policy_id
    assert records.policy(kept.policy_id) == b"a policy"
    assert kept.action == "repair"
    assert kept.method_version == answer.advice.method_version


def test_what_was_told_is_kept_as_it_was_told(advisor: Advisor) -> None:
    plan = an_advice().plan
    assert plan is not None
    told = {"facts": FACTS, "now": "2031-05-04T09:30:00+02:00", "issued_plan": plan.id, "turning_points": True}
    answer = advisor.advise(told, CLOCK)
    assert answer.id is not None
    kept = advisor.given(answer.id).request
    assert kept is not None
    assert json.loads(kept) == told


def test_without_a_now_the_clock_counts_and_is_recorded(advisor: Advisor) -> None:
    answer = advisor.advise({"facts": {}}, CLOCK)
    assert answer.advice.now == CLOCK.isoformat()
    assert answer.id is not None
    assert advisor.given(answer.id).now == CLOCK


def test_nothing_is_kept_where_the_request_says_so(advisor: Advisor, records: Records) -> None:
    answer = advisor.advise({"facts": FACTS, "record": False}, CLOCK)
    assert answer.id is None
    assert records.count() == 0


def test_a_refused_request_keeps_nothing(advisor: Advisor, records: Records) -> None:
    with pytest.raises(InputError):
        advisor.advise({"facts": {"place": "moon"}}, CLOCK)
    assert records.count() == 0


def test_a_moment_is_judged_where_something_else_is_wrong(advisor: Advisor) -> None:
    later = (CLOCK + timedelta(days=2)).isoformat()
    with pytest.raises(InputError) as refused:
        advisor.advise({"facts": {"place": "chamber", "gas_test_at": later}, "colour": 1}, CLOCK)
    assert [fault.field for fault in refused.value.faults] == ["colour", "gas_test_at"]


def test_everything_wrong_is_said_at_once(advisor: Advisor) -> None:
    with pytest.raises(InputError) as refused:
        advisor.advise({"facts": {"place": "moon", "margin_db": 99}, "record": "no", "colour": 1}, CLOCK)
    assert [fault.field for fault in refused.value.faults] == ["colour", "record", "place", "margin_db"]


def test_a_wrong_now_does_not_make_right_moments_wrong(advisor: Advisor) -> None:
    later = (CLOCK + timedelta(days=2)).isoformat()
    with pytest.raises(InputError) as refused:
        advisor.advise({"facts": {"place": "chamber", "gas_test_at": later}, "now": "noon"}, CLOCK)
    assert [fault.field for fault in refused.value.faults] == ["now"]


@pytest.mark.parametrize(
    "request_body",
    [
        {"facts": {"place": "pole_top", "margin_db": 99}},
        {"facts": {"place": "pole_top"}, "record": 3},
        {"facts": {"place": "pole_top"}, "now": "noon"},
    ],
)
def test_a_refusal_keeps_the_cautions_of_the_place_it_names(advisor: Advisor, request_body: dict[str, object]) -> None:
    with pytest.raises(InputError) as refused:
        advisor.advise(request_body, CLOCK)
    assert refused.value.cautions == tuple(caution.text for caution in an_advice().cautions)


def test_a_refusal_without_a_place_has_no_cautions(advisor: Advisor) -> None:
    with pytest.raises(InputError) as refused:
        advisor.advise({"facts": {"margin_db": 99}}, CLOCK)
    assert refused.value.cautions == ()


@pytest.mark.parametrize("advice_id", ["", "x", "../../etc", "0" * 31, "0" * 33, "G" * 32, "\x00" * 32, "0" * 32])
def test_what_was_never_given_is_not_found(advisor: Advisor, advice_id: str) -> None:
    with pytest.raises(NotFoundError):
        advisor.given(advice_id)


def test_without_records_a_request_has_to_forgo_them() -> None:
    lonely = Advisor(FixedMethod(an_advice()), None)
    assert lonely.advise({"facts": {}, "record": False}, CLOCK).id is None
    with pytest.raises(ValueError, match="nowhere to keep"):
        lonely.advise({"facts": {}}, CLOCK)
    with pytest.raises(NotFoundError):
        lonely.given("0" * 32)


def test_records_outlive_the_service(tmp_path: Path) -> None:
    records = open_records(Settings(database_url=a_database_url(tmp_path)))
    answer = Advisor(FixedMethod(an_advice()), records).advise({"facts": FACTS}, CLOCK)
    assert answer.id is not None
    engine = open_database(a_database_url(tmp_path))
    assert Records(engine).get(answer.id).document == answer.document
    assert Records(engine).get(answer.id).vocabulary_version == VOCABULARY_VERSION
    engine.dispose()


# --- with the policy that ships -----------------------------------------------------------------------------

SPARKS = {"place": "pole_top", "danger_seen": "sparks"}
BESIDE_RAILS = {"place": "rail_side"}


@pytest.fixture(scope="module")
def shipped() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


@pytest.mark.parametrize(("facts", "action"), [(SPARKS, "stand_off"), (BESIDE_RAILS, "out_of_scope")])
def test_the_shipped_policy_answers_in_the_published_shape(
    shipped: PreparedMethod, facts: dict[str, str], action: str
) -> None:
    answer = Advisor(shipped, None).advise({"facts": facts, "now": NOW.isoformat(), "record": False}, CLOCK)
    assert answer.advice.action == action
    assert datetime.fromisoformat(answer.advice.now) == NOW
    assert answer.advice.policy == shipped.policy_id
    assert AdviceSchema().validate(json.loads(answer.document)) == {}
    assert max(len(note) for note in notes(answer.advice, VOICE)) <= LONGEST
    assert " ".join(answer.advice.because.split()) in " ".join(terminal.render(answer.advice, VOICE).split())


def test_the_same_facts_give_the_same_bytes_under_a_policy_prepared_anew(shipped: PreparedMethod) -> None:
    request = {"facts": SPARKS, "now": NOW.isoformat(), "record": False}
    again = prepared_method(cache_folder(os.environ))
    assert again.policy_id == shipped.policy_id
    assert (
        Advisor(again, None).advise(request, CLOCK).document == Advisor(shipped, None).advise(request, CLOCK).document
    )


def test_an_advice_under_the_shipped_policy_is_kept_with_the_facts_it_was_made_from(
    shipped: PreparedMethod, records: Records
) -> None:
    advisor = Advisor(shipped, records)
    answer = advisor.advise({"facts": SPARKS, "now": NOW.isoformat()}, CLOCK)
    assert answer.id is not None
    kept = advisor.given(answer.id)
    assert records.policy(kept.policy_id) == shipped.policy_text
    again = {"facts": json.loads(kept.facts), "now": kept.now.isoformat(), "record": False}
    assert advisor.advise(again, CLOCK).document == answer.document


@pytest.mark.parametrize(
    ("place", "word"),
    [("chamber", "air below a cover"), ("pole_top", "A fall kills"), ("dug_pit", "Gas, power and water")],
)
def test_a_refusal_under_the_shipped_policy_warns_of_the_place(shipped: PreparedMethod, place: str, word: str) -> None:
    with pytest.raises(InputError) as refused:
        Advisor(shipped, None).advise({"facts": {"place": place, "margin_db": 99}, "record": False}, CLOCK)
    assert any(word in caution for caution in refused.value.cautions)
    assert len(refused.value.cautions) <= 3


def test_a_refusal_that_names_no_place_warns_of_none(shipped: PreparedMethod) -> None:
    with pytest.raises(InputError) as refused:
        Advisor(shipped, None).advise({"facts": {"place": "moon"}, "record": False}, CLOCK)
    assert refused.value.cautions == ()
