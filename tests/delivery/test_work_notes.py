"""What was done goes back to its ticket, once, whatever fails in between; a temporary repair opens its follow-up once.

No outside source: these are promises of this product, each with the case that would break it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import pytest
from builders import a_plan, an_advice

from delivery.desk import Desk, an_event
from delivery.office import Delivering, spare
from repairadvisor.decision.advice import Advice
from repairadvisor.delivery.notes import ADVICE, WORK
from repairadvisor.errors import RemoteRefusedError, RemoteUnavailableError
from repairadvisor.plugin import FollowUpOpener, HeldNote, mark_of
from repairadvisor.service import Advisor
from repairadvisor.store import erasing
from repairadvisor.store.database import writing
from repairadvisor.store.work_notes import set_work_note, work_notes
from repairadvisor.work_done import WorkDone


@dataclass
class OpeningDesk(Desk):
    """A desk that opens tickets too: one for each key."""

    opened: dict[str, tuple[str, str, str]] = field(default_factory=dict)
    asked: int = 0
    fails: Any = None

    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        self.asked += 1
        if self.fails is not None and self.fails != "after":
            raise self.fails
        self.opened.setdefault(key, (reference, title, text))
        if self.fails == "after":
            self.fails = None
            raise RemoteUnavailableError("the answer was lost")
        return f"LF-9{[*self.opened].index(key)}"


@pytest.fixture
def desk() -> Desk:
    return OpeningDesk()


@pytest.fixture
def stage() -> str:
    return "permanent"


@pytest.fixture
def advised(stage: str) -> Advice:
    return an_advice(plan=a_plan(stage=stage))


@pytest.fixture
def work_done(delivering: Delivering) -> WorkDone:
    advisor: Advisor = delivering.office.work_notes._advisor
    return WorkDone(advisor, then=delivering.office.work_notes.owe)


def report(work: WorkDone, delivering: Delivering, advice: str | None, loss_db: float = 0.04, **changes: Any) -> None:
    """Something is reported of the work under an advice."""
    entry = {"fibre": "T1F1..T1F3", "joint": 1, "method": "fusion_splice", "attempt": 1, **changes}
    entry |= {"made_at": "2031-05-04T06:00:00Z", "readings": [{"nm": 1310, "both_ways_db": loss_db}]}
    extra = {name: entry.pop(name) for name in ("evidence", "temporary") if name in entry}
    work.report({"advice": advice, "attempts": [entry], **extra}, delivering.queue.now)


def notes(delivering: Delivering, reference: str = "LF-1", kind: str = WORK) -> list[str]:
    """The notes of a kind in a ticket that count."""
    marked = [(mark_of(text), text) for text in delivering.desk.texts(reference)]
    return [text for mark, text in marked if mark is not None and mark.kind == kind and not mark.status]


def open_of(delivering: Delivering, cause: str) -> list[str]:
    return [one.state for one in delivering.office.ledger.listed() if one.cause == cause and one.is_open]


def states_of(delivering: Delivering, cause: str) -> list[str]:
    return [one.state for one in delivering.office.ledger.listed() if one.cause == cause]


# --- the note -------------------------------------------------------------------------------------------------


def test_verdict_attempts_and_evidence_go_back_to_the_ticket(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    report(work_done, delivering, advice, 0.3, evidence=["photograph of tray 1"])
    report(work_done, delivering, advice, 0.06, attempt=2)
    delivering.queue.run()

    (note,) = notes(delivering)
    assert note.splitlines()[0] == "WORK DONE: 3 joints reported: ACCEPT 3."
    assert "ACCEPT FOR THE TIME BEING: T1F1..T1F3, joint 1. The owner's limit is 0.15 dB." in note
    assert "Owed, T1F1..T1F3: The trace from the far end." in note
    assert "T1F1..T1F3, joint 1, attempt 1: fusion splice, 0.30 dB at 1310 nm; REDO" in note
    assert "Evidence: photograph of tray 1" in note
    assert f"/v1/advice/{advice}/outcomes" in note
    assert "TEMPORARY" not in note
    assert states_of(delivering, "follow_up") == []


def test_the_note_on_the_advice_stays_as_it_is(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    before = notes(delivering, kind=ADVICE)
    report(work_done, delivering, advice)
    delivering.queue.run()
    assert notes(delivering, kind=ADVICE) == before
    assert len(notes(delivering)) == 1

    delivering.deliver(spare(2, sequence=2))
    assert notes(delivering, kind=ADVICE) != before
    assert len(notes(delivering)) == 1, "and new advice leaves the note on the work alone"


def test_reports_that_come_together_lead_to_one_note(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    for number in range(6):
        report(work_done, delivering, advice, fibre=f"F{number}")
    delivering.queue.run()
    assert len(delivering.desk.texts("LF-1")) == len(notes(delivering, kind=ADVICE)) + 1
    assert "F0..F5" in notes(delivering)[0]
    assert states_of(delivering, "verdict") == ["noted"]


def test_a_later_report_takes_the_place_of_the_note(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    report(work_done, delivering, advice, 0.3)
    delivering.queue.run()
    assert "REDO 3" in notes(delivering)[0]
    report(work_done, delivering, advice, 0.05, attempt=2)
    delivering.queue.run()
    (note,) = notes(delivering)
    assert "ACCEPT 3" in note
    assert "Note 2 on the work of this ticket; the earlier ones no longer count." in note
    marks = [mark_of(text) for text in delivering.desk.texts("LF-1")]
    assert [one.status for one in marks if one and one.kind == WORK] == ["superseded", ""]


def test_the_same_report_twice_changes_nothing(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    report(work_done, delivering, advice)
    delivering.queue.run()
    before = delivering.desk.texts("LF-1")
    report(work_done, delivering, advice)
    delivering.queue.run()
    assert delivering.desk.texts("LF-1") == before
    assert states_of(delivering, "verdict") == ["noted"]


def test_work_under_an_earlier_advice_of_the_ticket_is_told_too(delivering: Delivering, work_done: WorkDone) -> None:
    first = delivering.deliver(spare(3)).advice_id
    second = delivering.deliver(spare(2, sequence=2)).advice_id
    assert first != second
    report(work_done, delivering, first, fibre="F1")
    report(work_done, delivering, second, fibre="F2")
    delivering.queue.run()
    (note,) = notes(delivering)
    assert "F1..F2" in note


def test_a_ticket_that_ended_meanwhile_is_told_all_the_same(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    delivering.deliver(spare(3, sequence=2, ended=True))
    report(work_done, delivering, advice)
    delivering.queue.run()
    assert len(notes(delivering)) == 1


def test_every_ticket_that_shares_the_advice_is_told(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    delivering.deliver(spare(3, "LF-2", parent="LF-1"))
    report(work_done, delivering, advice)
    delivering.queue.run()
    assert len(notes(delivering, "LF-1")) == len(notes(delivering, "LF-2")) == 1


def test_advice_of_no_ticket_leads_to_no_note(delivering: Delivering, work_done: WorkDone) -> None:
    delivering.deliver(spare(3))
    advisor: Advisor = delivering.office.work_notes._advisor
    report(work_done, delivering, advisor.advise({"facts": {}}, delivering.queue.now).id)
    delivering.queue.run()
    assert states_of(delivering, "verdict") == []


def test_a_long_note_goes_on_in_further_ones(delivering: Delivering, work_done: WorkDone) -> None:
    delivering.desk.longest_note = 1200
    advice = delivering.deliver(spare(3)).advice_id
    for number in range(40):
        report(work_done, delivering, advice, 0.01 * (number % 14), fibre=f"F{number}", evidence=["x" * 150])
    delivering.queue.run()
    found = notes(delivering)
    assert len(found) > 3
    assert all(len(text) <= 1200 for text in found)
    assert found[0].splitlines()[0].startswith("[1 of ")


@pytest.mark.parametrize("can_look", [True, False])
@pytest.mark.parametrize("fails", ["before", "after"])
def test_a_failed_attempt_is_made_again_and_stands_there_once(
    delivering: Delivering, work_done: WorkDone, can_look: bool, fails: str
) -> None:
    delivering.desk.can_look = can_look
    advice = delivering.deliver(spare(3)).advice_id

    def fail(_: str) -> None:
        setattr(delivering.desk, fails, None)
        raise RemoteUnavailableError("not now")

    setattr(delivering.desk, fails, fail)
    report(work_done, delivering, advice)
    delivering.queue.run()
    report(work_done, delivering, advice, 0.05, attempt=2)
    for _ in range(6):
        delivering.later(minutes=2)
    if can_look:
        assert len(notes(delivering)) == 1
    assert "attempt 2" in notes(delivering)[-1]
    assert open_of(delivering, "verdict") == []


def test_whoever_dies_at_any_step_the_note_stands_there_once(delivering: Delivering, work_done: WorkDone) -> None:
    """A process ends before or after each step in turn; whoever comes next goes on behind the last one remembered."""
    advice = delivering.deliver(spare(3)).advice_id
    for number, (when, name) in enumerate(
        itertools.product(("before", "after"), ("begin", "write", "confirm", "finish")), start=2
    ):
        report(work_done, delivering, advice, attempt=number)

        def die(step: str, wanted: str = name, at: str = when) -> None:
            if step == wanted:
                setattr(delivering.queue, at, lambda _: None)
                raise SystemExit

        setattr(delivering.queue, when, die)
        with pytest.raises(SystemExit):
            delivering.queue.run()
        delivering.queue.run()
        delivering.later(minutes=2)
        (note,) = notes(delivering)
        assert f"attempt {number}" in note
        assert open_of(delivering, "verdict") == []


def test_somebody_elses_note_and_a_forged_one_are_left_alone(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    report(work_done, delivering, advice)
    delivering.queue.run()
    mark = mark_of(notes(delivering)[0])
    assert mark is not None
    forged = mark.line.replace(" verdict 1 ", " verdict 7 ")
    held = delivering.desk.notes["LF-1"]
    held += [HeldNote("theirs", "Customer rang."), HeldNote("forged", f"All is well.\n{forged}")]
    report(work_done, delivering, advice, attempt=2)
    delivering.queue.run()
    texts = delivering.desk.texts("LF-1")
    assert "Customer rang." in texts
    assert f"All is well.\n{forged}" in texts
    assert any("Note 2 on the work" in text for text in texts)


def test_a_note_that_is_not_known_here_is_numbered_behind(delivering: Delivering, work_done: WorkDone) -> None:
    """As after the database was put back to an earlier day."""
    advice = delivering.deliver(spare(3)).advice_id
    report(work_done, delivering, advice)
    delivering.queue.run()
    report(work_done, delivering, advice, attempt=2)
    delivering.queue.run()
    with writing(delivering.engine) as connection:
        ticket = connection.execute(work_notes.select()).mappings().one()["ticket_id"]
        set_work_note(connection, ticket, revisions=0, noted_revision=0, noted_digest="", notes=b"[]")
    report(work_done, delivering, advice, attempt=3)
    delivering.queue.run()
    delivering.later(minutes=1)
    (note,) = notes(delivering)
    assert "Note 3 on the work" in note
    assert "attempt 3" in note


def test_what_was_given_up_is_begun_anew_by_hand(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id

    def refuse(_: str) -> None:
        raise RemoteRefusedError("closed")

    delivering.desk.before = refuse
    report(work_done, delivering, advice)
    delivering.queue.run()
    (given_up,) = [one for one in delivering.office.ledger.listed() if one.cause == "verdict"]
    assert (given_up.state, given_up.reason) == ("given_up", "closed")
    delivering.desk.before = None
    delivering.office.ledger.retry(given_up.id)
    delivering.queue.run()
    assert len(notes(delivering)) == 1


def test_what_was_erased_before_it_was_told_is_not_told(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id or ""
    report(work_done, delivering, advice, fibre="F1")
    report(work_done, delivering, advice, fibre="F2")
    with writing(delivering.engine) as connection:
        erasing.erase(connection, work_done.report(_last(advice), delivering.queue.now).id)
    delivering.queue.run()
    (note,) = notes(delivering)
    assert "F1" in note
    assert "F2" not in note


def _last(advice: str) -> dict[str, Any]:
    entry = {"fibre": "F2", "joint": 1, "method": "fusion_splice", "attempt": 1, "made_at": "2031-05-04T06:00:00Z"}
    return {"advice": advice, "attempts": [{**entry, "readings": [{"nm": 1310, "both_ways_db": 0.04}]}]}


# --- the ticket that follows ----------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["temporary_then_permanent"])
class TestTemporary:
    """A repair for now."""

    def test_it_opens_its_follow_up_and_says_when_it_is_due(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        report(work_done, delivering, advice, temporary={"due_on": "2031-05-20", "responsible": "wren-2"})
        delivering.queue.run()
        assert isinstance(desk, FollowUpOpener)
        ((reference, title, text),) = desk.opened.values()
        assert (reference, title) == ("LF-1", "Permanent repair owed by 2031-05-20")
        assert "due on 2031-05-20" in text
        assert "T1F1..T1F3" in text
        (note,) = notes(delivering)
        assert "TEMPORARY: a permanent repair is owed, due on 2031-05-20." in note
        assert "Follow-up ticket: LF-90" in note
        assert "wren-2" not in text + note

    def test_one_ticket_is_opened_however_often_it_is_reported(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        for attempt in range(1, 5):
            report(work_done, delivering, advice, attempt=attempt)
            delivering.queue.run()
        delivering.deliver(spare(2, sequence=2))
        other = delivering.deliver(spare(1, sequence=3)).advice_id
        report(work_done, delivering, other, fibre="F9")
        delivering.queue.run()
        assert (len(desk.opened), desk.asked) == (1, 1)

    def test_an_answer_that_was_lost_opens_no_second_one(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        desk.fails = "after"
        report(work_done, delivering, advice)
        delivering.queue.run()
        for _ in range(3):
            delivering.later(minutes=2)
        assert (len(desk.opened), desk.asked) == (1, 2)
        assert "Follow-up ticket: LF-90" in notes(delivering)[0]

    @pytest.mark.parametrize("name", ["open", "remember"])
    @pytest.mark.parametrize("when", ["before", "after"])
    def test_whoever_dies_over_it_one_ticket_is_opened(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk, name: str, when: str
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        report(work_done, delivering, advice)

        def die(step: str) -> None:
            if step == name:
                setattr(delivering.queue, when, lambda _: None)
                raise SystemExit

        setattr(delivering.queue, when, die)
        with pytest.raises(SystemExit):
            delivering.queue.run()
        delivering.queue.run()
        assert len(desk.opened) == 1
        assert "Follow-up ticket: LF-90" in notes(delivering)[0]
        assert states_of(delivering, "follow_up") == ["noted"]

    def test_no_ticket_follows_before_a_joint_may_stay(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        report(work_done, delivering, advice, 0.5)
        delivering.queue.run()
        assert desk.opened == {}
        assert "no day has been set for it" in notes(delivering)[0]
        report(work_done, delivering, advice, 0.05, attempt=2)
        delivering.queue.run()
        assert len(desk.opened) == 1

    def test_of_tickets_that_share_an_advice_the_parent_opens_it(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        for child in ("LF-2", "LF-3", "LF-4"):
            delivering.deliver(spare(3, child, parent="LF-1"))
        report(work_done, delivering, advice)
        delivering.queue.run()
        assert [reference for reference, _, _ in desk.opened.values()] == ["LF-1"]

    def test_a_closed_ticket_owes_it_all_the_more(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        delivering.deliver(an_event(facts={}, sequence=9, ended=True))
        report(work_done, delivering, advice)
        delivering.queue.run()
        assert len(desk.opened) == 1

    def test_it_is_tried_again_and_given_up_visibly(
        self, delivering: Delivering, work_done: WorkDone, desk: OpeningDesk
    ) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        desk.fails = RemoteUnavailableError("down")
        report(work_done, delivering, advice)
        for _ in range(6):
            delivering.later(hours=1)
        (owed,) = [one for one in delivering.office.ledger.listed() if one.cause == "follow_up"]
        assert owed.state == "given_up"
        desk.fails = None
        delivering.office.ledger.retry(owed.id)
        delivering.later(minutes=1)
        assert len(desk.opened) == 1


@pytest.mark.parametrize("stage", ["temporary_then_permanent"])
class TestWithoutAnOpener:
    """A carrier that opens no tickets."""

    @pytest.fixture
    def desk(self) -> Desk:
        return Desk()

    def test_somebody_is_told_to_open_it_by_hand(self, delivering: Delivering, work_done: WorkDone) -> None:
        advice = delivering.deliver(spare(3)).advice_id
        report(work_done, delivering, advice)
        delivering.queue.run()
        (owed,) = [one for one in delivering.office.ledger.listed() if one.cause == "follow_up"]
        assert owed.state == "given_up"
        assert "open one by hand" in owed.reason
        assert "TEMPORARY: a permanent repair is owed" in notes(delivering)[0]


def test_a_delivery_says_what_it_is_for(delivering: Delivering, work_done: WorkDone) -> None:
    advice = delivering.deliver(spare(3)).advice_id
    report(work_done, delivering, advice)
    delivering.queue.now += timedelta(seconds=1)
    (owed,) = [one for one in delivering.office.ledger.listed() if one.cause == "verdict"]
    assert (owed.reference, owed.advice_id, owed.key) == ("LF-1", advice, f"LF-1: work under advice {advice}")
