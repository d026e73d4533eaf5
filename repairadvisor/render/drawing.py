"""Pieces of a picture as SVG: text that a page holds as it is, without a script, a style or anything from elsewhere.

Everything is drawn in the colour of the text around it, so a picture is right by day, by night and on paper. What is to
be told apart is told apart by pattern, shape and words, never by colour. How letters are outlined is in the style
sheet. Lengths are in units of the picture, which is ``WIDTH`` wide however large it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH = 320
TEXT_SIZE = 12
LINE = 15.0
#: No word begins nearer to the left edge: some letters reach out to their left.
EDGE = 2.0

#: How wide signs are, in parts of their size, in the widest plain faces that systems bring (measured in one of them):
#: the page's face is the system's, and a label must fit in any.
_NARROW, _SLIM, _BROAD = 0.36, 0.43, 1.0
_WIDTHS = {
    **dict.fromkeys("ijl.,:;'|I ", _NARROW),
    **dict.fromkeys("ftr()[]/-", _SLIM),
    **dict.fromkeys("+=<>±", 0.84),
    **dict.fromkeys("mwMW%@…—", _BROAD),
}
_CAPITAL, _OTHER = 0.76, 0.64
_STRONG_TIMES = 1.13

#: What a pattern is drawn with, on a tile eight units wide and high.
_TILES = {
    "solid": '<rect width="8" height="8" fill="currentColor"/>',
    "slanted": '<path d="M-2 2l4-4M0 8l8-8M6 10l4-4" stroke="currentColor" stroke-width="1.6"/>',
    "dotted": '<circle cx="2" cy="2" r="1.2" fill="currentColor"/><circle cx="6" cy="6" r="1.2" fill="currentColor"/>',
    "crossed": '<path d="M0 4h8M4 0v8" stroke="currentColor" stroke-width="1.2"/>',
    "blank": "",
}


@dataclass(frozen=True, slots=True)
class Scale:
    """Where on a line the numbers from ``low`` to ``high`` stand, between two places in the picture."""

    low: float
    high: float
    left: float = 8.0
    right: float = WIDTH - 12.0

    def at(self, value: float) -> float:
        """The place of a number; at the edge for one that lies beyond it."""
        inside = min(max(value, self.low), self.high)
        return round(self.left + (inside - self.low) / (self.high - self.low) * (self.right - self.left), 1)


def ticks(low: float, high: float, about: int = 4) -> tuple[float, ...]:
    """Round numbers between two numbers, in steps of 1, 2 or 5 times a power of ten; about so many."""
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * times for times in (1.0, 2.0, 5.0, 10.0) if power * times >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return tuple(round(i * step, 9) for i in range(first, math.floor(high / step + 1e-9) + 1))


def long(text: str, *, strong: bool = False) -> float:
    """How much room a line of text takes at most."""
    wide = sum(_WIDTHS.get(sign, _CAPITAL if sign.isupper() else _OTHER) for sign in text)
    return TEXT_SIZE * wide * (_STRONG_TIMES if strong else 1.0)


def wrapped(text: str, room: float, *, strong: bool = False) -> list[str]:
    """A text as lines that fit into the room, broken between words, and within one that is longer than a line."""
    lines = [""]
    for word in text.split():
        rest = word
        while rest:
            before = f"{lines[-1]} " if lines[-1] else ""
            if long(before + rest, strong=strong) <= room:
                lines[-1], rest = before + rest, ""
            elif lines[-1]:
                lines.append("")
            else:
                fits = max((n for n in range(1, len(rest)) if long(rest[:n], strong=strong) <= room), default=1)
                lines[-1], rest = rest[:fits], rest[fits:]
                lines.append("")
    return lines if lines[-1] or len(lines) == 1 else lines[:-1]


def block(x: float, y: float, text: str, *, strong: bool = False) -> tuple[str, float]:
    """A text that begins at a place, in as many lines as it takes, and how much higher than one line they are."""
    lines = wrapped(text, WIDTH - x, strong=strong)
    drawn = "".join(words(x, y + LINE * row, one, strong=strong) for row, one in enumerate(lines))
    return drawn, LINE * (len(lines) - 1)


def words(x: float, y: float, text: str, *, end: bool = False, strong: bool = False) -> str:
    """A line of text that begins, or ends, at a place; one that would leave the picture is moved into it."""
    wide = long(text, strong=strong)
    x = max(x, min(wide, WIDTH)) if end else max(min(x, WIDTH - wide), EDGE)
    more = (' text-anchor="end"' if end else "") + (' font-weight="700"' if strong else "")
    return f'<text x="{x:g}" y="{y:g}"{more}>{escape(text)}</text>'


def bar(picture: str, pattern: str, left: float, right: float, top: float, height: float) -> str:
    """A bar filled with a pattern of the picture."""
    fill = "none" if pattern == "blank" else f"url(#{picture}-{pattern})"
    place = f'x="{left:g}" y="{top:g}" width="{max(right - left, 0.0):g}" height="{height:g}"'
    return f'<rect {place} fill="{fill}"/>'


def bars(picture: str, pattern: str, places: Iterable[tuple[float, float, float]], height: float) -> str:
    """Bars filled with one pattern of the picture, each from left to right at its top: one piece, since it is light."""
    drawn = "".join(
        f"M{left:g} {top:g}h{round(right - left, 1):g}v{height:g}H{left:g}z"
        for left, right, top in places
        if right > left
    )
    return f'<path fill="url(#{picture}-{pattern})" d="{drawn}"/>' if drawn else ""


def line(x1: float, y1: float, x2: float, y2: float, *, wide: float = 1.0, broken: bool = False) -> str:
    """A straight line."""
    more = (f' stroke-width="{wide:g}"' if wide != 1.0 else "") + (' stroke-dasharray="5 3"' if broken else "")
    return f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}"{more}/>'


def disc(x: float, y: float) -> str:
    """A full disc: where things stand."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="5"/>'


def diamond(x: float, y: float) -> str:
    """An empty diamond: where things would be otherwise."""
    return f'<path d="M{x:g} {y - 6:g}l6 6l-6 6l-6 -6z" fill="none" stroke-width="2"/>'


def axis(scale: Scale, y: float, label: Sequence[str]) -> str:
    """A scale with its numbers, ``label`` in the order of :func:`ticks`, below it."""
    marks = ticks(scale.low, scale.high)
    drawn = [line(scale.left, y, scale.right, y)]
    for value, text in zip(marks, label, strict=True):
        at = scale.at(value)
        drawn.append(line(at, y, at, y + 4))
        drawn.append(f'<text x="{at:g}" y="{y + 16:g}" text-anchor="middle">{escape(text)}</text>')
    return "".join(drawn)


def picture(
    name: str, title: str, description: str, height: float, drawn: Iterable[str], patterns: Iterable[str]
) -> str:
    """A whole picture. ``description`` says in words all that it shows; ``name`` is unique on the page."""
    tiles = "".join(
        f'<pattern id="{name}-{one}" width="8" height="8" patternUnits="userSpaceOnUse">{_TILES[one]}</pattern>'
        for one in patterns
    )
    return (
        f'<svg class="picture" viewBox="0 0 {WIDTH} {height:g}" role="img" aria-labelledby="{name}-title {name}-says"'
        f' font-size="{TEXT_SIZE}" fill="currentColor" stroke="currentColor">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-says">{escape(description)}</desc>'
        f'<defs stroke="none">{tiles}</defs>{"".join(drawn)}</svg>'
    )
