"""The way of a report back to its ticket on the real engine, from a process that brings no notes itself.

No outside source: this product's own promise.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from builders import FixedMethod, a_plan, an_advice
from sqlalchemy import Engine

from delivery.desk import Desk, an_event
from delivery.test_work_notes import OpeningDesk
from repairadvisor.delivery import office as office_module
from repairadvisor.delivery.durable import DurableQueue
from repairadvisor.delivery.office import Office, work_notes_from_outside
from repairadvisor.delivery.pulse import Name
from repairadvisor.plugin import mark_of
from repairadvisor.plugin.loading import Plugins, Source
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records
from repairadvisor.work_done import WorkDone


@pytest.fixture
def desk() -> Desk:
    return OpeningDesk()


def waited_for(condition: Any, most_s: float = 120.0) -> Any:
    until = time.monotonic() + most_s
    while not condition() and time.monotonic() < until:
        time.sleep(0.1)
    return condition()


def test_another_process_has_the_note_brought(
    engine: Engine, database_url: str, desk: OpeningDesk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    settings = Settings(database_url=database_url)
    plugins = Plugins(sources={"desk": Source("desk", desk, "desk")}, carriers={"desk": desk})
    monkeypatch.setattr(office_module, "open_plugins", lambda *_: plugins)
    advisor = Advisor(FixedMethod(an_advice(plan=a_plan(stage="temporary_then_permanent"))), Records(engine))
    office = Office(engine, DurableQueue(settings.database_url), advisor, plugins, "")
    office.start(Name("worker-1", settings.database_url, {}))
    try:
        event_id, _ = office.accept("desk", an_event())
        assert waited_for(lambda: office.ledger.given(event_id).state == "noted")
        entry = {"fibre": "F1..F3", "joint": 1, "method": "fusion_splice", "attempt": 1}
        entry |= {"made_at": "2021-05-04T06:00:00Z", "readings": [{"nm": 1310, "both_ways_db": 0.04}]}
        body = {"advice": office.ledger.given(event_id).advice_id, "attempts": [entry]}
        with work_notes_from_outside(settings, advisor, {}) as notes:
            assert notes is not None
            WorkDone(advisor, then=notes.owe).report(body, office_module.clock())

        def work_noted() -> list[str]:
            marked = [(mark_of(text), text) for text in desk.texts("LF-1")]
            return [text for mark, text in marked if mark and mark.kind == "verdict" and not mark.status]

        assert waited_for(lambda: any("Follow-up ticket: LF-90" in text for text in work_noted()))
        (note,) = work_noted()
        assert note.startswith("WORK DONE: 3 joints reported: ACCEPT 3.")
        assert len(desk.opened) == 1
    finally:
        office.stop()
