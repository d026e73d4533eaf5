"""Tickets that were changed since the last time, out of a list that is asked for.

The cursor is a moment and the keys of what was handed on lately. The next reading begins ``overlap_s`` before that
moment: tickets that are changed at the same moment, written late or by a clock that lags are not missed, and those keys
keep what was handed on already from coming again. The cursor moves only once all pages are read.

The other side may be asked for fewer tickets than all (``narrow_by``), but is not trusted to have understood: what lies
before that moment is left out here.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from repairadvisor.plugin import Fetched, RawEvent
from repairadvisor_tmf621.api import Document, TroubleTicketApi
from repairadvisor_tmf621.notification import moment_us
from repairadvisor_tmf621.paging import all_tickets
from repairadvisor_tmf621.settings import ATTRIBUTE, JSONPATH, SORTED

_SECOND_US = 1_000_000
_SHORT = 16  # hexadecimal digits of a key that a cursor keeps


@dataclass(frozen=True, slots=True)
class _Changed:
    """A ticket of the list: when it was changed (microseconds since 1970; None where nothing says so), and its key."""

    at_us: int | None
    key: str
    ticket: Document


@dataclass(frozen=True, slots=True)
class Place:
    """From where to go on: a moment (microseconds since 1970), and what was handed on since ``overlap_s`` before it."""

    since_us: int
    handed_on: frozenset[str]

    @classmethod
    def of(cls, cursor: str) -> Place:
        """Raises :class:`ValueError` for a cursor that is none of ours."""
        try:
            held = json.loads(cursor)
            return cls(int(held["since_us"]), frozenset(held["handed_on"]))
        except (ValueError, TypeError, KeyError) as error:
            raise ValueError(f"the cursor {cursor[:40]} is none of this source") from error

    @property
    def cursor(self) -> str:
        return json.dumps({"since_us": self.since_us, "handed_on": sorted(self.handed_on)})


class Poll:
    """Asks for changed tickets."""

    def __init__(
        self, api: TroubleTicketApi, *, narrow_by: str, poll_from: str, overlap_s: float, most_events: int
    ) -> None:
        self._api = api
        self._narrow_by = narrow_by
        self._first_us = moment_us(poll_from) or 0
        self._overlap_us = round(overlap_s * _SECOND_US)
        self._most_events = most_events

    def fetch(self, cursor: str) -> Fetched:
        """At most ``most_events`` tickets that were changed since, oldest change first."""
        place = Place.of(cursor) if cursor else Place(self._first_us, frozenset())
        floor_us = max(self._first_us, place.since_us - self._overlap_us) if cursor else self._first_us
        changed = sorted(self._changed(floor_us), key=lambda one: (one.at_us or 0, one.key))
        new = [one for one in changed if one.at_us is not None and one.key[:_SHORT] not in place.handed_on]
        new = new[: self._most_events]
        # What does not say when it was changed cannot be passed over: its key is made from all that it says.
        undated = [one for one in changed if one.at_us is None]
        events = tuple((f"ticket-{one.key}", RawEvent({}, json.dumps(one.ticket).encode())) for one in (*new, *undated))
        return Fetched(events, self._next(place, changed, new).cursor)

    def _changed(self, floor_us: int) -> list[_Changed]:
        tickets = all_tickets(
            self._api, self._query(floor_us), lambda found: self._narrow_by == SORTED and _is_past(found, floor_us)
        )
        changed = [_of(ticket) for ticket in tickets]
        return [one for one in changed if one.at_us is None or one.at_us >= floor_us]

    def _query(self, floor_us: int) -> Mapping[str, str]:
        if self._narrow_by == SORTED:
            return {"sort": "-lastUpdate"}
        # A second earlier: the other side may compare whole seconds.
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=max(0, floor_us - _SECOND_US))
        written = moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        if self._narrow_by == JSONPATH and floor_us:
            return {"filter": f"$[?(@.lastUpdate>='{written}')]"}
        if self._narrow_by == ATTRIBUTE and floor_us:
            return {"lastUpdate.gt": written}
        return {}

    def _next(self, place: Place, changed: list[_Changed], new: list[_Changed]) -> Place:
        latest_us = max((one.at_us or 0 for one in new), default=0)
        # A ticket dated years ahead must not carry the cursor with it: all others would be passed over until then.
        since_us = max(place.since_us, min(latest_us, moment_us(datetime.now(UTC).isoformat()) or latest_us))
        keys = {one.key[:_SHORT] for one in new} | place.handed_on
        still = {
            one.key[:_SHORT] for one in changed if one.at_us is not None and one.at_us >= since_us - self._overlap_us
        }
        return Place(since_us, frozenset(keys & still))


def _of(ticket: Document) -> _Changed:
    at_us = moment_us(ticket.get("lastUpdate"))
    told = [ticket["id"], at_us] if at_us is not None else ticket
    return _Changed(at_us, hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest(), ticket)


def _is_past(found: list[Document], floor_us: int) -> bool:
    """Whether a list that is sorted as asked, latest change first, has gone past ``floor_us``."""
    moments = [moment_us(ticket.get("lastUpdate")) for ticket in found]
    known = [moment for moment in moments if moment is not None]
    return len(known) == len(moments) and known == sorted(known, reverse=True) and known[-1] < floor_us
