"""Charts at the shell, over HTTP and as a page. What a chart finds is looked at in tests/outcome. No outside source."""

from __future__ import annotations

import functools
import json
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from builders import VOICE, a_database_url
from flask import render_template
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st
from outcome.kept_work import keep
from outcome.recorded_work import BEGAN, fused, light, made

from repairadvisor import cli
from repairadvisor.cli import workmanship as command
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.outcome.workmanship_charts import workmanship_of
from repairadvisor.render.chart_picture import HIGH, WIDE, picture
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.records import Records
from repairadvisor.web import openapi
from repairadvisor.web.app import create_app

SEED = 20310504
SINCE = "2031-03-01T00:00:00Z"
DOCUMENT: dict[str, Any] = json.loads(openapi.document_bytes())
Run = Callable[..., tuple[int, str, str]]


@functools.cache
def compiled() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bad cleaver, a good one, two persons in turn, and a joint of nobody's."""
    found = tmp_path_factory.mktemp("workmanship")
    rng = np.random.default_rng(SEED)
    joints = [
        fused(rng, 1, 2.2 if i % 2 else 1.0, begin=i, cleaver=f"c-{i % 2}", person=f"p-{i // 2 % 2}")[0]
        for i in range(80)
    ]
    records = kept(found)
    keep(records, [*joints, made(90), made(91, None, machine="m-1")], compiled().policy_id)
    return found


def kept(home: Path) -> Records:
    records = open_records(Settings(database_url=a_database_url(home)))
    records.keep_policy(compiled().policy_id, compiled().policy_text)
    return records


@pytest.fixture(scope="module")
def client(home: Path) -> FlaskClient:
    app = create_app(Settings(database_url=a_database_url(home)), Advisor(compiled(), kept(home)))
    return app.test_client()


@pytest.fixture
def run(capfdbinary: Any, monkeypatch: pytest.MonkeyPatch, home: Path) -> Run:
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(home))
    monkeypatch.setattr(command, "prepared_method", lambda *_, **__: compiled())

    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(["workmanship", *arguments])
        out, err = capfdbinary.readouterr()
        return status, out.decode(), err.decode()

    return once


# --- at the shell -------------------------------------------------------------------------------------------------


def test_the_table_names_who_signalled_first_and_what_it_does_not_say(run: Run) -> None:
    status, out, err = run("--since", SINCE)
    assert (status, err) == (0, "")
    assert out.startswith("81 joints in 82 attempts made since 2031-03-01, in 4 charts.\n")
    head, first = out.splitlines()[3:5]
    assert head.split() == ["joints", "last", "one", "more", "less", "signals", "last", "signal"]
    assert first.split()[:2] in (["cleaver", "c-1"], ["person", "p-0"], ["person", "p-1"])
    assert re.search(r"\ncleaver c-1\n  Joints lose more than they should, on average .*\n", out)
    assert "  Usually: blade worn" in out
    assert "What a chart does not say\n  A signal does not say why." in out
    assert "Not in it\n  1: nothing was read of it" in out
    assert "  1: in no chart, since nobody said by whom or with what they were made" in out
    assert re.search(r"^cleaver +c-0 +40 .* none$", out, re.MULTILINE)


def test_as_json_it_is_what_http_gives(run: Run, client: FlaskClient) -> None:
    out = json.loads(run("--since", SINCE, "--json")[1])
    assert out == client.get("/v1/workmanship", query_string={"since": SINCE}).json
    assert out["since"] == "2031-03-01T00:00:00+00:00"


def test_without_records_it_says_so(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(tmp_path))
    status, out, _ = run()
    assert status == 0
    assert out.startswith("0 joints in 0 attempts made since 20")
    assert "What a chart does not say" in out


def test_a_moment_that_is_none_is_refused(run: Run) -> None:
    status, out, err = run("--since", "the spring")
    assert (status, out) == (2, "")
    assert err == "--since = the spring: is no moment; allowed: 2031-05-04T07:30:00Z\n"


# --- over HTTP ----------------------------------------------------------------------------------------------------


def test_the_document_is_as_published(client: FlaskClient) -> None:
    found = client.get("/v1/workmanship", query_string={"since": SINCE}).json
    jsonschema.validate(found, {**DOCUMENT, "$ref": "#/components/schemas/Workmanship"})
    assert {(one["kind"], one["id"]): one["joints"] for one in found["charts"]} == {
        ("cleaver", "c-0"): 40,
        ("cleaver", "c-1"): 40,
        ("person", "p-0"): 40,
        ("person", "p-1"): 40,
    }
    bad = next(one for one in found["charts"] if one["id"] == "c-1")
    assert bad["signals"][0]["side"] == "upper"
    assert bad["signals"][0]["usually"][0].startswith("blade worn")


def test_only_what_was_made_since_is_in_it(client: FlaskClient) -> None:
    late = (BEGAN + timedelta(minutes=15 * 60)).isoformat()
    assert client.get("/v1/workmanship", query_string={"since": late}).json["joints"] == 21
    assert client.get("/v1/workmanship", query_string={"since": "2040-01-01T00:00:00Z"}).json["charts"] == []


@pytest.mark.parametrize(
    ("query", "slug", "field"),
    [
        ("since=yesterday", "wrong-time", "since"),
        ("since=2031-05-04T07:30:00", "wrong-time", "since"),
        ("since=2031-05-04T07:30:00Z&since=2031-05-05T07:30:00Z", "name-twice", "since"),
        ("sinze=2031-05-04T07:30:00Z", "unknown-field", "sinze"),
        ("since=%00", "wrong-time", "since"),
        ("since=", "wrong-time", "since"),
        ("since=9999-99-99T00:00:00Z", "wrong-time", "since"),
    ],
)
@pytest.mark.parametrize("path", ["/v1/workmanship", "/workmanship"])
def test_a_query_that_cannot_be_used_is_refused(
    client: FlaskClient, path: str, query: str, slug: str, field: str
) -> None:
    answer = client.get(f"{path}?{query}")
    assert answer.status_code == 422
    assert [(one["slug"], one["field"]) for one in answer.json["faults"]] == [(slug, field)]


@pytest.mark.parametrize(("path", "accept"), [("/v1/workmanship", "text/html"), ("/workmanship", "application/json")])
def test_another_form_is_not_there(client: FlaskClient, path: str, accept: str) -> None:
    assert client.get(path, headers={"Accept": accept}).status_code == 406


# --- the page -----------------------------------------------------------------------------------------------------


def pictures(page: str) -> list[ET.Element]:
    return [ET.fromstring(one) for one in re.findall(r"<svg.*?</svg>", page, re.DOTALL)]


def test_the_page_shows_each_chart_with_its_words(client: FlaskClient) -> None:
    page = client.get("/workmanship", query_string={"since": SINCE}).text
    drawn = pictures(page)
    assert len(drawn) == 4
    for one in drawn:
        title, said = (one.find(name) for name in ("title", "desc"))
        assert one.get("role") == "img"
        assert one.get("aria-labelledby") == f"{title.get('id')} {said.get('id')}"
        assert "Control chart of" in title.text
        assert "stands at" in said.text
        lines = one.findall("polyline")
        assert [line.get("stroke-dasharray") for line in lines] == [None, "7 5"]  # told apart without a colour
        assert "style" not in one.attrib  # nothing that the page's own rules would forbid
    assert len(set(re.findall(r'id="([^"]+)"', page))) == len(re.findall(r'id="[^"]+"', page))
    assert "What a chart does not say" in page
    assert page.index("Cleaver <code>c-1</code>") < page.index("Cleaver <code>c-0</code>")
    assert "it signalled that they lose more" in page


def test_what_a_report_calls_somebody_is_text_on_the_page(tmp_path: Path) -> None:
    """Ids are pseudonyms; should one ever be something else, it stays text."""
    chart = workmanship_of([made(0, machine="m.1")], light()).charts[0]
    app = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(compiled(), kept(tmp_path)))
    wild = "<script>alert(1)</script>"
    with app.test_request_context():
        odd = replace(chart, id=wild)
        found = replace(workmanship_of([], light()), charts=(odd,))
        page = render_template(
            "workmanship.html",
            found=found,
            since=BEGAN,
            signalled=[],
            silent=[(odd, picture(odd, 5.0, VOICE))],
            wide=WIDE,
            high=HIGH,
        )
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_without_records_the_page_says_so(tmp_path: Path) -> None:
    app = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(compiled(), kept(tmp_path)))
    page = app.test_client().get("/workmanship").text
    assert "nobody has reported a joint with its machine, cleaver or person" in page
    assert "<svg" not in page


def test_a_service_that_keeps_nothing_has_no_charts(tmp_path: Path) -> None:
    app = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(compiled(), None))
    assert app.test_client().get("/v1/workmanship").json["charts"] == []


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-0.15, 20.0), min_size=1, max_size=40))
def test_all_of_a_chart_is_inside_its_picture(losses: list[float]) -> None:
    joints = [made(i, loss, machine="m-1") for i, loss in enumerate(losses)]
    (chart,) = workmanship_of(joints, light()).charts
    drawn = picture(chart, 5.0, VOICE)
    for line, upwards in ((drawn.upper, True), (drawn.lower, False)):
        points = [tuple(map(float, one.split(","))) for one in line.split()]
        assert len(points) == max(2, len(losses))
        assert all(0 <= x <= WIDE and 0 <= y <= HIGH for x, y in points)
        assert all(y <= drawn.middle_y if upwards else y >= drawn.middle_y for _, y in points)
    assert drawn.level_up_y < drawn.middle_y < drawn.level_down_y
    assert len(drawn.marks) == sum(bool(one.signal) for one in chart.points)
    for mark in drawn.marks:  # a signal lies beyond its level
        assert mark.y <= drawn.level_up_y or mark.y >= drawn.level_down_y
