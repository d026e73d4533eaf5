"""Every way of being refused, over every route: one shape, the right status, and nothing stored."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from builders import FixedMethod, a_database_url, an_advice
from flask import Flask
from flask.testing import FlaskClient
from schemas.test_json_text import REFUSED
from sqlalchemy import Engine
from werkzeug.test import EnvironBuilder, TestResponse, run_wsgi_app
from werkzeug.wrappers import Request

from repairadvisor.decision.advice import Advice
from repairadvisor.facts.context import Context
from repairadvisor.schemas.context import MOST_WORDS
from repairadvisor.schemas.problem import ProblemSchema
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from repairadvisor.web.problems import KINDS

ROUTES = {
    "/": {"GET", "HEAD", "OPTIONS", "POST"},
    "/v1/advice": {"OPTIONS", "POST"},
    "/v1/advice/0123456789abcdef0123456789abcdef": {"GET", "HEAD", "OPTIONS"},
    "/v1/trees": {"OPTIONS", "POST"},
    "/v1/deliveries": {"GET", "HEAD", "OPTIONS"},
    "/v1/events/desk": {"OPTIONS", "POST"},
    "/deliveries": {"GET", "HEAD", "OPTIONS"},
    "/v1/facts": {"GET", "HEAD", "OPTIONS"},
    "/v1/policy": {"GET", "HEAD", "OPTIONS"},
    "/policy": {"GET", "HEAD", "OPTIONS"},
    "/health/live": {"GET", "HEAD", "OPTIONS"},
    "/openapi.json": {"GET", "HEAD", "OPTIONS"},
    "/problems/input": {"GET", "HEAD", "OPTIONS"},
}
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "TRACE", "PROPFIND")


def is_problem(response: TestResponse, status: int, slug: str) -> dict[str, Any]:
    """The problem that ``response`` holds, which is of this kind and in the one shape."""
    assert response.status_code == status, response.data
    assert response.mimetype == "application/problem+json"
    found: dict[str, Any] = json.loads(response.data)
    assert list(found) == ["type", "title", "status", "detail", "faults", "cautions"]
    assert ProblemSchema().validate(found) == {}
    assert (found["type"], found["status"]) == (f"/problems/{slug}", status)
    assert found["title"]
    assert found["detail"]
    return found


def post(client: FlaskClient, body: bytes) -> TestResponse:
    return client.post("/v1/advice", data=body, content_type="application/json")


# --- 400: no JSON -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("body", "slug"), REFUSED.values(), ids=REFUSED.keys())
def test_a_body_that_is_no_json_object(client: FlaskClient, records: Records, body: bytes, slug: str) -> None:
    (fault,) = is_problem(post(client, body), 400, slug)["faults"]
    assert fault["slug"] == slug
    assert records.count() == 0


# --- 413: too large -----------------------------------------------------------------------------------------


class _Unread(io.RawIOBase):
    """A body that tells how much of it was read."""

    def __init__(self) -> None:
        self.count = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        self.count += len(buffer)
        return len(buffer)


@pytest.mark.parametrize("length", [1024 * 1024 + 1, 10_000_000, 10**15])
@pytest.mark.parametrize(
    ("route", "content_type"), [("/v1/advice", "application/json"), ("/", "application/x-www-form-urlencoded")]
)
def test_a_body_over_a_mebibyte_is_not_read(
    app: Flask, records: Records, length: int, route: str, content_type: str
) -> None:
    body = _Unread()
    environ = EnvironBuilder(route, method="POST", content_type=content_type).get_environ()
    environ |= {"wsgi.input": body, "CONTENT_LENGTH": str(length)}
    is_problem(TestResponse(*run_wsgi_app(app, environ), request=Request(environ)), 413, "too-large")
    assert body.count == 0
    assert records.count() == 0


# --- 415: wrong media type ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "content_type",
    [
        None,
        "",
        "text/plain",
        "application/x-www-form-urlencoded",
        "application/jsonp",
        "json",
        "application/json; charset=utf-16",
        "application/json; charset=latin-1",
        "application/problem+json",
    ],
)
def test_a_body_of_another_type(client: FlaskClient, content_type: str | None) -> None:
    response = client.post("/v1/advice", data=b'{"facts":{}}', content_type=content_type)
    is_problem(response, 415, "wrong-media-type")
    assert response.headers["Accept-Post"] == "application/json"


@pytest.mark.parametrize("coding", ["gzip", "deflate, gzip", "br", "nonsense", "identity, gzip"])
@pytest.mark.parametrize("path", ["/v1/advice", "/"])
def test_a_body_that_is_packed(client: FlaskClient, path: str, coding: str) -> None:
    asked: dict[str, Any] = {"json": {"facts": {}}} if path == "/v1/advice" else {"data": {"place": "pole_top"}}
    is_problem(client.post(path, **asked, headers={"Content-Encoding": coding}), 415, "wrong-media-type")
    taken = client.post(path, **asked, headers={"Content-Encoding": "identity"})
    assert taken.status_code == (200 if path == "/v1/advice" else 303)  # the desk leads to where it is kept


def test_the_form_takes_only_what_a_form_sends(client: FlaskClient) -> None:
    is_problem(client.post("/", data=b"{}", content_type="application/json"), 415, "wrong-media-type")


# --- 422: facts that cannot be used -------------------------------------------------------------------------

FACTS: list[tuple[dict[str, Any], list[tuple[str, str]]]] = [
    ({"facts": {"plaice": "pole_top"}}, [("unknown-field", "plaice")]),
    ({"facts": {"place": "poletop"}}, [("unknown-word", "place")]),
    ({"facts": {"place": None}}, [("unknown-word", "place")]),
    ({"facts": {"place": 3}}, [("unknown-word", "place")]),
    ({"facts": {"place": []}}, [("wrong-count", "place")]),
    ({"facts": {"place": {}}}, [("no-value", "place")]),
    ({"facts": {"place": {"value": "pole_top", "one_of": ["pole_top"]}}}, [("no-value", "place")]),
    ({"facts": {"place": {"value": "pole_top", "sauce": "caller"}}}, [("unknown-key", "place.sauce")]),
    ({"facts": {"may_climb": 1}}, [("unknown-word", "may_climb")]),
    ({"facts": {"margin_db": "4"}}, [("not-a-number", "margin_db")]),
    ({"facts": {"margin_db": True}}, [("not-a-number", "margin_db")]),
    ({"facts": {"margin_db": 40.1}}, [("out-of-range", "margin_db")]),
    ({"facts": {"margin_db": 10**300}}, [("out-of-range", "margin_db")]),
    ({"facts": {"fibres_down_count": 2.5}}, [("not-whole", "fibres_down_count")]),
    ({"facts": {"spare_near_m": {"value": 3, "unit": "dB"}}}, [("wrong-unit", "spare_near_m")]),
    ({"facts": {"spare_near_m": {"between": [3, 0.5]}}}, [("wrong-order", "spare_near_m.between")]),
    ({"facts": {"place": {"one_of": ["poletop"] * 50_000}}}, [("too-many", "place.one_of")]),
    ({"facts": {"place": [{"one_of": [{}] * 50_000}] * 2}}, [("too-many", "place.one_of")]),
    (
        {"facts": {"place": {"one_of": ["pole_top"] * (MOST_WORDS + 1)}, "moon": 1}},
        [("too-many", "place.one_of"), ("unknown-field", "moon")],
    ),
    ({"facts": {"gas_test_at": "07:00"}}, [("wrong-time", "gas_test_at")]),
    ({"facts": {"place": "pole_top", "depth_m": 2}}, [("contradiction", "depth_m")]),
    (
        {"facts": {"place": "moon", "margin_db": 99}, "now": "noon"},
        [("wrong-time", "now"), ("unknown-word", "place"), ("out-of-range", "margin_db")],
    ),
    ({}, [("missing", "facts")]),
    ({"facts": {}, "record": "no"}, [("wrong-type", "record")]),
    ({"facts": {}, "note": "x"}, [("unknown-field", "note")]),
]


@pytest.mark.parametrize(("body", "expected"), FACTS)
def test_facts_that_cannot_be_used(
    client: FlaskClient, records: Records, body: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    problem = is_problem(post(client, json.dumps(body).encode()), 422, "input")
    assert [(fault["slug"], fault["field"]) for fault in problem["faults"]] == expected
    assert all(fault["allowed"] for fault in problem["faults"])
    assert records.count() == 0


def test_a_fault_names_value_range_and_unit(client: FlaskClient) -> None:
    (fault,) = is_problem(client.post("/v1/advice", json={"facts": {"margin_db": 40.1}}), 422, "input")["faults"]
    assert (fault["value"], fault["allowed"], fault["unit"]) == ("40.1", "-10 to 40", "dB")


def test_a_refusal_keeps_the_cautions_of_the_place(client: FlaskClient) -> None:
    body = {"facts": {"place": "pole_top", "margin_db": 99}}
    cautions = is_problem(client.post("/v1/advice", json=body), 422, "input")["cautions"]
    assert cautions == [caution.text for caution in an_advice().cautions]


def test_what_was_sent_is_not_sent_back_at_length(client: FlaskClient) -> None:
    body = {"facts": {"x" * 100_000: 1, "place": "y" * 100_000}}
    assert len(client.post("/v1/advice", json=body).data) < 4000


def test_more_names_than_there_are_facts(client: FlaskClient) -> None:
    body = {"facts": {f"spare_near_m{number}": 1 for number in range(30_000)}}
    (fault,) = is_problem(client.post("/v1/advice", json=body), 422, "input")["faults"]
    assert fault["slug"] == "too-many"


# --- 404, 405, 406 ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/nothing", "/v1", "/v1/", "/v1/advice/", "/v1/advice/0", "/v1/advice/" + "0" * 32, "/v1/advice/%00",
     "/v1/advice/..%2f..%2fetc", "/v1/facts/", "/problems/none", "/static/none.css",
     "/static/../app.py", "/static/..%2fapp.py", "/V1/facts"],
)  # fmt: skip
def test_nothing_is_there(client: FlaskClient, path: str) -> None:
    is_problem(client.get(path), 404, "not-found")


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("path", ROUTES)
def test_a_method_that_is_not_known_keeps_allow(client: FlaskClient, path: str, method: str) -> None:
    response = client.open(path, method=method)
    if method in ROUTES[path]:
        assert response.status_code != 405
        return
    assert set(response.headers["Allow"].split(", ")) == ROUTES[path]
    if method == "HEAD":
        assert (response.status_code, response.data) == (405, b"")
    else:
        is_problem(response, 405, "method-not-allowed")


@pytest.mark.parametrize("accept", ["image/png", "application/xml, text/csv", "*/*;q=0", "nonsense"])
@pytest.mark.parametrize(
    ("method", "path"),
    [("POST", "/v1/advice"), ("GET", "/v1/advice/" + "0" * 32), ("GET", "/v1/facts"), ("GET", "/health/live"),
     ("GET", "/openapi.json"), ("GET", "/"), ("POST", "/")],
)  # fmt: skip
def test_a_form_that_cannot_be_given(
    client: FlaskClient, records: Records, method: str, path: str, accept: str
) -> None:
    is_problem(client.open(path, method=method, json={"facts": {}}, headers={"Accept": accept}), 406, "not-acceptable")
    assert records.count() == 0


def test_json_alone_is_refused_where_only_a_page_is(client: FlaskClient) -> None:
    is_problem(client.get("/", headers={"Accept": "application/json"}), 406, "not-acceptable")


# --- 500 --------------------------------------------------------------------------------------------------


class _Broken(FixedMethod):
    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        raise RuntimeError("the password is Saltgate")


def test_a_failure_of_ours_gives_nothing_away(tmp_path: Path, records: Records, caplog: Any) -> None:
    app = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(_Broken(an_advice()), records))
    response = app.test_client().post("/v1/advice", json={"facts": {}})
    is_problem(response, 500, "internal")
    assert b"Saltgate" not in response.data
    assert "Saltgate" in caplog.text
    assert records.count() == 0


# --- 503 ----------------------------------------------------------------------------------------------------


def test_records_that_cannot_be_used_are_told_and_advice_can_be_had_without(
    client: FlaskClient, engine: Engine, caplog: Any
) -> None:
    kept = client.post("/v1/advice", json={"facts": {}}).headers["Location"]
    engine.dispose()
    Path(engine.url.database or "").write_bytes(b"spoilt" * 2000)
    refused = [
        client.post("/v1/advice", json={"facts": {}}),
        client.post("/", data={"place": "pole_top"}),
        client.get(kept),
    ]
    for response in refused:
        is_problem(response, 503, "records")
        assert b"database" not in response.data
    assert "file is not a database" in caplog.text
    assert client.post("/v1/advice", json={"facts": {}, "record": False}).status_code == 200


# --- what problems lead to ----------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", KINDS)
def test_the_type_of_each_problem_can_be_looked_up(client: FlaskClient, slug: str) -> None:
    response = client.get(f"/problems/{slug}")
    assert response.status_code == 200
    assert response.get_data(as_text=True).startswith(KINDS[slug].title)


def test_deep_nesting_does_not_reach_the_stack(client: FlaskClient) -> None:
    depth = sys.getrecursionlimit() * 10
    is_problem(post(client, b'{"facts":' * depth + b"1" + b"}" * depth), 400, "too-deep")
