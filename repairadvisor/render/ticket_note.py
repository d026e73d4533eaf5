"""An advice as plain text for a ticket: short notes whose first line says it all.

The answer, then what must be certain, what to do, what to carry, and how much light it costs; a caution stands where it
counts, and those that come before everything stand before everything. A note holds at most ``LONGEST`` characters. What
a crew must have (cautions, checks, steps, kit) is never cut: it goes on in further numbered notes. Everything else
yields: it is left out, last block first, where the notes that are needed anyway have no room for it, and the note says
what was left out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.headings import headings
from repairadvisor.render.parts import HELD, parts
from repairadvisor.render.placing import placed
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice

LONGEST = 1800
#: No text is broken into more notes.
_MOST_NOTES = 9999


def render(advice: Advice, voice: Voice) -> str:
    """All notes in one text, an empty line between them, ending with a line break."""
    return "\n\n".join(notes(advice, voice)) + "\n"


def notes(advice: Advice, voice: Voice, longest: int = LONGEST) -> tuple[str, ...]:
    """The notes in order, each of at most ``longest`` characters, broken only between lines.

    (A single line longer than a note is broken between words.)
    """
    needed = [prose(voice, line) for line in _needed(advice, voice)]
    optional = _optional(advice, voice)
    fewest = len(packed([*needed, *_left_out(optional, voice)], voice, longest))
    for kept in range(len(optional), 0, -1):
        lines = [*needed, *(line for part, block in optional[:kept] for line in [_over(part, voice), *block])]
        made = packed([*lines, *_left_out(optional[kept:], voice)], voice, longest)
        if len(made) <= fewest:
            return made
    return packed([*needed, *_left_out(optional, voice)], voice, longest)


def _needed(advice: Advice, voice: Voice) -> list[str]:
    return _held(advice, voice) if advice.action in HELD else _to_do(advice, voice)


def _held(advice: Advice, voice: Voice) -> list[str]:
    """Where nobody repairs: the danger, whom to ring and what is done instead; a later repair after that."""
    cautions = placed(advice)
    later = sentences.checks(advice, cautions.beside, voice)
    return [
        sentences.headline(advice, voice),
        *(voice.say("note", "ring", who=who) for who in advice.call),
        *(sentences.caution(text, voice) for text in cautions.first),
        *sentences.wait(advice, voice),
        *sentences.steps(advice, cautions.before, voice),
        *sentences.reason(advice, voice),
        *sentences.loosened(advice),
        *sentences.plan(advice, voice),
        *sentences.crew(advice, voice),
        *sentences.times_and_cost(advice, voice),
        *([_over("checks_later", voice), *later] if later else []),
        *sentences.questions(advice, voice),
        *_at_the_end(advice, voice),
    ]


def _to_do(advice: Advice, voice: Voice) -> list[str]:
    cautions = placed(advice)
    return [
        sentences.headline(advice, voice),
        *sentences.reason(advice, voice),
        *(voice.say("note", "ring", who=who) for who in advice.call),
        *sentences.loosened(advice),
        *sentences.plan(advice, voice),
        *sentences.crew(advice, voice),
        *sentences.times_and_cost(advice, voice),
        *(sentences.caution(text, voice) for text in cautions.first),
        *sentences.checks(advice, cautions.beside, voice),
        *sentences.questions(advice, voice),
        *sentences.steps(advice, cautions.before, voice),
        *_at_the_end(advice, voice),
    ]


def _at_the_end(advice: Advice, voice: Voice) -> list[str]:
    return [
        *_carried(advice, voice),
        *sentences.light(advice, voice),
        *sentences.not_known(advice, voice),
        *sentences.validity(advice, voice),
    ]


def _carried(advice: Advice, voice: Voice) -> list[str]:
    """The van is loaded from the ticket: the whole kit, an item a line, so that no item is torn between two parts."""
    lines = sentences.kit(advice, voice)
    return [_over("kit", voice), *(voice.say("note", "item", text=line) for line in lines)] if lines else []


def _optional(advice: Advice, voice: Voice) -> list[tuple[str, list[str]]]:
    """Parts with their lines; the last one yields first."""
    said = dict(parts(advice, voice))
    names = ("limits", "turning_points", "ranges", "sources", "barred", "alternatives")
    return [(name, [voice.say("note", "item", text=line) for line in said[name]]) for name in names if said[name]]


def _over(part: str, voice: Voice) -> str:
    return voice.say("note", "block", heading=headings(voice)[part])


def _left_out(blocks: Iterable[tuple[str, list[str]]], voice: Voice) -> list[str]:
    names = [headings(voice)[part].lower() for part, _ in blocks]
    return [voice.say("note", "left_out", parts=voice.say("line", "between_facts").join(names))] if names else []


def packed(lines: Iterable[str], voice: Voice, longest: int) -> tuple[str, ...]:
    """Lines as numbered notes of at most ``longest`` characters each, broken only between lines where that can be."""
    clean = [sentences.one_line(line) for line in lines]
    whole = "\n".join(clean)
    if len(whole) <= longest:
        return (whole,)
    numbered = voice.say("note", "number", n=_MOST_NOTES, count=_MOST_NOTES, text="")
    goes_on = voice.say("note", "goes_on", n=_MOST_NOTES, count=_MOST_NOTES)
    pieces = _filled(clean, longest - max(30, len(numbered), len(goes_on) + 1))
    count = len(pieces)
    first, *others = pieces
    return (
        voice.say("note", "number", n=1, count=count, text=first),
        *(f"{voice.say('note', 'goes_on', n=n, count=count)}\n{part}" for n, part in enumerate(others, start=2)),
    )


def _filled(lines: Iterable[str], room: int) -> list[str]:
    parts: list[str] = []
    for line in lines:
        for piece in [line] if len(line) <= room else textwrap.wrap(line, room, break_on_hyphens=False):
            if parts and len(parts[-1]) + 1 + len(piece) <= room:
                parts[-1] += f"\n{piece}"
            else:
                parts.append(_with_heading(parts, piece, room))
    return parts


def _with_heading(parts: list[str], piece: str, room: int) -> str:
    """The first line of the next note; a heading at the end of the note before it comes along."""
    before, _, last = parts[-1].rpartition("\n") if parts else ("", "", "")
    if not before or not last.endswith(":") or len(last) + 1 + len(piece) > room:
        return piece
    parts[-1] = before
    return f"{last}\n{piece}"
