"""Another system that fails: tried again without a double, given up visibly, never in the way of another ticket.

No outside source: each test is one way in which a note could be lost or written twice.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from delivery.desk import Desk
from delivery.office import NOW, WAITS_S, Delivering, spare
from delivery.test_tickets import current, said, statuses
from repairadvisor.delivery.attempts import MOST_BEGINS
from repairadvisor.errors import RemoteRefusedError, RemoteUnavailableError
from repairadvisor.plugin import HeldNote, NoteChange, mark_of
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import writing


class Power(BaseException):
    """The process ends here, and no handler of ours sees it."""


def failing(times: int, error: Exception) -> Callable[[str], None]:
    left = [times]

    def fail(_: str) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise error

    return fail


DOWN = RemoteUnavailableError("503")


def test_what_fails_is_tried_again_later(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, DOWN)
    delivery = delivering.deliver(spare(3))

    assert (delivery.state, delivery.attempt, delivery.reason) == ("noting", 1, "503")
    assert delivery.due_at is not None
    assert WAITS_S[0] <= (delivery.due_at - NOW).total_seconds() <= 1.2 * WAITS_S[0]
    assert current(delivering) == []

    delivering.later(seconds=7)
    assert delivering.office.ledger.given(delivery.id).state == "noted"
    assert said(delivering) == "3.0"


def test_an_answer_that_is_lost_gives_no_second_note(delivering: Delivering) -> None:
    """The other side wrote the note and then failed: looked at before it is written again."""
    delivering.desk.after = failing(1, DOWN)
    delivering.deliver(spare(3))
    written = len(delivering.desk.texts("LF-1"))
    delivering.later(seconds=7)

    assert delivering.states() == {"noted": 1, "scheduled": 1}
    assert len(delivering.desk.texts("LF-1")) == written
    assert set(statuses(delivering)) == {""}


def test_without_looking_there_is_a_second_note(delivering: Delivering) -> None:
    """The control: a carrier that cannot look, in front of a system that knows no keys."""
    delivering.desk.can_look = False
    delivering.desk.after = failing(1, DOWN)
    delivering.deliver(spare(3))
    written = len(delivering.desk.texts("LF-1"))
    delivering.later(seconds=7)

    assert len(delivering.desk.texts("LF-1")) == 2 * written


def test_what_stands_there_twice_is_healed(delivering: Delivering) -> None:
    """A request whose sender is gone may be carried out late, after the note was looked at."""

    def twice(reference: str) -> None:
        held = delivering.desk.notes[reference]
        held.extend(HeldNote(f"late {one.handle}", one.text) for one in list(held))
        delivering.desk.after = None

    delivering.desk.after = twice
    delivery = delivering.deliver(spare(3))

    assert delivery.healed == len(current(delivering))
    assert sorted(statuses(delivering)) == ["", "", "void", "void"]
    void = next(text for text in delivering.desk.texts("LF-1") if text.startswith("VOID"))
    assert "This note was written twice; the other one counts." in void


def test_what_comes_late_after_an_uncertain_attempt_is_healed_too(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, DOWN)
    delivering.deliver(spare(3))
    delivering.later(seconds=7)
    held = delivering.desk.notes["LF-1"]
    held.extend(HeldNote(f"late {one.handle}", one.text) for one in list(held))
    delivering.later(seconds=61)

    assert sorted(statuses(delivering)) == ["", "", "void", "void"]
    assert delivering.states() == {"noted": 2}


def test_it_is_given_up_in_the_end_and_says_so(delivering: Delivering) -> None:
    delivering.desk.before = failing(99, DOWN)
    delivery = delivering.deliver(spare(3))
    for wait in WAITS_S:
        delivering.later(seconds=1.3 * wait)

    given_up = delivering.office.ledger.given(delivery.id)
    assert (given_up.state, given_up.reason) == ("given_up", "given up after 4 attempts: 503")
    delivering.later(minutes=5)
    assert delivering.queue.work == []
    assert delivering.office.ledger.given(delivery.id).state == "given_up"


def test_what_was_given_up_can_be_begun_anew(delivering: Delivering) -> None:
    delivering.desk.before = failing(4, DOWN)
    delivery = delivering.deliver(spare(3))
    for wait in WAITS_S:
        delivering.later(seconds=1.3 * wait)
    delivering.office.ledger.retry(delivery.id)
    delivering.queue.run()

    assert delivering.office.ledger.given(delivery.id).state == "noted"
    assert said(delivering) == "3.0"


def test_what_waits_between_attempts_can_be_hurried(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, DOWN)
    delivery = delivering.deliver(spare(3))
    delivering.office.ledger.retry(delivery.id)
    delivering.queue.run()
    assert delivering.office.ledger.given(delivery.id).state == "noted"

    written = delivering.desk.texts("LF-1")
    delivering.later(seconds=7)
    assert delivering.desk.texts("LF-1") == written, "the attempt that was waiting came after all"


def test_what_is_refused_is_given_up_at_once(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, RemoteRefusedError("404 no such ticket"))
    delivery = delivering.deliver(spare(3))

    assert (delivery.state, delivery.reason) == ("given_up", "404 no such ticket")


def test_the_wait_is_no_shorter_than_the_other_side_asks(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, RemoteUnavailableError("429", retry_after_s=120))
    delivery = delivering.deliver(spare(3))

    assert delivery.due_at == NOW + timedelta(seconds=120)


def test_the_wait_is_bounded_whatever_the_other_side_asks(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, RemoteUnavailableError("429", retry_after_s=1e12))
    delivery = delivering.deliver(spare(3))

    assert delivery.due_at == NOW + timedelta(days=7)


def test_a_fault_of_a_plugin_is_a_reason_and_no_crash(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, KeyError("note\nInjected: line"))
    delivery = delivering.deliver(spare(3))

    assert (delivery.state, delivery.attempt) == ("noting", 1)
    assert delivery.reason.startswith("the plugin failed: KeyError: ")
    assert "\n" not in delivery.reason


def test_a_note_that_is_taken_and_is_not_there_is_tried_again(delivering: Delivering) -> None:
    delivering.desk.after = lambda reference: delivering.desk.notes.pop(reference, None)
    delivery = delivering.deliver(spare(3))

    assert delivery.reason == "the note was taken and does not stand in the ticket"
    delivering.desk.after = None
    delivering.later(seconds=7)
    assert said(delivering) == "3.0"


def test_one_ticket_that_fails_holds_up_no_other(delivering: Delivering) -> None:
    def only_the_first(reference: str) -> None:
        if reference == "LF-1":
            raise DOWN

    delivering.desk.before = only_the_first
    delivering.send(spare(3, "LF-1"))
    delivering.send(spare(3, "LF-2"))
    delivering.queue.run()

    assert (current(delivering, "LF-1"), said(delivering, "LF-2")) == ([], "3.0")


def test_work_of_one_ticket_is_one_at_a_time_and_of_a_carrier_in_its_own_lane(delivering: Delivering) -> None:
    delivering.deliver(spare(3, "LF-1"))
    delivering.deliver(spare(1, "LF-1", 2))
    delivering.deliver(spare(1, "LF-2"))
    bringing = [one for one in delivering.queue.done if one.kind == "bring"]

    assert {one.lane for one in bringing} == {"notes.desk"}
    assert [one.one_at_a_time for one in bringing].count(bringing[0].one_at_a_time) == 2


def test_a_later_note_overtakes_one_that_is_being_tried_again(delivering: Delivering) -> None:
    delivering.desk.before = failing(1, DOWN)
    first = delivering.deliver(spare(3))
    delivering.deliver(spare(1, sequence=2))
    delivering.later(seconds=7)

    assert delivering.office.ledger.given(first.id).state == "overtaken"
    assert said(delivering) == "1.0"


def test_a_half_written_note_is_superseded_like_a_whole_one(delivering: Delivering) -> None:
    """The first part was written, then the line broke, then the facts changed."""

    def only_one_part(reference: str) -> None:
        del delivering.desk.notes[reference][1:]
        raise DOWN

    delivering.desk.after = only_one_part
    delivering.deliver(spare(3))
    delivering.desk.after = None
    delivering.deliver(spare(1, sequence=2))

    revisions = [(mark.revision, mark.status) for text in delivering.desk.texts("LF-1") if (mark := mark_of(text))]
    assert revisions == [(1, "superseded"), (2, ""), (2, "")]


def test_what_a_carrier_cannot_look_at_is_rewritten_from_memory(delivering: Delivering) -> None:
    delivering.desk.can_look = False
    delivering.deliver(spare(3))
    for i, note in enumerate(delivering.desk.notes["LF-1"]):
        delivering.desk.notes["LF-1"][i] = HeldNote(mark_of(note.text).key, note.text)  # type: ignore[union-attr]
    delivering.deliver(spare(1, sequence=2))

    assert statuses(delivering)[:2] == ["superseded", "superseded"]
    assert said(delivering) == "1.0"


# --- what arrives late ------------------------------------------------------------------------------------------


def unanswered(delivering: Delivering) -> Callable[[], None]:
    """The next write is not answered and not carried out yet; the function carries it out."""
    kept: list[tuple[str, str]] = []
    change = delivering.desk.change

    def swallow(reference: str, wanted: NoteChange) -> None:
        delivering.desk.change = change  # type: ignore[method-assign]
        kept.extend((reference, note.text) for note in wanted.add)
        raise DOWN

    def arrive() -> None:
        for i, (reference, text) in enumerate(kept):
            delivering.desk.notes.setdefault(reference, []).append(HeldNote(f"late {i}", text))

    delivering.desk.change = swallow  # type: ignore[method-assign]
    return arrive


def revisions(delivering: Delivering) -> list[tuple[int, str]]:
    """Of each note in the ticket its revision and whether it counts."""
    marks = [mark_of(text) for text in delivering.desk.texts("LF-1")]
    return sorted({(mark.revision, mark.status) for mark in marks if mark is not None})


def test_a_note_that_arrives_after_the_one_that_took_its_place_is_superseded(delivering: Delivering) -> None:
    arrive = unanswered(delivering)
    delivering.deliver(spare(3))
    delivering.deliver(spare(1, sequence=2))
    arrive()
    assert revisions(delivering) == [(1, ""), (2, "")]
    delivering.later(seconds=61)

    assert revisions(delivering) == [(1, "superseded"), (2, "")]


def test_a_note_that_arrives_after_its_ticket_was_closed_is_superseded(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    arrive = unanswered(delivering)
    delivering.deliver(spare(1, sequence=2))
    delivering.deliver(spare(1, sequence=3, ended=True))
    arrive()
    delivering.later(seconds=61)

    assert revisions(delivering) == [(1, ""), (2, "superseded")]


def test_a_note_that_stands_there_twice_when_its_ticket_is_closed_is_healed(delivering: Delivering) -> None:
    arrive = unanswered(delivering)
    delivering.deliver(spare(3))
    delivering.later(seconds=7)
    arrive()
    delivering.deliver(spare(3, sequence=2, ended=True))
    delivering.later(seconds=61)

    assert sorted(statuses(delivering)) == ["", "", "void", "void"]


def test_looking_once_more_leaves_alone_what_is_still_being_brought(delivering: Delivering) -> None:
    """The check of note 1 comes while note 2 is half written and to be tried again."""
    arrive = unanswered(delivering)
    delivering.deliver(spare(3))
    delivering.later(seconds=7)

    def half(reference: str) -> None:
        del delivering.desk.notes[reference][3:]
        delivering.desk.after = None
        raise RemoteUnavailableError("503", retry_after_s=300)

    delivering.desk.after = half
    delivering.deliver(spare(1, sequence=2))
    arrive()
    delivering.later(seconds=61)
    delivering.later(seconds=400)

    assert said(delivering) == "1.0"
    assert sorted(statuses(delivering)).count("") == 2


def test_a_cancelled_half_is_superseded(delivering: Delivering) -> None:
    delivering.deliver(spare(3))
    arrive = unanswered(delivering)
    second = delivering.deliver(spare(1, sequence=2))
    delivering.office.ledger.cancel(second.id)
    arrive()
    delivering.later(seconds=61)

    assert revisions(delivering) == [(1, ""), (2, "superseded")]


def test_who_died_before_writing_does_not_write_into_a_closed_ticket(delivering: Delivering) -> None:
    def cut(name: str) -> None:
        if name == "write":
            raise Power

    delivery = delivering.send(spare(3))
    delivering.queue.before = cut
    with pytest.raises(Power):
        delivering.queue.run()
    delivering.queue.before = lambda _: None
    closing = delivering.send(spare(3, sequence=2, ended=True))
    delivering.queue.do(next(one for one in delivering.queue.work if one[1].delivery_id == closing.id))
    delivering.queue.run()

    assert delivering.office.ledger.given(delivery.id).state == "ticket_ended"
    assert delivering.desk.notes == {}


def test_after_the_database_was_put_back_notes_are_numbered_behind_those_that_stand_there(
    delivering: Delivering,
) -> None:
    """A backup of yesterday: the ticket holds notes of which nothing is known here."""
    for sequence in (1, 2, 3):
        delivering.deliver(spare(sequence, sequence=sequence))
    with writing(delivering.engine) as connection:
        yesterday = {"revisions": 1, "noted_revision": 1, "noted_digest": "", "told": "another"}
        store.set_ticket(connection, store.ticket_id("desk", "LF-1"), **yesterday)
    delivery = delivering.deliver(spare(9, sequence=4))
    assert delivery.reason == "note 3 stands in the ticket, of which nothing is known here: numbered anew"
    delivering.later(seconds=7)

    assert said(delivering) == "9.0"
    assert [one for one in revisions(delivering) if one[1] == ""] == [(4, "")]


def test_a_note_that_only_looks_like_ours_keeps_none_of_ours_out(delivering: Delivering) -> None:
    forged = f"REPAIR. All is well.\n[repairadvisor {store.ticket_id('desk', 'LF-1')[:12]} advice 999 1/1]"
    delivering.desk.notes["LF-1"] = [HeldNote("theirs", forged)]
    delivery = delivering.deliver(spare(3))

    assert delivery.state == "noted"
    assert delivering.desk.texts("LF-1")[0] == forged


# --- the power goes ---------------------------------------------------------------------------------------------


STEPS = ("read", "accept", "facts", "advise", "hand_over", "begin", "write", "confirm", "finish")


@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.parametrize("step", STEPS)
def test_whenever_the_power_goes_there_is_one_note(delivering: Delivering, step: str, when: str) -> None:
    """What a step gave is lost with the process although it had its effect: it is run again."""

    def cut(name: str) -> None:
        if name == step:
            setattr(delivering.queue, when, lambda _: None)
            raise Power

    setattr(delivering.queue, when, cut)
    delivery = delivering.send(spare(3))
    with pytest.raises(Power):
        delivering.queue.run()
    delivering.queue.run()
    delivering.later(seconds=61)

    assert delivering.office.ledger.given(delivery.id).state == "noted"
    assert said(delivering) == "3.0"
    assert set(statuses(delivering)) == {""}
    assert delivering.records.count() == 1


@pytest.mark.parametrize("step", STEPS)
def test_whenever_the_power_goes_twice_and_the_ticket_changes_its_last_state_stands(
    delivering: Delivering, step: str
) -> None:
    cuts = [step, step]

    def cut(name: str) -> None:
        if cuts and name == cuts[0]:
            cuts.pop()
            raise Power

    delivering.queue.after = cut
    delivering.send(spare(3))
    for sequence in (2, 3):
        with pytest.raises(Power):
            delivering.queue.run()
        delivering.send(spare(sequence, sequence=sequence))
    delivering.queue.run()
    delivering.later(seconds=61)

    assert said(delivering) == "3.0"
    assert set(delivering.states()) <= {"noted", "overtaken", "unchanged"}


@pytest.mark.parametrize("step", ["read", "advise", "write"])
def test_what_ends_every_process_that_touches_it_is_given_up(delivering: Delivering, step: str) -> None:
    def cut(name: str) -> None:
        if name == step:
            raise Power

    delivering.queue.before = cut
    delivery = delivering.send(spare(3))
    died = 0
    for _ in range(60):
        try:
            delivering.queue.run()
        except Power:
            died += 1
    told = delivering.office.ledger.given(delivery.id)

    assert died == MOST_BEGINS
    assert (told.state, told.reason) == ("given_up", f"processes ended {MOST_BEGINS} times while they were at it")
    delivering.queue.before = lambda _: None
    delivering.office.ledger.retry(delivery.id)
    delivering.queue.run()
    assert delivering.office.ledger.given(delivery.id).state == "noted"


def test_an_echo_that_comes_while_the_first_one_is_dead_does_not_overtake_it(delivering: Delivering) -> None:
    """Killed after the ticket was brought up to date and before that was remembered; then an echo comes first."""
    first = delivering.send(spare(3))

    def cut(name: str) -> None:
        if name == "accept":
            delivering.queue.after = lambda _: None
            raise Power

    delivering.queue.after = cut
    with pytest.raises(Power):
        delivering.queue.run()
    echo = delivering.send(spare(3, sequence=900))
    delivering.queue.do(next(one for one in delivering.queue.work if one[1].delivery_id == echo.id))
    delivering.queue.run()

    assert delivering.office.ledger.given(echo.id).state == "unchanged"
    assert delivering.office.ledger.given(first.id).state == "noted"
    assert delivering.deliver(spare(1, sequence=899)).state == "overtaken"


def test_a_process_that_others_took_for_dead_writes_nothing(
    delivering: Delivering, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivering.office.bringing, "_is_alive", lambda: False)
    delivery = delivering.deliver(spare(3))

    assert delivering.desk.notes == {}
    assert delivery.reason == "this process was away for so long that others took up its work"


def test_the_desk_of_these_tests_is_a_carrier_and_a_source() -> None:
    from repairadvisor.plugin import NoteCarrier, TicketSource  # noqa: PLC0415

    assert isinstance(Desk(), NoteCarrier)
    assert isinstance(Desk(), TicketSource)
