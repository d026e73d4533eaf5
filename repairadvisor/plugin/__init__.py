"""What connects this program to others' systems, and how it is loaded. A plugin imports everything from here.

:mod:`.seams` says what a plugin must offer, :mod:`.note_mark` how our notes are known among others',
:mod:`.loading` what the operator uses.
"""

from repairadvisor.errors import EventRefusedError, EventUnreadableError, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.facts.vocabulary import FACTS, TIME_NAMES
from repairadvisor.plugin.note_mark import LONGEST_MARK, NoteMark, mark_of, mark_of_key
from repairadvisor.plugin.seams import (
    LEAST_LONGEST_NOTE,
    MOST_SEQUENCE,
    FactsSource,
    Fetched,
    FollowUpOpener,
    HeldNote,
    Note,
    NoteCarrier,
    NoteChange,
    PolledSource,
    RawEvent,
    Site,
    Ticket,
    TicketSource,
)
from repairadvisor.schemas.typed import typed_fact

#: The names of the table of facts, and those of the moments that go with some of them.
FACT_NAMES = frozenset(fact.name for fact in FACTS) | frozenset(TIME_NAMES)

__all__ = [
    "FACTS",
    "FACT_NAMES",
    "LEAST_LONGEST_NOTE",
    "LONGEST_MARK",
    "MOST_SEQUENCE",
    "EventRefusedError",
    "EventUnreadableError",
    "FactsSource",
    "Fetched",
    "FollowUpOpener",
    "HeldNote",
    "Note",
    "NoteCarrier",
    "NoteChange",
    "NoteMark",
    "PolledSource",
    "RawEvent",
    "RemoteRefusedError",
    "RemoteUnavailableError",
    "Site",
    "Ticket",
    "TicketSource",
    "mark_of",
    "mark_of_key",
    "typed_fact",
]
