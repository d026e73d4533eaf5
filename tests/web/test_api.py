"""The JSON routes."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from builders import VOICE, an_advice
from flask.testing import FlaskClient

from repairadvisor.render import terminal, ticket_note
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.schemas.fact_table import fact_table
from repairadvisor.store.records import Records

ASKED = {"facts": {"place": "pole_top"}, "now": "2031-05-04T07:30:00+00:00"}


def test_advice_comes_back_as_its_document_and_can_be_read_again(client: FlaskClient) -> None:
    given = client.post("/v1/advice", json=ASKED)
    assert given.status_code == 200
    assert given.mimetype == "application/json"
    assert given.data == document_bytes(an_advice())
    again = client.get(given.headers["Location"])
    assert again.status_code == 200
    assert again.mimetype == "application/json"
    assert again.data == given.data


def test_unrecorded_advice_leads_nowhere_and_leaves_nothing(client: FlaskClient, records: Records) -> None:
    given = client.post("/v1/advice", json={**ASKED, "record": False})
    assert given.status_code == 200
    assert "Location" not in given.headers
    assert records.count() == 0


def test_without_a_now_the_time_of_arrival_is_stamped(client: FlaskClient, records: Records) -> None:
    before = datetime.now(UTC)
    given = client.post("/v1/advice", json={"facts": {}})
    stamped = datetime.fromisoformat(given.get_json()["now"])
    assert before <= stamped <= datetime.now(UTC)
    (kept,) = records.latest(2)
    assert kept.now == kept.given_at == stamped


@pytest.mark.parametrize(
    ("accept", "mimetype"),
    [
        (None, "application/json"),
        ("", "application/json"),
        ("*/*", "application/json"),
        ("application/json", "application/json"),
        ("application/*", "application/json"),
        ("text/plain", "text/plain"),
        ("text/*", "text/plain"),
        ("text/plain;q=0.5, application/json;q=0.4", "text/plain"),
        ("text/html", "text/html"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "text/html"),
        ("application/json;q=0, */*", "text/plain"),
        ("image/png, text/html;q=0.1", "text/html"),
    ],
)
def test_accept_picks_the_form(client: FlaskClient, accept: str | None, mimetype: str) -> None:
    given = client.post("/v1/advice", json=ASKED, headers={} if accept is None else {"Accept": accept})
    assert given.status_code == 200
    assert given.mimetype == mimetype
    assert "Accept" in given.headers["Vary"]


def test_the_note_and_the_page_say_what_the_renderers_say(client: FlaskClient) -> None:
    note = client.post("/v1/advice", json=ASKED, headers={"Accept": "text/plain"})
    assert note.get_data(as_text=True) == ticket_note.render(an_advice(), VOICE)
    assert note.headers["Content-Type"] == "text/plain; charset=utf-8"
    page = client.post("/v1/advice", json=ASKED, headers={"Accept": "text/html"}).get_data(as_text=True)
    assert terminal.render(an_advice(), VOICE).splitlines()[0] in page


@pytest.mark.parametrize("content_type", ["application/json", "application/json; charset=utf-8", "Application/JSON"])
def test_json_may_name_its_charset(client: FlaskClient, content_type: str) -> None:
    assert client.post("/v1/advice", data=b'{"facts":{}}', content_type=content_type).status_code == 200


def test_facts_are_the_published_table(client: FlaskClient) -> None:
    assert client.get("/v1/facts").get_json() == fact_table()


def test_the_process_says_that_it_lives(client: FlaskClient) -> None:
    live = client.get("/health/live")
    assert (live.status_code, live.get_json()) == (200, {"status": "live"})


def test_a_body_of_just_the_permitted_length_is_read(client: FlaskClient) -> None:
    body = b'{"facts":{}}' + b" " * (1024 * 1024 - 12)
    assert client.post("/v1/advice", data=body, content_type="application/json").status_code == 200


def test_two_answers_stand_side_by_side_and_nothing_is_kept(client: FlaskClient, records: Records) -> None:
    given = client.post("/v1/advice", json={**ASKED, "compare_with": {"place": "chamber"}})
    assert given.status_code == 200
    found = given.get_json()
    assert found["first"] == found["second"]  # this method always says the same
    assert found["differences"] == []
    assert "Location" not in given.headers
    assert records.count() == 0
    as_text = client.post("/v1/advice", json={**ASKED, "compare_with": {}}, headers={"Accept": "text/plain"})
    assert as_text.mimetype == "text/plain"


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"compare_with": 3}, "compare_with"),
        ({"compare_with": {"place": "nowhere"}}, "place"),
        ({"issued_plan": "fuse it"}, "issued_plan"),
        ({"issued_plan": "a/b/c/d/e/f"}, "issued_plan"),
        ({"turning_points": "yes"}, "turning_points"),
    ],
)
def test_what_cannot_be_compared_or_kept_is_refused_by_its_name(
    client: FlaskClient, more: dict[str, object], field: str
) -> None:
    refused = client.post("/v1/advice", json={**ASKED, **more})
    assert refused.status_code == 422
    assert field in [fault["field"] for fault in refused.get_json()["faults"]]


def test_a_plan_given_before_is_told_and_kept_in_the_document(client: FlaskClient) -> None:
    plan = an_advice().plan
    assert plan is not None
    given = client.post("/v1/advice", json={**ASKED, "issued_plan": plan.id})
    assert given.get_json()["issued_plan"] == plan.id
