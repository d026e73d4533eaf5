"""What is sent, by a seed, and what has to stand in each ticket in the end: reckoned here from what is sent alone.

Families of three tickets: a parent and two that belong to its fault. Single tickets: changed, closed, opened again,
said twice. What is told of a ticket may come in any order; its sequence says what counts.
"""

from __future__ import annotations

import json
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Event:
    """One event; ``spare_m`` is the fact that the advice depends on. ``twin``: it is sent twice at the same time."""

    key: str
    ticket: str
    sequence: int
    spare_m: float
    ended: bool = False
    parent: str | None = None
    twin: bool = False

    @property
    def body(self) -> bytes:
        """As it is sent."""
        facts = {"place": "customer_home", "spare_near_m": self.spare_m}
        said = {"ticket": self.ticket, "sequence": self.sequence, "facts": facts}
        return json.dumps({**said, "ended": self.ended, "parent": self.parent}).encode()


@dataclass
class Plan:
    """Events in the order in which they are sent; more can be had, of tickets of their own."""

    seed: int
    events: list[Event]
    _more: int = field(default=0)

    def another(self) -> Event:
        """One more event."""
        self._more += 1
        event = Event(
            f"{self.seed}-more-{self._more}", f"LF-{self.seed}-more-{self._more}", 1, 400.0 + self._more / 100
        )
        self.events.append(event)
        return event

    @property
    def latest(self) -> Mapping[str, Event]:
        """What was said last of each ticket."""
        latest: dict[str, Event] = {}
        for event in self.events:
            if event.ticket not in latest or event.sequence > latest[event.ticket].sequence:
                latest[event.ticket] = event
        return latest

    def wanted(self, ticket: str) -> float | None:
        """The fact that the current note of a ticket has to say; None where the ticket is closed."""
        event = self.latest[ticket]
        if event.ended:
            return None
        # A parent of which nothing is told has nothing to share.
        return self.latest.get(event.parent or "", event).spare_m


def planned(seed: int, count: int) -> Plan:
    """A plan of ``count`` events."""
    drawn = random.Random(seed)
    told: list[list[Event]] = []
    number = 0
    while sum(map(len, told)) < count:
        number += 1
        name = f"LF-{seed}-{number}"
        told += _family(drawn, name, number) if drawn.random() < 0.25 else [_single(drawn, name, number)]
    return Plan(seed, _interleaved(drawn, told)[:count])


def _family(drawn: random.Random, name: str, number: int) -> list[list[Event]]:
    parent = _told(name, [number + i / 100 for i in range(drawn.randint(1, 4))])
    children = []
    for letter in "ab":
        facts = [number + 0.5 + (i + 10 * (letter == "b")) / 100 for i in range(drawn.randint(1, 3))]
        child = [_changed(one, parent=name) for one in _told(f"{name}{letter}", facts)]
        if drawn.random() < 0.3:  # it turns out to be a fault of its own
            child.append(Event(f"{name}{letter}-own", f"{name}{letter}", 900, number + 0.9))
        elif drawn.random() < 0.2:
            child.append(Event(f"{name}{letter}-end", f"{name}{letter}", 901, number + 0.9, ended=True, parent=name))
        children.append(child)
    return [parent, *children]


def _single(drawn: random.Random, name: str, number: int) -> list[Event]:
    told = _told(name, [number + i / 100 for i in range(drawn.randint(1, 6))])
    last = told[-1]
    what = drawn.random()
    if what < 0.2:
        told.append(_changed(last, key=f"{name}-end", sequence=900, ended=True))
    elif what < 0.3:
        told.append(_changed(last, key=f"{name}-end", sequence=900, ended=True))
        told.append(Event(f"{name}-anew", name, 901, number + 0.9))
    elif what < 0.45:
        told.append(_changed(last, key=f"{name}-echo", sequence=900))  # nothing new, said later
    elif what < 0.55:
        told.append(_changed(last, key=f"{name}-same"))  # the same, under another key
    elif what < 0.75:
        told[-1] = _changed(last, twin=True)
    return told


def _told(name: str, facts: Sequence[float]) -> list[Event]:
    return [Event(f"{name}-{i}", name, 10 * (i + 1), round(spare_m, 2)) for i, spare_m in enumerate(facts)]


def _changed(event: Event, **changes: object) -> Event:
    return Event(**{**{name: getattr(event, name) for name in event.__dataclass_fields__}, **changes})


def _interleaved(drawn: random.Random, told: Sequence[Sequence[Event]]) -> list[Event]:
    """All of them, each about when its turn is: now and then one overtakes another of its ticket."""
    placed = []
    for i, of_ticket in enumerate(told):
        start = 2.0 * i
        for j, event in enumerate(of_ticket):
            placed.append((start + 4.0 * j + drawn.uniform(0, 7), event))
    return [event for _, event in sorted(placed, key=lambda one: one[0])]
