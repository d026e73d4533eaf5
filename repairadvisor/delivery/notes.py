"""What is to become of our notes in a ticket, given what stands there: pure, so that it can be tried on anything.

A ticket holds notes of two kinds, on the advice and on the work that was done; neither touches the other. Of each kind
one revision counts at a time. It may have several parts. What was written before is kept, since somebody may
have acted on it, and says at its top that it no longer counts.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from repairadvisor.decision.advice import Advice
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin import LONGEST_MARK, HeldNote, Note, NoteChange, NoteMark, mark_of
from repairadvisor.render import figures, ticket_note
from repairadvisor.render.voice import Voice

ADVICE, WORK = "advice", "verdict"
#: Room for names and addresses in what is put under a note, characters, and for its words.
_ROOM_FOR_FOOT = 600
#: No moment is longer, and no revision higher.
_LONGEST_MOMENT, _HIGHEST = datetime(2031, 12, 28, 23, 59, tzinfo=UTC), 999_999_999


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What has to change in a ticket; ``healed`` counts notes that stand there twice and become void; ``newest`` is the
    latest revision that stands there, where that is later than ours, else 0: then nothing changes."""

    change: NoteChange
    healed: int = 0
    newest: int = 0

    @property
    def is_settled(self) -> bool:
        """Whether the ticket holds what it should."""
        return not self.change.add and not self.change.rewrite


def texts_of(advice: Advice, voice: Voice, longest_note: int) -> tuple[str, ...]:
    """What the notes of an advice say, each short enough for what is put under and over it."""
    return ticket_note.notes(advice, voice, longest_note - room_around(voice))


def room_around(voice: Voice) -> int:
    """Characters that a note has to leave for what is put under it and, once it no longer counts, over it."""
    moment = _at(_LONGEST_MOMENT, voice)
    heads = (
        voice.say("note", "superseded", moment=moment, n=_HIGHEST),
        voice.say("note", "expired", moment=moment),
        voice.say("note", "void", moment=moment),
    )
    return LONGEST_MARK + _ROOM_FOR_FOOT + max(160, *(len(head) + 1 for head in heads))


@dataclass(frozen=True, slots=True)
class Foot:
    """What stands under a note: where the whole advice is, and the ticket of the same fault that shares it, or ""."""

    where: str
    shared_with: str = ""


def parts_of(
    texts: Sequence[str], ticket: str, revision: int, foot: Foot, seal: Seal, voice: Voice
) -> tuple[Note, ...]:
    """The notes of a revision: each text, a foot under the last one, and the mark.

    ``ticket`` is its id here. The first line of the first text stays the first line: it is the whole answer.
    """
    under = [voice.say("note", "whole_advice", where=foot.where)]
    if foot.shared_with:
        under.append(voice.say("note", "shared_with", ticket=foot.shared_with))
    if revision > 1:
        under.append(voice.say("note", "revision", n=revision))
    return marked(texts, under, NoteMark(ticket[:12], ADVICE, revision, 1, 1), ticket, seal)


def marked(texts: Sequence[str], under: Sequence[str], like: NoteMark, ticket: str, seal: Seal) -> tuple[Note, ...]:
    """The notes of a revision: each text, ``under`` under the last one, and a sealed mark ``like`` the one given."""
    notes = []
    for part, text in enumerate(texts, start=1):
        mark = seal.sealed(replace(like, part=part, parts=len(texts)), ticket)
        lines = [text, *(under if part == len(texts) else ()), mark.line]
        notes.append(Note(mark.key, "\n".join(lines)))
    return tuple(notes)


def digest_of(advice: Advice, voice: Voice, longest_note: int) -> str:
    """A digest of what the notes of an advice say, but for when and under which policy it was said: an advice that
    reads the same has not changed."""
    texts = texts_of(replace(advice, now="", policy=""), voice, longest_note)
    return hashlib.sha256("\f".join(texts).encode()).hexdigest()


def marks_of(ticket: str, held: Sequence[HeldNote], seal: Seal, kind: str = ADVICE) -> list[tuple[NoteMark, HeldNote]]:
    """Our notes of a kind among those that a ticket holds, each with its mark."""
    marked = [(mark_of(one.text), one) for one in held]
    of_ticket = [(mark, one) for mark, one in marked if mark and (mark.ticket, mark.kind) == (ticket[:12], kind)]
    return [(mark, one) for mark, one in of_ticket if seal.is_ours(mark, ticket)]


def reconciled(
    wanted: Sequence[Note],
    ticket: str,
    revision: int,
    held: Sequence[HeldNote],
    now: datetime,
    seal: Seal,
    voice: Voice,
    kind: str = ADVICE,
) -> Reconciled:
    """What makes of the notes ``held`` in a ticket the ones that are ``wanted``.

    Notes are known by their marks, not by their texts: a ticket system may wrap or trim those. Of several with one mark
    the one counts that reads as it should; what reads otherwise is somebody quoting us, and is left alone.
    """
    ours = marks_of(ticket, held, seal, kind)
    newest = max((mark.revision for mark, _ in ours), default=0)
    if newest > revision:
        return Reconciled(NoteChange(), newest=newest)
    texts = {note.key: note.text for note in wanted}
    counting = [(mark, one) for mark, one in ours if not mark.status]
    older = [(mark, one) for mark, one in counting if mark.key not in texts]
    here = [(mark, one) for mark, one in counting if mark.key in texts]
    doubles = _doubles(here, texts)
    rewrite = [(one, superseded(one.text, mark, revision, now, voice)) for mark, one in older]
    rewrite += [(one, void(one.text, mark, now, voice)) for mark, one in doubles]
    there = {mark.key for mark, _ in here}
    add = tuple(note for note in wanted if note.key not in there)
    return Reconciled(NoteChange(add, tuple(rewrite)), len(doubles))


def _doubles(held: Sequence[tuple[NoteMark, HeldNote]], texts: Mapping[str, str]) -> list[tuple[NoteMark, HeldNote]]:
    """Notes that stand beside one of the same mark which reads the same."""
    kept: dict[str, str] = {}
    for mark, one in held:
        if mark.key not in kept or _reads(one.text) == _reads(texts.get(mark.key, "")):
            kept[mark.key] = _reads(one.text)
    doubles = []
    seen: set[str] = set()
    for mark, one in held:
        if _reads(one.text) != kept[mark.key]:
            continue
        if mark.key in seen:
            doubles.append((mark, one))
        seen.add(mark.key)
    return doubles


def _reads(text: str) -> str:
    """A text but for its white space, which ticket systems change."""
    return "".join(text.split())


def tidied(
    ticket: str,
    counts: int,
    held: Sequence[HeldNote],
    now: datetime,
    seal: Seal,
    voice: Voice,
    kind: str = ADVICE,
    *,
    newer_is_coming: bool,
) -> Reconciled:
    """What lets revision ``counts`` be the only one in a ticket, and stand there once; adds nothing.

    0: none was brought to its end, and the latest that is there counts. What is still being brought is left alone.
    """
    ours = [(mark, one) for mark, one in marks_of(ticket, held, seal, kind) if not mark.status]
    if counts == 0:
        if newer_is_coming:
            return Reconciled(NoteChange())
        counts = max((mark.revision for mark, _ in ours), default=0)
    others = [
        (mark, one) for mark, one in ours if mark.revision < counts or (mark.revision > counts and not newer_is_coming)
    ]
    doubles = _doubles([(mark, one) for mark, one in ours if mark.revision == counts], {})
    rewrite = [(one, superseded(one.text, mark, counts, now, voice)) for mark, one in others]
    rewrite += [(one, void(one.text, mark, now, voice)) for mark, one in doubles]
    return Reconciled(NoteChange(rewrite=tuple(rewrite)), len(doubles))


def expiring(
    ticket: str, revision: int, held: Sequence[HeldNote], since: datetime, seal: Seal, voice: Voice
) -> NoteChange:
    """What lets a revision say that its advice has run out."""
    rewrite = [
        (one, expired(one.text, mark, since, voice))
        for mark, one in marks_of(ticket, held, seal)
        if mark.revision == revision and not mark.status
    ]
    return NoteChange(rewrite=tuple(rewrite))


def superseded(text: str, mark: NoteMark, by: int, now: datetime, voice: Voice) -> str:
    """The text of a note in whose place another one stands now."""
    return _no_longer(text, mark, "superseded", voice.say("note", "superseded", moment=_at(now, voice), n=by))


def expired(text: str, mark: NoteMark, since: datetime, voice: Voice) -> str:
    """The text of a note whose advice has run out."""
    return _no_longer(text, mark, "expired", voice.say("note", "expired", moment=_at(since, voice)))


def void(text: str, mark: NoteMark, now: datetime, voice: Voice) -> str:
    """The text of a note that was written twice."""
    return _no_longer(text, mark, "void", voice.say("note", "void", moment=_at(now, voice)))


def _no_longer(text: str, mark: NoteMark, status: str, head: str) -> str:
    ended = replace(mark, status=status)
    return f"{head}\n{text.replace(mark.line, ended.line)}"


def _at(moment: datetime, voice: Voice) -> str:
    return figures.moment(voice, moment.astimezone(UTC).isoformat())
