"""One current note a ticket, whatever comes, however often and in whatever order.

No outside source: these are the promises of this product, each with the case that would break it.
"""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from delivery.desk import an_event
from delivery.office import Delivering, spare
from repairadvisor.errors import ConflictError, EventRefusedError, NotFoundError, RemoteUnavailableError
from repairadvisor.plugin import RawEvent, mark_of


def current(delivering: Delivering, reference: str = "LF-1") -> list[str]:
    """The notes in a ticket that count."""
    marked = [(mark_of(text), text) for text in delivering.desk.texts(reference)]
    return [text for mark, text in marked if mark is not None and not mark.status]


def said(delivering: Delivering, reference: str = "LF-1") -> str:
    """The spare of which the note speaks that counts."""
    first = current(delivering, reference)[0].splitlines()[0]
    found = re.fullmatch(r"(?:\[1 of \d+\] )?REPAIR\. Spare: (.*)\.", first)
    return found[1] if found else first


def statuses(delivering: Delivering, reference: str = "LF-1") -> list[str]:
    marks = [mark_of(text) for text in delivering.desk.texts(reference)]
    return [mark.status for mark in marks if mark is not None]


# --- one event ------------------------------------------------------------------------------------------------


def test_an_event_becomes_a_note_in_its_ticket(delivering: Delivering) -> None:
    delivery = delivering.deliver(spare(3))

    assert delivery.state == "noted"
    assert said(delivering) == "3.0"
    assert delivering.records.get(delivery.advice_id or "").ticket == "LF-1"


def test_the_note_says_where_the_whole_advice_is_and_which_note_it_is(delivering: Delivering) -> None:
    delivery = delivering.deliver(spare(3))

    last = current(delivering)[-1].splitlines()
    assert f"The whole advice: advice {delivery.advice_id}" in last
    assert last[-1].startswith("[repairadvisor ")
    assert " advice 1 " in last[-1]


def test_an_event_is_on_disk_before_anything_is_read(delivering: Delivering) -> None:
    delivery = delivering.send(RawEvent({"signature": "right"}, b"not even JSON"))

    assert delivery.state == "waiting"
    assert delivering.office.ledger.given(delivery.id).body == b"not even JSON"


def test_an_event_that_cannot_be_read_is_set_aside_with_its_reason(delivering: Delivering) -> None:
    delivery = delivering.deliver(RawEvent({"signature": "right"}, b"not even JSON"))

    assert (delivery.state, delivery.reason.partition(":")[0]) == ("set_aside", "no JSON")
    assert delivering.desk.notes == {}


def test_facts_that_cannot_be_used_are_a_problem_and_no_guess(delivering: Delivering) -> None:
    delivery = delivering.deliver(an_event(facts={"place": "on the moon", "spare_near_m": [1, 2]}))

    assert delivery.state == "set_aside"
    assert "place = on the moon" in delivery.reason
    assert delivering.records.count() == 0
    assert delivering.desk.notes == {}


def test_an_event_of_no_ticket_ends_there(delivering: Delivering) -> None:
    assert delivering.deliver(an_event(kind="heartbeat")).state == "no_ticket"


def test_a_wrong_signature_is_refused_and_nothing_is_kept(delivering: Delivering) -> None:
    with pytest.raises(EventRefusedError):
        delivering.send(RawEvent({"signature": "wrong"}, spare(3).body))

    assert delivering.states() == {}


def test_a_source_that_is_not_set_up_is_not_found(delivering: Delivering) -> None:
    with pytest.raises(NotFoundError):
        delivering.send(spare(3), source="nobody")


def test_scripts_in_a_ticket_stay_text(delivering: Delivering) -> None:
    reference = "<script>alert(1)</script>"
    assert delivering.deliver(spare(3, reference)).state == "noted"
    assert "<script>" not in "".join(delivering.desk.texts(reference))


# --- twice, late, out of order, closed ------------------------------------------------------------------------


def test_the_same_event_twice_is_one_delivery(delivering: Delivering) -> None:
    first, again = delivering.deliver(spare(3)), delivering.deliver(spare(3))

    assert first.id == again.id
    assert delivering.states() == {"noted": 1}
    assert len(current(delivering)) == len(delivering.desk.texts("LF-1"))


def test_another_event_that_says_the_same_changes_nothing(delivering: Delivering) -> None:
    """Our own note comes back as an event of its ticket: that must not go round and round."""
    delivering.deliver(spare(3))
    before = delivering.desk.texts("LF-1")
    echo = delivering.deliver(spare(3, sequence=2))

    assert echo.state == "unchanged"
    assert delivering.desk.texts("LF-1") == before


def test_what_is_said_meanwhile_does_not_stop_the_note_on_its_way(delivering: Delivering) -> None:
    """An event that says the same comes while the first is being advised on: the note still comes."""
    first, echo = delivering.send(spare(3)), delivering.send(spare(3, sequence=2))
    delivering.queue.run()

    assert [delivering.office.ledger.given(one.id).state for one in (first, echo)] == ["noted", "unchanged"]
    assert current(delivering)


def test_a_changed_fact_gives_a_new_note_and_the_old_one_says_so(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    delivering.deliver(spare(1, sequence=2))

    old, new = delivering.desk.texts("LF-1")[0], current(delivering)[0]
    assert old.startswith(
        "SUPERSEDED 4 May 2031 07:30 UTC by note 2. What follows no longer counts.\n[1 of 2] REPAIR. Spare: 3.0."
    )
    assert "REPAIR. Spare: 1.0." in new.splitlines()[0]
    assert "Note 2 on this ticket; the earlier ones no longer count." in current(delivering)[-1]


def test_a_changed_fact_that_changes_no_advice_changes_no_note(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    before = delivering.desk.texts("LF-1")
    delivery = delivering.deliver(
        an_event(sequence=2, facts={"place": "pole_top", "spare_near_m": 3, "precipitation": "rain"})
    )

    assert delivery.state == "unchanged"
    assert delivering.desk.texts("LF-1") == before


def test_a_late_event_does_no_harm(delivering: Delivering) -> None:
    delivering.deliver(spare(1, sequence=5))
    late = delivering.deliver(spare(3, sequence=4))

    assert late.state == "overtaken"
    assert said(delivering) == "1.0"


def test_of_two_states_said_at_one_moment_the_later_that_came_counts(delivering: Delivering) -> None:
    first = delivering.send(spare(3, sequence=5))
    delivering.queue.now += timedelta(seconds=1)
    second = delivering.send(spare(1, sequence=5))
    # The second is read first.
    delivering.queue.work.reverse()
    delivering.queue.run()

    assert delivering.office.ledger.given(first.id).state == "overtaken"
    assert delivering.office.ledger.given(second.id).state == "noted"
    assert said(delivering) == "1.0"


def test_a_ticket_that_changes_while_it_is_advised_on_gets_the_last_word(delivering: Delivering) -> None:
    first = delivering.send(spare(3))
    delivering.queue.before = lambda name: (
        delivering.office.accept("desk", spare(1, sequence=2)) and None if name == "facts" else None
    )
    delivering.queue.run()

    assert delivering.office.ledger.given(first.id).state in ("overtaken", "noted")
    assert said(delivering) == "1.0"


def test_a_closed_ticket_gets_no_more_guidance(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    closed = delivering.deliver(spare(3, sequence=2, ended=True))
    before = delivering.desk.texts("LF-1")
    late = delivering.deliver(spare(1, sequence=1))

    assert (closed.state, late.state) == ("ticket_ended", "overtaken")
    assert delivering.desk.texts("LF-1") == before


def test_a_ticket_that_is_closed_before_its_note_is_written_gets_none(delivering: Delivering) -> None:
    first = delivering.send(spare(3))
    delivering.send(spare(3, sequence=2, ended=True))
    delivering.queue.work.sort(key=lambda one: one[1].kind, reverse=True)
    delivering.queue.run()

    assert delivering.office.ledger.given(first.id).state in ("ticket_ended", "overtaken")
    assert delivering.desk.notes == {}


def test_a_ticket_that_is_opened_again_is_advised_on_again(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    delivering.deliver(spare(3, sequence=2, ended=True))
    again = delivering.deliver(spare(1, sequence=3))

    assert again.state == "noted"
    assert said(delivering) == "1.0"


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations([1, 2, 3, 4, 5]), twice=st.sets(st.integers(1, 5)), number=st.uuids())
def test_in_whatever_order_events_come_the_last_state_stands(
    delivering: Delivering, order: list[int], twice: set[int], number: object
) -> None:
    reference = f"LF-{number}"
    for sequence in [*order, *twice]:
        delivering.send(spare(sequence, reference, sequence))
        if sequence % 2:
            delivering.queue.run()
    delivering.queue.run()

    counting = current(delivering, reference)
    assert said(delivering, reference) == "5.0"
    assert len({mark.revision for text in counting if (mark := mark_of(text))}) == 1


# --- one cut, many tickets ------------------------------------------------------------------------------------


def test_a_parent_and_its_children_share_one_advice(delivering: Delivering) -> None:
    parent = delivering.deliver(spare(3, "LF-1"))
    child = delivering.deliver(spare(9, "LF-2", parent="LF-1"))

    assert child.advice_id == parent.advice_id
    assert said(delivering, "LF-2") == "3.0"
    assert "Advice for the fault of ticket LF-1, shared by all tickets that belong to it." in "\n".join(
        current(delivering, "LF-2")
    )
    assert delivering.records.count() == 1


def test_children_follow_their_parent(delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-1"))
    delivering.deliver(spare(9, "LF-2", parent="LF-1"))
    delivering.deliver(spare(1, "LF-1", 2))

    assert said(delivering, "LF-2") == "1.0"
    assert statuses(delivering, "LF-2").count("superseded") >= 1


def test_a_child_that_comes_before_its_parent_is_not_left_alone(delivering: Delivering) -> None:
    alone = delivering.deliver(spare(9, "LF-2", parent="LF-1"))
    assert alone.state == "noted"
    assert said(delivering, "LF-2") == "9.0"

    delivering.deliver(spare(3, "LF-1"))
    assert said(delivering, "LF-2") == "3.0"


def test_a_child_of_a_closed_parent_is_advised_on_by_itself(delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-1"))
    delivering.deliver(spare(3, "LF-1", 2, ended=True))
    delivering.deliver(spare(9, "LF-2", parent="LF-1"))

    assert said(delivering, "LF-2") == "9.0"


def test_a_ticket_that_is_its_own_parent_is_an_ordinary_one(delivering: Delivering) -> None:
    assert delivering.deliver(spare(3, "LF-1", parent="LF-1")).state == "noted"


def test_a_parent_that_closes_while_a_child_waits_leaves_it_its_own_advice(delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-1"))
    delivering.send(spare(9, "LF-2", parent="LF-1"))
    closing = spare(3, "LF-1", 2, ended=True)

    def close(name: str) -> None:
        if name == "hand_over":
            delivering.queue.before = lambda _: None
            closing_id, _ = delivering.office.accept("desk", closing)
            waiting = next(one for one in delivering.queue.work if one[1].delivery_id == closing_id)
            delivering.queue.do(waiting)

    delivering.queue.before = close
    delivering.queue.run()

    assert said(delivering, "LF-2") == "9.0"


def test_a_circle_of_parents_freezes_nobody(delivering: Delivering) -> None:
    """Relations of tickets are easily said from both sides."""
    delivering.deliver(spare(3, "LF-1", parent="LF-2"))
    delivering.deliver(spare(4, "LF-2", parent="LF-1"))
    delivering.deliver(spare(7, "LF-1", 2, parent="LF-2"))
    delivering.deliver(spare(8, "LF-2", 2, parent="LF-1"))

    assert (said(delivering, "LF-1"), said(delivering, "LF-2")) == ("7.0", "8.0")


def test_in_a_chain_of_parents_each_speaks_for_itself(delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-1"))
    delivering.deliver(spare(4, "LF-2", parent="LF-1"))
    delivering.deliver(spare(5, "LF-3", parent="LF-2"))
    delivering.deliver(spare(6, "LF-2", 2, parent="LF-1"))

    assert (said(delivering, "LF-2"), said(delivering, "LF-3")) == ("3.0", "5.0")


# --- by hand --------------------------------------------------------------------------------------------------


def test_a_delivery_that_is_cancelled_writes_nothing(delivering: Delivering) -> None:
    delivery = delivering.send(spare(3))
    assert delivering.office.ledger.cancel(delivery.id).state == "cancelled"
    delivering.queue.run()

    assert delivering.desk.notes == {}
    with pytest.raises(ConflictError):
        delivering.office.ledger.cancel(delivery.id)


def test_what_was_cancelled_can_be_begun_anew(delivering: Delivering) -> None:
    delivery = delivering.send(spare(3))
    delivering.office.ledger.cancel(delivery.id)
    delivering.office.ledger.retry(delivery.id)
    delivering.queue.run()

    assert delivering.office.ledger.given(delivery.id).state == "noted"
    assert current(delivering)


def test_what_is_being_worked_on_cannot_be_begun_anew(delivering: Delivering) -> None:
    delivery = delivering.send(spare(3))
    with pytest.raises(ConflictError):
        delivering.office.ledger.retry(delivery.id)


def test_an_unknown_delivery_is_not_found(delivering: Delivering) -> None:
    for ask in (
        delivering.office.ledger.given,
        delivering.office.ledger.retry,
        delivering.office.ledger.cancel,
    ):
        with pytest.raises(NotFoundError):
            ask("0" * 32)


def test_the_same_event_after_a_cancelled_one_is_advised_on(delivering: Delivering) -> None:
    """Nobody is going to bring the first any more, so the second must not be taken for its echo."""
    first = delivering.send(spare(3))
    delivering.queue.do(delivering.queue.work[0])
    delivering.office.ledger.cancel(first.id)
    second = delivering.deliver(spare(3, sequence=2))

    assert second.state == "noted"


# --- advice that runs out -------------------------------------------------------------------------------------


half_an_hour = pytest.mark.parametrize("holds_min", [30.0])


@half_an_hour
def test_advice_that_has_run_out_says_so_in_its_ticket(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    assert set(statuses(delivering)) == {""}

    delivering.later(minutes=29)
    assert set(statuses(delivering)) == {""}

    delivering.later(minutes=2)
    assert set(statuses(delivering)) == {"expired"}
    assert delivering.desk.texts("LF-1")[0].startswith("EXPIRED 4 May 2031 08:00 UTC.")


@half_an_hour
def test_a_note_in_whose_place_another_stands_does_not_run_out(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    delivering.deliver(spare(1, sequence=2))
    delivering.later(minutes=31)

    assert set(statuses(delivering)) == {"superseded", "expired"}
    assert delivering.desk.texts("LF-1")[0].startswith("SUPERSEDED")


@half_an_hour
def test_a_closed_ticket_is_not_told_that_its_advice_ran_out(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    delivering.deliver(spare(3, sequence=2, ended=True))
    delivering.later(minutes=31)

    assert set(statuses(delivering)) == {""}


@half_an_hour
def test_after_it_ran_out_a_changed_fact_gives_a_new_note(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    delivering.later(minutes=31)
    delivering.deliver(spare(1, sequence=2))

    assert said(delivering) == "1.0"


@half_an_hour
def test_nothing_runs_out_before_its_time_by_hand(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    expiry = next(one for one in delivering.office.ledger.listed() if one.cause == "expiry")
    delivering.office.ledger.cancel(expiry.id)
    delivering.office.ledger.retry(expiry.id)
    delivering.later(minutes=10)
    assert set(statuses(delivering)) == {""}
    delivering.later(minutes=21)
    assert set(statuses(delivering)) == {"expired"}


@half_an_hour
def test_a_note_says_when_its_advice_ran_out_and_not_when_that_was_written(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    left = [1]

    def down(_: str) -> None:
        if left[0]:
            left[0] -= 1
            raise RemoteUnavailableError("503", retry_after_s=7200)

    delivering.desk.before = down
    delivering.later(minutes=31)
    delivering.later(hours=3)
    assert delivering.desk.texts("LF-1")[0].startswith("EXPIRED 4 May 2031 08:00 UTC.")


def test_passwords_and_tokens_are_not_kept(delivering: Delivering) -> None:
    delivering.desk.secret_headers = frozenset({"x-token"})  # type: ignore[attr-defined]
    headers = {"signature": "right", "authorization": "Bearer s3cret", "cookie": "c", "x-token": "t", "x-other": "o"}
    delivery = delivering.deliver(RawEvent(headers, spare(3).body))

    assert json.loads(delivery.headers) == {"signature": "right", "x-other": "o"}
    assert delivery.state == "noted"


def test_what_no_database_can_hold_is_shown_as_something_else(delivering: Delivering) -> None:
    delivery = delivering.deliver(an_event(facts={"a\u0000b": 1, "c\x1bd": "\x00"}))

    assert delivery.state == "set_aside"
    assert delivery.reason.isprintable()


def test_an_event_of_very_many_names_costs_little_and_says_so(delivering: Delivering) -> None:
    delivery = delivering.deliver(an_event(facts={f"place_{i}": 1 for i in range(5000)}))

    assert (delivery.state, len(delivery.reason) < 2001) == ("set_aside", True)
    assert "more names than there are" in delivery.reason


def test_what_an_event_says_is_kept_as_it_came(delivering: Delivering) -> None:
    event = spare(3)
    delivery = delivering.deliver(event)

    assert delivery.body == event.body
    assert json.loads(delivery.headers) == {"signature": "right"}
