"""The claims of the policy in force: as JSON and on the page, with what became of them and when that was found out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest
from builders import FixedMethod, a_database_url, an_advice
from flask.testing import FlaskClient

from repairadvisor.decision.counterexamples import Counterexample
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.proofs import FAILS, HOLDS, UNDECIDED, Proof
from repairadvisor.policy.condition import Some
from repairadvisor.policy.model import Claim, Number
from repairadvisor.schemas.claims import NOT_LOOKED_AT, ClaimsSchema, proofs_bytes
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app

LOOKED_AT = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
NAMES = ("ladders-stand-still", "nobody-is-alone", "gas-is-out")


def _claim(name: str, says: str) -> Claim:
    limit = Number("ladder_gust", 11.0, "m/s", "<b>a handbook</b>", "from memory", "2031-01-01")
    given: dict[str, Any] = dict.fromkeys(("caution",), "") | {"any_action": False, "places": (), "least": None}
    return Claim(
        id=name,
        kind="permission",
        says=says,
        plans={},
        where=Some(()),
        witnesses=(),
        limits=(limit,),
        source="common practice, no source",
        known="common practice",
        **given,
    )


CLAIMS = tuple(_claim(name, f"<i>{name}</i> & so on") for name in NAMES)


@dataclass(frozen=True)
class Claiming(FixedMethod):
    """A method whose policy claims three things."""

    @property
    def claims(self) -> tuple[Claim, ...]:
        return CLAIMS


def _proof(name: str, verdict: str) -> Proof:
    against = Counterexample({"place": "<pole>"}, LOOKED_AT, "a/plan", "repair", "the plan is permitted")
    return Proof(name, "permission", "", verdict, "looked at", against if verdict == FAILS else None, 7, 3)


@pytest.fixture
def client(tmp_path: Path, records: Records) -> FlaskClient:
    advisor = Advisor(Claiming(an_advice()), records)
    return create_app(Settings(database_url=a_database_url(tmp_path)), advisor).test_client()


def _keep(records: Records, *proofs: Proof, method_version: str = METHOD_VERSION) -> None:
    method = Claiming(an_advice())
    records.keep_proofs(method.policy_id, method_version, LOOKED_AT, proofs_bytes([(one, 0.25) for one in proofs]))


def test_before_anybody_has_looked_nothing_is_called_proven(client: FlaskClient) -> None:
    found = client.get("/v1/policy/claims").get_json()
    assert ClaimsSchema().validate(found) == {}
    assert found["proven_at"] is None
    assert [one["verdict"] for one in found["claims"]] == [NOT_LOOKED_AT] * 3
    page = client.get("/policy").text
    assert "Nobody has looked whether they hold" in page
    assert "It holds" not in page


def test_what_became_of_each_stands_beside_it_with_the_moment(client: FlaskClient, records: Records) -> None:
    _keep(records, _proof(NAMES[0], HOLDS), _proof(NAMES[1], FAILS))
    found = client.get("/v1/policy/claims").get_json()
    assert ClaimsSchema().validate(found) == {}
    assert datetime.fromisoformat(found["proven_at"]) == LOOKED_AT
    # One that was added since is not called proven because its neighbours are.
    assert [one["verdict"] for one in found["claims"]] == [HOLDS, FAILS, NOT_LOOKED_AT]
    assert found["claims"][1]["counterexample"]["told"] == {"place": "<pole>"}
    assert [one["seconds"] for one in found["claims"]] == [0.25, 0.25, 0.0]


def test_the_page_says_it_in_words_and_shows_no_markup_of_the_policy(client: FlaskClient, records: Records) -> None:
    _keep(records, _proof(NAMES[0], HOLDS), _proof(NAMES[1], FAILS), _proof(NAMES[2], UNDECIDED))
    page = client.get("/policy").text
    for said in ("It holds: looked at", "It does not hold", "not to be read as that it holds", "4 May 2031"):
        assert said in page
    for markup in ("<i>ladders", "<b>a handbook", "<pole>"):
        assert markup not in page
    assert "&lt;pole&gt;" in page


def test_proofs_of_another_version_of_the_method_do_not_count(client: FlaskClient, records: Records) -> None:
    _keep(records, *(_proof(name, HOLDS) for name in NAMES), method_version="0")
    assert client.get("/v1/policy/claims").get_json()["proven_at"] is None


def test_what_was_found_last_takes_the_place_of_what_was_found_before(client: FlaskClient, records: Records) -> None:
    _keep(records, *(_proof(name, HOLDS) for name in NAMES))
    _keep(records, _proof(NAMES[0], FAILS))
    found = client.get("/v1/policy/claims").get_json()
    assert [one["verdict"] for one in found["claims"]] == [FAILS, NOT_LOOKED_AT, NOT_LOOKED_AT]


def test_a_form_that_is_not_there_is_refused(client: FlaskClient) -> None:
    answer = client.get("/v1/policy/claims", headers={"Accept": "text/csv"})
    assert answer.status_code == 406
    assert orjson.loads(answer.data)["status"] == 406
