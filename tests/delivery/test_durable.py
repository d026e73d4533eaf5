"""The real engine, on both databases: work that was submitted is done, once, in order, whoever stops.

The engine is dbos; what is tested is that it keeps what :mod:`repairadvisor.delivery.queue` promises.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from repairadvisor.delivery import durable
from repairadvisor.delivery.durable import DurableQueue
from repairadvisor.delivery.queue import BRING, TAKE_IN, Step, Work
from repairadvisor.store.database import RecordsError, reading, writing


def waited_for(condition: Callable[[], bool], most_s: float = 60.0) -> bool:
    """Whether a condition comes true in time."""
    until = time.monotonic() + most_s
    while time.monotonic() < until:
        if condition():
            return True
        time.sleep(0.05)
    return condition()


class Noting:
    """Notes what it is given to do; a test puts something into ``meanwhile``."""

    def __init__(self) -> None:
        self.done: list[str] = []
        self.running: set[str] = set()
        self.refused: set[str] = set()
        self.most_at_once = 0
        self.meanwhile: Callable[[str], None] = lambda _: None
        self._lock = threading.Lock()

    def may_begin(self, delivery_id: str, work_id: str) -> bool:
        return delivery_id not in self.refused

    def take_in(self, delivery_id: str, work_id: str, step: Step) -> None:
        with self._lock:
            self.running.add(delivery_id)
            self.most_at_once = max(self.most_at_once, len(self.running))
        step("work", lambda: self.meanwhile(delivery_id))
        with self._lock:
            self.running.discard(delivery_id)
            self.done.append(delivery_id)

    bring = take_in


@pytest.fixture
def worker() -> Noting:
    return Noting()


@pytest.fixture
def queue(engine: Engine, database_url: str, worker: Noting) -> Iterator[DurableQueue]:
    opened = DurableQueue(_named(database_url))
    opened.start(worker, ["events", "notes.slow", "notes.quick"], "worker-1")
    yield opened
    opened.stop()


def _named(url: str) -> str:
    return url.replace("postgresql://", "postgresql+psycopg://")


def submit(engine: Engine, queue: DurableQueue, *works: Work) -> None:
    with writing(engine) as connection:
        for work in works:
            queue.submit(connection, work)


def work(name: str, lane: str = "events", key: str = "", after_s: float = 0.0, kind: str = TAKE_IN) -> Work:
    return Work(f"{name}-work", kind, name, lane, key or name, after_s)


def test_what_is_submitted_is_done(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    submit(engine, queue, work("a"), work("b", "notes.quick", kind=BRING))

    assert waited_for(lambda: sorted(worker.done) == ["a", "b"])
    assert waited_for(
        lambda: dict(queue.status(["a-work", "b-work", "c-work"])) == {"a-work": "done", "b-work": "done"}
    )


def test_submitted_twice_is_done_once(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    submit(engine, queue, work("a"), work("a"))
    assert waited_for(lambda: worker.done == ["a"])
    submit(engine, queue, work("a"), work("b"))

    assert waited_for(lambda: "b" in worker.done)
    assert worker.done == ["a", "b"]


def test_what_is_taken_back_was_never_submitted(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    """The work is kept with the change of whoever submits it, or not at all."""

    def fail() -> None:
        with writing(engine) as connection:
            queue.submit(connection, work("a"))
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        fail()
    submit(engine, queue, work("b"))

    assert waited_for(lambda: worker.done == ["b"])
    assert queue.status(["a-work"]) == {}


def test_what_is_delayed_comes_later(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    submit(engine, queue, work("late", after_s=3), work("early"))

    assert waited_for(lambda: worker.done == ["early"])
    assert queue.status(["late-work"]) == {"late-work": "waiting"}
    assert waited_for(lambda: worker.done == ["early", "late"])


def test_what_is_cancelled_is_not_begun(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    submit(engine, queue, work("a", after_s=2))
    queue.cancel("a-work")
    submit(engine, queue, work("b", after_s=3))

    assert waited_for(lambda: worker.done == ["b"])
    assert queue.status(["a-work"]) == {"a-work": "failed"}


def test_one_ticket_has_one_piece_of_work_at_a_time(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    worker.meanwhile = lambda _: time.sleep(0.3)
    submit(engine, queue, *(work(f"w{i}", key="the ticket") for i in range(4)))

    assert waited_for(lambda: len(worker.done) == 4)
    assert worker.most_at_once == 1


def test_different_tickets_go_side_by_side(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    together = threading.Barrier(3, timeout=50)
    worker.meanwhile = lambda _: together.wait() and None
    submit(engine, queue, *(work(f"w{i}") for i in range(3)))

    assert waited_for(lambda: len(worker.done) == 3)


def test_a_lane_that_is_stuck_holds_up_no_other(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    free = threading.Event()
    worker.meanwhile = lambda name: free.wait(50) and None if name.startswith("slow") else None
    submit(engine, queue, *(work(f"slow{i}", "notes.slow") for i in range(20)))
    assert waited_for(lambda: len(worker.running) >= 8)
    submit(engine, queue, work("quick", "notes.quick"))

    assert waited_for(lambda: worker.done == ["quick"])
    free.set()
    assert waited_for(lambda: len(worker.done) == 21)


def test_a_step_waits_while_the_database_is_away(
    engine: Engine, queue: DurableQueue, worker: Noting, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(durable, "_FIRST_WAIT_S", 0.01)
    left = [3]

    def away(_: str) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise RecordsError("the server is gone")

    worker.meanwhile = away
    submit(engine, queue, work("a"))

    assert waited_for(lambda: worker.done == ["a"])
    assert left == [0]


def test_what_may_not_be_begun_is_done_with(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    worker.refused.add("a")
    submit(engine, queue, work("a"), work("b"))

    assert waited_for(lambda: dict(queue.status(["a-work", "b-work"])) == {"a-work": "done", "b-work": "done"})
    assert worker.done == ["b"]


def test_what_failed_is_told(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    def fault(_: str) -> None:
        raise TypeError("a fault of ours")

    worker.meanwhile = fault
    submit(engine, queue, work("a"))

    assert waited_for(lambda: queue.status(["a-work"]) == {"a-work": "failed"})


def test_what_it_keeps_is_json_and_no_code(engine: Engine, queue: DurableQueue, worker: Noting) -> None:
    """Whoever could write the database could run code here, if what is kept were anything else."""
    submit(engine, queue, work("a"))
    assert waited_for(lambda: queue.status(["a-work"]) == {"a-work": "done"})
    schema = "" if engine.dialect.name == "sqlite" else "dbos."
    with reading(engine) as connection:
        kept = connection.execute(text(f"SELECT inputs FROM {schema}workflow_input")).scalars().all()
        kept += connection.execute(text(f"SELECT output FROM {schema}operation_outputs")).scalars().all()
        forms = connection.execute(text(f"SELECT serialization FROM {schema}workflow_status")).scalars().all()

    assert set(forms) == {"portable_json"}
    assert len(kept) == 2
    assert all(isinstance(json.loads(one), dict | list | None) for one in kept)


_PROCESS = textwrap.dedent(
    """
    import os, signal, sys, time
    from repairadvisor.delivery.durable import DurableQueue

    done = []

    class Worker:
        def may_begin(self, delivery_id, work_id):
            return True

        def take_in(self, delivery_id, work_id, step):
            step("first", lambda: print("first", delivery_id, flush=True))
            if sys.argv[3] == "dies":
                os.kill(os.getpid(), signal.SIGKILL)
            step("second", lambda: print("second", delivery_id, flush=True))
            done.append(delivery_id)
        bring = take_in

    queue = DurableQueue(sys.argv[1])
    queue.start(Worker(), ["events"], sys.argv[2])
    if sys.argv[3] == "takes over":
        print("took over", queue.taken_over("worker-1"), flush=True)
    until = time.monotonic() + 50
    while not done and time.monotonic() < until:
        time.sleep(0.1)
    os._exit(0)
    """
)


@pytest.mark.parametrize(
    ("then", "name"),
    [
        pytest.param("lives", "worker-1", id="started-again"),
        pytest.param("takes over", "worker-2", id="taken-over"),
    ],
)
def test_what_a_killed_process_was_doing_goes_on_where_it_was(
    engine: Engine, database_url: str, tmp_path: Path, then: str, name: str
) -> None:
    url = _named(database_url)
    script = tmp_path / "process.py"
    script.write_text(_PROCESS)
    run = [sys.executable, str(script), url]
    first = DurableQueue(url)
    first.start(Noting(), [], "nobody")  # makes the tables
    submit(engine, first, work("a"))
    first.stop()

    died = subprocess.run([*run, "worker-1", "dies"], capture_output=True, text=True, env=os.environ, timeout=90)
    after = subprocess.run([*run, name, then], capture_output=True, text=True, env=os.environ, timeout=90)

    assert died.returncode == -9
    assert died.stdout.split() == ["first", "a"]
    assert "first a" not in after.stdout, "what was remembered is not done again"
    assert after.stdout.count("second a") == 1
    if then == "takes over":
        assert "took over 1" in after.stdout
