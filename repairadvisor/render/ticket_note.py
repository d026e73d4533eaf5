"""An advice as plain text for a ticket: short notes whose first line says it all.

The answer, then what must be certain, what to do, what to carry, and how much light it costs; a caution stands where it
counts, and those that come before everything stand before everything. A note holds at most ``LONGEST`` characters. What
a crew must have (cautions, checks, steps, kit) is never cut: it goes on in further numbered notes. Everything else
yields: it is left out, last block first, where the notes that are needed anyway have no room for it, and the note says
what was left out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.headings import HEADINGS
from repairadvisor.render.placing import placed

LONGEST = 1800
# "[12 of 34] goes on", generously.
_ROOM_FOR_NUMBER = 30


def render(advice: Advice, heading: Mapping[str, str] = HEADINGS) -> str:
    """All notes in one text, an empty line between them, ending with a line break."""
    return "\n\n".join(notes(advice, heading)) + "\n"


def notes(advice: Advice, heading: Mapping[str, str] = HEADINGS, longest: int = LONGEST) -> tuple[str, ...]:
    """The notes in order, each of at most ``longest`` characters, broken only between lines.

    (A single line longer than a note is broken between words.)
    """
    needed, optional = _needed(advice, heading), _optional(advice, heading)
    fewest = len(packed([*needed, *_left_out(optional)], longest))
    for kept in range(len(optional), 0, -1):
        lines = [*needed, *(line for name, block in optional[:kept] for line in [name, *block])]
        parts = packed([*lines, *_left_out(optional[kept:])], longest)
        if len(parts) <= fewest:
            return parts
    return packed([*needed, *_left_out(optional)], longest)


def _needed(advice: Advice, heading: Mapping[str, str]) -> list[str]:
    cautions = placed(advice)
    return [
        sentences.headline(advice),
        *sentences.reason(advice),
        *(f"Ring: {who}" for who in advice.call),
        *sentences.wait(advice),
        *sentences.loosened(advice),
        *sentences.plan(advice),
        *sentences.crew(advice),
        *sentences.times_and_cost(advice),
        *(sentences.caution(text) for text in cautions.first),
        *sentences.checks(advice, cautions.beside),
        *sentences.questions(advice),
        *sentences.steps(advice, cautions.before),
        *_carried(advice, heading),
        *sentences.light(advice),
        *sentences.not_known(advice),
        *sentences.validity(advice),
    ]


def _carried(advice: Advice, heading: Mapping[str, str]) -> list[str]:
    """The van is loaded from the ticket: the whole kit, in one paragraph."""
    lines = sentences.kit(advice)
    return [f"{heading['kit']}: {'; '.join(lines)}."] if lines else []


def _optional(advice: Advice, heading: Mapping[str, str]) -> list[tuple[str, list[str]]]:
    """Headed blocks; the last one yields first."""
    currency = sentences.currency(advice)
    blocks = [
        ("limits", sentences.limits(advice)),
        ("turning_points", [one.said for one in advice.turning_points]),
        ("ranges", sentences.ranges(advice)),
        ("sources", sentences.sources(advice)),
        ("barred", [sentences.barred(one) for one in advice.barred]),
        ("alternatives", [sentences.alternative(one, currency) for one in advice.alternatives]),
    ]
    return [(f"{heading[part]}:", [f"- {line}" for line in lines]) for part, lines in blocks if lines]


def _left_out(blocks: Iterable[tuple[str, list[str]]]) -> list[str]:
    names = [name.rstrip(":").lower() for name, _ in blocks]
    return [f"Left out here for length: {', '.join(names)}."] if names else []


def packed(lines: Iterable[str], longest: int) -> tuple[str, ...]:
    """Lines as numbered notes of at most ``longest`` characters each, broken only between lines where that can be."""
    clean = [sentences.one_line(line) for line in lines]
    whole = "\n".join(clean)
    if len(whole) <= longest:
        return (whole,)
    parts = _filled(clean, longest - _ROOM_FOR_NUMBER)
    count = len(parts)
    first, *others = parts
    return (
        f"[1 of {count}] {first}",
        *(f"[{number} of {count}] goes on\n{part}" for number, part in enumerate(others, start=2)),
    )


def _filled(lines: Iterable[str], room: int) -> list[str]:
    parts: list[str] = []
    for line in lines:
        for piece in [line] if len(line) <= room else textwrap.wrap(line, room, break_on_hyphens=False):
            if parts and len(parts[-1]) + 1 + len(piece) <= room:
                parts[-1] += f"\n{piece}"
            else:
                parts.append(piece)
    return parts
