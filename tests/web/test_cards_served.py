"""Cards of a service that runs as a process: many ask at once, and it is stopped in the middle of one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson
import pytest
import requests
from builders import a_database_url
from whole_jobs import whole_jobs

from repairadvisor.store.cards import Cards
from repairadvisor.store.database import open_database

#: Its card takes many seconds: several questions are open.
SLOW = "om2-ends-and-om4-on-the-reel"
ASKERS = 25


class Served:
    """A service as a process, and where it answers."""

    def __init__(self, url: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "repairadvisor.web.serve", "--port", "0", "--json"],
            stdout=subprocess.PIPE,
            env={**os.environ, "REPAIRADVISOR_DATABASE_URL": url},
        )
        assert self.process.stdout is not None
        self.address = orjson.loads(self.process.stdout.readline())["address"]

    def advice(self) -> str:
        job = next(one for one in whole_jobs() if one.id == SLOW)
        found = requests.post(f"{self.address}/v1/advice", json={"facts": dict(job.facts)}, timeout=60)
        return found.headers["Location"].rpartition("/")[2]

    def get(self, path: str) -> requests.Response:
        return requests.get(f"{self.address}{path}", headers={"Accept": "text/html"}, timeout=60)


@pytest.fixture
def url(tmp_path: Path) -> str:
    return a_database_url(tmp_path)


@pytest.fixture
def served(url: str) -> Iterator[Served]:
    found = Served(url)
    yield found
    found.process.kill()
    found.process.wait()
    assert found.process.stdout is not None
    found.process.stdout.close()


def test_whoever_asks_for_cards_keeps_nobody_from_other_pages_and_a_stopped_service_leaves_no_claim(
    served: Served, url: str
) -> None:
    advice_id = served.advice()
    statuses: list[int] = []
    asking = [
        threading.Thread(target=lambda: statuses.append(served.get(f"/cards/{advice_id}").status_code))
        for _ in range(ASKERS)
    ]
    for one in asking:
        one.start()
    begun = time.monotonic()
    assert served.get("/pole").status_code == 200
    waited = time.monotonic() - begun
    for one in asking:
        one.join()
    assert statuses == [202] * ASKERS
    assert waited < 6  # the askers, each patient, would have held all four threads for twelve seconds

    served.process.send_signal(signal.SIGTERM)
    assert served.process.wait(30) == 0
    engine = open_database(url)
    # At once: a claim that was left would be taken over after a minute and a half only.
    assert Cards(engine).kept(advice_id) is None
    assert Cards(engine).claim(advice_id, "next", datetime.now(UTC) - timedelta(seconds=1))
    engine.dispose()
