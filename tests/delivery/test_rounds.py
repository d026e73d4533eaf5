"""What is done again and again: sources that have to be asked, work that stands still, work of the dead.

No outside source: each test is a way in which an event could be lost.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import pytest

from delivery.desk import Desk
from delivery.office import WAITS_S, Delivering, spare
from repairadvisor.delivery.pulse import Pulse
from repairadvisor.delivery.rounds import Rounds
from repairadvisor.errors import EventRefusedError, RemoteUnavailableError
from repairadvisor.plugin import Fetched, RawEvent
from repairadvisor.plugin.loading import Source
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import clock_of, writing


@dataclass
class Post(Desk):
    """A source that has to be asked; what was settled is not given again."""

    poll_every_s: float = 60.0
    letters: list[tuple[str, RawEvent]] = field(default_factory=list)
    settled: list[str] = field(default_factory=list)
    fails: Exception | None = None
    settling_fails: Exception | None = None

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        raise EventRefusedError("letters are fetched")

    def fetch(self, cursor: str) -> Fetched:
        self.calls.append(f"fetch {cursor}")
        if self.fails is not None:
            raise self.fails
        new = tuple(one for one in self.letters if one[0] not in self.settled)
        return Fetched(new, str(len(self.letters)))

    def settle(self, keys: Sequence[str]) -> None:
        if self.settling_fails is not None:
            raise self.settling_fails
        self.settled.extend(keys)


@pytest.fixture
def post(delivering: Delivering) -> Post:
    letters = [("one", spare(3, "LF-1")), ("two", spare(1, "LF-2"))]
    post = Post(letters=letters)
    plugins = delivering.office.plugins
    object.__setattr__(plugins, "sources", {**plugins.sources, "post": Source("post", post, "desk")})
    return post


@pytest.fixture
def rounds(delivering: Delivering) -> Rounds:
    pulse: Pulse = delivering.office._pulse
    pulse.name = "w1"
    return delivering.office._rounds


def ask(rounds: Rounds, post: Post) -> None:
    rounds._poll("post", post)


def test_what_is_fetched_is_delivered(delivering: Delivering, rounds: Rounds, post: Post) -> None:
    ask(rounds, post)
    delivering.queue.run()

    assert delivering.states() == {"noted": 2}
    assert post.settled == ["one", "two"]
    ask(rounds, post)
    assert post.calls[:1] + post.calls[-1:] == ["fetch ", "fetch 2"]


def test_what_was_kept_and_not_settled_is_settled_the_next_time(
    delivering: Delivering, rounds: Rounds, post: Post
) -> None:
    """As after a crash in between: fetched again, kept once."""
    post.settling_fails = OSError("the power went")
    ask(rounds, post)
    assert delivering.office.ledger.poll_problems() == {"post": "OSError: the power went"}
    post.settling_fails = None
    ask(rounds, post)
    delivering.queue.run()

    assert delivering.states() == {"noted": 2}
    assert post.settled == ["one", "two"]
    assert delivering.office.ledger.poll_problems() == {}


def test_nothing_is_settled_that_is_not_kept(
    delivering: Delivering, rounds: Rounds, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(*_: object) -> None:
        raise OSError("no room on the disk")

    monkeypatch.setattr(delivering.office._attempts, "add_event", no_room)
    ask(rounds, post)
    assert post.settled == []
    monkeypatch.undo()
    ask(rounds, post)

    assert post.calls == ["fetch ", "fetch "], "it went on from where it was"
    assert post.settled == ["one", "two"]


def test_a_source_that_cannot_be_asked_is_told(delivering: Delivering, rounds: Rounds, post: Post) -> None:
    post.fails = RemoteUnavailableError("login refused")
    ask(rounds, post)
    assert delivering.office.ledger.poll_problems() == {"post": "RemoteUnavailableError: login refused"}
    post.fails = None
    ask(rounds, post)
    assert delivering.office.ledger.poll_problems() == {}


def test_one_process_asks_until_it_is_no_more(delivering: Delivering, rounds: Rounds, post: Post) -> None:
    ask(rounds, post)
    other = replace_name(rounds, "w2")
    assert other._turn_to_ask("post", 60.0) is None
    with writing(delivering.engine) as connection:
        store.set_poll(connection, "post", polled_at=clock_of(connection) - timedelta(seconds=80))
    assert other._turn_to_ask("post", 60.0) == "2"
    assert replace_name(rounds, "w1")._turn_to_ask("post", 60.0) is None


def replace_name(rounds: Rounds, name: str) -> Rounds:
    rounds._pulse.name = name
    return rounds


# --- standing still ---------------------------------------------------------------------------------------------


def stood_still(delivering: Delivering) -> None:
    """Nothing has happened for a while."""
    delivering.queue.now += timedelta(minutes=5)


@pytest.mark.parametrize("lost", ["take_in", "bring"])
def test_a_delivery_whose_work_was_lost_is_begun_again(delivering: Delivering, rounds: Rounds, lost: str) -> None:
    delivery = delivering.send(spare(3))
    while delivering.queue.work[0][1].kind != lost:
        delivering.queue.do(delivering.queue.work[0])
    delivering.queue.work.clear()
    stood_still(delivering)
    rounds._sweep()
    told = delivering.office.ledger.given(delivery.id)
    assert (told.attempt, told.reason) == (1, "the work ended without an outcome; the log of the process says more")
    delivering.later(seconds=7)

    assert delivering.office.ledger.given(delivery.id).state == "noted"


def test_what_always_ends_without_an_outcome_is_given_up(delivering: Delivering, rounds: Rounds) -> None:
    delivery = delivering.send(spare(3))
    for wait_s in (0, *WAITS_S):
        delivering.queue.work.clear()
        delivering.queue.now += timedelta(seconds=1.3 * wait_s + 300)
        rounds._sweep()

    assert delivering.office.ledger.given(delivery.id).state == "given_up"


def test_work_that_waits_is_left_alone(delivering: Delivering, rounds: Rounds) -> None:
    delivering.send(spare(3))
    stood_still(delivering)
    rounds._sweep()

    assert len(delivering.queue.work) == 1
    assert delivering.queue.work[0][1].id.split("-")[1] == "0"


def test_what_is_not_due_is_left_alone(delivering: Delivering, rounds: Rounds) -> None:
    def down(_: str) -> None:
        raise RemoteUnavailableError("503", retry_after_s=3600)

    delivering.desk.before = down
    delivery = delivering.deliver(spare(3))
    delivering.queue.work.clear()
    stood_still(delivering)
    rounds._sweep()

    assert [one for one in delivering.queue.work if one[1].delivery_id == delivery.id] == []


def test_the_work_of_the_dead_is_taken_over_and_they_are_buried(
    delivering: Delivering, rounds: Rounds, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken: list[str] = []
    buried: list[str] = []
    monkeypatch.setattr(rounds._pulse, "dead", lambda: ["w7"])
    monkeypatch.setattr(rounds._pulse, "bury", buried.append)
    monkeypatch.setattr(delivering.queue, "taken_over", lambda name: taken.append(name) or 3)
    rounds._take_over()

    assert (taken, buried) == (["w7"], ["w7"])


def test_a_turn_that_fails_is_not_the_last(delivering: Delivering, rounds: Rounds) -> None:
    turns: list[int] = []
    third = threading.Event()

    def turn() -> None:
        turns.append(1)
        if len(turns) >= 3:
            third.set()
        raise RuntimeError("a fault")

    rounds._again(0.01, turn)
    assert third.wait(30)
    rounds.stop()
    count = len(turns)
    time.sleep(0.1)
    assert len(turns) == count
