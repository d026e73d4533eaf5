"""Whole jobs walked at the pole under the policy that ships: nothing is missing, nothing stands out of its order, and
what has grown old permits nothing.

What is expected of a walk is read from the published document, not from what the walk is made of.
"""

from __future__ import annotations

import html
import os
import random
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from builders import a_database_url
from flask.testing import FlaskClient
from whole_jobs import Job, whole_jobs

from repairadvisor.methods import prepared_method
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app

ONE_IN, SEED = 20, 11
#: A page on a telephone while there is signal: less than the desk may weigh, style sheet and icon left out.
LIGHTER_THAN_BYTES = 20_000


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """The application under the policy that ships."""
    url = a_database_url(tmp_path_factory.mktemp("walked"))
    engine = open_database(url)
    migrate(engine)
    method = prepared_method(cache_folder(os.environ))
    yield create_app(Settings(database_url=url), Advisor(method, Records(engine))).test_client()
    engine.dispose()


def kept(client: FlaskClient, facts: Any, now: datetime) -> tuple[str, dict[str, Any]]:
    given = client.post("/v1/advice", json={"facts": facts, "now": now.isoformat()})
    assert given.status_code == 200, given.get_data(as_text=True)
    return given.headers["Location"].rpartition("/")[2], given.get_json()


def shown(client: FlaskClient, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200
    page = answer.get_data(as_text=True)
    assert len(answer.data) < LIGHTER_THAN_BYTES or "at=list" in address
    return page


def walked(client: FlaskClient, advice_id: str) -> tuple[list[str], list[str]]:
    """The things of a walk in their order, each with its heading's first word; and where its checks lead that fail."""
    things, failing = [], []
    page = shown(client, f"/pole?advice={advice_id}")
    while "<h1>What is done" not in page:
        (heading,) = re.findall(r"<h1>(\w+)", page)
        (thing,) = re.findall(r'<p class="[^"]*\bthing\b[^"]*">(.*?)</p>', page, re.DOTALL)
        things.append(f"{heading} {html.unescape(thing)}")
        links = [
            (html.unescape(link), said) for link, said in re.findall(r'class="again[^"]*" href="(.*?)">(.*?)<', page)
        ]
        failing += [link for link, said in links if said == "It is not so, or I cannot tell"]
        page = shown(client, links[0][0])
    return things, failing


def check_walk(job: Job, document: dict[str, Any], things: list[str]) -> None:
    steps = [f"Step {one['text']}" for one in document["steps"]]
    checks = [f"Check {one['not_before']}" for one in document["checks_on_arrival"]]
    assert [one for one in things if one.startswith("Step ")] == steps, job.id
    assert [one for one in things if one.startswith("Check ")] == checks, job.id
    first = [f"Step {one['text']}" for one in document["steps"] if one["first"]]
    assert first, job.id  # whoever comes there looks before touching anything
    assert [one for one in things if one in (*steps, *checks)] == [*first, *checks, *steps[len(first) :]], job.id
    for caution in document["cautions"]:
        at = things.index(f"Caution {caution['text']}")
        behind = [one for one in things[at:] if not one.startswith("Caution ")]
        if caution["owed_to"] == "known" and caution["before_step"]:
            assert behind[0] == steps[caution["before_step"] - 1], job.id
        else:
            assert behind[: len(steps)] != [], job.id
            assert not any(one.startswith("Step ") and one not in first for one in things[:at]), job.id
    assert len(things) == 1 + len(steps) + len(checks) + sum(one.startswith("Caution ") for one in things)


@pytest.mark.long
def test_of_whole_jobs_every_caution_check_and_step_is_walked_in_its_order(
    share: Callable[[int, int, int], int], shipped: FlaskClient
) -> None:
    jobs = whole_jobs()
    walks = 0
    for job in random.Random(SEED).sample(jobs, share(len(jobs), len(jobs) // ONE_IN, SEED)):
        advice_id, document = kept(shipped, job.facts, job.now)
        if document["action"] != "repair":
            page = html.unescape(shown(shipped, f"/pole?advice={advice_id}"))
            done = [text for one in document["steps"] for text in (one["text"], one["limit"]) if text]
            assert [page.index(text) for text in done] == sorted(page.index(text) for text in done), job.id
            assert all(one["text"] in page for one in document["cautions"]), job.id
            assert ">Begin<" not in page
            continue
        walks += 1
        # Jobs are of days gone by or to come; a walk may begin only before its advice has run out.
        if document["valid_until"] and datetime.fromisoformat(document["valid_until"]) < datetime.now(UTC):
            continue
        things, failing = walked(shipped, advice_id)
        check_walk(job, document, things)
        for link in failing[:2]:
            assert "What was found?" in shown(shipped, link)
    assert walks


def test_what_has_grown_old_is_asked_again_and_permits_nothing(shipped: FlaskClient) -> None:
    """No danger was seen two hours ago: asked again as of now it is not known, and has to be made certain first."""
    job = next(job for job in whole_jobs() if job.id == "squirrel-at-the-terminal")
    now = datetime.now(UTC)
    facts = {name: value for name, value in job.facts.items() if name != "daylight_until"}
    advice_id, document = kept(shipped, facts, now - timedelta(hours=2))
    assert document["action"] == "repair"
    assert not any("danger_seen" in check["facts"] for check in document["checks_on_arrival"])
    page = shown(shipped, f"/pole?advice={advice_id}")
    assert "This advice ran out" in page
    answer = shipped.post("/pole/found", data={"advice": advice_id})
    assert answer.status_code == 303
    fresh = parse_qs(urlsplit(answer.headers["Location"]).query)["advice"][0]
    again = shipped.get(f"/v1/advice/{fresh}").get_json()
    assert "danger_seen" in again["unknown_that_matter"]
    assert datetime.fromisoformat(again["valid_until"]) > now
    assert again["checks_on_arrival"][0]["facts"] == ["danger_seen"]
    things, failing = walked(shipped, fresh)
    check_walk(job, again, things)
    # That check failed: what is seen now is told, and nobody works.
    page = shown(shipped, failing[0])
    assert '<button name="danger_seen" value="sparks">' in page
    of = {name: values[0] for name, values in parse_qs(urlsplit(failing[0]).query).items() if name != "at"}
    answer = shipped.post("/pole/found", data={**of, "danger_seen": "sparks"})
    page = shown(shipped, answer.headers["Location"])
    assert "<h1>Stand off" in page
    assert "Ring:" in page
    assert again["steps"][1]["text"] not in html.unescape(page)
