"""Events over HTTP, and what is told of them, to programs and to people.

RFC 9110 for statuses; the shapes are this product's own, published in its OpenAPI file.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import pytest
from delivery.desk import an_event
from delivery.office import Delivering, spare
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from repairadvisor.errors import EventRefusedError
from repairadvisor.plugin import RawEvent
from repairadvisor.schemas.delivery import AcceptedSchema, DeliveriesSchema, DeliverySchema
from repairadvisor.store.records import AdviceRecord
from web.test_refusals import is_problem


def send(client: FlaskClient, event: RawEvent, source: str = "desk", **headers: str) -> TestResponse:
    return client.post(f"/v1/events/{source}", data=event.body, headers={**event.headers, **headers})


def listed(client: FlaskClient, query: str = "") -> dict[str, Any]:
    answer = client.get(f"/v1/deliveries{query}")
    found: dict[str, Any] = answer.get_json()
    assert answer.status_code == 200
    assert DeliveriesSchema().validate(found) == {}
    return found


# --- events ---------------------------------------------------------------------------------------------------


def test_an_event_is_taken_once_it_is_on_disk(with_office: FlaskClient, delivering: Delivering) -> None:
    answer = send(with_office, spare(3))

    assert answer.status_code == 202
    assert AcceptedSchema().validate(answer.get_json()) == {}
    kept = delivering.office.ledger.given(answer.get_json()["delivery"])
    assert (kept.state, kept.body) == ("waiting", spare(3).body)
    assert answer.headers["Location"] == f"/v1/deliveries/{kept.id}"


def test_an_event_that_comes_again_is_taken_again_and_kept_once(with_office: FlaskClient) -> None:
    first, again = send(with_office, spare(3)), send(with_office, spare(3))

    assert (first.get_json()["again"], again.get_json()["again"]) == (False, True)
    assert first.get_json()["delivery"] == again.get_json()["delivery"]
    assert listed(with_office)["counts"] == {"waiting": 1}


def test_nothing_is_read_before_the_sender_is_known(
    with_office: FlaskClient, delivering: Delivering, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unread(_: RawEvent) -> None:
        raise AssertionError("was read")

    monkeypatch.setattr(delivering.desk, "read", unread)
    is_problem(send(with_office, RawEvent({"signature": "wrong"}, b"{")), 403, "event-refused")
    assert listed(with_office)["counts"] == {}


def test_the_plugin_is_given_the_bytes_as_they_came(
    with_office: FlaskClient, delivering: Delivering, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[RawEvent] = []

    def authenticate(event: RawEvent, now: object) -> str:
        seen.append(event)
        return "key"

    monkeypatch.setattr(delivering.desk, "authenticate", authenticate)
    body = b"\xff\xfe\x00 not text \r\n"
    with_office.post("/v1/events/desk", data=body, headers={"X-Signature": "abc", "Content-Type": "odd/kind"})

    assert seen[0].body == body
    assert seen[0].headers["x-signature"] == "abc"
    assert seen[0].headers["content-type"] == "odd/kind"


@pytest.mark.parametrize("source", ["nobody", "desk%00", "..", "Desk"])
def test_an_unknown_source_is_not_found(with_office: FlaskClient, source: str) -> None:
    is_problem(with_office.post(f"/v1/events/{source}", data=b"{}"), 404, "not-found")


def test_without_plugins_there_is_no_source(client: FlaskClient) -> None:
    is_problem(client.post("/v1/events/desk", data=b"{}"), 404, "not-found")


def test_a_ticket_of_ten_megabytes_is_too_large(with_office: FlaskClient) -> None:
    event = RawEvent({"signature": "right"}, b'{"ticket": "' + b"x" * 10_000_000 + b'"}')
    is_problem(send(with_office, event), 413, "too-large")
    assert listed(with_office)["counts"] == {}


def test_a_packed_event_is_refused(with_office: FlaskClient) -> None:
    is_problem(send(with_office, spare(3), **{"Content-Encoding": "gzip"}), 415, "wrong-media-type")


def test_what_refuses_says_why_in_one_line(
    with_office: FlaskClient, delivering: Delivering, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> str:
        raise EventRefusedError("the timestamp is 400 s old; allowed: 300 s")

    monkeypatch.setattr(delivering.desk, "authenticate", refuse)
    problem = is_problem(send(with_office, spare(3)), 403, "event-refused")
    assert problem["detail"] == "the timestamp is 400 s old; allowed: 300 s"


# --- deliveries, for programs ---------------------------------------------------------------------------------


def test_one_delivery_is_told(with_office: FlaskClient, delivering: Delivering) -> None:
    delivery = delivering.deliver(spare(3))
    told = with_office.get(f"/v1/deliveries/{delivery.id}").get_json()

    assert DeliverySchema().validate(told) == {}
    assert (told["state"], told["ticket"], told["note"]) == ("noted", "LF-1", 1)
    assert with_office.get(f"/v1/advice/{told['advice']}").status_code == 200


def test_deliveries_are_chosen_by_state_source_and_ticket(with_office: FlaskClient, delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-1"))
    delivering.deliver(spare(3, "LF-2"))
    delivering.deliver(RawEvent({"signature": "right"}, b"nonsense"))

    assert len(listed(with_office)["deliveries"]) == 3
    assert [one["state"] for one in listed(with_office, "?state=set_aside")["deliveries"]] == ["set_aside"]
    assert [one["ticket"] for one in listed(with_office, "?ticket=LF-2")["deliveries"]] == ["LF-2"]
    assert listed(with_office, "?source=nobody")["deliveries"] == []
    assert len(listed(with_office, "?limit=1&offset=1")["deliveries"]) == 1
    assert listed(with_office)["counts"] == {"noted": 2, "set_aside": 1}


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("?state=green", "state"),
        ("?limit=0", "limit"),
        ("?limit=501", "limit"),
        ("?limit=many", "limit"),
        ("?offset=-1", "offset"),
        ("?ticet=LF-1", "ticet"),
    ],
)
def test_a_wrong_choice_is_named(with_office: FlaskClient, query: str, field: str) -> None:
    problem = is_problem(with_office.get(f"/v1/deliveries{query}"), 422, "input")
    assert [fault["field"] for fault in problem["faults"]] == [field]


def test_a_delivery_is_retried_and_cancelled(with_office: FlaskClient, delivering: Delivering) -> None:
    delivery = delivering.deliver(RawEvent({"signature": "right"}, b"nonsense"))
    assert with_office.post(f"/v1/deliveries/{delivery.id}/retry").get_json()["state"] == "waiting"
    is_problem(with_office.post(f"/v1/deliveries/{delivery.id}/retry"), 409, "conflict")
    assert with_office.post(f"/v1/deliveries/{delivery.id}/cancel").get_json()["state"] == "cancelled"
    is_problem(with_office.post(f"/v1/deliveries/{delivery.id}/cancel"), 409, "conflict")


@pytest.mark.parametrize("door", ["", "/retry", "/cancel"])
def test_an_unknown_delivery_is_not_found(with_office: FlaskClient, client: FlaskClient, door: str) -> None:
    for asked in (with_office, client):
        ask = asked.get if door == "" else asked.post
        is_problem(ask(f"/v1/deliveries/{'0' * 32}{door}"), 404, "not-found")


def test_without_plugins_nothing_is_listed(client: FlaskClient) -> None:
    assert listed(client) == {"counts": {}, "sources_in_trouble": {}, "deliveries": []}


# --- deliveries, for people -----------------------------------------------------------------------------------


def test_the_page_shows_what_is_to_be_looked_at_first(with_office: FlaskClient, delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-7"))
    delivering.deliver(RawEvent({"signature": "right"}, b"nonsense"))
    page = with_office.get("/deliveries").text

    assert page.index("To be looked at") < page.index("no JSON") < page.index("The last ones") < page.index("LF-7")
    assert page.count("again</button>") == 1


def test_the_page_retries(with_office: FlaskClient, delivering: Delivering) -> None:
    delivery = delivering.deliver(RawEvent({"signature": "right"}, b"nonsense"))
    answer = with_office.post(f"/deliveries/{delivery.id}/retry", headers={"Origin": "http://localhost"})

    assert (answer.status_code, answer.headers["Location"]) == (303, "/deliveries")
    assert delivering.office.ledger.given(delivery.id).state == "waiting"


def test_a_page_of_another_site_retries_nothing(with_office: FlaskClient, delivering: Delivering) -> None:
    delivery = delivering.deliver(RawEvent({"signature": "right"}, b"nonsense"))
    answer = with_office.post(f"/deliveries/{delivery.id}/retry", headers={"Origin": "http://elsewhere.example"})

    is_problem(answer, 403, "cross-site")
    assert delivering.office.ledger.given(delivery.id).state == "set_aside"


def test_what_a_ticket_says_is_text_on_the_page(with_office: FlaskClient, delivering: Delivering) -> None:
    delivering.deliver(spare(3, "<script>alert(1)</script>"))
    delivering.deliver(an_event("LF-2", facts={"place": "<img src=x onerror=alert(1)>"}))
    page = with_office.get("/deliveries").text

    assert "<script>" not in page
    assert "<img" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_the_page_says_when_nothing_is_connected(client: FlaskClient) -> None:
    assert "No ticket system is connected." in client.get("/deliveries").text


# --- asked once ------------------------------------------------------------------------------------------------


def ask(client: FlaskClient, key: str | None, body: dict[str, Any], **headers: str) -> TestResponse:
    given = {} if key is None else {"Idempotency-Key": key}
    return client.post("/v1/advice", json=body, headers={**given, **headers})


ASKED = {"facts": {"place": "pole_top", "spare_near_m": 3}}


def test_the_same_under_the_same_key_is_answered_with_the_same(client: FlaskClient, records: Any) -> None:
    first, again = ask(client, '"a key"', ASKED), ask(client, '"a key"', ASKED)

    assert first.headers["Location"] == again.headers["Location"]
    assert first.data == again.data
    assert records.count() == 1


def test_another_key_asks_again(client: FlaskClient, records: Any) -> None:
    assert ask(client, "one", ASKED).headers["Location"] != ask(client, "two", ASKED).headers["Location"]
    assert ask(client, None, ASKED).headers["Location"] != ask(client, None, ASKED).headers["Location"]
    assert records.count() == 4


def test_a_key_in_quotes_and_without_is_one_key(client: FlaskClient) -> None:
    assert ask(client, '"one"', ASKED).headers["Location"] == ask(client, "one", ASKED).headers["Location"]


def test_something_else_under_the_same_key_is_refused(client: FlaskClient, records: Any) -> None:
    ask(client, "one", ASKED)
    other = {"facts": {**ASKED["facts"], "spare_near_m": 4}}
    is_problem(ask(client, "one", other), 422, "key-reused")
    assert records.count() == 1


@pytest.mark.parametrize("form", ["text/plain", "text/html"])
def test_the_same_is_answered_in_every_form(client: FlaskClient, form: str) -> None:
    first = ask(client, "one", ASKED, Accept=form)
    again = ask(client, "one", ASKED, Accept=form)

    assert first.data == again.data
    assert again.mimetype == form


def test_what_is_not_kept_needs_no_key(client: FlaskClient, records: Any) -> None:
    asked = {**ASKED, "record": False}
    assert ask(client, "one", asked).status_code == ask(client, "one", asked).status_code == 200
    assert records.count() == 0


@pytest.mark.parametrize("key", ["", '""', '"', "a,b", "x" * 201, "µ"])
def test_a_key_that_is_none_is_refused(client: FlaskClient, key: str) -> None:
    is_problem(ask(client, key, ASKED), 400, "bad-request")


def test_a_refused_request_does_not_use_its_key_up(client: FlaskClient) -> None:
    assert ask(client, "one", {"facts": {"place": "on the moon"}}).status_code == 422
    assert ask(client, "one", ASKED).status_code == 200
    assert json.loads(ask(client, "one", ASKED).data)["action"] == "repair"


# --- advice that was kept -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["text/plain", "text/html"])
def test_an_advice_is_read_again_in_every_form(client: FlaskClient, form: str) -> None:
    first = ask(client, None, ASKED, Accept=form)
    again = client.get(first.headers["Location"], headers={"Accept": form})

    assert (again.status_code, again.mimetype) == (200, form)
    assert again.data == first.data


def test_an_advice_of_another_version_can_still_be_had_as_data(client: FlaskClient, records: Any) -> None:
    first = ask(client, None, ASKED)
    stored = asdict(records.get(first.headers["Location"].rpartition("/")[2]))
    del stored["id"]
    kept = records.save(AdviceRecord(**{**stored, "document": b'{"action":"repair"}'}))

    assert client.get(f"/v1/advice/{kept}").data == b'{"action":"repair"}'
    is_problem(client.get(f"/v1/advice/{kept}", headers={"Accept": "text/plain"}), 409, "conflict")


def test_the_page_shows_one_ticket_when_asked_for(with_office: FlaskClient, delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-7"))
    delivering.deliver(spare(3, "LF-8"))
    page = with_office.get("/deliveries?ticket=LF-8").text

    assert "LF-7" not in page
    assert page.count("<strong>LF-8</strong>") == 1
    assert "Nothing has come of ticket LF-9." in with_office.get("/deliveries?ticket=LF-9").text
