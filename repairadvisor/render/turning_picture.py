"""At what values of the facts told the answer would be another one, as a picture: a line a fact.

A number has a scale, with a disc where it was told and a diamond where the answer turns; a fact in words a line with
the word that was told and the words that would turn it. The numbers beside the diamonds are those of the sentences, in
their order.
"""

from __future__ import annotations

from collections.abc import Sequence

from repairadvisor.decision.advice import Advice, FactUsed, TurningPoint
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.render import figures
from repairadvisor.render.drawing import WIDTH, Scale, diamond, disc, line, picture, words

TITLE = "Where the answer would turn"
_WORD_ROW, _LINE, _GAP = 20.0, 15.0, 14.0
#: Sides of a turning point of a number, as they are said.
_SIDE = {"below": "below", "at_least": "from"}


def render(advice: Advice, names: dict[str, str]) -> str:
    """The picture, or "" where nothing would turn the answer. ``names`` of facts, where they have any."""
    numbered = list(enumerate(advice.turning_points, start=1))
    told = {used.fact: used for used in advice.facts_used}
    drawn, described, y = [], [], 0.0
    for fact in dict.fromkeys(point.fact for point in advice.turning_points):
        points = [(number, point) for number, point in numbered if point.fact == fact]
        used = told.get(fact, FactUsed(fact, "not known", "", "", ""))
        name = names.get(fact, figures.words(fact))
        title = f"{name}: {used.value} {used.unit}".rstrip()
        drawn.append(words(0, y + 12, _short(title), strong=True))
        is_number = fact in BY_NAME and BY_NAME[fact].is_number and _ends(used.value) is not None
        rows, high = _number(points, used, y + 18) if is_number else _word(points, used, y + 18)
        drawn.append(rows)
        turns = "; ".join(f"{number}, {_said(point)}" for number, point in points)
        described.append(f"{title}; turns at {turns}.")
        y += 18 + high + _GAP
    return picture("turning", TITLE, " ".join(described), y, drawn, ()) if drawn else ""


def _said(point: TurningPoint) -> str:
    return f"{_SIDE.get(point.side, '')} {point.value} {point.unit}".strip()


def _short(text: str) -> str:
    """What is too long for the picture ends in dots; the sentences have it whole."""
    return text if len(text) <= 50 else text[:49] + "…"


def _ends(value: str) -> tuple[float, float] | None:
    """A number, or two, as the document writes them."""
    try:
        ends = [float(part) for part in value.split(" to ")]
    except ValueError:
        return None
    return (ends[0], ends[-1]) if len(ends) in (1, 2) else None


def _number(points: Sequence[tuple[int, TurningPoint]], used: FactUsed, top: float) -> tuple[str, float]:
    """A scale with the number told and those that turn the answer."""
    told = _ends(used.value) or (0.0, 0.0)
    turns = [(number, point, float(point.value)) for number, point in points]
    values = [*told, *(value for _, _, value in turns)]
    room = (max(values) - min(values)) * 0.15 or abs(values[0]) * 0.15 or 1.0
    scale = Scale(min(values) - room, max(values) + room)
    y = top + 12 + _LINE * len(turns)
    drawn = [line(scale.left, y, scale.right, y), line(scale.at(told[0]), y, scale.at(told[1]), y, wide=6)]
    drawn += [disc(scale.at(end), y) for end in dict.fromkeys(told)]
    drawn.append(words(scale.at(told[0]) - 10, y + 24, "told", end=scale.at(told[0]) > WIDTH / 2))
    for row, (number, point, value) in enumerate(turns):
        at = scale.at(value)
        # One above the other, so that neighbours do not stand in each other.
        over = y - 12 - _LINE * (len(turns) - 1 - row)
        drawn += [line(at, over + 2, at, y - 6), diamond(at, y)]
        drawn.append(words(at - 4, over, f"{number}: {_said(point)}", end=at > WIDTH / 2))
    return "".join(drawn), y + 30 - top


def _word(points: Sequence[tuple[int, TurningPoint]], used: FactUsed, top: float) -> tuple[str, float]:
    """A line from the word told to those that turn the answer."""
    rows = [(0, used.value), *((number, point.value) for number, point in points)]
    drawn = [line(10, top + 8, 10, top + 8 + _WORD_ROW * (len(rows) - 1))]
    for row, (number, said) in enumerate(rows):
        y = top + 8 + _WORD_ROW * row
        if number:
            # The line may not show through.
            drawn.append(f'<circle class="ground" cx="10" cy="{y:g}" r="6"/>' + diamond(10, y))
        else:
            drawn.append(disc(10, y))
        drawn.append(words(24, y + 4, _short(f"{number}: {said}" if number else f"{said} (told)")))
    return "".join(drawn), _WORD_ROW * len(rows)
