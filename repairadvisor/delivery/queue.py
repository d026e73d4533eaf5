"""What delivery needs of a durable engine, in four words: submit, status, resubmit, cancel.

A piece of work is one attempt at one thing for one delivery. Its id says which, so that submitting it twice is
submitting it once. It is submitted in the transaction of whoever changes the tables, so that a state without the work
that leads out of it does not exist.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy import Connection

#: The work there is: read an event and advise on it; bring a note into a ticket; come back to one that stands there.
TAKE_IN, BRING, COME_BACK = "take_in", "bring", "come_back"
#: The lane of the first; each carrier has one of its own for the others.
EVENTS_LANE = "events"


@dataclass(frozen=True, slots=True)
class Work:
    """``kind`` is TAKE_IN, BRING or COME_BACK. At most one piece of work of one ``lane`` and ``one_at_a_time`` runs at
    any time. It begins ``after_s`` seconds from now at the earliest."""

    id: str
    kind: str
    delivery_id: str
    lane: str
    one_at_a_time: str
    after_s: float = 0.0


#: Runs a named step of a piece of work and remembers what it gave: once that is remembered it is not run again. What
#: it gives is made of what JSON knows.
Step = Callable[[str, Callable[[], object]], object]


class Worker(Protocol):
    """What does the work."""

    def may_begin(self, delivery_id: str, work_id: str) -> bool:
        """Whether work may be begun, or begun again after its process ended; asked each time."""

    def take_in(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Read an event, and advise on its ticket."""

    def bring(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Bring a note into a ticket."""

    def come_back(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Look at a ticket once more, or let its note say that its advice has run out."""


class Queue(Protocol):
    """A durable queue. Only its implementation knows on what engine it runs."""

    def submit(self, connection: Connection, work: Work) -> None:
        """Have work done, from when the transaction of ``connection`` ends; nothing where its id was submitted."""

    def status(self, work_ids: Sequence[str]) -> Mapping[str, str]:
        """What became of work: "waiting", "running", "done" or "failed". What was never submitted is missing."""

    def cancel(self, work_id: str) -> None:
        """Have work not begun any more; what runs ends at its next step."""

    def taken_over(self, worker: str) -> int:
        """What a worker that is no more was doing goes back to its lanes; how many pieces of work that were."""

    def start(self, worker: Worker, lanes: Sequence[str], name: str) -> None:
        """Begin to work on these lanes, first of all on what was left half done under this process's ``name``."""

    def stop(self) -> None:
        """Begin nothing more, and let what runs come to its next step."""
