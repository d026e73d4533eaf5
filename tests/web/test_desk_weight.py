"""What the desk weighs: page, style sheet and icon together, for whole jobs told to the last fact, as bytes on the wire
without packing.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

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

LIGHTER_THAN_BYTES = 60_000
ONE_IN, SEED = 20, 7


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """The application under the policy that ships."""
    url = a_database_url(tmp_path_factory.mktemp("weight"))
    engine = open_database(url)
    migrate(engine)
    method = prepared_method(cache_folder(os.environ))
    yield create_app(Settings(database_url=url), Advisor(method, Records(engine))).test_client()
    engine.dispose()


def typed(value: Any) -> str:
    """A fact of a job as a person types it."""
    if isinstance(value, Mapping):
        if "one_of" in value:
            return "|".join(value["one_of"])
        if "not_applicable" in value:
            return "n/a"
        number = "..".join(str(end) for end in value["between"]) if "between" in value else str(value["value"])
        return f"{number} {value.get('unit', '')}".strip()
    return {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)


def asked(job: Job, **more: str) -> dict[str, str]:
    """The whole job, its last fact the newest."""
    facts = {name: typed(value) for name, value in job.facts.items()}
    held = "; ".join(f"{name}={text}" for name, text in list(facts.items())[:-1])
    last = next(reversed(facts))
    return {"now": job.now.isoformat(), "held": held, last: facts[last], **more}


def weight(client: FlaskClient, query: dict[str, str]) -> int:
    """Bytes of a page and of what it loads, which is the same for every page."""
    response = client.get("/", query_string=query)
    assert response.status_code == 200, response.get_data(as_text=True)[:2000]
    total = len(response.data)
    for path in ("/static/page.css", "/static/mark.svg"):
        with client.get(path) as loaded:
            total += len(loaded.data)
    return total


def drawn(share: Callable[[int, int, int], int], one_in: int) -> list[Job]:
    jobs = whole_jobs()
    return random.Random(SEED).sample(jobs, share(len(jobs), len(jobs) // one_in, SEED))


@pytest.mark.long
def test_the_desk_is_light_for_every_whole_job(
    share: Callable[[int, int, int], int], record_property: Callable[[str, object], None], shipped: FlaskClient
) -> None:
    weights = {job.id: weight(shipped, asked(job)) for job in drawn(share, ONE_IN)}
    heaviest = max(weights, key=lambda job: weights[job])
    record_property("figures", f"heaviest: {heaviest}, {weights[heaviest]} bytes")
    assert {job: bytes_ for job, bytes_ in weights.items() if bytes_ >= LIGHTER_THAN_BYTES} == {}


@pytest.mark.long
@pytest.mark.whole_run
def test_the_desk_is_light_with_what_would_turn_it(
    record_property: Callable[[str, object], None], shipped: FlaskClient
) -> None:
    """Seconds a job, so every tenth."""
    weights = {job.id: weight(shipped, asked(job, turning="yes")) for job in whole_jobs()[::10]}
    heaviest = max(weights, key=lambda job: weights[job])
    record_property("figures", f"heaviest: {heaviest}, {weights[heaviest]} bytes")
    assert {job: bytes_ for job, bytes_ in weights.items() if bytes_ >= LIGHTER_THAN_BYTES} == {}


def test_all_that_can_be_said_is_light(shipped: FlaskClient) -> None:
    assert len(shipped.get("/facts").data) < LIGHTER_THAN_BYTES


def test_weight_is_counted_with_the_style_sheet(shipped: FlaskClient) -> None:
    assert weight(shipped, {}) > len(shipped.get("/").data) + 5_000


@pytest.mark.parametrize("sheet", ["page.css", "rules.css", "pole.css"])
def test_the_style_sheet_that_is_sent_says_what_the_file_says(shipped: FlaskClient, sheet: str) -> None:
    """But for comments and the blanks at the ends of lines."""
    written = (Path(__file__).parents[2] / "repairadvisor" / "web" / "static" / sheet).read_text(encoding="utf-8")
    said = written
    while "/*" in said:
        begin = said.index("/*")
        said = said[:begin] + said[said.index("*/", begin) + 2 :]
    sent = shipped.get(f"/static/{sheet}")
    assert sent.content_type == "text/css; charset=utf-8"
    assert sent.get_data(as_text=True).split() == said.split()
    assert len(sent.data) < 0.9 * len(written)
    again = shipped.get(f"/static/{sheet}", headers={"If-None-Match": sent.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    with shipped.get("/static/mark.svg") as mark:
        assert mark.status_code == 200
