"""The card's page over HTTP: while it is made, once it is there, what it may do, and what it weighs."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import orjson
import pytest
from builders import an_advice
from flask import Flask
from flask.testing import FlaskClient

from repairadvisor.card_making import TooManyCardsError
from repairadvisor.decision.fault_tree import Node, Tree
from repairadvisor.policy.load import parsed
from repairadvisor.render.card_data import card_data
from repairadvisor.render.pocket_card import Dress, render
from repairadvisor.store.policy_files import default_texts
from repairadvisor.web import cards
from repairadvisor.web.cards import CARD_MAKING
from repairadvisor.web.words import VOICE

WORDS = parsed("surfaces.toml", default_texts()["surfaces.toml"])["card"]
STATIC = Path(cards.__file__).parent / "static"
#: The most that a card may weigh, bytes.
LIGHT = 100_000


@pytest.fixture
def advice_id(client: FlaskClient) -> str:
    found = client.post("/v1/advice", json={"facts": {"place": "pole_top"}}).headers["Location"]
    return found.rpartition("/")[2]


@pytest.fixture
def card(app: Flask, client: FlaskClient, advice_id: str) -> str:
    """The address of a card that is made."""
    app.extensions[CARD_MAKING].make(advice_id, datetime.now(UTC))
    return f"/cards/{advice_id}"


def test_while_it_is_made_the_page_says_so_and_looks_again(
    app: Flask, client: FlaskClient, advice_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    making = app.extensions[CARD_MAKING]
    monkeypatch.setattr(making, "card", lambda _: None)
    monkeypatch.setattr(making, "waiting", lambda: 5)
    answer = client.get(f"/cards/{advice_id}")
    assert answer.status_code == 202
    assert answer.headers["Refresh"] == "15"  # the later, the more cards wait
    assert WORDS["being_made"] in answer.text
    assert "script" not in answer.text
    assert "script-src" not in answer.headers["Content-Security-Policy"]


def test_where_too_many_wait_the_page_says_so_and_when_to_come_again(
    app: Flask, client: FlaskClient, advice_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_: str) -> None:
        raise TooManyCardsError

    monkeypatch.setattr(app.extensions[CARD_MAKING], "card", refused)
    answer = client.get(f"/cards/{advice_id}")
    assert answer.status_code == 503
    assert int(answer.headers["Retry-After"]) > 0
    assert "Refresh" not in answer.headers
    assert WORDS["many"] in html.unescape(answer.text)


def test_the_card_may_run_its_own_script_and_nothing_else(client: FlaskClient, card: str) -> None:
    answer = client.get(card)
    assert answer.status_code == 200
    policy = answer.headers["Content-Security-Policy"]
    assert re.search(r"script-src 'sha256-[^']+';", policy)
    assert re.search(r"style-src 'sha256-[^']+';", policy)
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert not re.search("unsafe|http|\\*", policy)
    assert not re.search(r"<(link|img|iframe|object)\b|\bsrc=|https?://", answer.text)


def the_text(page: str) -> str:
    """The card as text, as it stands there without a script."""
    found = re.search(r'<article id="paper">(.*)</article>', page, re.DOTALL)
    assert found is not None
    return html.unescape(found[1])


@pytest.mark.parametrize(
    ("changes", "holds"),
    [
        ({}, True),
        ({"valid_until": "2031-05-04T09:00:00+00:00"}, True),
        ({"valid_until": "2031-05-04T08:00:00+00:00"}, False),
        ({"policy": "0" * 64}, False),
    ],
)
def test_without_a_script_a_card_that_does_not_hold_permits_nothing_either(
    app: Flask, changes: dict[str, str], holds: bool
) -> None:
    method = app.extensions["repairadvisor"].method
    advice = replace(an_advice(policy=method.policy_id, valid_until=""), **changes)
    card = card_data("0" * 32, advice, Tree(Node(None, (), 0), (advice,)), (), app.extensions[VOICE])
    at = datetime(2031, 5, 4, 8, 0, tzinfo=UTC)
    text = the_text(render(card, app.extensions[VOICE], Dress("", ""), method.policy_id, at).html)
    assert advice.plan is not None
    permits = [advice.plan.phrase, *(one.text for one in advice.steps)]
    permits += [one.not_before for one in advice.checks_on_arrival]
    assert [one in text for one in permits] == [holds] * len(permits)
    assert f'<p class="run-out"{" hidden" if holds else ""}>' in text
    standing = f"<p>{WORDS['script']['make_safe']}</p>"
    assert (standing in text) is not holds
    assert [one.text for one in advice.cautions if one.text not in text] == []
    assert [one for one in advice.call if one not in text] == []


def test_every_other_page_keeps_the_policy_of_the_site(client: FlaskClient, card: str) -> None:
    for address in ("/", "/policy", card.replace("/cards/", "/v1/advice/")):
        policy = client.get(address, headers={"Accept": "text/html"}).headers["Content-Security-Policy"]
        assert "script" not in policy
        assert "connect" not in policy


def test_the_worker_serves_the_cards_and_asks_this_service_alone(client: FlaskClient) -> None:
    answer = client.get("/cards/worker.js")
    assert answer.mimetype == "text/javascript"
    assert answer.headers["Service-Worker-Allowed"] == "/cards/"
    assert answer.headers["Content-Security-Policy"] == "default-src 'none'; connect-src 'self'"
    assert client.get("/cards/worker.js", headers={"If-None-Match": answer.headers["ETag"]}).status_code == 304


def test_as_json_a_card_says_until_when_it_holds_and_which_rules_are_in_force(
    app: Flask, client: FlaskClient, card: str
) -> None:
    found = client.get(card, headers={"Accept": "application/json"}).get_json()
    assert set(found) == {"id", "policy", "policy_in_force", "valid_until", "now"}
    assert found["policy_in_force"] == app.extensions["repairadvisor"].method.policy_id
    assert abs((datetime.fromisoformat(found["now"]) - datetime.now(UTC)).total_seconds()) < 60


@pytest.mark.parametrize("unknown", ["0" * 32, "x", "worker.css"])
@pytest.mark.parametrize("form", ["text/html", "application/json"])
def test_without_an_advice_there_is_no_card(client: FlaskClient, unknown: str, form: str) -> None:
    assert client.get(f"/cards/{unknown}", headers={"Accept": form}).status_code == 404


def test_the_page_of_a_kept_advice_leads_to_its_card(client: FlaskClient, advice_id: str) -> None:
    page = client.get(f"/v1/advice/{advice_id}", headers={"Accept": "text/html"}).text
    assert f'href="/cards/{advice_id}"' in page


def test_a_card_weighs_less_than_it_may(client: FlaskClient, card: str) -> None:
    assert len(client.get(card).data) < LIGHT


def test_every_word_of_the_script_is_there_and_every_word_there_is_shown() -> None:
    written = "".join((STATIC / name).read_text(encoding="utf-8") for name in cards.SCRIPTS)
    shown = set(re.findall(r"\bwords\.(\w+)", written))
    #: Words that go by a value: a verdict, a way of reading, a state.
    by_value = {
        *("verdict_accept", "verdict_redo", "verdict_escalate", "verdict_withheld"),
        *("both_ways_db", "from_near_db", "from_far_db", "passed", "failed_pull", "unknown"),
        *("clean", "dirty", "damaged", "not_looked", "gone", "expired", "other_policy", "wrong_clock"),
    }
    #: How a number is written belongs to no surface alone.
    assert shown | by_value == {*WORDS["script"], "point", "minus"}
    assert all(f'"{name}"' in written or name.startswith("verdict_") or name == "unknown" for name in by_value)


def test_no_sentence_stands_in_the_script() -> None:
    for name in (*cards.SCRIPTS, "card_worker.js"):
        texts = re.findall(r'"([^"\n]*)"|`([^`\n]*)`', (STATIC / name).read_text(encoding="utf-8"))
        sentences = [
            one or other for one, other in texts if re.search(r"[A-Za-z]{2,} [a-z]{2,} [a-z]{2,}", one or other)
        ]
        assert sentences == []


def test_text_goes_in_as_text() -> None:
    for name in cards.SCRIPTS:
        written = (STATIC / name).read_text(encoding="utf-8")
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function", written)


def test_the_data_hold_what_the_card_holds_and_end_nowhere_before_their_end(
    app: Flask, client: FlaskClient, card: str, share: Callable[[int, int, int], int]
) -> None:
    page = client.get(card).text
    plain = re.findall(r'<script type="application/json" id="(?:head|data)">(.*?)</script>', page, re.DOTALL)
    assert len(plain) == 2
    found = orjson.loads(plain[0]) | orjson.loads(plain[1])
    kept = app.extensions[CARD_MAKING].card(card.rpartition("/")[2])
    assert {name: found[name] for name in kept} == kept
