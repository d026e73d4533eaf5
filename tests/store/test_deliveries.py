"""The tables that delivery works on, on both databases. No outside source: they are this product's own."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from repairadvisor.schemas.delivery import ENDED_STATES, OPEN_STATES, SAID
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import clock_of, migrate, open_database, reading, writing
from repairadvisor.store.deliveries import Delivery, TicketState

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)


def a_delivery(number: int = 1, **changes: Any) -> Delivery:
    said = {"cause": "event", "source": "desk", "key": f"k{number}", "received_at": NOW, "changed_at": NOW}
    return Delivery(**{"id": store.delivery_id("event", "desk", f"k{number}"), **said, **changes})


def a_ticket(**changes: Any) -> TicketState:
    said = {"source": "desk", "reference": "LF-1", "sequence": 1, "told": "t", "told_by": "d", "ended": False}
    return TicketState(**{"id": store.ticket_id("desk", "LF-1"), "parent_id": None, **said, **changes})


def test_a_delivery_is_new_once(engine: Engine) -> None:
    with writing(engine) as connection:
        assert store.add_delivery(connection, a_delivery())
        assert not store.add_delivery(connection, a_delivery())
    with writing(engine) as connection:
        assert not store.add_delivery(connection, a_delivery())


def test_a_ticket_is_new_once(engine: Engine) -> None:
    with writing(engine) as connection:
        assert store.add_ticket(connection, a_ticket())
        assert not store.add_ticket(connection, a_ticket(sequence=9))
        assert store.ticket(connection, a_ticket().id, lock=True) == a_ticket()


def test_a_delivery_comes_out_as_it_went_in(engine: Engine) -> None:
    whole = a_delivery(
        headers=b'{"a": "b"}',
        body=bytes(range(256)),
        ticket_id="t" * 32,
        reference="µ <script>",
        sequence=2**63 - 1,
        reason="because",
        due_at=NOW + timedelta(microseconds=1),
        work_id="w",
        advice_id="a" * 32,
        revision=3,
        healed=2,
    )
    with writing(engine) as connection:
        store.add_delivery(connection, whole)
    with reading(engine) as connection:
        assert store.delivery(connection, whole.id) == whole
        assert store.delivery(connection, "0" * 32) is None


def test_ids_hang_on_cause_source_and_key_and_on_where_they_part() -> None:
    ids = {
        store.delivery_id("event", "a", "bc"),
        store.delivery_id("event", "ab", "c"),
        store.delivery_id("parent", "a", "bc"),
        store.ticket_id("a", "bc"),
        store.ticket_id("ab", "c"),
    }
    assert len(ids) == 5
    assert all(len(one) == 32 for one in ids)


def test_what_is_listed_is_chosen_and_in_order(engine: Engine) -> None:
    with writing(engine) as connection:
        for number, state in enumerate(("waiting", "noted", "noted", "set_aside")):
            moment = NOW + timedelta(seconds=number)
            store.add_delivery(
                connection, a_delivery(number, received_at=moment, state=state, reference=f"LF-{number}")
            )
    with reading(engine) as connection:
        assert [one.reference for one in store.listed(connection)] == ["LF-3", "LF-2", "LF-1", "LF-0"]
        assert [one.reference for one in store.listed(connection, ["noted"])] == ["LF-2", "LF-1"]
        assert [one.reference for one in store.listed(connection, reference="LF-0")] == ["LF-0"]
        assert [one.reference for one in store.listed(connection, limit=1, offset=1)] == ["LF-2"]
        assert store.counted(connection) == {"noted": 2, "set_aside": 1, "waiting": 1}


def test_what_stands_still_is_found(engine: Engine) -> None:
    hour_ago = NOW - timedelta(hours=1)
    with writing(engine) as connection:
        store.add_delivery(connection, a_delivery(1, changed_at=hour_ago))
        store.add_delivery(connection, a_delivery(2, changed_at=NOW))
        store.add_delivery(connection, a_delivery(3, changed_at=hour_ago, due_at=NOW + timedelta(hours=1)))
        store.add_delivery(connection, a_delivery(4, changed_at=hour_ago, state="noted"))
        store.add_delivery(connection, a_delivery(5, changed_at=hour_ago, due_at=hour_ago))
    with reading(engine) as connection:
        found = store.without_progress(connection, NOW - timedelta(minutes=1))
    assert sorted(one.key for one in found) == ["k1", "k5"]


def test_children_are_those_that_are_open(engine: Engine) -> None:
    parent = store.ticket_id("desk", "LF-1")
    with writing(engine) as connection:
        for reference, ended in (("LF-2", False), ("LF-3", True), ("LF-4", False)):
            child = a_ticket(id=store.ticket_id("desk", reference), reference=reference, ended=ended, parent_id=parent)
            store.add_ticket(connection, child)
        assert sorted(one.reference for one in store.children(connection, parent)) == ["LF-2", "LF-4"]


def test_a_worker_lives_one_life_at_a_time(engine: Engine) -> None:
    with writing(engine) as connection:
        store.take_name(connection, "w1", "first", NOW)
        assert store.beat(connection, "w1", "first", NOW + timedelta(seconds=1)) == "first"
        store.take_name(connection, "w1", "second", NOW + timedelta(seconds=2))
        assert store.beat(connection, "w1", "first", NOW + timedelta(seconds=3)) == "second"
        assert store.seen(connection) == {"w1": ("second", NOW + timedelta(seconds=2))}
        store.leave(connection, "w1", "first")
        assert "w1" in store.seen(connection)
        store.leave(connection, "w1", "second")
        assert store.seen(connection) == {}


def test_a_poll_is_remembered(engine: Engine) -> None:
    with writing(engine) as connection:
        assert store.poll(connection, "post") == ("", None, None)
        store.set_poll(connection, "post", cursor="5", poller="w1", polled_at=NOW, problem="login refused")
        assert store.poll(connection, "post") == ("5", "w1", NOW)
        assert store.poll_problems(connection) == {"post": "login refused"}


def test_an_installation_has_one_secret(engine: Engine, tmp_path: Path) -> None:
    first = store.secret_of(engine)
    other = open_database(f"sqlite:///{tmp_path / 'other.db'}")
    migrate(other)

    assert len(first) == 32
    assert store.secret_of(engine) == first
    assert store.secret_of(other) != first
    other.dispose()


def test_the_databases_clock_is_a_clock(engine: Engine) -> None:
    with writing(engine) as connection:
        before, after = clock_of(connection), clock_of(connection)
    assert before <= after
    assert abs(after - datetime.now(UTC)) < timedelta(minutes=5)


@pytest.mark.parametrize("state", [*OPEN_STATES, *ENDED_STATES])
def test_every_state_is_said_in_words(state: str) -> None:
    assert SAID[state]
    assert a_delivery(state=state).is_open == (state in OPEN_STATES)
