"""The OpenAPI file: up to date, valid, and true of the application."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import schemathesis
from builders import FixedMethod, a_database_url, an_advice
from delivery.desk import Desk
from delivery.office import HandQueue
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis import GenerationMode
from schemathesis.checks import load_all_checks

from repairadvisor.delivery.office import Office
from repairadvisor.facts.vocabulary import BY_NAME, TIME_NAMES
from repairadvisor.plugin.loading import Plugins, Source
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.records import Records
from repairadvisor.web import openapi, operations
from repairadvisor.web.app import create_app

load_all_checks()
DOCUMENT: dict[str, Any] = json.loads(openapi.document_bytes())


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    url = a_database_url(tmp_path_factory.mktemp("records"))
    engine = open_database(url)
    migrate(engine)
    advisor = Advisor(FixedMethod(an_advice()), Records(engine))
    desk = Desk()
    plugins = Plugins(sources={"desk": Source("desk", desk, "desk")}, carriers={"desk": desk})
    office = Office(engine, HandQueue(), advisor, plugins, "")
    yield create_app(Settings(database_url=url), advisor, office)
    engine.dispose()


@pytest.fixture(scope="module")
def published(app: Flask) -> Any:
    return schemathesis.openapi.from_wsgi("/openapi.json", app)


def test_the_committed_file_is_what_the_application_makes() -> None:
    assert openapi.FILE.read_bytes() == openapi.document_bytes(), "python -m repairadvisor.web.openapi --write"


def test_the_application_serves_that_file(app: Flask) -> None:
    assert app.test_client().get("/openapi.json").data == openapi.document_bytes()


def test_the_file_is_valid_openapi_3_1() -> None:
    assert DOCUMENT["openapi"] == "3.1.0"
    assert list(OpenAPIV31SpecValidator(DOCUMENT).iter_errors()) == []


def test_every_route_of_the_application_stands_in_the_file(app: Flask) -> None:
    served = {
        (rule.rule.replace("<", "{").replace(">", "}"), method.lower())
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    for_people = {
        ("/", "get"),
        ("/", "post"),
        ("/facts", "get"),
        ("/static/{path:filename}", "get"),
        ("/deliveries", "get"),
    }
    for_people |= {("/deliveries/{delivery_id}/retry", "post"), ("/policy/compare", "get"), ("/policy", "get")}
    for_people |= {("/workmanship", "get"), ("/pole", "get")}
    for_people |= {(f"/pole/{sent}", "post") for sent in ("found", "otherwise", "reading", "closing")}
    for_people |= {("/cards/{advice_id}", "get"), ("/cards/worker.js", "get")}
    written = {(path, method) for path, operations in DOCUMENT["paths"].items() for method in operations}
    assert served - for_people == written


@pytest.mark.parametrize("name", operations.EXAMPLES)
def test_each_example_is_answered_as_the_file_says(app: Flask, name: str) -> None:
    body = operations.EXAMPLES[name]["value"]
    jsonschema.validate(body, {**DOCUMENT, "$ref": "#/components/schemas/AdviceRequest"})
    response = app.test_client().post("/v1/advice", json=body)
    assert response.status_code == 200
    jsonschema.validate(response.get_json(), {**DOCUMENT, "$ref": "#/components/schemas/Advice"})


@pytest.mark.parametrize("name", operations.EXAMPLES_OF_TREES)
def test_each_example_of_a_tree_is_answered_as_the_file_says(app: Flask, name: str) -> None:
    body = operations.EXAMPLES_OF_TREES[name]["value"]
    jsonschema.validate(body, {**DOCUMENT, "$ref": "#/components/schemas/TreeRequest"})
    response = app.test_client().post("/v1/trees", json=body)
    assert response.status_code == 200
    jsonschema.validate(response.get_json(), {**DOCUMENT, "$ref": "#/components/schemas/Tree"})


@pytest.mark.parametrize("name", operations.EXAMPLES_OF_REPORTS)
def test_each_example_of_a_report_is_answered_as_the_file_says(app: Flask, name: str) -> None:
    client = app.test_client()
    advice = client.post("/v1/advice", json={"facts": {}}).headers["Location"].rpartition("/")[2]
    body = {**operations.EXAMPLES_OF_REPORTS[name]["value"], "advice": advice}
    jsonschema.validate(body, {**DOCUMENT, "$ref": "#/components/schemas/Report"})
    response = client.post("/v1/outcomes", json=body)
    assert response.status_code == 200
    jsonschema.validate(response.get_json(), {**DOCUMENT, "$ref": "#/components/schemas/OutcomeAnswer"})
    known = client.get(f"/v1/advice/{advice}/outcomes").get_json()
    jsonschema.validate(known, {**DOCUMENT, "$ref": "#/components/schemas/WorkSoFar"})


def test_examples_leave_no_records() -> None:
    assert all(example["value"]["record"] is False for example in operations.EXAMPLES.values())


def test_every_fact_stands_in_the_file_with_its_meaning() -> None:
    written = DOCUMENT["components"]["schemas"]["Facts"]["properties"]
    assert set(written) == {*BY_NAME, *TIME_NAMES}
    for name, fact in BY_NAME.items():
        assert fact.meaning in written[name]["description"]


def test_check_and_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(openapi, "FILE", tmp_path / "repairadvisor.json")
    assert openapi.main(["--check"]) == 1
    assert "--write" in capsys.readouterr().err
    assert openapi.main(["--write"]) == 0
    assert openapi.main(["--check"]) == 0
    openapi.FILE.write_text("{}")
    assert openapi.main(["--check"]) == 1


OPERATIONS = [
    pytest.param(path, method, mode, id=f"{method} {path} {mode.value}")
    for path, operations in DOCUMENT["paths"].items()
    for method, operation in operations.items()
    for mode in GenerationMode
    # Where nothing is given, nothing can be given wrongly.
    if mode is GenerationMode.POSITIVE or "requestBody" in operation or "parameters" in operation
]


@pytest.mark.parametrize(("path", "method", "mode"), OPERATIONS)
def test_the_application_does_what_the_file_says(published: Any, path: str, method: str, mode: GenerationMode) -> None:
    operation = published[path][method]

    @settings(max_examples=20, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy(generation_mode=mode))
    def holds(case: Any) -> None:
        # Facts that are right one by one may contradict each other, which no schema can say: then it is 422.
        case.call_and_validate(excluded_checks=[schemathesis.checks.positive_data_acceptance])

    holds()


_WRITTEN = DOCUMENT["components"]["schemas"]


def _right_value(report: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Values that the first, plainest form of a fact permits."""
    form = report["anyOf"][0]
    if "enum" in form:
        return st.sampled_from(form["enum"])
    if form["type"] == "integer":
        return st.integers(int(form["minimum"]), int(form["maximum"]))
    if form["type"] == "number":
        return st.floats(form["minimum"], form["maximum"])
    return st.just("2031-05-04T07:30:00Z")


@settings(max_examples=100, derandomize=True, database=None, deadline=None)
@given(data=st.data(), name=st.sampled_from([*BY_NAME, *TIME_NAMES]))
def test_one_fact_as_the_file_permits_it_is_always_taken(app: Flask, data: st.DataObject, name: str) -> None:
    value = data.draw(_right_value(_WRITTEN[f"fact_{name}"]))
    body = {"facts": {name: value}, "now": "2031-05-04T07:30:00Z", "record": False}
    assert app.test_client().post("/v1/advice", json=body).status_code == 200
