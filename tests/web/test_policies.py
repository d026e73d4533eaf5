"""The page on which two policies are compared: kept ones only, refusals as problems, nothing shown as markup."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest
from builders import a_database_url
from flask.testing import FlaskClient

from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.policy.canonical import canonical_text, plain_of
from repairadvisor.policy.load import load_canonical
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app

from .test_refusals import is_problem

EVIL = "<script>alert(1)</script>"
JOB = {
    "facts": {"place": "pole_top", "fault_seen": "cut", "danger_seen": "none", "lightning": "within_30_s"},
    "now": "2031-05-04T07:30:00Z",
}


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> tuple[FlaskClient, Records, str]:
    """An application over the policy that ships, a recorded advice, and another policy with some evil words."""
    folder: Path = tmp_path_factory.mktemp("policies")
    settings = Settings(database_url=a_database_url(folder), cache=cache_folder(os.environ))
    records = open_records(settings)
    method: PreparedMethod = prepared_method(settings.cache, records)
    raw: Any = plain_of(method.policy.canonical)
    for row in raw["kit.toml"]["item"]:
        row["name"] = EVIL + row["id"]
    text = raw["screens_safety.toml"]["screen"]
    for row in text:
        row["because"] = EVIL
        row["not_before"] = EVIL if row.get("not_before") else ""
    other = load_canonical(canonical_text(raw))
    records.keep_policy(other.id, other.canonical)
    client = create_app(settings, Advisor(method, records)).test_client()
    assert client.post("/v1/advice", json=JOB).status_code == 200
    return client, records, other.id


def test_the_form_offers_the_kept_policies_and_compares_nothing(opened: tuple[FlaskClient, Records, str]) -> None:
    client, records, other = opened
    page = client.get("/policy/compare")
    assert (page.status_code, page.mimetype) == (200, "text/html")
    assert re.findall(r'<option value="([0-9a-f]{64})"', page.text) == records.policy_ids() * 2
    assert other in records.policy_ids()
    assert "The new policy" not in page.text


def test_two_kept_policies_are_compared_and_nothing_of_them_becomes_markup(
    opened: tuple[FlaskClient, Records, str],
) -> None:
    client, records, other = opened
    in_force = next(one for one in records.policy_ids() if one != other)
    page = client.get(f"/policy/compare?with={in_force}&policy={other}&records=3")
    assert page.status_code == 200, page.text
    assert "The new policy changes none of 1 answers." in page.text
    assert "On what the last advice was asked about." in page.text
    assert "<script" not in page.text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page.text  # a thing to load has that name
    assert records.count() == 1


@pytest.mark.parametrize(
    ("query", "status", "slug"),
    [
        ("with=" + "0" * 64, 404, "not-found"),
        ("with=../../etc", 404, "not-found"),
        ("with=/etc", 404, "not-found"),
        (f"with={EVIL}", 404, "not-found"),
        ("with=&policy=&records=0", 422, "input"),
        ("records=51", 422, "input"),
        ("records=ten", 422, "input"),
        ("records=%D9%A3", 422, "input"),
        ("colour=red", 422, "input"),
        ("with=a&with=b", 422, "input"),
    ],
)
def test_what_cannot_be_used_is_a_problem(
    opened: tuple[FlaskClient, Records, str], query: str, status: int, slug: str
) -> None:
    answer = opened[0].get(f"/policy/compare?{query}")
    is_problem(answer, status, slug)
    assert EVIL not in json.loads(answer.data)["detail"]


def test_a_folder_is_never_read_for_the_page(opened: tuple[FlaskClient, Records, str], tmp_path: Path) -> None:
    is_problem(opened[0].get(f"/policy/compare?with={tmp_path}"), 404, "not-found")


def test_a_kept_policy_that_cannot_be_used_is_a_conflict(opened: tuple[FlaskClient, Records, str]) -> None:
    client, records, _ = opened
    policy_id = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"  # SHA-256 of {}
    records.keep_policy(policy_id, b"{}")
    is_problem(client.get(f"/policy/compare?with={policy_id}"), 409, "conflict")
