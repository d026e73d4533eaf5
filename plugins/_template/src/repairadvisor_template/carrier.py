"""Notes in the desk's tickets.

::

    GET  <url>/tickets/<number>/notes?page=1     {"notes": [{"id": 7, "text": "..."}], "more": false}, oldest first
    POST <url>/tickets/<number>/notes            {"text": "..."}
    PUT  <url>/tickets/<number>/notes/<id>       {"text": "..."}
"""

from __future__ import annotations

from urllib.parse import quote

from marshmallow import EXCLUDE, Schema, ValidationError, fields, validate

from repairadvisor.plugin import HeldNote, NoteChange, RemoteRefusedError, RemoteUnavailableError, mark_of
from repairadvisor_template.asking import Desk, check_url

TIMEOUT_S, LONGEST_NOTE = 10.0, 4000
#: A ticket with more pages of notes than this is not searched to its end, and so not written to.
MOST_PAGES = 100


class CarrierSettings(Schema):
    """Settings of the carrier."""

    url = fields.String(required=True, validate=check_url)
    token = fields.String(
        required=True, validate=validate.Regexp(r"[!-~]{1,500}\Z", error="is no word of 1 to 500 ASCII characters")
    )
    timeout_s = fields.Float(
        load_default=TIMEOUT_S, validate=validate.Range(1, 120, error="is out of range; allowed: 1 to 120 s")
    )


class _NoteBody(Schema):
    class Meta:
        unknown = EXCLUDE

    id = fields.Integer(required=True, strict=True)
    text = fields.String(required=True)


class _NotesBody(Schema):
    class Meta:
        unknown = EXCLUDE

    notes = fields.List(fields.Nested(_NoteBody), required=True)
    more = fields.Boolean(required=True, truthy={True}, falsy={False})


class DeskCarrier:
    """Writes notes into tickets of the desk."""

    settings = CarrierSettings
    #: What the desk takes, characters.
    longest_note = LONGEST_NOTE

    def __init__(self, *, url: str, token: str, timeout_s: float = TIMEOUT_S) -> None:
        self._desk = Desk(url, token, timeout_s)

    def look(self, reference: str) -> list[HeldNote]:
        """Our notes in the ticket: those that bear our mark."""
        path = _notes_of(reference)
        held: list[HeldNote] = []
        for page in range(1, MOST_PAGES + 1):
            try:
                answer = _NotesBody().load(self._desk.ask("GET", path, page=page))
            except ValidationError as error:
                raise RemoteUnavailableError("the desk's list of notes is not as agreed") from error
            held += [HeldNote(str(note["id"]), note["text"]) for note in answer["notes"] if mark_of(note["text"])]
            if not answer["more"]:
                return held
        raise RemoteRefusedError(f"the ticket has more than {MOST_PAGES} pages of notes")

    def change(self, reference: str, change: NoteChange) -> None:
        """Look, then write only what is not there yet: the desk would take the same note twice."""
        if not change.add and not change.rewrite:
            return
        path = _notes_of(reference)
        held = self.look(reference)
        texts = {one.handle: one.text for one in held}
        # First what no longer counts is marked, then what counts is added. A note that somebody removed stays so.
        for one, text in change.rewrite:
            if one.handle in texts and texts[one.handle] != text:
                self._desk.ask("PUT", f"{path}/{quote(one.handle, safe='')}", {"text": text})
        there = {mark.key for mark in map(mark_of, texts.values()) if mark is not None}
        for note in change.add:
            if note.key not in there:
                self._desk.ask("POST", path, {"text": note.text})


def _notes_of(reference: str) -> str:
    """The path of a ticket's notes, whatever signs its number has."""
    number = quote(reference, safe="")
    if number in ("", ".", ".."):  # these alone are not kept apart from the path by percent-encoding
        raise RemoteRefusedError("the desk has no ticket of this number")
    return f"/tickets/{number}/notes"
