"""What a plugin offers: a ticket source, a note carrier, a facts source, or several of them.

Nothing here is to be inherited. A class fits when its methods do; :mod:`repairadvisor.testing` has the tests that say
whether they do.

What a plugin may raise, and what follows:

==========================  ==========================================================================================
``EventRefusedError``       from ``authenticate``: the sender gets 403 and nothing is kept
``EventUnreadableError``    from ``read``: the event is set aside with the reason, and shown
``RemoteUnavailableError``  from anything that asks another system: tried again later, no sooner than it asked for
``RemoteRefusedError``      likewise, where trying again does not help: given up, shown, and can be retried by hand
``ValueError``              from the constructor: a setting that cannot be used; the start is refused and names it
==========================  ==========================================================================================

Anything else that is raised counts as a fault of the plugin: what it was doing is tried again later, and shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, runtime_checkable

from marshmallow import Schema

#: Least that a note must hold, characters: what is put over and under one takes up to two thirds of it.
LEAST_LONGEST_NOTE = 1200
#: Largest sequence of a ticket.
MOST_SEQUENCE = 2**63 - 1
_LONGEST_REFERENCE = 200


@dataclass(frozen=True, slots=True)
class RawEvent:
    """An event as it came in: ``headers`` with their names in lower case, and ``body`` byte for byte."""

    headers: Mapping[str, str]
    body: bytes


@dataclass(frozen=True, slots=True)
class Site:
    """Where a fault is: WGS 84, degrees, north and east positive. Raises :class:`ValueError` outside the Earth."""

    latitude_deg: float
    longitude_deg: float

    def __post_init__(self) -> None:
        if not (-90 <= self.latitude_deg <= 90 and -180 <= self.longitude_deg <= 180):
            raise ValueError(f"{self.latitude_deg}, {self.longitude_deg}: allowed: -90 to 90 and -180 to 180 (degrees)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """A ticket as one event tells of it.

    ``reference`` is what its own system calls it. ``sequence`` (0 to ``MOST_SEQUENCE``) orders what is told of one
    ticket: the larger was said later; a moment in microseconds will do. ``facts`` are raw, as ``POST /v1/advice`` takes
    them: they go through the same checks. ``ended``: it was closed, resolved or cancelled, and gets no more guidance.
    ``parent`` is the reference of the ticket of the same fault to which this one belongs: both share its advice.
    ``site`` is where, for sources of facts that go by place.
    """

    reference: str
    sequence: int
    facts: Mapping[str, object]
    ended: bool = False
    parent: str | None = None
    site: Site | None = None

    def __post_init__(self) -> None:
        _refuse_unnamed(self.reference, "reference")
        if self.parent is not None:
            _refuse_unnamed(self.parent, "parent")
        whole = isinstance(self.sequence, int) and not isinstance(self.sequence, bool)
        if not whole or not 0 <= self.sequence <= MOST_SEQUENCE:
            raise ValueError(f"sequence = {self.sequence}: allowed: 0 to {MOST_SEQUENCE}, a whole number")


def _refuse_unnamed(reference: object, what: str) -> None:
    """Events come from outside: what should be text may be anything."""
    if not isinstance(reference, str) or not 1 <= len(reference) <= _LONGEST_REFERENCE or not reference.isprintable():
        raise ValueError(f"a ticket's {what} has 1 to {_LONGEST_REFERENCE} printable characters")


@runtime_checkable
class TicketSource(Protocol):
    """Where tickets come from.

    May have ``secret_headers``, a frozenset of header names in lower case that are not kept with an event once it is
    authentic; ``authorization`` and ``cookie`` never are.
    """

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        """The key of an event that came over HTTP: the same whenever the same event comes again, 1 to 200 characters.

        Looks at raw bytes: nothing may be parsed before the sender is known. Asks nobody. Raises
        :class:`~repairadvisor.errors.EventRefusedError`, also where events are not taken over HTTP at all.
        """

    def read(self, event: RawEvent) -> Ticket | None:
        """The ticket that an authentic event tells of; None where it rightly tells of none.

        What is not understood is left out, never guessed. May ask another system. Raises
        :class:`~repairadvisor.errors.EventUnreadableError`.
        """


@dataclass(frozen=True, slots=True)
class Fetched:
    """Events that were fetched, each with its key, and from where to go on next time."""

    events: tuple[tuple[str, RawEvent], ...]
    cursor: str


@runtime_checkable
class PolledSource(TicketSource, Protocol):
    """A ticket source that has to be asked. Only one process asks it at a time."""

    poll_every_s: float

    def fetch(self, cursor: str) -> Fetched:
        """What came since ``cursor`` ("" at first), oldest first. The same event has the same key each time."""

    def settle(self, keys: Sequence[str]) -> None:
        """Those events are on our disk: where they came from may be tidied up. Safe to call twice, or never."""


@dataclass(frozen=True, slots=True)
class Note:
    """A note to be written: its key (see :mod:`.note_mark`) and its whole text, mark included."""

    key: str
    text: str


@dataclass(frozen=True, slots=True)
class HeldNote:
    """A note of ours that stands in a ticket: how its system calls it, and its text as it stands there."""

    handle: str
    text: str


@dataclass(frozen=True, slots=True)
class NoteChange:
    """What is to become of our notes in one ticket: notes to add, in order, and notes whose text is to be another."""

    add: tuple[Note, ...] = ()
    rewrite: tuple[tuple[HeldNote, str], ...] = ()


@runtime_checkable
class NoteCarrier(Protocol):
    """What brings notes into tickets. Only one process writes to a ticket at a time; others may write to it too."""

    longest_note: int
    """Characters that one note may hold; ``LEAST_LONGEST_NOTE`` at least, and as many as the other side takes: 856 are
    kept free for what is put over and under a note, so one advice may be 3 notes at 8000, 7 at 4000 and 67 at 1200."""

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        """Our own notes in the ticket, as they stand there now, oldest first. None where a carrier cannot look: then
        what is remembered here takes its place, and the receiver has to recognise a key that it has seen."""

    def change(self, reference: str, change: NoteChange) -> None:
        """Write the change. What others wrote stays as it is. Returns once it is certain that the change is made.

        Safe to call twice with the same change: a note whose key is there already is not added again. Where a text
        cannot be rewritten, the new text is sent as a note of its own.
        """


@runtime_checkable
class FollowUpOpener(Protocol):
    """A note carrier that can also open a ticket, for work that a repair leaves behind."""

    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        """The reference of the ticket that follows from ``reference``; opened unless one with that ``key`` is there."""


@runtime_checkable
class FactsSource(Protocol):
    """What knows something of the place or the plant of a fault: weather, route records."""

    def facts(self, ticket: Ticket, now: datetime) -> Mapping[str, object]:
        """Raw facts, each an object that says ``source`` and ``seen_at``; none where nothing fresh and near is known.
        Minutes since or until something are those of ``seen_at``, and run on.

        What the ticket says itself is kept, whatever is returned for the same name. Whoever asks does not wait longer
        than the operator's ``budget_s``: what comes later is not used.
        """


class PluginClass(Protocol):
    """What an entry point names: a class, made once at start from the operator's settings for it.

    ``settings`` is the marshmallow schema of those settings. The class is called with them by name, loaded and checked.
    """

    settings: type[Schema]

    def __call__(self, **settings: Any) -> object:
        """The plugin. Raises :class:`ValueError` where settings do not go together. Asks no other system."""
