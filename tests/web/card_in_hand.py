"""A pocket card in the hand: a service that can be stopped, a browser's context, and what is pressed and noted."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from builders import a_database_url
from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Page
from sqlalchemy import func, select
from werkzeug.serving import BaseWSGIServer, make_server
from whole_jobs import Job

from repairadvisor.decision.advice import Advice
from repairadvisor.policy.load import parsed
from repairadvisor.render.placing import placed
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.database import migrate, open_database, reading
from repairadvisor.store.policy_files import default_texts
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from repairadvisor.web.cards import CARD_MAKING
from web.looking import PHONE_PX

WORDS = parsed("surfaces.toml", default_texts()["surfaces.toml"])["card"]
SCRIPT_WORDS = WORDS["script"]
#: A chewed drop in a home in Pipit Court, a pigtail to be fused: several checks, one joint.
DROP: dict[str, Any] = {
    "place": "customer_home",
    "fault_seen": "chewed_end",
    "danger_seen": "none",
    "network_part": "drop",
    "cable_kind": "flat_drop",
    "fibres_down_count": 1,
    "service_kind": "passive_network",
    "outage_value_cu_per_h": 3,
    "plug_polish_far": "apc",
    "spare_near_m": 1.8,
    "distance_to_plug_m": 0.6,
    "margin_db": 3,
    "field_plug_apc_count": 6,
}


class Site:
    """A service that can be stopped, so that nothing listens, and started again at the same address."""

    def __init__(self, app: Flask) -> None:
        self._app = app
        self._server: BaseWSGIServer | None = None
        self._port = 0
        self.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self._port}"

    def start(self) -> None:
        self._server = make_server("127.0.0.1", self._port, self._app, threaded=True)
        self._port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever)
        self._thread.start()

    def stop(self) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._thread.join()
            self._server.server_close()
            self._server = None


@dataclass(frozen=True)
class Service:
    """A service with its records, and where it listens."""

    app: Flask
    site: Site
    advisor: Advisor
    drops: list[str] = field(default_factory=list)

    def drop(self) -> str:
        """The advice on :data:`DROP`, with its card, made once."""
        if not self.drops:
            self.drops.append(self.kept(DROP))
        return self.drops[0]

    def kept(self, facts: dict[str, Any] | None = None, job: Job | None = None) -> str:
        """An advice that is kept, with its card made; under the clock's own now unless a whole job names one."""
        asked = {"facts": facts} if job is None else {"facts": dict(job.facts), "now": job.now.isoformat()}
        answer = self.advisor.advise(asked, datetime.now(UTC))
        assert answer.id is not None
        self.app.extensions[CARD_MAKING].make(answer.id, datetime.now(UTC))
        return answer.id

    def count(self, table: Any) -> int:
        assert self.advisor.records is not None
        with reading(self.advisor.records.engine) as connection:
            return connection.execute(select(func.count()).select_from(table)).scalar_one()


def a_service(method: Any, folder: Path) -> Iterator[Service]:
    url = a_database_url(folder)
    engine = open_database(url)
    migrate(engine)
    advisor = Advisor(method, Records(engine))
    app = create_app(Settings(database_url=url), advisor)
    site = Site(app)
    yield Service(app, site, advisor)
    site.stop()
    engine.dispose()


def a_context(browser: Browser, site: Site, width: int = PHONE_PX, **options: Any) -> BrowserContext:
    context = browser.new_context(base_url=site.address, viewport={"width": width, "height": 740}, **options)
    context.set_default_timeout(20_000)
    return context


def watched(context: BrowserContext) -> tuple[Page, list[str]]:
    """A page, and what goes wrong on it: errors of its script, and what its security policy refuses."""
    page, wrong = context.new_page(), []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None)
    return page, wrong


def press(page: Page, name: str) -> None:
    page.get_by_role("button", name=SCRIPT_WORDS[name], exact=True).click()


def note(
    page: Page,
    loss: str,
    attempt: str = "1",
    pull: str = "passed",
    fibre: str = "T1F7",
    ways: str = "both_ways_db",
) -> None:
    page.fill("#fibre", fibre)
    page.select_option("#attempt", attempt)
    page.select_option("#ways", ways)
    page.fill("#loss", loss)
    page.select_option("#pull_test", pull)
    if page.locator("#inspection").count():
        page.select_option("#inspection", "clean")
    if page.locator("#reflectance").count():
        page.fill("#reflectance", "-65")
    press(page, "note")


def all_certain(page: Page) -> int:
    """Answer every check; how many there were."""
    count = 0
    while page.get_by_role("button", name=SCRIPT_WORDS["certain"], exact=True).count():
        press(page, "certain")
        count += 1
    return count


def until(page: Page, holds: Callable[[], bool]) -> None:
    """Wait for what happens behind the page."""
    for _ in range(200):
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it never came to that")


def only_beware_and_ring(page: Page, advice: Advice) -> None:
    """No step, check, limit or joint on the screen; every caution whole, and whom to ring."""
    assert page.locator(".tick, #fibre, .check, .verdict").count() == 0
    shown = page.locator("#walk").inner_text()
    assert all(step.text not in shown for step in advice.steps)
    assert advice.plan is not None
    assert advice.plan.phrase not in shown
    every = placed(advice)
    cautions = [*every.first, *(text for some in (*every.beside.values(), *every.before.values()) for text in some)]
    assert cautions
    assert [text for text in cautions if text not in shown] == []
    assert SCRIPT_WORDS["make_safe"] in shown
    assert SCRIPT_WORDS["ring_desk"] in shown
