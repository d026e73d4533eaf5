"""A recorded advice made again over HTTP."""

from __future__ import annotations

from dataclasses import asdict

import jsonschema
import pytest
from builders import NOW
from flask.testing import FlaskClient
from test_openapi import DOCUMENT

from repairadvisor.store.records import AdviceRecord, Records

from .test_refusals import is_problem

ASKED = {"facts": {"place": "pole_top"}, "now": NOW.isoformat()}


def _kept(client: FlaskClient) -> str:
    return client.post("/v1/advice", json=ASKED).headers["Location"]


def _stored_otherwise(records: Records, path: str, **changes: object) -> str:
    stored = asdict(records.get(path.rpartition("/")[2]))
    del stored["id"]
    return records.save(AdviceRecord(**{**stored, **changes}))


def test_the_same_is_told_to_be_the_same(client: FlaskClient, records: Records) -> None:
    path = _kept(client)
    answer = client.post(f"{path}/replay")
    assert (answer.status_code, answer.mimetype) == (200, "application/json")
    jsonschema.validate(answer.get_json(), {**DOCUMENT, "$ref": "#/components/schemas/Replay"})
    assert answer.get_json()["equal"] is True
    assert records.count() == 1  # nothing more is kept


def test_what_differs_is_told_place_by_place(client: FlaskClient, records: Records) -> None:
    document = records.get(_kept(client).rpartition("/")[2]).document
    old = document.replace(b'"action":"repair"', b'"action":"stand_off"')
    other = _stored_otherwise(records, _kept(client), document=old, method_version="1")
    answer = client.post(f"/v1/advice/{other}/replay")
    jsonschema.validate(answer.get_json(), {**DOCUMENT, "$ref": "#/components/schemas/Replay"})
    assert answer.get_json()["differences"] == [{"path": "/action", "then": '"stand_off"', "now": '"repair"'}]
    text = client.post(f"/v1/advice/{other}/replay", headers={"Accept": "text/plain"})
    assert text.mimetype == "text/plain"
    assert '/action\n  then: "stand_off"\n  now:  "repair"\n' in text.text


@pytest.mark.parametrize("advice_id", ["0" * 32, "x", "G" * 32, "%00"])
def test_what_was_never_given_is_a_problem(client: FlaskClient, advice_id: str) -> None:
    is_problem(client.post(f"/v1/advice/{advice_id}/replay"), 404, "not-found")


def test_a_policy_that_cannot_be_used_is_a_problem(client: FlaskClient, records: Records) -> None:
    policy_id = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"  # SHA-256 of {}
    records.keep_policy(policy_id, b"{}")
    other = _stored_otherwise(records, _kept(client), policy_id=policy_id)
    is_problem(client.post(f"/v1/advice/{other}/replay"), 409, "conflict")


def test_only_what_can_be_given_is_given(client: FlaskClient) -> None:
    path = _kept(client)
    is_problem(client.post(f"{path}/replay", headers={"Accept": "text/html"}), 406, "not-acceptable")
    is_problem(client.get(f"{path}/replay"), 405, "method-not-allowed")
