"""Delivery over a database, with a queue that works only when it is told to, and an imagined desk."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from builders import FixedMethod, a_database_url, an_advice
from sqlalchemy import Connection, Engine

from delivery.desk import Desk, an_event
from repairadvisor.decision.advice import Advice
from repairadvisor.delivery import office as office_module
from repairadvisor.delivery.office import Office
from repairadvisor.delivery.pulse import Pulse
from repairadvisor.delivery.queue import Step, Work
from repairadvisor.facts.context import Context
from repairadvisor.plugin import RawEvent
from repairadvisor.plugin.loading import Facts, Plugins, Source
from repairadvisor.service import Advisor
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.deliveries import Delivery
from repairadvisor.store.records import Records

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
#: Waits between attempts here.
WAITS_S = (5.0, 60.0, 600.0)


@dataclass(frozen=True)
class SpareTold(FixedMethod):
    """Says how much spare there is, so that other facts give another advice; may hold for so many minutes."""

    holds_min: float | None = None

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        told = context.state("spare_near_m")
        until = "" if self.holds_min is None else (context.now + timedelta(minutes=self.holds_min)).isoformat()
        say = f"Spare: {getattr(told, 'value', 'unknown')}."
        return replace(super().advise(context, issued_plan, turning=turning), say=say, valid_until=until)


class HandQueue:
    """Work that is done when ``run`` is called, in order, once it is due."""

    def __init__(self) -> None:
        self.work: list[tuple[datetime, Work]] = []
        self.ids: set[str] = set()
        self.done: list[Work] = []
        self.worker: Any = None
        self.now = NOW
        #: Called before each step with its name; may raise to end the process there.
        self.before: Callable[[str], None] = lambda _: None
        #: Called after each step, before what it gave is remembered.
        self.after: Callable[[str], None] = lambda _: None
        self.remembered: dict[tuple[str, int], object] = {}

    def submit(self, connection: Connection, work: Work) -> None:
        if work.id not in self.ids:
            self.ids.add(work.id)
            self.work.append((self.now + timedelta(seconds=work.after_s), work))

    def status(self, work_ids: Sequence[str]) -> Mapping[str, str]:
        waiting = {one.id: "waiting" for _, one in self.work}
        done = {one.id: "done" for one in self.done}
        return {one: state for one, state in {**done, **waiting}.items() if one in work_ids}

    def cancel(self, work_id: str) -> None:
        self.work = [(at, one) for at, one in self.work if one.id != work_id]

    def taken_over(self, worker: str) -> int:
        return 0

    def start(self, worker: object, lanes: Sequence[str], name: str) -> None:
        self.worker = worker

    def stop(self) -> None:
        pass

    def run(self, most: int = 200) -> None:
        """Do all work that is due."""
        for _ in range(most):
            due = [one for one in self.work if one[0] <= self.now]
            if not due:
                return
            self.do(due[0])
        raise AssertionError("the work does not end")

    def do(self, one: tuple[datetime, Work]) -> None:
        """Do one piece of work; it stays if the process ends in the middle."""
        if self.worker.may_begin(one[1].delivery_id, one[1].id):
            getattr(self.worker, one[1].kind)(one[1].delivery_id, one[1].id, self._steps_of(one[1]))
        self.work.remove(one)
        self.done.append(one[1])

    def _steps_of(self, work: Work) -> Step:
        number = 0

        def step(name: str, run: Callable[[], object]) -> object:
            nonlocal number
            number += 1
            key = (work.id, number)
            if key not in self.remembered:
                self.before(name)
                result = run()
                self.after(name)
                self.remembered[key] = result
            return self.remembered[key]

        return step


@dataclass
class Delivering:
    """An office over a desk, and what a test does with them."""

    office: Office
    queue: HandQueue
    desk: Desk
    engine: Engine
    records: Records

    def send(self, event: RawEvent, source: str = "desk") -> Delivery:
        """An event comes in; what became of it so far."""
        kept_as, _ = self.office.accept(source, event)
        return self.office.ledger.given(kept_as)

    def deliver(self, event: RawEvent) -> Delivery:
        """An event comes in, and all work is done that is due."""
        delivery = self.send(event)
        self.queue.run()
        return self.office.ledger.given(delivery.id)

    def later(self, **passed: float) -> None:
        """Time passes, and what has become due is done."""
        self.queue.now += timedelta(**passed)
        self.queue.run()

    def states(self) -> dict[str, int]:
        """How many deliveries are in each state."""
        return dict(self.office.ledger.counted())


def spare(metres: float, reference: str = "LF-1", sequence: int = 1, **said: Any) -> RawEvent:
    """An event that tells of so much spare cable."""
    return an_event(reference, sequence, **{"facts": {"place": "pole_top", "spare_near_m": metres}, **said})


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
def facts_sources() -> tuple[Facts, ...]:
    return ()


@pytest.fixture
def holds_min() -> float | None:
    return None


@pytest.fixture
def advised() -> Advice:
    """What is advised, but for the spare of which it speaks."""
    return an_advice()


@pytest.fixture
def delivering(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    desk: Desk,
    facts_sources: tuple[Facts, ...],
    holds_min: float | None,
    advised: Advice,
) -> Iterator[Delivering]:
    engine = open_database(a_database_url(tmp_path))
    migrate(engine)
    queue, records = HandQueue(), Records(engine)
    monkeypatch.setattr(office_module, "clock", lambda: queue.now)
    monkeypatch.setattr(Pulse, "is_alive", lambda _: True)
    plugins = Plugins(
        sources={"desk": Source("desk", desk, "desk")},
        carriers={"desk": desk},
        facts=facts_sources,
        retry_after_s=WAITS_S,
    )
    method = SpareTold(advised, holds_min=holds_min)
    office = Office(engine, queue, Advisor(method, records), plugins, "")
    queue.worker = office
    yield Delivering(office, queue, desk, engine, records)
    engine.dispose()
