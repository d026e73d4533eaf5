"""An imagined ticket desk in memory: a source and a carrier in one, which can be made to misbehave."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from repairadvisor.errors import EventRefusedError, EventUnreadableError
from repairadvisor.plugin import HeldNote, NoteChange, RawEvent, Site, Ticket

#: Facts on which advice is quick: a home, nearly everything known.
QUICK: dict[str, object] = {
    "place": "customer_home",
    "fault_seen": "chewed_end",
    "danger_seen": "none",
    "network_part": "drop",
    "cable_kind": "flat_drop",
    "coating_near_um": 250,
    "fibres_down_count": 1,
    "service_kind": "passive_network",
    "outage_value_cu_per_h": 3,
    "plug_family": "sc",
    "plug_polish_far": "apc",
    "spare_near_m": 1.8,
    "distance_to_plug_m": 0.6,
    "margin_db": 3,
    "reflectance_limit_db": -35,
    "field_plug_apc_count": 6,
    "attempts_so_far_count": 0,
}
BESIDE_A_RAILWAY: dict[str, object] = {"place": "rail_side"}


def an_event(reference: str = "LF-1", sequence: int = 1, **said: Any) -> RawEvent:
    """What the desk sends: facts that make quick advice unless others are given."""
    content = {"ticket": reference, "sequence": sequence, "facts": QUICK, **said}
    return RawEvent({"signature": "right"}, json.dumps(content).encode())


@dataclass
class Desk:
    """Notes by ticket, in order; ``before`` and ``after`` are called around each write and may raise."""

    can_look: bool = True
    longest_note: int = 2500
    notes: dict[str, list[HeldNote]] = field(default_factory=dict)
    calls: list[str] = field(default_factory=list)
    before: Any = None
    after: Any = None

    def authenticate(self, event: RawEvent, now: datetime) -> str:
        if event.headers.get("signature") != "right":
            raise EventRefusedError("the signature is wrong")
        return hashlib.sha256(event.body).hexdigest()

    def read(self, event: RawEvent) -> Ticket | None:
        try:
            said = json.loads(event.body)
        except ValueError as error:
            raise EventUnreadableError(f"no JSON: {error}") from error
        if said.get("kind") == "heartbeat":
            return None
        site = said.get("site")
        return Ticket(
            reference=said["ticket"],
            sequence=said["sequence"],
            facts=said["facts"],
            ended=said.get("ended", False),
            parent=said.get("parent"),
            site=Site(*site) if site else None,
        )

    def look(self, reference: str) -> Sequence[HeldNote] | None:
        self.calls.append(f"look {reference}")
        return list(self.notes.get(reference, [])) if self.can_look else None

    def change(self, reference: str, change: NoteChange) -> None:
        self.calls.append(f"change {reference}")
        if self.before is not None:
            self.before(reference)
        held = self.notes.setdefault(reference, [])
        for note in change.add:
            held.append(HeldNote(str(len(held)), note.text))
        for old, text in change.rewrite:
            places = [i for i, one in enumerate(held) if one.handle == old.handle or old.handle in ("", one.handle)]
            for i in places:
                held[i] = replace(held[i], text=text)
        if self.after is not None:
            self.after(reference)

    def texts(self, reference: str) -> list[str]:
        """What stands in a ticket."""
        return [one.text for one in self.notes.get(reference, [])]


def said_by(event: RawEvent) -> Mapping[str, Any]:
    """What an event holds."""
    said: Mapping[str, Any] = json.loads(event.body)
    return said
