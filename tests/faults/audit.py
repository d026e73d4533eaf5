"""What stands in the desk's tickets in the end, beside what has to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from faults.desk import Desk, DeskNote
from faults.events import Plan
from faults.service import STEPS_SAID, said_of
from repairadvisor.plugin import NoteMark, mark_of
from repairadvisor.schemas.delivery import OPEN_STATES

#: How an accepted event may end where nothing was refused and nobody intervened.
GOOD_ENDS = ("noted", "unchanged", "overtaken", "ticket_ended")
#: A note may be on its way while its ticket is closed: a request for each of its parts, with its timeout.
ON_ITS_WAY_S = 5.0


@dataclass
class Findings:
    """Everything that is not as it has to be. ``doubled`` counts notes that were added once more than they should,
    healed since or not; ``void`` and ``superseded`` notes that say so."""

    lost: list[str] = field(default_factory=list)
    stuck: list[str] = field(default_factory=list)
    twice: list[str] = field(default_factory=list)
    late: list[str] = field(default_factory=list)
    doubled: int = 0
    void: int = 0
    superseded: int = 0

    @property
    def all(self) -> list[str]:
        """All that is wrong."""
        return [*self.lost, *self.stuck, *self.twice, *self.late]


def audited(desk: Desk, plan: Plan, accepted: Mapping[str, str], deliveries: Sequence[Mapping[str, Any]]) -> Findings:
    """``accepted``: by the key of each event the id that was answered; ``deliveries``: all there are, as published."""
    found = Findings()
    by_id = {one["id"]: one for one in deliveries}
    for event in plan.events:
        given = by_id.get(accepted.get(event.key, ""))
        if given is None:
            found.lost.append(f"event {event.key} was never accepted, or has no delivery")
        elif given["state"] not in (*GOOD_ENDS, *OPEN_STATES):
            found.lost.append(f"event {event.key} ended as {given['state']}: {given['reason']}")
    found.stuck += [
        f"{one['cause']} {one['event']} is {one['state']}" for one in deliveries if one["state"] in OPEN_STATES
    ]
    found.lost += [
        f"{one['cause']} {one['event']} ended as {one['state']}: {one['reason']}"
        for one in deliveries
        if one["cause"] != "event" and one["state"] not in (*GOOD_ENDS, *OPEN_STATES)
    ]
    for ticket in sorted(plan.latest):
        _look_into(found, plan, ticket, desk.notes(ticket), deliveries)
    strangers = set(desk.references) - set(plan.latest)
    found.late += [f"{ticket} got a note and was never told of" for ticket in sorted(strangers)]
    return found


def _look_into(
    found: Findings, plan: Plan, ticket: str, notes: Sequence[DeskNote], deliveries: Sequence[Mapping[str, Any]]
) -> None:
    marked = [(_mark(one), one) for one in notes]
    found.void += sum(mark.status == "void" for mark, _ in marked)
    found.superseded += sum(mark.status == "superseded" for mark, _ in marked)
    found.doubled += len(marked) - len({mark.key for mark, _ in marked})
    current = [(mark, one) for mark, one in marked if not mark.status]
    counted = Counter(mark.key for mark, _ in current)
    found.twice += [f"{ticket}: {key} stands there {times} times" for key, times in counted.items() if times > 1]
    revisions = sorted({mark.revision for mark, _ in current})
    if len(revisions) > 1:
        found.twice.append(f"{ticket}: notes {revisions} count at the same time")
    spare_m = plan.wanted(ticket)
    if spare_m is None:
        found.late += _after_the_end(plan, ticket, marked, deliveries)
    else:
        _look_at_note(found, ticket, current, said_of(spare_m))


def _mark(note: DeskNote) -> NoteMark:
    mark = mark_of(note.text)
    if mark is None:
        raise AssertionError(f"a note without a mark: {note}")
    return mark


def _look_at_note(found: Findings, ticket: str, current: Sequence[tuple[NoteMark, DeskNote]], said: str) -> None:
    """The current note: every part, and all of it says what counts."""
    latest = [(mark, one) for mark, one in current if mark.revision == max(m.revision for m, _ in current)]
    parts = {mark.part for mark, _ in latest}
    count = latest[0][0].parts if latest else 0
    if not latest or parts != set(range(1, count + 1)):
        found.lost.append(f"{ticket}: parts {sorted(parts)} of {count} stand there")
        return
    text = "\n".join({mark.part: one.text for mark, one in latest}.values())
    if text.count(said) != STEPS_SAID + 1 or text.count("spare cable ") != STEPS_SAID + 1:
        found.lost.append(f"{ticket}: the current note does not say {said!r}: {text[:120]!r}")


def _after_the_end(
    plan: Plan, ticket: str, marked: Sequence[tuple[NoteMark, DeskNote]], deliveries: Sequence[Mapping[str, Any]]
) -> list[str]:
    """Notes that came to a closed ticket, too late for having been on their way."""
    end = plan.latest[ticket].key
    closed = [datetime.fromisoformat(one["changed_at"]).timestamp() for one in deliveries if one["event"] == end]
    return [
        f"{ticket}: {mark.key} was added {one.asked_at - moment:.1f} s after the ticket was closed"
        for moment in closed
        for mark, one in marked
        if one.asked_at > moment + ON_ITS_WAY_S
    ]
