"""Tickets from a system that speaks TMF621: pushed to a listener, fetched, or both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Self, Unpack

from repairadvisor.plugin import EventUnreadableError, Fetched, RawEvent, Ticket
from repairadvisor_tmf621.api import ApiWords, TroubleTicketApi
from repairadvisor_tmf621.mapping import TicketMapping
from repairadvisor_tmf621.notification import BARE, DELETED, RESOLVED, Notification, is_reference, read_notification
from repairadvisor_tmf621.polling import Poll
from repairadvisor_tmf621.sender import Sender
from repairadvisor_tmf621.settings import ALWAYS, ENDED, NEVER, READ_ALL, SourceSettings

_LEAST_POLL_S = 1.0


class Tmf621Source:
    """Reads notifications of the API. Made with ``poll_every_s``, it is a :class:`PolledTmf621Source`.

    (Whether a source is to be asked is seen by whether it can be, so one that only listens has no ``fetch``.)
    """

    settings = SourceSettings

    def __new__(cls, *, poll_every_s: float = 0.0, **_: Any) -> Self:
        """The polled source where it is said how often."""
        made: Any = PolledTmf621Source if poll_every_s and cls is Tmf621Source else cls
        source: Self = object.__new__(made)
        return source

    def __init__(
        self,
        *,
        accepted_tokens: Sequence[str] = (),
        token_header: str = "authorization",  # noqa: S107 - the name of a header
        signature_secrets: Sequence[str] = (),
        signature_header: str = "",
        longest_event_bytes: int = 1_048_576,
        fetch_ticket: str = "",
        mapping: Mapping[str, str] | None = None,
        words: Mapping[str, Mapping[str, str]] | None = None,
        typed_facts: Sequence[str] = (),
        latitude_deg: str = "",
        longitude_deg: str = "",
        parent_relationships: Sequence[str] = (),
        ended_statuses: Sequence[str] = ENDED,
        poll_every_s: float = 0.0,
        poll_from: str = "",
        narrow_by: str = READ_ALL,
        overlap_s: float = 300.0,
        most_events: int = 500,
        url: str = "",
        **api: Unpack[ApiWords],
    ) -> None:
        #: Names of headers that are not kept with an event.
        self.secret_headers = frozenset({token_header.lower()})
        self._sender = Sender(token_header, accepted_tokens, signature_header, signature_secrets)
        self._longest_event_bytes = longest_event_bytes
        self._mapping = TicketMapping(mapping or {}, words or {}, typed_facts, latitude_deg, longitude_deg)
        self._parents = frozenset(parent_relationships)
        self._ended = frozenset(ended_statuses)
        self._api = TroubleTicketApi(url=url, **api) if url else None
        self._fetch_ticket = fetch_ticket or (ALWAYS if url else NEVER)
        if self._api is None and self._fetch_ticket != NEVER:
            raise ValueError(f"fetch_ticket = {self._fetch_ticket}: needs url")
        if not (accepted_tokens or signature_secrets or poll_every_s):
            raise ValueError("accepted_tokens, signature_secrets, poll_every_s: one is needed, or no ticket ever comes")
        self._poll_every_s = poll_every_s
        self._poll = None
        if poll_every_s:
            if self._api is None or poll_every_s < _LEAST_POLL_S:
                raise ValueError(
                    f"poll_every_s = {poll_every_s:g}: needs url; allowed: 0, or {_LEAST_POLL_S:g} s or more"
                )
            self._poll = Poll(
                self._api, narrow_by=narrow_by, poll_from=poll_from, overlap_s=overlap_s, most_events=most_events
            )

    def authenticate(self, event: RawEvent, now: datetime) -> str:  # noqa: ARG002 - nothing here carries a time
        """The key of an event that the other side sent. Raises :class:`~repairadvisor.errors.EventRefusedError`."""
        return self._sender.key_of(event)

    def read(self, event: RawEvent) -> Ticket | None:
        """The ticket that an event tells of; None for events of ticket forms.

        Asks for the ticket itself where ``fetch_ticket`` says so, at ``url`` and never where the event points to.
        Raises :class:`~repairadvisor.errors.EventUnreadableError`, and what :mod:`.outcome` says.
        """
        told = read_notification(event.body, self._longest_event_bytes)
        if told is None:
            return None
        reference = told.reference
        if told.kind == DELETED:
            return Ticket(reference=reference, sequence=told.sequence, facts={}, ended=True)
        told = self._whole(told, reference)
        return Ticket(
            reference=reference,
            sequence=told.sequence,
            facts=self._mapping.facts(told.ticket, reference),
            ended=self._is_ended(told),
            parent=self._parent(told.ticket, reference),
            site=self._mapping.site(told.ticket),
        )

    def _whole(self, told: Notification, reference: str) -> Notification:
        """The notification with the ticket as it stands now, where it is to be asked for."""
        if told.is_thin or (told.kind != BARE and self._fetch_ticket == ALWAYS):
            if self._api is None or self._fetch_ticket == NEVER:
                problem = f"ticket {reference}: the event says nothing more of it; fetch_ticket = thin would ask for it"
                raise EventUnreadableError(problem)
            ticket, _ = self._api.ticket(reference)
            return Notification(told.kind, ticket, told.event)
        return told

    def _is_ended(self, told: Notification) -> bool:
        status = told.ticket.get("status")
        if status is None and told.kind == RESOLVED:
            status = "resolved"
        return isinstance(status, str) and status in self._ended

    def _parent(self, ticket: Mapping[str, Any], reference: str) -> str | None:
        """The one ticket to which this one belongs; None where none is named, or more than one."""
        related = ticket.get("troubleTicketRelationship")
        parents = {
            one["id"]
            for one in (related if isinstance(related, list) else [])
            if isinstance(one, dict)
            and isinstance(one.get("relationshipType"), str)
            and one["relationshipType"] in self._parents
            and is_reference(one.get("id"))
            and one["id"] != reference
        }
        return parents.pop() if len(parents) == 1 else None


class PolledTmf621Source(Tmf621Source):
    """A source that is asked for tickets, every ``poll_every_s`` seconds."""

    @property
    def poll_every_s(self) -> float:
        """How long from one question to the next, seconds."""
        return self._poll_every_s

    def fetch(self, cursor: str) -> Fetched:
        """Tickets that were changed since ``cursor``. Raises :class:`~repairadvisor.errors.RemoteUnavailableError` and
        :class:`~repairadvisor.errors.RemoteRefusedError`; then nothing of what was read is used."""
        if self._poll is None:
            raise ValueError("poll_every_s = 0: this source is not polled")
        return self._poll.fetch(cursor)

    def settle(self, keys: Sequence[str]) -> None:
        """There is nothing to tidy up: the list is the other side's, and the cursor remembers what came."""
