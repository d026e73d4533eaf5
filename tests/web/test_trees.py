"""The tree of questions over HTTP: what the shell prints, whole or refused."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from builders import FixedMethod, a_database_url, a_tree, an_advice
from flask.testing import FlaskClient

from repairadvisor import cli
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.schemas.fault_tree import TreeSchema, tree_bytes
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from repairadvisor.web.operations import EXAMPLES_OF_TREES
from web.test_refusals import is_problem

ASKED: dict[str, Any] = {"facts": {"place": "pole_top"}, "now": "2031-05-04T07:30:00+00:00"}
QUESTIONS = "questions one after the other"


@pytest.fixture(scope="module")
def shipped() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


def client_of(method: PreparedMethod, folder: Path, **more: int) -> FlaskClient:
    """An application that can keep nothing, over a method."""
    return create_app(Settings(database_url=a_database_url(folder), **more), Advisor(method, None)).test_client()


def nodes_of(node: dict[str, Any]) -> int:
    return 1 + sum(nodes_of(branch["node"]) for branch in node["branches"])


def told_on_the_ways(node: dict[str, Any], told: dict[str, Any]) -> list[tuple[dict[str, Any], int]]:
    if node["advice"] is not None:
        return [(told, node["advice"])]
    return [way for one in node["branches"] for way in told_on_the_ways(one["node"], {**told, **one["told"]})]


def test_a_tree_comes_back_as_its_json_and_nothing_is_kept(client: FlaskClient, records: Records) -> None:
    given = client.post("/v1/trees", json=ASKED)
    assert given.status_code == 200
    assert given.mimetype == "application/json"
    assert "Location" not in given.headers
    assert given.data == tree_bytes(a_tree(an_advice(facts_used=())))
    assert TreeSchema().validate(given.get_json()) == {}
    assert records.count() == 0


def test_without_a_depth_questions_are_asked_and_with_none_there_is_the_advice_alone(client: FlaskClient) -> None:
    assert client.post("/v1/trees", json=ASKED).get_json()["root"]["question"] is not None
    assert client.post("/v1/trees", json={**ASKED, "depth": 0}).get_json()["root"]["question"] is None


@pytest.mark.parametrize(
    ("depth", "slug"),
    [(7, "out-of-range"), (-1, "out-of-range"), (1000, "out-of-range"), (2.5, "not-whole"), ("3", "not-whole"),
     (True, "not-whole"), (None, "not-whole"), ([], "not-whole")],
)  # fmt: skip
def test_a_depth_that_cannot_be_used_is_refused_by_field_value_range_and_unit(
    client: FlaskClient, depth: object, slug: str
) -> None:
    problem = is_problem(client.post("/v1/trees", json={**ASKED, "depth": depth}), 422, "input")
    (fault,) = problem["faults"]
    assert (fault["slug"], fault["field"], fault["allowed"], fault["unit"]) == (slug, "depth", "0 to 6", QUESTIONS)
    assert fault["value"] == (depth if isinstance(depth, str) else repr(depth))
    assert problem["cautions"] == [caution.text for caution in an_advice().cautions]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({}, [("missing", "facts")]),
        ({"facts": {"place": "moon"}, "depth": 9}, [("out-of-range", "depth"), ("unknown-word", "place")]),
        ({"facts": {"margin_db": 99}, "now": "noon"}, [("wrong-time", "now"), ("out-of-range", "margin_db")]),
        ({"facts": {}, "record": False}, [("unknown-field", "record")]),
        ({"facts": {}, "issued_plan": "fuse it"}, [("unknown-field", "issued_plan")]),
    ],
)
def test_everything_wrong_is_said_at_once(
    client: FlaskClient, body: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    faults = is_problem(client.post("/v1/trees", json=body), 422, "input")["faults"]
    assert [(fault["slug"], fault["field"]) for fault in faults] == expected
    assert all(fault["allowed"] for fault in faults)


def test_a_tree_is_json_only_and_asked_for_in_json_only(client: FlaskClient) -> None:
    is_problem(client.post("/v1/trees", json=ASKED, headers={"Accept": "text/html"}), 406, "not-acceptable")
    is_problem(client.post("/v1/trees", data={"place": "pole_top"}), 415, "wrong-media-type")
    is_problem(client.post("/v1/trees", data=b"[", content_type="application/json"), 400, "not-json")
    is_problem(client.post("/v1/trees", json=ASKED, headers={"Origin": "https://elsewhere.example"}), 403, "cross-site")


# --- with the method that ships ----------------------------------------------------------------------------------


def test_it_is_what_the_shell_prints_and_its_ends_are_what_the_service_says(
    shipped: PreparedMethod, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: Any
) -> None:
    monkeypatch.setattr(cli.tree, "prepared_method", lambda *_, **__: shipped)
    body = EXAMPLES_OF_TREES["pulled_plug"]["value"]
    (tmp_path / "fault.json").write_text(json.dumps(body), encoding="utf-8")
    assert cli.main(["tree", "--json", str(tmp_path / "fault.json")]) == 0
    printed, _ = capfdbinary.readouterr()
    client = client_of(shipped, tmp_path)
    given = client.post("/v1/trees", json=body)
    assert given.data + b"\n" == printed
    found = given.get_json()
    assert TreeSchema().validate(found) == {}
    ways = told_on_the_ways(found["root"], body["facts"])
    assert len(ways) > 2
    for told, place in ways:
        said = client.post("/v1/advice", json={"facts": told, "now": body["now"], "record": False}).get_json()
        assert {**said, "facts_used": []} == found["advice"][place]


def test_a_tree_of_more_nodes_than_are_allowed_is_refused_and_one_of_just_as_many_is_not(
    shipped: PreparedMethod, tmp_path: Path
) -> None:
    body = EXAMPLES_OF_TREES["pulled_plug"]["value"]
    whole = client_of(shipped, tmp_path).post("/v1/trees", json=body)
    nodes = nodes_of(whole.get_json()["root"])
    assert nodes > 3
    assert client_of(shipped, tmp_path, tree_nodes=nodes).post("/v1/trees", json=body).data == whole.data
    client = client_of(shipped, tmp_path, tree_nodes=nodes - 1)
    problem = is_problem(client.post("/v1/trees", json=body), 422, "input")
    (fault,) = problem["faults"]
    assert (fault["slug"], fault["field"], fault["value"], fault["unit"]) == ("too-many", "depth", "2", QUESTIONS)
    assert f"more than {nodes - 1} nodes" in fault["problem"]
    assert "less depth" in fault["allowed"]
    assert "more facts" in fault["allowed"]
    assert problem["cautions"]
    assert client.post("/v1/trees", json={**body, "depth": 0}).status_code == 200


def test_a_shell_waits_for_as_many_nodes_as_there_are(
    shipped: PreparedMethod, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: Any
) -> None:
    monkeypatch.setattr(cli.tree, "prepared_method", lambda *_, **__: shipped)
    monkeypatch.setenv("REPAIRADVISOR_TREE_NODES", "1")
    facts = EXAMPLES_OF_TREES["pulled_plug"]["value"]["facts"]
    words = [f"{name}={value}" for name, value in facts.items()]
    assert cli.main(["tree", "--json", "--depth", "1", "--now", "2031-05-04T07:30:00Z", *words]) == 0
    printed, _ = capfdbinary.readouterr()
    assert nodes_of(json.loads(printed)["root"]) > 1


def test_a_depth_in_a_file_counts_at_the_shell_and_the_option_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: Any
) -> None:
    monkeypatch.setattr(cli.tree, "prepared_method", lambda *_, **__: FixedMethod(an_advice()))
    (tmp_path / "fault.json").write_text(json.dumps({**ASKED, "depth": 0}), encoding="utf-8")
    for words, asks in (([], False), (["--depth", "1"], True)):
        assert cli.main(["tree", "--json", *words, str(tmp_path / "fault.json")]) == 0
        printed, _ = capfdbinary.readouterr()
        assert (json.loads(printed)["root"]["question"] is not None) is asks
