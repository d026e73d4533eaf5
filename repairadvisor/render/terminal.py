"""An advice as a page of plain text, 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.headings import headings
from repairadvisor.render.parts import parts
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice

WIDTH = 80


def render(advice: Advice, voice: Voice) -> str:
    """The whole advice, ending with a line break. Cautions stand whole, before what they concern."""
    heading = headings(voice)
    first = [sentences.headline(advice, voice), *sentences.reason(advice, voice)]
    blocks = [
        _lines(prose(voice, line) for line in first),
        *(_block(heading[part], lines) for part, lines in parts(advice, voice)),
        _lines(prose(voice, line) for line in sentences.validity(advice, voice)),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _block(heading: str, lines: Iterable[str]) -> str:
    body = _lines(lines, indent="  ")
    return f"{heading}\n{body}" if body else ""


def _lines(lines: Iterable[str], indent: str = "") -> str:
    wrapped = []
    for line in lines:
        deeper = indent + line[: len(line) - len(line.lstrip())]
        wrapped += textwrap.wrap(
            sentences.one_line(line),
            WIDTH,
            initial_indent=deeper,
            subsequent_indent=deeper + "  ",
            break_on_hyphens=False,
        )
    return "\n".join(wrapped)
