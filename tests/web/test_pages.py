"""The first page: a form of a few facts, and the advice on them."""

from __future__ import annotations

import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from builders import FixedMethod, a_database_url, an_advice
from flask.testing import FlaskClient

from repairadvisor.facts.vocabulary import BY_NAME, FIRST_ASKED
from repairadvisor.render import terminal
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app


class _Page(HTMLParser):
    """What a browser would find: fields with their choices, labels, the text in <pre>, links."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.fields: dict[str, list[str]] = {}
        self.labels: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.pre = ""
        self.selected: dict[str, str] = {}
        self._field = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        said = {name: value or "" for name, value in attrs}
        if tag in ("select", "input"):
            self._field = said["name"]
            self.fields[self._field] = []
            if said.get("value"):
                self.selected[self._field] = said["value"]
        elif tag == "option":
            self.fields[self._field].append(said["value"])
            if "selected" in said:
                self.selected[self._field] = said["value"]
        elif tag == "label":
            self.labels.append(said["for"])
        elif tag == "a":
            self.links.append(said["href"])

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1] == "pre":
            self.pre += data


def test_the_form_asks_the_first_facts_from_the_table(client: FlaskClient) -> None:
    page = _Page(client.get("/").get_data(as_text=True))
    assert list(page.fields) == page.labels == list(FIRST_ASKED)
    for name, choices in page.fields.items():
        assert choices == (["", *BY_NAME[name].words] if BY_NAME[name].words else [])
    assert {"/v1/facts", "/openapi.json"} <= set(page.links)


def test_every_link_of_the_page_leads_somewhere(client: FlaskClient) -> None:
    given = client.post("/", data={"place": "pole_top"}).get_data(as_text=True)
    for link in {*_Page(client.get("/").get_data(as_text=True)).links, *_Page(given).links, "/static/page.css"}:
        with client.get(link) as response:
            assert response.status_code == 200


def test_the_advice_is_shown_as_text_and_kept(client: FlaskClient, records: Records) -> None:
    response = client.post(
        "/", data={"place": "pole_top", "spare_near_m": "0.5..3 m", "margin_db": "", "precipitation": ""}
    )
    assert response.status_code == 200
    page = _Page(response.get_data(as_text=True))
    (kept,) = records.latest(2)
    assert page.pre.splitlines()[:2] == terminal.render(an_advice()).splitlines()[:2]
    assert f"/v1/advice/{kept.id}" in page.links
    assert set(json.loads(kept.facts)) == {"place", "spare_near_m"}


def test_what_is_wrong_is_said_on_the_page_and_what_was_typed_stays(client: FlaskClient, records: Records) -> None:
    response = client.post("/", data={"place": "pole_top", "margin_db": "99", "spare_near_m": "two"})
    assert response.status_code == 422
    text = response.get_data(as_text=True)
    page = _Page(text)
    assert "margin_db = 99.0: is out of range; allowed: -10 to 40 (dB)" in unescape(text)
    assert page.selected == {"place": "pole_top", "margin_db": "99", "spare_near_m": "two"}
    assert "Caution: " + an_advice().cautions[0].text in unescape(text)
    assert records.count() == 0


@pytest.mark.parametrize(
    "body",
    ["place=pole_top&place=chamber", "colour=blue", "margin_db=nan", "margin_db=1_0", "margin_db=%00", "place=%ff"],
)
def test_a_form_that_no_browser_sends_is_refused(client: FlaskClient, records: Records, body: str) -> None:
    response = client.post("/", data=body, content_type="application/x-www-form-urlencoded")
    assert response.status_code == 422
    assert records.count() == 0


@pytest.mark.parametrize("field", ["place", "margin_db", "<b>colour</b>"])
def test_what_was_typed_is_shown_as_text_only(client: FlaskClient, field: str) -> None:
    response = client.post("/", data={field: '"><script>alert(1)</script>'})
    assert response.status_code == 422
    assert "<script" not in response.get_data(as_text=True)
    assert "<b>" not in response.get_data(as_text=True)


def test_the_advice_is_shown_as_text_only(tmp_path: Path, records: Records) -> None:
    advice = an_advice(say="Stay <script>alert(1)</script> & wait.")
    app = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(FixedMethod(advice), records))
    text = app.test_client().post("/", data={"place": ""}).get_data(as_text=True)
    assert "<script" not in text
    assert "Stay <script>alert(1)</script> & wait." in _Page(text).pre


@pytest.mark.parametrize("origin", ["http://localhost", None])
def test_the_form_is_taken_from_this_site(client: FlaskClient, origin: str | None) -> None:
    headers = {"Origin": origin} if origin else {}
    assert client.post("/", data={"place": ""}, headers=headers).status_code == 200


@pytest.mark.parametrize("path", ["/", "/v1/facts", "/nothing", "/static/page.css"])
def test_every_answer_is_guarded(client: FlaskClient, path: str) -> None:
    with client.get(path) as response:
        policy = response.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "script-src" not in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert response.headers["X-Content-Type-Options"] == "nosniff"


def test_no_page_holds_a_script_or_a_style_of_its_own(client: FlaskClient) -> None:
    for text in (client.get("/").get_data(as_text=True), client.post("/", data={"place": ""}).get_data(as_text=True)):
        assert not {"script", "style", "iframe", "object"} & set(_Page(text).tags)
        assert " style=" not in text
        assert not re.search(r"<[^>]*\son\w+=", text)
