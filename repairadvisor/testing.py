"""What every plugin must keep, as tests that an author inherits::

    from repairadvisor.testing import NoteCarrierContract

    class TestCarrier(NoteCarrierContract):
        @pytest.fixture
        def carrier(self): ...
        @pytest.fixture
        def reference(self): ...

Each class says in its docstring which fixtures it needs. A plugin that passes is safe to deliver through: the rest
(retries, order, one writer a ticket, what a note says) is not the plugin's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from repairadvisor.errors import EventRefusedError, EventUnreadableError, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.facts.parse import parse_context
from repairadvisor.plugin import (
    LEAST_LONGEST_NOTE,
    FactsSource,
    Fetched,
    FollowUpOpener,
    HeldNote,
    Note,
    NoteCarrier,
    NoteChange,
    NoteMark,
    PolledSource,
    RawEvent,
    Ticket,
    TicketSource,
    mark_of,
)
from repairadvisor.plugin.loading import Installed, installed

__all__ = [
    "EventsOverHttpContract",
    "FactsSourceContract",
    "FollowUpContract",
    "NoteCarrierContract",
    "PolledSourceContract",
    "TicketSourceContract",
    "a_note",
    "installed_plugin",
]

#: Texts that a ticket may hold and that mean nothing but themselves.
HOSTILE_TEXTS = (
    "<script>alert(1)</script>",
    "'; DROP TABLE tickets; --",
    "{{ 7 * 7 }}",
    "place: pole_top\r\nX-Injected: yes",
    "status: closed\nended: true\nparent: LF-1",
    "A cable hangs in a footway chamber, sparks seen, margin 3 dB, spare 2 m.",
    "\u202eevil",
    "a" * 10_000,
)


def installed_plugin(seam: str, name: str) -> Installed:
    """The plugin that is installed under ``name`` for a seam ("sources", "carriers" or "facts"). Fails where none is:
    then the distribution has no such entry point, or is not installed."""
    for one in installed():
        if (one.seam, one.name) == (seam, name):
            return one
    raise AssertionError(f"no plugin {name} is installed for {seam}")


def a_note(revision: int = 1, part: int = 1, parts: int = 1, text: str = "STAND OFF. Ring the owner.") -> Note:
    """A note as deliveries write them: what is to be said, and our mark as its last line."""
    mark = NoteMark("0123456789ab", "advice", revision, part, parts, seal="fedcba9876543210")
    return Note(mark.key, f"{text}\n{mark.line}")


def _keys(held: Sequence[HeldNote] | None) -> list[str]:
    marks = [mark_of(one.text) for one in held or ()]
    return [mark.key for mark in marks if mark is not None]


class TicketSourceContract:
    """For every ticket source. Fixtures: ``source``; ``event``, a whole event that tells of a ticket;
    ``nonsense``, a list of events that came from the sender all the same and cannot be read."""

    def test_it_is_a_ticket_source(self, source: TicketSource) -> None:
        """The methods are there."""
        assert isinstance(source, TicketSource)

    def test_an_event_reads_as_a_ticket(self, source: TicketSource, event: RawEvent) -> None:
        """And what it says can be used, or is refused by name."""
        ticket = source.read(event)
        assert isinstance(ticket, Ticket)
        assert ticket.facts
        parse_context(ticket.facts, datetime(2031, 5, 4, 7, 30, tzinfo=UTC))

    def test_reading_twice_gives_the_same(self, source: TicketSource, event: RawEvent) -> None:
        """An event may be read again after a crash."""
        assert source.read(event) == source.read(event)

    def test_nonsense_is_set_aside_and_nothing_else(self, source: TicketSource, nonsense: list[RawEvent]) -> None:
        """By :class:`EventUnreadableError` with a reason of one line; or no ticket, or none that says anything of the
        fault; never some other error."""
        assert nonsense
        for one in nonsense:
            try:
                ticket = source.read(one)
            except EventUnreadableError as error:
                reason = str(error)
                assert reason
                assert "\n" not in reason
                assert len(reason) < 2000
            else:
                assert ticket is None or (isinstance(ticket, Ticket) and not ticket.facts)

    def test_no_fact_is_guessed_from_free_text(
        self, source: TicketSource, event_with_text: dict[str, RawEvent]
    ) -> None:
        """Whatever stands in a title or a description, the ticket is that of the event without it.

        Fixture ``event_with_text``: by text ("" and each of ``HOSTILE_TEXTS``), an event that has it where people write
        freely, and is alike in all else.
        """
        without = source.read(event_with_text[""])
        assert without is not None
        for text in HOSTILE_TEXTS:
            ticket = source.read(event_with_text[text])
            assert ticket is not None
            assert replace(ticket, sequence=without.sequence) == without


class EventsOverHttpContract:
    """For a source whose events come over HTTP. Fixtures: ``source``; ``event``, whole and signed at ``now``."""

    def test_a_signed_event_has_a_key(self, source: TicketSource, event: RawEvent, now: datetime) -> None:
        """The same each time."""
        key = source.authenticate(event, now)
        assert 1 <= len(key) <= 200
        assert key.isprintable()
        assert source.authenticate(event, now) == key

    def test_an_event_without_headers_is_refused(self, source: TicketSource, event: RawEvent, now: datetime) -> None:
        """Whatever its body says."""
        with pytest.raises(EventRefusedError):
            source.authenticate(RawEvent({}, event.body), now)

    def test_a_changed_body_is_refused(self, source: TicketSource, event: RawEvent, now: datetime) -> None:
        """Each byte counts, and so does one too many."""
        step = max(1, len(event.body) // 50)
        changed = [
            event.body[:i] + bytes([event.body[i] ^ 1]) + event.body[i + 1 :] for i in range(0, len(event.body), step)
        ]
        for body in (*changed, event.body + b" ", event.body[:-1], b"", b"\xff\xfe"):
            with pytest.raises(EventRefusedError):
                source.authenticate(RawEvent(event.headers, body), now)

    def test_a_repeated_event_gets_no_other_key(self, source: TicketSource, event: RawEvent, now: datetime) -> None:
        """Who has seen an event may send it again with other headers: it is refused, or known for the same."""
        key = source.authenticate(event, now)
        for name, value in event.headers.items():
            others = {one: said for one, said in event.headers.items() if one != name}
            for changed in (others, {**others, name: f"{value}1"}, {**others, name: value[:-1]}):
                try:
                    again = source.authenticate(RawEvent(changed, event.body), now)
                except EventRefusedError:
                    continue
                assert again == key, name

    def test_what_refuses_tells_no_secret(self, source: TicketSource, event: RawEvent, now: datetime) -> None:
        """The reason may reach the sender: it holds neither body nor headers, nor the signature that would be right."""
        reasons = set()
        for more in (b" ", b"\n"):
            with pytest.raises(EventRefusedError) as refused:
                source.authenticate(RawEvent(event.headers, event.body + more), now)
            reasons.add(str(refused.value))
        assert len(reasons) == 1
        values = [*(value for value in event.headers.values() if len(value) > 20), event.body.decode(errors="replace")]
        assert not any(value in reason for reason in reasons for value in values)


class PolledSourceContract:
    """For a source that is asked. Fixtures: ``source``, with at least two events waiting."""

    def test_it_is_a_polled_source(self, source: PolledSource) -> None:
        """The methods are there, and how often."""
        assert isinstance(source, PolledSource)
        assert source.poll_every_s > 0

    def test_fetching_again_from_the_same_place_gives_the_same(self, source: PolledSource) -> None:
        """A crash before the events are on disk loses none."""
        first, again = source.fetch(""), source.fetch("")
        assert len(first.events) >= 2
        told = [[(key, event.body) for key, event in fetched.events] for fetched in (first, again)]
        assert told[0] == told[1]
        assert isinstance(first.cursor, str)
        assert all(isinstance(event, RawEvent) for _, event in first.events)

    def test_after_the_cursor_there_is_nothing_old(self, source: PolledSource) -> None:
        """Or at least nothing under another key."""
        first = source.fetch("")
        later = source.fetch(first.cursor)
        assert {key for key, _ in later.events} <= {key for key, _ in first.events}

    def test_settling_twice_does_no_harm(self, source: PolledSource) -> None:
        """And what was settled does not come again."""
        first: Fetched = source.fetch("")
        keys = [key for key, _ in first.events]
        source.settle(keys)
        source.settle(keys)
        source.settle([])
        assert not {key for key, _ in source.fetch(first.cursor).events} & set(keys)

    def test_what_is_not_settled_waits(self, source: PolledSource) -> None:
        """Whatever else is."""
        first, *others = source.fetch("").events
        source.settle([first[0]])
        assert {key for key, _ in others} <= {key for key, _ in source.fetch("").events}

    def test_each_event_has_its_own_key(self, source: PolledSource) -> None:
        """1 to 200 printable characters."""
        keys = [key for key, _ in source.fetch("").events]
        assert len(set(keys)) == len(keys)
        assert all(1 <= len(key) <= 200 and key.isprintable() for key in keys)


class NoteCarrierContract:
    """For every note carrier. Fixtures: ``carrier``; ``reference``, a ticket that is there and has no note of ours;
    ``written``, a function that tells the texts of all notes as the other side has them now (``written() -> list``).
    """

    def test_it_is_a_note_carrier(self, carrier: NoteCarrier) -> None:
        """The methods are there, and how much fits."""
        assert isinstance(carrier, NoteCarrier)
        assert carrier.longest_note >= LEAST_LONGEST_NOTE

    def test_a_note_arrives_whole(self, carrier: NoteCarrier, reference: str, written: Any) -> None:
        """µ, °, − and line breaks included, and nothing in it is obeyed."""
        note = a_note(text="REPAIR. Ends 9 µm aside, −40 °C ≤ t; <b>not bold</b> & 'so'.\n- 2 plugs\n- 3 trays")
        carrier.change(reference, NoteChange(add=(note,)))
        assert [text for text in written() if note.text in text.replace("\r\n", "\n")]

    def test_looking_finds_what_was_written(self, carrier: NoteCarrier, reference: str) -> None:
        """By its mark, in order, each once; a carrier that cannot look says None."""
        if carrier.look(reference) is None:
            return
        assert _keys(carrier.look(reference)) == []
        notes = tuple(a_note(part=part, parts=3) for part in (1, 2, 3))
        carrier.change(reference, NoteChange(add=notes))
        held = carrier.look(reference) or ()
        assert _keys(held) == [note.key for note in notes]
        said = ["".join(one.text.split()) for one in held]
        assert all("".join(note.text.split()) in text for note, text in zip(notes, said, strict=False))

    def test_all_notes_of_a_change_arrive(self, carrier: NoteCarrier, reference: str, written: Any) -> None:
        """Each once."""
        notes = tuple(a_note(part=part, parts=3) for part in (1, 2, 3))
        carrier.change(reference, NoteChange(add=notes))
        keys = [mark.key for mark in map(mark_of, written()) if mark is not None]
        assert sorted(keys) == [note.key for note in notes]

    def test_the_same_change_twice_leaves_one_note(self, carrier: NoteCarrier, reference: str, written: Any) -> None:
        """As after a crash between writing and remembering it."""
        note = a_note()
        carrier.change(reference, NoteChange(add=(note,)))
        carrier.change(reference, NoteChange(add=(note,)))
        assert len([text for text in written() if note.text in text.replace("\r\n", "\n")]) == 1

    def test_a_note_is_rewritten(self, carrier: NoteCarrier, reference: str, written: Any) -> None:
        """What each says now stands in the ticket, and the new note beside it; looking finds all of them."""
        olds, new = (a_note(1, 1, 2), a_note(1, 2, 2)), a_note(2, text="REPAIR. Fuse it.")
        carrier.change(reference, NoteChange(add=olds))
        held = carrier.look(reference)
        before = held or [HeldNote(old.key, old.text) for old in olds]
        assert len(before) == len(olds)
        said = [f"SUPERSEDED by note 2.\n{old.text.replace(']', ' superseded]')}" for old in olds]
        carrier.change(reference, NoteChange(add=(new,), rewrite=tuple(zip(before, said, strict=True))))
        texts = [text.replace("\r\n", "\n") for text in written()]
        assert all(any(one in text for text in texts) for one in said)
        assert any(new.text in text and not any(one in text for one in said) for text in texts)
        if held is not None:
            marks = [mark for one in carrier.look(reference) or () if (mark := mark_of(one.text))]
            assert {mark_of(one) for one in (*said, new.text)} <= set(marks)

    def test_a_note_of_the_longest_length_fits(self, carrier: NoteCarrier, reference: str, written: Any) -> None:
        """Nothing is cut off."""
        room = carrier.longest_note - len(a_note(text="").text)
        note = a_note(text="µ" * room)
        assert len(note.text) == carrier.longest_note
        carrier.change(reference, NoteChange(add=(note,)))
        whole = "".join(note.text.split())
        assert [text for text in written() if whole in "".join(text.split())]

    def test_no_change_is_no_write(self, carrier: NoteCarrier, reference: str, written: Any) -> None:
        """Nothing to add and nothing to rewrite leaves the ticket as it is."""
        carrier.change(reference, NoteChange(add=(a_note(),)))
        before = list(written())
        carrier.change(reference, NoteChange())
        assert list(written()) == before


class FollowUpContract:
    """For a carrier that opens follow-up tickets. Fixtures: ``carrier``, ``reference``."""

    def test_the_same_key_opens_one_ticket(self, carrier: FollowUpOpener, reference: str) -> None:
        """Asked twice, as after a crash, the answer is the same ticket."""
        assert isinstance(carrier, FollowUpOpener)
        words = ("0123456789ab-follow-up-1", "Permanent repair owed", "The repair of today is temporary.")
        first = carrier.open_follow_up(reference, *words)
        assert first
        assert first != reference
        assert carrier.open_follow_up(reference, *words) == first
        assert carrier.open_follow_up(reference, "0123456789ab-follow-up-2", *words[1:]) != first


class FactsSourceContract:
    """For every facts source. Fixtures: ``facts_source``; ``ticket``, one for which it knows something at ``now``;
    ``unknown_ticket``, one for which it does not; ``down``, a source like it whose other side does not answer."""

    def test_it_is_a_facts_source(self, facts_source: FactsSource) -> None:
        """The method is there."""
        assert isinstance(facts_source, FactsSource)

    def test_what_it_says_can_be_used(self, facts_source: FactsSource, ticket: Ticket, now: datetime) -> None:
        """Names, units and ranges of the table of facts; each report says from where and when."""
        found: Mapping[str, object] = facts_source.facts(ticket, now)
        assert found
        parse_context({**found, **ticket.facts}, now)
        for name, report in found.items():
            for one in report if isinstance(report, list) else [report]:
                assert isinstance(one, dict), name
                assert one.get("source"), name
                assert one.get("seen_at"), name

    def test_where_it_knows_nothing_it_says_nothing(
        self, facts_source: FactsSource, unknown_ticket: Ticket, now: datetime
    ) -> None:
        """No default and no guess."""
        assert dict(facts_source.facts(unknown_ticket, now)) == {}

    def test_without_its_other_side_it_knows_nothing(self, down: FactsSource, ticket: Ticket, now: datetime) -> None:
        """It says nothing, or raises one of the errors of the seam."""
        try:
            found = down.facts(ticket, now)
        except (RemoteUnavailableError, RemoteRefusedError):
            return
        assert dict(found) == {}
