"""The contract tests that a plugin's author inherits: right plugins pass them all, and each of them can fail.

For every contract there are right plugins, unlike each other, and wrong ones, each with the very tests that it fails.
"""

from __future__ import annotations

import hashlib
import hmac
import inspect
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from repairadvisor import testing
from repairadvisor.errors import (
    EventRefusedError,
    EventUnreadableError,
    InputError,
    RemoteRefusedError,
    RemoteUnavailableError,
)
from repairadvisor.plugin import (
    LEAST_LONGEST_NOTE,
    Fetched,
    HeldNote,
    Note,
    NoteChange,
    NoteMark,
    RawEvent,
    Site,
    Ticket,
    loading,
    mark_of,
)
from repairadvisor.plugin.loading import Installed
from repairadvisor.testing import (
    HOSTILE_TEXTS,
    EventsOverHttpContract,
    FactsSourceContract,
    FollowUpContract,
    NoteCarrierContract,
    PolledSourceContract,
    TicketSourceContract,
    a_note,
    installed_plugin,
)

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
Fixtures = Mapping[str, Any]


class CrashError(Exception):
    """What no plugin may raise."""


#: How a contract test fails: by its own word, by pytest's where nothing was raised, by that of the facts' reader, or by
#: what the plugin raises.
FAILURES = (AssertionError, pytest.fail.Exception, InputError, CrashError, EventUnreadableError)


def contract_tests(contract: type) -> list[str]:
    return [name for name in vars(contract) if name.startswith("test_")]


def failed(contract: type, fixtures: Callable[[], Fixtures], by: type[BaseException] = CrashError) -> set[str]:
    """The tests that fail, each called with fixtures of its own."""
    fails = set()
    for name in contract_tests(contract):
        test = getattr(contract(), name)
        asked = inspect.signature(test).parameters
        try:
            test(**{one: made for one, made in fixtures().items() if one in asked})
        except (*FAILURES, by):
            fails.add(name)
    return fails


# --- sources --------------------------------------------------------------------------------------------------

KEY = b"known to both sides of this test"


def signature(*parts: bytes) -> str:
    return hmac.new(KEY, b".".join(parts), hashlib.sha256).hexdigest()


def signed(body: bytes, number: str = "e-1") -> RawEvent:
    return RawEvent({"desk-event": number, "desk-signature": signature(number.encode(), body)}, body)


def an_event(**said: Any) -> RawEvent:
    ticket = {"number": "LF-17", "version": 4, "title": "", "facts": {"place": "pole_top", "spare_near_m": 3}}
    return signed(json.dumps({**ticket, **said}).encode())


class Desk:
    """Events of JSON with a number, signed together with it."""

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        """Events have no time here: ``now`` is not looked at, and only has to be aware."""
        assert now.tzinfo is not None
        number = event.headers.get("desk-event", "")
        right = self.signed(number, event.body)
        if not hmac.compare_digest(event.headers.get("desk-signature", ""), right):
            raise EventRefusedError(self.reason(event))
        return number

    def signed(self, number: str, body: bytes) -> str:
        return signature(number.encode(), body)

    def reason(self, _event: RawEvent) -> str:
        return "desk-signature: is not that of the body"

    def read(self, event: RawEvent) -> Ticket | None:
        try:
            said = json.loads(event.body)
            return Ticket(reference=said["number"], sequence=said["version"], facts=self.facts(said))
        except (ValueError, LookupError, TypeError) as error:
            raise EventUnreadableError(self.fault(event, error)) from error

    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        return dict(said["facts"])

    def fault(self, _event: RawEvent, error: Exception) -> str:
        return f"is no ticket: {type(error).__name__}"


def source_fixtures(source: Callable[[], Any]) -> Callable[[], Fixtures]:
    return lambda: {
        "source": source(),
        "event": an_event(),
        "event_with_text": {text: an_event(title=text) for text in ("", *HOSTILE_TEXTS)},
        "nonsense": [signed(body) for body in (b"", b"{}", b"[]", b"\xff", b"[" + b"x" * 3000 + b"]")],
        "now": NOW,
    }


class DeskWithShifts(Desk):
    """Tells of no ticket where an event has no number: those are about shifts."""

    def read(self, event: RawEvent) -> Ticket | None:
        return super().read(event) if b'"number"' in event.body else None


class WithoutAuthenticate:
    def read(self, event: RawEvent) -> Ticket | None:
        return Desk().read(event)


class ReadsNothing(Desk):
    def read(self, _event: RawEvent) -> Ticket | None:
        return None


class NamesFactsOfItsOwn(Desk):
    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        return {"colour_of_van": "blue", **said["facts"]}


class KnowsWordsOfItsOwn(Desk):
    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        return {**said["facts"], "place": "up the pole"}


class Counts(Desk):
    """Orders tickets by when they are read."""

    def __init__(self) -> None:
        self.numbers = count(1)

    def read(self, event: RawEvent) -> Ticket | None:
        ticket = super().read(event)
        return replace(ticket, sequence=next(self.numbers)) if ticket else None


class RemembersWhatItRead(Desk):
    """And takes an event that is read again for nothing new."""

    def __init__(self) -> None:
        self.read_already: set[bytes] = set()

    def read(self, event: RawEvent) -> Ticket | None:
        if event.body in self.read_already:
            return None
        self.read_already.add(event.body)
        return super().read(event)


class CrashesOnNonsense(Desk):
    def fault(self, _event: RawEvent, error: Exception) -> str:
        raise CrashError from error


class GivesNoReason(Desk):
    def fault(self, _event: RawEvent, _error: Exception) -> str:
        return ""


class GivesTwoLines(Desk):
    def fault(self, _event: RawEvent, error: Exception) -> str:
        return f"is no ticket:\n{error}"


class QuotesTheWholeEvent(Desk):
    def fault(self, event: RawEvent, _error: Exception) -> str:
        return f"is no ticket: {event.body!r}"


class MakesATicketOfNonsense(Desk):
    """With facts that nobody told."""

    def read(self, event: RawEvent) -> Ticket | None:
        try:
            return super().read(event)
        except EventUnreadableError:
            return WINDY


class UnderstandsNoFact(Desk):
    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        return {name: value for name, value in said["facts"].items() if name == "none of them"}


class EndsByTheTitle(Desk):
    """Takes a ticket for closed whose title says so."""

    def read(self, event: RawEvent) -> Ticket | None:
        ticket = super().read(event)
        return replace(ticket, ended=b"closed" in event.body) if ticket else None


class FindsSparesInTheTitle(Desk):
    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        told = re.search(r"spare (\d+) m", said["title"])
        return {**said["facts"], **({"spare_near_m": int(told[1])} if told else {})}


class TellsSomethingElse(Desk):
    """Gives for nonsense what is neither a ticket nor none."""

    def read(self, event: RawEvent) -> Any:
        try:
            return super().read(event)
        except EventUnreadableError:
            return {}


class GuessesThePlace(Desk):
    """Takes a place from the title."""

    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        told = re.search(r"place: (\w+)", said["title"])
        return {**said["facts"], "place": told[1]} if told else said["facts"] | {"place": "chamber"}


class TakesTheTitleForAFact(Desk):
    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        return {**said["facts"], "fault_seen": said["title"]} if said["title"] else said["facts"]


class DropsLongEvents(Desk):
    def read(self, event: RawEvent) -> Ticket | None:
        return super().read(event) if len(event.body) < 5000 else None


class RefusesSigns(Desk):
    """Takes a title with a bracket in it for an attack."""

    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        if "<" in said["title"]:
            raise ValueError("there is a bracket in the title")
        return super().facts(said)


class ObeysTheTitle(Desk):
    """Fills a template."""

    def facts(self, said: Mapping[str, Any]) -> Mapping[str, object]:
        told = json.dumps(said["facts"])
        return json.loads(told.replace("3", "49") if "{{ 7 * 7 }}" in said["title"] else told)


# Events over HTTP


class KeyOfTheBody(Desk):
    """The key is what was signed."""

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        super().authenticate(event, now)
        return hashlib.sha256(event.body).hexdigest()


class NewKeyEachTime(Desk):
    def __init__(self) -> None:
        self.numbers = count()

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        return super().authenticate(event, now) + str(next(self.numbers))


class EmptyKey(Desk):
    def authenticate(self, event: RawEvent, now: datetime) -> str:
        return super().authenticate(event, now)[:0]


class LongKey(Desk):
    def authenticate(self, event: RawEvent, now: datetime) -> str:
        return super().authenticate(event, now).ljust(201, "0")


class KeyOfTwoLines(Desk):
    def authenticate(self, event: RawEvent, now: datetime) -> str:
        return f"{super().authenticate(event, now)}\n"


class TrustsWhoSignsNothing(Desk):
    """Checks a signature where there is one."""

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        return super().authenticate(event, now) if event.headers else "e-0"


class NeedsHeaders(Desk):
    def authenticate(self, event: RawEvent, now: datetime) -> str:
        if "desk-event" not in event.headers:
            raise CrashError
        return super().authenticate(event, now)


class TrustsAnybody(Desk):
    def authenticate(self, event: RawEvent, _now: datetime) -> str:
        return event.headers.get("desk-event", "e-0")


class ChecksTheBeginning(Desk):
    def signed(self, number: str, body: bytes) -> str:
        whole = an_event().body
        return signature(number.encode(), whole if body[:20] == whole[:20] else body)


class ForgivesSpace(Desk):
    """Signs what is between the blanks."""

    def signed(self, number: str, body: bytes) -> str:
        return signature(number.encode(), body.strip())


class ForgivesTheEnd(Desk):
    """Mends a bracket that was cut off."""

    def signed(self, number: str, body: bytes) -> str:
        missing = body.count(b"{") - body.count(b"}")
        return signature(number.encode(), body + b"}" * missing)


class TakesEmptyEventsForGreetings(Desk):
    def authenticate(self, event: RawEvent, now: datetime) -> str:
        return super().authenticate(event, now) if event.body else "greeting"


class ParsesBeforeItKnows(Desk):
    """And falls over what it cannot parse."""

    def signed(self, number: str, body: bytes) -> str:
        try:
            body.decode()
        except ValueError as error:
            raise CrashError from error
        return super().signed(number, body)


class NumbersAreNotSigned(Desk):
    """Whoever repeats an event may give it another number, and it is taken for a new one."""

    def signed(self, number: str, body: bytes) -> str:
        return signature(b"e-1", body) if number else "no number"


class QuotesTheBody(Desk):
    def reason(self, event: RawEvent) -> str:
        return f"desk-signature: is not that of {event.body[: len(an_event().body)].decode(errors='replace')}"


class TellsTheRightSignature(Desk):
    def reason(self, event: RawEvent) -> str:
        return f"desk-signature: should be {self.signed(event.headers.get('desk-event', ''), event.body)}"


class TellsTheSignature(Desk):
    def reason(self, event: RawEvent) -> str:
        return f"desk-signature: {event.headers.get('desk-signature')}: is not that of the body"


# Sources that are asked

BACKLOG = tuple((f"e-{number}", signed(f'{{"number": "LF-{number}"}}'.encode(), f"e-{number}")) for number in (1, 2, 3))


class Outbox(Desk):
    """Events wait until they are settled; the cursor counts those that were told."""

    poll_every_s = 30.0

    def __init__(self) -> None:
        self.waiting = dict(BACKLOG)

    def fetch(self, cursor: str) -> Fetched:
        past = int(cursor or 0)
        new = [(key, event) for key, event in self.waiting.items() if int(key.removeprefix("e-")) > past]
        last = max((int(key.removeprefix("e-")) for key, _ in new), default=past)
        return Fetched(tuple((self.key(key, cursor), event) for key, event in new), str(last))

    def key(self, key: str, _cursor: str) -> str:
        return key

    def settle(self, keys: Sequence[str]) -> None:
        for key in keys:
            self.waiting.pop(key, None)


class OutboxThatKeeps(Outbox):
    """Never tidies up: the cursor does."""

    def settle(self, keys: Sequence[str]) -> None:
        """Nothing to do."""


class OutboxWithoutCursor(Outbox):
    """Tells all that is not settled."""

    def fetch(self, _cursor: str) -> Fetched:
        return Fetched(super().fetch("").events, "")


class NeverSaysHowOften(Outbox):
    poll_every_s = 0


class IsNotAsked(Desk):
    """Has no ``poll_every_s``, so that nobody asks it."""

    def __init__(self) -> None:
        self.fetch, self.settle = Outbox().fetch, Outbox().settle


class LosesWhatItTold(Outbox):
    def fetch(self, cursor: str) -> Fetched:
        fetched = super().fetch(cursor)
        self.waiting.clear()
        return fetched


class LosesOne(Outbox):
    """Tells the last event once."""

    def fetch(self, cursor: str) -> Fetched:
        fetched = super().fetch(cursor)
        if len(self.waiting) == 3:
            del self.waiting["e-3"]
        return fetched


class TellsOneOnly(Outbox):
    def __init__(self) -> None:
        self.waiting = dict(BACKLOG[:1])


class KeysOfTheMoment(Outbox):
    def __init__(self) -> None:
        super().__init__()
        self.numbers = count()

    def key(self, key: str, _cursor: str) -> str:
        return f"{key}-{next(self.numbers)}"


class KeysByCursor(OutboxWithoutCursor):
    """The same event has another key after the cursor."""

    def fetch(self, cursor: str) -> Fetched:
        events = super().fetch(cursor).events
        return Fetched(tuple((f"{cursor}{key}", event) for key, event in events), "later-")


class TellsAgainAndAgain(OutboxWithoutCursor):
    """Whether it is settled or not."""

    def settle(self, keys: Sequence[str]) -> None:
        """Nothing is tidied up."""


class CutsTheSecondTime(Outbox):
    """Tells the same keys and less of the events."""

    def __init__(self) -> None:
        super().__init__()
        self.numbers = count()

    def fetch(self, cursor: str) -> Fetched:
        fetched = super().fetch(cursor)
        cut = next(self.numbers)
        return replace(fetched, events=tuple((key, replace(one, body=one.body[cut:])) for key, one in fetched.events))


class SettlesAll(Outbox):
    """Whatever is settled, everything is tidied up."""

    def settle(self, keys: Sequence[str]) -> None:
        if keys:
            self.waiting.clear()


class CursorIsANumber(Outbox):
    def fetch(self, cursor: str) -> Any:
        return replace(super().fetch(cursor), cursor=3)


class SettlesOnce(Outbox):
    def settle(self, keys: Sequence[str]) -> None:
        if not set(keys) <= set(self.waiting):
            raise CrashError
        super().settle(keys)


class NeedsSomethingToSettle(Outbox):
    def settle(self, keys: Sequence[str]) -> None:
        if not keys:
            raise CrashError
        super().settle(keys)


class OneKeyForAll(Outbox):
    def key(self, _key: str, _cursor: str) -> str:
        return "e"


class NoKeys(OutboxThatKeeps):
    def key(self, key: str, _cursor: str) -> str:
        return "" if key == "e-1" else key


class LongKeys(OutboxThatKeeps):
    def key(self, key: str, _cursor: str) -> str:
        return key.ljust(201, "0")


class KeysOfTwoLines(OutboxThatKeeps):
    def key(self, key: str, _cursor: str) -> str:
        return f"{key}\n"


def polled_fixtures(source: Callable[[], Any]) -> Callable[[], Fixtures]:
    return lambda: {"source": source()}


# --- carriers -------------------------------------------------------------------------------------------------


class Notebook:
    """Notes of all tickets in memory, each with a number."""

    longest_note = 2000

    def __init__(self) -> None:
        self.held: list[HeldNote] = []

    def texts(self) -> list[str]:
        return [one.text for one in self.held]

    def look(self, _reference: str) -> Sequence[HeldNote] | None:
        return list(self.held)

    def change(self, _reference: str, change: NoteChange) -> None:
        for note in change.add:
            self.add(note)
        for old, text in change.rewrite:
            self.rewrite(old, text)

    def add(self, note: Note) -> None:
        if note.key not in [mark.key for text in self.texts() if (mark := mark_of(text))]:
            self.write(note.text)

    def write(self, text: str) -> None:
        self.held.append(HeldNote(str(len(self.held)), self.put(text)))

    def put(self, text: str) -> str:
        """A note as the ticket system makes it."""
        return text

    def rewrite(self, old: HeldNote, text: str) -> None:
        self.held = [HeldNote(old.handle, self.put(text)) if one.handle == old.handle else one for one in self.held]


class NotebookOfADesk(Notebook):
    """Others write there too, lines end as in a mail, and something stands under each note."""

    def __init__(self) -> None:
        super().__init__()
        self.others = ["Called the owner."]

    def texts(self) -> list[str]:
        return [*self.others, *super().texts()]

    def put(self, text: str) -> str:
        return text.replace("\n", "\r\n") + "\r\n--\r\nBy the night desk"


class Postbox(Notebook):
    """Cannot look: knows the keys that it took, and sends a text that is to be another as a note of its own."""

    def __init__(self) -> None:
        super().__init__()
        self.keys: set[str] = set()

    def look(self, _reference: str) -> Sequence[HeldNote] | None:
        return None

    def add(self, note: Note) -> None:
        if note.key not in self.keys:
            self.keys.add(note.key)
            self.write(note.text)

    def rewrite(self, _old: HeldNote, text: str) -> None:
        self.write(text)


class HoldsTooLittle(Notebook):
    longest_note = LEAST_LONGEST_NOTE - 1


class NotebookWithoutLook:
    longest_note = 2000

    def __init__(self) -> None:
        self.notebook = Notebook()
        self.texts, self.change = self.notebook.texts, self.notebook.change


class SpeaksAscii(Notebook):
    def put(self, text: str) -> str:
        return text.encode("ascii", "ignore").decode()


class ReadsAsLatin1(Notebook):
    def put(self, text: str) -> str:
        return text.encode().decode("latin-1")


class OnOneLine(Notebook):
    def put(self, text: str) -> str:
        return " ".join(text.split())


class EmptyLinesBetween(Notebook):
    def put(self, text: str) -> str:
        return text.replace("\n", "\n\n")


class Escapes(Notebook):
    def put(self, text: str) -> str:
        return text.replace("&", "&amp;").replace("<", "&lt;")


class TakesTagsOut(Notebook):
    def put(self, text: str) -> str:
        return re.sub(r"<[^>]*>", "", text)


class LooksAtTheNewestFirst(Notebook):
    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return list(reversed(super().look(reference) or ()))


class LooksAtTheFirstPage(Notebook):
    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return list(super().look(reference) or ())[:2]


class LooksTwice(Notebook):
    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return [one for one in super().look(reference) or () for _ in range(2)]


class SeesNothing(Notebook):
    """Says that there is nothing where it cannot look."""

    def look(self, _reference: str) -> Sequence[HeldNote] | None:
        return []

    def rewrite(self, _old: HeldNote, text: str) -> None:
        self.write(text)


class SeesOnlyTheBeginning(Notebook):
    """What is looked at has lost its mark."""

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return [replace(one, text=one.text[:20]) for one in super().look(reference) or ()]


class SeesWhatIsNotThere(Notebook):
    """Tells the notes of another ticket."""

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return [*(super().look(reference) or ()), HeldNote("x", a_note(revision=9).text)]

    def rewrite(self, old: HeldNote, text: str) -> None:
        super().rewrite(replace(old, handle="0"), text)


class WritesBackwards(Notebook):
    def change(self, reference: str, change: NoteChange) -> None:
        super().change(reference, replace(change, add=change.add[::-1]))


class WritesTheFirst(Notebook):
    def change(self, reference: str, change: NoteChange) -> None:
        super().change(reference, replace(change, add=change.add[:1]))


class WritesTwice(Notebook):
    def add(self, note: Note) -> None:
        self.write(note.text)


class SendsTwice(Postbox):
    def add(self, note: Note) -> None:
        self.write(note.text)


class WritesNothing(Notebook):
    def write(self, text: str) -> None:
        """Lost."""


class KeepsTheOldText(Notebook):
    def rewrite(self, old: HeldNote, text: str) -> None:
        """Says nothing of it."""


class RewritesEverything(Notebook):
    def rewrite(self, _old: HeldNote, text: str) -> None:
        self.held = [replace(one, text=text) for one in self.held]


class RewritesTheLast(Notebook):
    """Takes the newest note for the one that is meant."""

    def rewrite(self, _old: HeldNote, text: str) -> None:
        self.held[-1] = replace(self.held[-1], text=text)


class MakesOneOfTwo(Notebook):
    """Puts the new text under the newest note."""

    def rewrite(self, _old: HeldNote, text: str) -> None:
        self.held[-1] = replace(self.held[-1], text=f"{self.held[-1].text}\n{text}")


class SendsTheFirst(Postbox):
    """Of several notes, and cannot look."""

    def change(self, reference: str, change: NoteChange) -> None:
        super().change(reference, replace(change, add=change.add[:1]))


class RewritesTheFirst(Notebook):
    """Of several notes."""

    def change(self, reference: str, change: NoteChange) -> None:
        super().change(reference, replace(change, rewrite=change.rewrite[:1]))


class SeesOnlyNotesThatCount(Notebook):
    """Does not know its own notes by a mark that says that they no longer count."""

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return [one for one in super().look(reference) or () if "superseded]" not in one.text]


class SeesOnlyTheMark(Notebook):
    """What is looked at has lost all but its mark, and would be written back so."""

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        return [replace(one, text=one.text.splitlines()[-1]) for one in super().look(reference) or ()]


class HoldsOneChange(Notebook):
    """Each change takes the place of what stood there, unless that is the same."""

    def change(self, reference: str, change: NoteChange) -> None:
        rewritten = [HeldNote("r", text) for _, text in change.rewrite]
        self.held = []
        super().change(reference, NoteChange(add=change.add))
        self.held += rewritten


class CutsOffTheMark(Notebook):
    """Its longest note is longer by a few characters than what fits."""

    def put(self, text: str) -> str:
        return text[:1990]


class CutsOff(Notebook):
    def put(self, text: str) -> str:
        return text[:1000]


class CountsBytes(Notebook):
    def put(self, text: str) -> str:
        return text.encode()[:2000].decode(errors="ignore")


class WritesThatThereIsNothing(Notebook):
    def change(self, reference: str, change: NoteChange) -> None:
        super().change(reference, change)
        if change == NoteChange():
            self.write("No change.")


def carrier_fixtures(carrier: Callable[[], Any]) -> Callable[[], Fixtures]:
    def fixtures() -> Fixtures:
        made = carrier()
        return {"carrier": made, "reference": "LF-17", "written": made.texts}

    return fixtures


# Follow-ups


class Opener:
    """Numbers the tickets that it opens, one for each key."""

    def __init__(self) -> None:
        self.opened: dict[str, str] = {}

    def open_follow_up(self, _reference: str, key: str, title: str, text: str) -> str:
        assert title
        assert text
        return self.opened.setdefault(key, f"LF-{100 + len(self.opened)}")


class OpensTwo(Opener):
    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        return super().open_follow_up(reference, f"{key}-{len(self.opened)}", title, text)


class OpensOneForAll(Opener):
    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        return super().open_follow_up(reference, key[:12], title, text)


class TellsTheOldTicket(Opener):
    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        super().open_follow_up(reference, key, title, text)
        return reference


class TellsNothing(Opener):
    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        return super().open_follow_up(reference, key, title, text)[:0]


class RefusesTheSecondTime(Opener):
    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        if self.opened:
            raise CrashError
        return super().open_follow_up(reference, key, title, text)


def opener_fixtures(carrier: Callable[[], Any]) -> Callable[[], Fixtures]:
    return lambda: {"carrier": carrier(), "reference": "LF-17"}


# --- facts ----------------------------------------------------------------------------------------------------

WINDY = Ticket(reference="LF-17", sequence=1, facts={"place": "pole_top"}, site=Site(52.0, -4.0))
NOWHERE = replace(WINDY, site=None)


class Vane:
    """Knows the wind wherever a ticket has a site; ``is_down``: its other side does not answer."""

    def __init__(self, *, is_down: bool = False) -> None:
        self.is_down = is_down

    def facts(self, ticket: Ticket, now: datetime) -> Mapping[str, object]:
        if self.is_down:
            return self.without_answer()
        return self.of_somewhere(now) if ticket.site else self.of_nowhere(now)

    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": {**self.report(now), "value": 4, "unit": "m/s"}}

    def report(self, now: datetime) -> dict[str, object]:
        return {"source": "vane at Orrin's Mill", "seen_at": (now - timedelta(minutes=10)).isoformat()}

    def of_nowhere(self, _now: datetime) -> Mapping[str, object]:
        return {}

    def without_answer(self) -> Mapping[str, object]:
        raise RemoteUnavailableError("the vane does not answer")


class VaneThatIsRefused(Vane):
    def without_answer(self) -> Mapping[str, object]:
        raise RemoteRefusedError("the vane knows nobody of this name")


class SilentVane(Vane):
    def without_answer(self) -> Mapping[str, object]:
        return {}


class TwoVanes(Vane):
    """Two reports of one fact."""

    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": [{**self.report(now), "value": 4}, {**self.report(now), "between": [3, 5]}]}


class NoVane:
    """Has no method of the seam."""

    def __init__(self, *, is_down: bool = False) -> None:
        self.is_down = is_down


class KnowsNothing(Vane):
    def of_somewhere(self, _now: datetime) -> Mapping[str, object]:
        return {}


class SaysNoMoment(Vane):
    def report(self, now: datetime) -> dict[str, object]:
        return {"source": super().report(now)["source"]}


class SaysNoSource(Vane):
    def report(self, now: datetime) -> dict[str, object]:
        return {"seen_at": super().report(now)["seen_at"]}


class SaysAnEmptySource(Vane):
    def report(self, now: datetime) -> dict[str, object]:
        return {**super().report(now), "source": ""}


class SaysAPlainNumber(Vane):
    def of_somewhere(self, _now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": 4}


class SaysNoMomentTheSecondTime(Vane):
    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": [{**self.report(now), "value": 4}, {"source": "a crew", "value": 4}]}


class KnowsAFactOfItsOwn(Vane):
    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_from_deg": {**self.report(now), "value": 230}}


class MeasuresInBeaufort(Vane):
    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": {**self.report(now), "value": 4, "unit": "Bft"}}


class MeasuresTooMuch(Vane):
    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": {**self.report(now), "value": 999}}


class KnowsBetterThanTheTicket(Vane):
    """Tells of the ticket's place what goes with no such place."""

    def of_somewhere(self, now: datetime) -> Mapping[str, object]:
        return {"depth_m": {**self.report(now), "value": 2}}


class SeesTheFuture(Vane):
    def report(self, now: datetime) -> dict[str, object]:
        return super().report(now + timedelta(hours=1))


class SupposesCalm(Vane):
    """Where it knows nothing."""

    def of_nowhere(self, now: datetime) -> Mapping[str, object]:
        return {"wind_mean_mps": {**self.report(now), "value": 0}}


class SupposesCalmWithoutAnswer(Vane):
    def without_answer(self) -> Mapping[str, object]:
        return self.of_somewhere(NOW)


class CrashesWithoutAnswer(Vane):
    def without_answer(self) -> Mapping[str, object]:
        raise CrashError


def vane_fixtures(vane: Callable[..., Any]) -> Callable[[], Fixtures]:
    return lambda: {
        "facts_source": vane(),
        "ticket": WINDY,
        "unknown_ticket": NOWHERE,
        "down": vane(is_down=True),
        "now": NOW,
    }


# --- who passes and who fails ---------------------------------------------------------------------------------

#: By contract: what makes its fixtures of a plugin.
CONTRACTS: dict[type, Callable[[Callable[..., Any]], Callable[[], Fixtures]]] = {
    TicketSourceContract: source_fixtures,
    EventsOverHttpContract: source_fixtures,
    PolledSourceContract: polled_fixtures,
    NoteCarrierContract: carrier_fixtures,
    FollowUpContract: opener_fixtures,
    FactsSourceContract: vane_fixtures,
}

RIGHT: dict[type, tuple[type, ...]] = {
    TicketSourceContract: (Desk, DeskWithShifts, Outbox),
    EventsOverHttpContract: (Desk, KeyOfTheBody),
    PolledSourceContract: (Outbox, OutboxThatKeeps, OutboxWithoutCursor),
    NoteCarrierContract: (Notebook, NotebookOfADesk, Postbox),
    FollowUpContract: (Opener,),
    FactsSourceContract: (Vane, VaneThatIsRefused, SilentVane, TwoVanes),
}

SOURCE, READS, AGAIN = "it_is_a_ticket_source", "an_event_reads_as_a_ticket", "reading_twice_gives_the_same"
NONSENSE, GUESSED = "nonsense_is_set_aside_and_nothing_else", "no_fact_is_guessed_from_free_text"
HAS_KEY, NO_HEADERS = "a_signed_event_has_a_key", "an_event_without_headers_is_refused"
REPEATED = "a_repeated_event_gets_no_other_key"
CHANGED, TELLS = "a_changed_body_is_refused", "what_refuses_tells_no_secret"
POLLED, FETCHED_AGAIN = "it_is_a_polled_source", "fetching_again_from_the_same_place_gives_the_same"
UNSETTLED = "what_is_not_settled_waits"
AFTER, SETTLED, OWN_KEY = (
    "after_the_cursor_there_is_nothing_old",
    "settling_twice_does_no_harm",
    "each_event_has_its_own_key",
)
CARRIER, WHOLE, LOOKED = "it_is_a_note_carrier", "a_note_arrives_whole", "looking_finds_what_was_written"
ALL_ARRIVE = "all_notes_of_a_change_arrive"
TWICE, REWRITTEN = "the_same_change_twice_leaves_one_note", "a_note_is_rewritten"
FITS, NO_CHANGE = "a_note_of_the_longest_length_fits", "no_change_is_no_write"
ONE_TICKET = "the_same_key_opens_one_ticket"
FACTS, USED = "it_is_a_facts_source", "what_it_says_can_be_used"
UNKNOWN, DOWN = "where_it_knows_nothing_it_says_nothing", "without_its_other_side_it_knows_nothing"

#: By contract and wrong plugin: the tests that it fails, all of them and no others.
WRONG: dict[type, dict[type, set[str]]] = {
    TicketSourceContract: {
        WithoutAuthenticate: {SOURCE},
        ReadsNothing: {READS, GUESSED},
        UnderstandsNoFact: {READS},
        MakesATicketOfNonsense: {NONSENSE},
        EndsByTheTitle: {GUESSED},
        FindsSparesInTheTitle: {GUESSED},
        NamesFactsOfItsOwn: {READS},
        KnowsWordsOfItsOwn: {READS},
        Counts: {AGAIN},
        RemembersWhatItRead: {AGAIN},
        CrashesOnNonsense: {NONSENSE},
        GivesNoReason: {NONSENSE},
        GivesTwoLines: {NONSENSE},
        QuotesTheWholeEvent: {NONSENSE},
        TellsSomethingElse: {NONSENSE},
        GuessesThePlace: {GUESSED},
        TakesTheTitleForAFact: {GUESSED},
        DropsLongEvents: {GUESSED},
        RefusesSigns: {GUESSED},
        ObeysTheTitle: {GUESSED},
    },
    EventsOverHttpContract: {
        NewKeyEachTime: {HAS_KEY},
        EmptyKey: {HAS_KEY},
        LongKey: {HAS_KEY},
        KeyOfTwoLines: {HAS_KEY},
        TrustsWhoSignsNothing: {NO_HEADERS},
        NeedsHeaders: {NO_HEADERS, REPEATED},
        TrustsAnybody: {NO_HEADERS, CHANGED, REPEATED, TELLS},
        NumbersAreNotSigned: {REPEATED},
        QuotesTheBody: {TELLS},
        TellsTheRightSignature: {TELLS},
        ChecksTheBeginning: {CHANGED, TELLS},
        ForgivesSpace: {CHANGED, TELLS},
        ForgivesTheEnd: {CHANGED},
        TakesEmptyEventsForGreetings: {CHANGED},
        ParsesBeforeItKnows: {CHANGED},
        TellsTheSignature: {TELLS},
    },
    PolledSourceContract: {
        NeverSaysHowOften: {POLLED},
        IsNotAsked: {POLLED},
        LosesWhatItTold: {FETCHED_AGAIN, UNSETTLED},
        LosesOne: {FETCHED_AGAIN, UNSETTLED},
        CutsTheSecondTime: {FETCHED_AGAIN},
        CursorIsANumber: {FETCHED_AGAIN},
        SettlesAll: {UNSETTLED},
        TellsOneOnly: {FETCHED_AGAIN},
        KeysOfTheMoment: {FETCHED_AGAIN, UNSETTLED},
        KeysByCursor: {AFTER},
        TellsAgainAndAgain: {SETTLED},
        SettlesOnce: {SETTLED},
        NeedsSomethingToSettle: {SETTLED},
        OneKeyForAll: {OWN_KEY},
        NoKeys: {OWN_KEY},
        LongKeys: {OWN_KEY},
        KeysOfTwoLines: {OWN_KEY},
    },
    NoteCarrierContract: {
        HoldsTooLittle: {CARRIER},
        NotebookWithoutLook: {CARRIER, LOOKED, REWRITTEN},
        SpeaksAscii: {WHOLE, FITS},
        ReadsAsLatin1: {WHOLE, FITS},
        OnOneLine: {WHOLE, TWICE, REWRITTEN},
        EmptyLinesBetween: {WHOLE, TWICE, REWRITTEN},
        Escapes: {WHOLE},
        TakesTagsOut: {WHOLE},
        LooksAtTheNewestFirst: {LOOKED},
        LooksAtTheFirstPage: {LOOKED, REWRITTEN},
        LooksTwice: {LOOKED, REWRITTEN},
        SeesNothing: {LOOKED, REWRITTEN},
        SeesOnlyTheBeginning: {LOOKED, REWRITTEN},
        SeesOnlyTheMark: {LOOKED},
        SeesOnlyNotesThatCount: {REWRITTEN},
        SeesWhatIsNotThere: {LOOKED, REWRITTEN},
        WritesBackwards: {LOOKED},
        WritesTheFirst: {LOOKED, ALL_ARRIVE, REWRITTEN},
        SendsTheFirst: {ALL_ARRIVE},
        RewritesTheFirst: {REWRITTEN},
        HoldsOneChange: {NO_CHANGE},
        CutsOffTheMark: {FITS},
        WritesTwice: {TWICE},
        SendsTwice: {TWICE},
        WritesNothing: {WHOLE, LOOKED, ALL_ARRIVE, TWICE, REWRITTEN, FITS},
        KeepsTheOldText: {REWRITTEN},
        RewritesEverything: {REWRITTEN},
        RewritesTheLast: {REWRITTEN},
        MakesOneOfTwo: {REWRITTEN},
        CutsOff: {FITS},
        CountsBytes: {FITS},
        WritesThatThereIsNothing: {NO_CHANGE},
    },
    FollowUpContract: {
        Notebook: {ONE_TICKET},
        OpensTwo: {ONE_TICKET},
        OpensOneForAll: {ONE_TICKET},
        TellsTheOldTicket: {ONE_TICKET},
        TellsNothing: {ONE_TICKET},
        RefusesTheSecondTime: {ONE_TICKET},
    },
    FactsSourceContract: {
        NoVane: {FACTS, USED, UNKNOWN, DOWN},
        KnowsNothing: {USED},
        SaysNoMoment: {USED},
        SaysNoSource: {USED},
        SaysAnEmptySource: {USED},
        SaysAPlainNumber: {USED},
        SaysNoMomentTheSecondTime: {USED},
        KnowsAFactOfItsOwn: {USED},
        MeasuresInBeaufort: {USED},
        MeasuresTooMuch: {USED},
        SeesTheFuture: {USED},
        KnowsBetterThanTheTicket: {USED},
        SupposesCalm: {UNKNOWN},
        SupposesCalmWithoutAnswer: {DOWN},
        CrashesWithoutAnswer: {DOWN},
    },
}
#: Those that lack a method: whoever calls it gets this.
LACKING = {NotebookWithoutLook: AttributeError, NoVane: AttributeError}


def named(contract: type, plugin: type) -> str:
    return f"{contract.__name__}-{plugin.__name__}"


GOOD = [pytest.param(one, plugin, id=named(one, plugin)) for one, plugins in RIGHT.items() for plugin in plugins]
BAD = [
    pytest.param(one, plugin, fails, id=named(one, plugin))
    for one, plugins in WRONG.items()
    for plugin, fails in plugins.items()
]


@pytest.mark.parametrize(("contract", "plugin"), GOOD)
def test_a_right_plugin_passes(contract: type, plugin: type) -> None:
    assert failed(contract, CONTRACTS[contract](plugin)) == set()


@pytest.mark.parametrize(("contract", "plugin", "fails"), BAD)
def test_a_wrong_plugin_fails_where_it_is_wrong(contract: type, plugin: type, fails: set[str]) -> None:
    found = failed(contract, CONTRACTS[contract](plugin), LACKING.get(plugin, CrashError))
    assert {name.removeprefix("test_") for name in found} == fails


def test_every_contract_is_tried() -> None:
    contracts = {getattr(testing, name) for name in testing.__all__ if name.endswith("Contract")}
    assert contracts == set(CONTRACTS) == set(RIGHT) == set(WRONG)


@pytest.mark.parametrize("contract", CONTRACTS)
def test_every_test_of_a_contract_can_fail(contract: type) -> None:
    fails = {f"test_{name}" for names in WRONG[contract].values() for name in names}
    assert fails == set(contract_tests(contract))


@pytest.mark.parametrize("contract", CONTRACTS)
def test_a_contract_names_its_fixtures(contract: type) -> None:
    for name in contract_tests(contract):
        test = getattr(contract, name)
        said = f"{contract.__doc__}{test.__doc__}"
        asked = [one for one in inspect.signature(test).parameters if one != "self"]
        assert [one for one in asked if f"``{one}``" not in said and f"``{one}(" not in said] == []


# --- what goes with them --------------------------------------------------------------------------------------


def test_a_note_is_one_as_deliveries_write_them() -> None:
    note = a_note(revision=3, part=2, parts=5, text="REPAIR.\nFuse it.")
    assert mark_of(note.text) == NoteMark("0123456789ab", "advice", 3, 2, 5, seal="fedcba9876543210")
    assert note.key == "0123456789ab-advice-3-2-5-fedcba9876543210"
    assert note.text == "REPAIR.\nFuse it.\n[repairadvisor 0123456789ab advice 3 2/5 fedcba9876543210]"


def test_notes_of_other_parts_and_revisions_have_other_keys() -> None:
    assert len({a_note(1).key, a_note(2).key, a_note(1, 1, 2).key, a_note(1, 2, 2).key}) == 4


def test_hostile_texts_are_unlike_each_other_and_none_is_empty() -> None:
    assert len({*HOSTILE_TEXTS, ""}) == len(HOSTILE_TEXTS) + 1


def test_an_installed_plugin_is_found_by_seam_and_name(monkeypatch: pytest.MonkeyPatch) -> None:
    both = (Installed("sources", "desk", Desk, "desk 1.0"), Installed("carriers", "desk", Notebook, "desk 1.0"))
    monkeypatch.setattr(testing, "installed", lambda: both)
    assert installed_plugin("carriers", "desk") is both[1]
    for seam, name in (("facts", "desk"), ("sources", "mill")):
        with pytest.raises(AssertionError, match=f"no plugin {name} is installed for {seam}"):
            installed_plugin(seam, name)


INHERITED = """
import pytest
from test_plugin_contracts import Notebook, WritesTwice
from repairadvisor.testing import NoteCarrierContract

class _Carrier(NoteCarrierContract):
    made_by = Notebook

    @pytest.fixture
    def carrier(self):
        return self.made_by()

    @pytest.fixture
    def reference(self):
        return "LF-17"

    @pytest.fixture
    def written(self, carrier):
        return carrier.texts

class TestRight(_Carrier):
    pass

class TestWrong(_Carrier):
    made_by = WritesTwice
"""


def test_an_author_inherits_them(tmp_path: Path) -> None:
    """As the first lines of the module say, with pytest's own fixtures and its own count."""
    (tmp_path / "test_inherited.py").write_text(INHERITED)
    here, package = Path(__file__).parent, Path(loading.__file__).parents[2]
    paths = os.pathsep.join([str(here), str(package), *filter(None, [os.environ.get("PYTHONPATH")])])
    command = [sys.executable, "-m", "pytest", "-q", "-rf", "-p", "no:cacheprovider", "--rootdir", str(tmp_path), "."]
    done = subprocess.run(
        command, capture_output=True, text=True, cwd=tmp_path, env={**os.environ, "PYTHONPATH": paths}, timeout=120
    )
    tests = len(contract_tests(NoteCarrierContract))
    assert done.returncode == 1, done.stdout + done.stderr
    assert [line.split(" ")[1] for line in done.stdout.splitlines() if line.startswith("FAILED ")] == [
        "test_inherited.py::TestWrong::test_the_same_change_twice_leaves_one_note"
    ]
    assert f"1 failed, {2 * tests - 1} passed" in done.stdout
