"""Single cases that a run with many faults meets only now and then, each at a moment that is chosen.

Each was found by such a run, or by thinking about one, and failed when it was written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from faults.desk import Desk
from faults.driver import Run
from faults.events import Event, Plan
from faults.workers import Crew

LATE = "timeout, written after it"
SEED = 1


@pytest.fixture
def desk() -> Iterator[Desk]:
    with Desk(SEED, {}) as opened:
        yield opened


@pytest.fixture
def run(desk: Desk, tmp_path: Path) -> Iterator[Run]:
    with Crew(tmp_path, f"sqlite:///{tmp_path / 'records.db'}", desk.url, ["one"], named=False) as crew:
        yield Run(desk, crew, Plan(SEED, []), [], SEED)


def told(run: Run, sequence: int, spare_m: float, *, ended: bool = False) -> None:
    event = Event(f"LF-1-{sequence}", "LF-1", sequence, spare_m, ended=ended)
    run.plan.events.append(event)
    run.send(event)


def all_well(run: Run) -> None:
    found, figures = run.findings()
    print(*figures, *found.all, sep="\n")
    assert found.all == []


def until(run: Run, done: Callable[[], bool]) -> None:
    assert run.wait(done, 90)


@pytest.mark.long
@pytest.mark.whole_run
def test_a_note_that_arrives_after_the_one_that_took_its_place(desk: Desk, run: Run) -> None:
    desk.next_kinds["POST"] = [LATE]
    told(run, 1, 1.0)
    until(run, lambda: bool(desk.slow_with()))
    told(run, 2, 2.0)
    all_well(run)


def test_a_note_that_arrives_after_its_ticket_was_closed(desk: Desk, run: Run) -> None:
    told(run, 1, 1.0)
    until(run, lambda: len(desk.notes("LF-1")) == 2)
    desk.next_kinds["POST"] = [LATE]
    told(run, 2, 2.0)
    until(run, lambda: bool(desk.slow_with()))
    told(run, 3, 2.0, ended=True)
    all_well(run)


@pytest.mark.long
@pytest.mark.whole_run
def test_a_note_that_stands_there_twice_when_its_ticket_is_closed(desk: Desk, run: Run) -> None:
    desk.next_kinds["POST"] = [LATE]
    told(run, 1, 1.0)
    until(run, lambda: desk.methods["POST"] == 3)  # sent again, and the first one is still to arrive
    told(run, 2, 1.0, ended=True)
    all_well(run)


def test_a_writer_that_died_before_its_ticket_was_closed(desk: Desk, tmp_path: Path) -> None:
    """It stays dead, and another process takes its work over after the closing has come."""
    with Crew(tmp_path, f"sqlite:///{tmp_path / 'records.db'}", desk.url, ["one", "two"], named=False) as crew:
        run = Run(desk, crew, Plan(SEED, []), [], SEED)
        until(run, lambda: len(crew.addresses()) == 2)
        for worker in crew.workers:
            worker.stays_dead_s = 60.0
        (crew.tokens / "before-write-0").touch()
        told(run, 1, 1.0)
        until(run, lambda: crew.deaths.total() == 1)
        told(run, 2, 1.0, ended=True)
        all_well(run)
        assert crew.said("is no more; took over") == 1
    assert desk.notes("LF-1") == []


@pytest.mark.long
@pytest.mark.whole_run
def test_an_echo_that_comes_while_the_first_one_is_dead(desk: Desk, tmp_path: Path) -> None:
    """It has brought the ticket up to date, and died before that was remembered; what says the same relies on it."""
    with Crew(tmp_path, f"sqlite:///{tmp_path / 'records.db'}", desk.url, ["one", "two"], named=False) as crew:
        run = Run(desk, crew, Plan(SEED, []), [], SEED)
        until(run, lambda: len(crew.addresses()) == 2)
        for worker in crew.workers:
            worker.stays_dead_s = 60.0
        (crew.tokens / "after-accept-0").touch()
        told(run, 1, 1.0)
        until(run, lambda: crew.deaths.total() == 1)
        told(run, 2, 1.0)
        all_well(run)
