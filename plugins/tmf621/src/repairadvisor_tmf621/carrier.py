"""Notes into tickets of a system that speaks TMF621, and tickets for work that is left over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Unpack

from repairadvisor.plugin import HeldNote, NoteChange, RemoteUnavailableError
from repairadvisor_tmf621.api import ApiWords, Document, TroubleTicketApi
from repairadvisor_tmf621.note_array import held_notes, notes_of
from repairadvisor_tmf621.note_writer import NoteWriter
from repairadvisor_tmf621.paging import all_tickets
from repairadvisor_tmf621.settings import ATTRIBUTE, JSON_PATCH, JSONPATH, MERGE_PATCH, CarrierSettings

#: By whom and as what a follow-up ticket is known, in its ``externalIdentifier``.
_OWNER, _FOLLOW_UP = "repairadvisor", "follow-up"
_LATER_S = 60.0


class Tmf621Carrier:
    """Reads a ticket, writes its notes back with ours, and reads it again to see that all are there."""

    settings = CarrierSettings

    def __init__(
        self,
        *,
        url: str,
        author: str = "repairadvisor",
        longest_note: int = 4000,
        patch: str = MERGE_PATCH,
        write_without_etag: bool = False,
        find_by: str = JSONPATH,
        follow_up_severity: str = "Minor",
        follow_up_type: str = "request",
        follow_up_relationship: str = "dependency",
        **api: Unpack[ApiWords],
    ) -> None:
        self.longest_note = longest_note
        self._api = TroubleTicketApi(url=url, **api)
        self._author = author
        self._writer = NoteWriter(
            self._api, author=author, is_merge=patch != JSON_PATCH, write_without_etag=write_without_etag
        )
        self._find_by = find_by
        self._severity = follow_up_severity
        self._type = follow_up_type
        self._relationship = follow_up_relationship

    def look(self, reference: str) -> Sequence[HeldNote]:
        """Our notes as they stand in the ticket now, oldest first. Raises as :mod:`.outcome` says."""
        ticket, _ = self._api.ticket(reference)
        return held_notes(notes_of(ticket, reference), self._author)

    def change(self, reference: str, change: NoteChange) -> None:
        """Write until a reading shows all of the change and every note of others that was seen before.

        Raises as :mod:`.outcome` says, and :class:`~repairadvisor.errors.RemoteUnavailableError` where others keep
        writing over it.
        """
        if change.add or change.rewrite:
            self._writer.write(reference, change)

    def open_follow_up(self, reference: str, key: str, title: str, text: str) -> str:
        """The reference of the ticket that has ``key`` as its external identifier; opened where none has it yet.

        Raises as :mod:`.outcome` says, and :class:`~repairadvisor.errors.RemoteUnavailableError` where the other side
        has accepted it and not opened it yet.
        """
        opened = (
            self._with_key(key)
            or self._api.create(self._follow_up(reference, key, title, text))
            or self._with_key(key)  # accepted, and perhaps done by now
        )
        if opened is None:
            raise RemoteUnavailableError(f"a ticket that follows {reference}: accepted, and not there yet", _LATER_S)
        return opened

    def _with_key(self, key: str) -> str | None:
        """The oldest ticket that has the key; the other side is not trusted to have understood the question."""
        query = {
            JSONPATH: {"filter": f"externalIdentifier[?(@.id=='{key}')]"},
            ATTRIBUTE: {"externalIdentifier.id": key},
        }.get(self._find_by, {})
        found = [ticket for ticket in all_tickets(self._api, query) if _has_key(ticket, key)]
        found.sort(key=lambda ticket: (str(ticket.get("creationDate") or ""), ticket["id"]))
        return str(found[0]["id"]) if found else None

    def _follow_up(self, reference: str, key: str, title: str, text: str) -> Document:
        known_by = {"@type": "ExternalIdentifier", "owner": _OWNER, "externalIdentifierType": _FOLLOW_UP, "id": key}
        follows = {
            "@type": "TroubleTicketRelationship",
            "id": reference,
            "relationshipType": self._relationship,
        }
        return {
            "@type": "TroubleTicket",
            "name": title,
            "description": text,
            "severity": self._severity,
            "ticketType": self._type,
            "externalIdentifier": [known_by],
            "troubleTicketRelationship": [follows],
        }


def _has_key(ticket: Document, key: str) -> bool:
    held = ticket.get("externalIdentifier")
    return isinstance(held, list) and any(isinstance(one, dict) and one.get("id") == key for one in held)
