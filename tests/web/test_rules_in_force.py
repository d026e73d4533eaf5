"""The rules in force, as a page and as JSON."""

from __future__ import annotations

import gzip
import re
from dataclasses import dataclass
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from builders import FixedMethod, a_database_url, a_rule_in_force, an_advice
from flask.testing import FlaskClient

from repairadvisor.decision.rules_in_force import RulesInForce, rules_in_force
from repairadvisor.methods import default_policy
from repairadvisor.policy.model import SCREEN_KINDS
from repairadvisor.render.rule_kinds import KINDS
from repairadvisor.schemas.rules_in_force import RulesInForceSchema
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app


@dataclass(frozen=True)
class Showing(FixedMethod):
    """A method whose policy is shown so."""

    shown: RulesInForce | None = None

    def rules_in_force(self) -> RulesInForce:
        return self.shown or a_rule_in_force(self.policy_id)


class _Page(HTMLParser):
    """Tags, ids, inner links and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.inner: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        self.ids += [said["id"]] if "id" in said else []
        self.inner += [said["href"][1:]] if said.get("href", "").startswith("#") else []

    def handle_data(self, data: str) -> None:
        self.text += data


def _client(tmp_path: Path, records: Records, shown: RulesInForce) -> FlaskClient:
    advisor = Advisor(Showing(an_advice(), shown=shown), records)
    return create_app(Settings(database_url=a_database_url(tmp_path)), advisor).test_client()


@pytest.fixture(scope="module")
def shipped() -> RulesInForce:
    return rules_in_force(default_policy())


def test_the_route_gives_what_its_schema_says(client: FlaskClient) -> None:
    response = client.get("/v1/policy")
    assert response.status_code == 200
    found: dict[str, Any] = response.get_json()
    assert RulesInForceSchema().validate(found) == {}
    (rule,) = found["rules"]
    assert rule["bars_when"] == "time since the last thunder is below 30 min"
    assert rule["examples"][0] == {"shows": "bars", "facts": "time since the last thunder: 10 min"}
    assert found["figures"][0]["value"] == 30.0


def test_every_rule_and_number_of_the_policy_that_ships_is_in_both(
    tmp_path: Path, records: Records, shipped: RulesInForce
) -> None:
    client = _client(tmp_path, records, shipped)
    found = client.get("/v1/policy").get_json()
    assert RulesInForceSchema().validate(found) == {}
    page = _Page(client.get("/policy").get_data(as_text=True))
    text = " ".join(page.text.split())
    assert len(found["rules"]) == len(shipped.rules) > 100
    for rule in shipped.rules:
        assert f"rule-{rule.id}" in page.ids
        for said in (rule.because, rule.bars_when, rule.source, *(one.facts for one in rule.examples)):
            assert " ".join(said.split()) in text
    for figure in shipped.figures:
        assert figure.name in text
        assert " ".join(f"{figure.value:g} {figure.unit}".split()) in text
    assert len(page.ids) == len(set(page.ids))
    assert set(page.inner) <= set(page.ids)


def test_every_kind_of_rule_has_a_heading() -> None:
    assert set(KINDS) == set(SCREEN_KINDS)


def test_what_a_policy_says_is_shown_as_text_only(tmp_path: Path, records: Records) -> None:
    bad = '"><script>alert(1)</script><b>'
    shown = a_rule_in_force("0" * 64, id=bad, because=bad, bars_when=bad, source=bad, lifted_by=bad, call=(bad,))
    html = _client(tmp_path, records, shown).get("/policy").get_data(as_text=True)
    page = _Page(html)
    assert "<script" not in html
    assert not {"script", "b"} & set(page.tags)
    assert unescape(html).count(bad) >= 6


def test_the_page_needs_no_script_and_is_guarded(client: FlaskClient) -> None:
    response = client.get("/policy")
    html = response.get_data(as_text=True)
    assert response.status_code == 200
    assert response.mimetype == "text/html"
    assert "script-src" not in response.headers["Content-Security-Policy"]
    assert "default-src 'none'" in response.headers["Content-Security-Policy"]
    assert not {"script", "style", "iframe", "object"} & set(_Page(html).tags)
    assert " style=" not in html
    assert not re.search(r"<[^>]*\son\w+=", html)


@pytest.mark.parametrize(("path", "form"), [("/policy", "application/json"), ("/v1/policy", "text/html")])
def test_another_form_is_refused(client: FlaskClient, path: str, form: str) -> None:
    assert client.get(path, headers={"Accept": form}).status_code == 406


def test_the_first_page_leads_there(client: FlaskClient) -> None:
    html = client.get("/").get_data(as_text=True)
    assert 'href="/policy"' in html
    assert 'href="/v1/policy"' in html


def test_rules_are_read_in_feet_and_the_policys_numbers_as_it_has_them(
    shipped: RulesInForce, tmp_path: Path, records: Records
) -> None:
    service = Advisor(Showing(an_advice(), shown=shipped), records, "feet")
    page = create_app(Settings(database_url=a_database_url(tmp_path)), service).test_client().get("/policy").text
    rules, _, numbers = page.partition('id="numbers"')
    spoken = re.sub(r'<p class="when">.*?</p>', "", unescape(rules), flags=re.DOTALL)
    metric = re.compile(r"\d (?:m|km|°C|m/s)(?![\w/²])")
    assert metric.search(" ".join(rule.bars_when for rule in shipped.rules))
    assert metric.findall(spoken.partition('id="claims"')[0]) == []
    assert metric.search(numbers)


def test_the_page_is_packed_for_whoever_can_unpack_it(tmp_path: Path, records: Records) -> None:
    client = _client(tmp_path, records, rules_in_force(default_policy()))
    plain, packed = client.get("/policy"), client.get("/policy", headers={"Accept-Encoding": "gzip, br"})
    refused = client.get("/policy", headers={"Accept-Encoding": "gzip;q=0"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data == refused.data
    assert len(packed.data) < 60_000 < len(plain.data)
    for response in (plain, packed):
        assert "Accept-Encoding" in response.headers["Vary"]
        assert int(response.headers["Content-Length"]) == len(response.data)
    assert "Content-Encoding" not in plain.headers
