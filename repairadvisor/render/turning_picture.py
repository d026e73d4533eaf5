"""At what values of the facts told the answer would be another one, as a picture: a line a fact.

A number has a scale, with a disc where it was told and a diamond where the answer turns; a fact in words a line with
the word that was told and the words that would turn it. The numbers beside the diamonds are those of the sentences, in
their order.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from repairadvisor.decision.advice import Advice, FactUsed, TurningPoint
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.render.drawing import EDGE, LINE, WIDTH, Scale, block, diamond, disc, line, picture, words
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice

_WORD_ROW, _GAP = 20.0, 14.0


def render(advice: Advice, names: Mapping[str, str], voice: Voice) -> str:
    """The picture, or "" where nothing would turn the answer. ``names`` of facts, where they have any."""
    numbered = list(enumerate(advice.turning_points, start=1))
    told = {used.fact: used for used in advice.facts_used}
    drawn, described, y = [], [], 0.0
    for fact in dict.fromkeys(point.fact for point in advice.turning_points):
        points = [(number, point) for number, point in numbered if point.fact == fact]
        used = told.get(fact, FactUsed(fact, voice.say("picture", "not_known"), "", "", ""))
        title = prose(
            voice,
            voice.say(
                "picture",
                "turning_fact",
                fact=names.get(fact) or voice.fact(fact),
                value=f"{used.value} {voice.words.unit(used.unit)}".rstrip(),
            ),
        )
        label, more = block(EDGE, y + 12, title, strong=True)
        drawn.append(label)
        y += more
        is_number = fact in BY_NAME and BY_NAME[fact].is_number and _ends(used.value, voice) is not None
        rows, high = _number(points, used, y + 18, voice) if is_number else _word(points, used, y + 18, voice)
        drawn.append(rows)
        turns = voice.say("picture", "between_turns").join(
            voice.say("picture", "turning_point_said", n=number, at=_said(point, voice)) for number, point in points
        )
        described.append(voice.say("picture", "turning_said", fact=title, turns=turns))
        y += 18 + high + _GAP
    title = voice.say("picture", "turning_title")
    return picture("turning", title, " ".join(described), y, drawn, ()) if drawn else ""


def _said(point: TurningPoint, voice: Voice) -> str:
    value = prose(voice, f"{point.value} {voice.words.unit(point.unit)}".strip())
    if point.side == "below":
        return voice.say("picture", "below", value=value)
    return voice.say("picture", "at_least", value=value) if point.side == "at_least" else value


def _ends(value: str, voice: Voice) -> tuple[float, float] | None:
    """A number, or two, as the document writes them in its language."""
    low, high = r"(?P<low>\S+)", r"(?P<high>\S+)"
    between = re.escape(voice.say("fact", "between", low="LOW", high="HIGH")).replace("LOW", low).replace("HIGH", high)
    found = re.fullmatch(between, value)
    try:
        return (float(found["low"]), float(found["high"])) if found else (float(value), float(value))
    except ValueError:
        return None


def _number(points: Sequence[tuple[int, TurningPoint]], used: FactUsed, top: float, voice: Voice) -> tuple[str, float]:
    """A scale with the number told and those that turn the answer."""
    told = _ends(used.value, voice) or (0.0, 0.0)
    turns = [(number, point, float(point.value)) for number, point in points]
    values = [*told, *(value for _, _, value in turns)]
    room = (max(values) - min(values)) * 0.15 or abs(values[0]) * 0.15 or 1.0
    scale = Scale(min(values) - room, max(values) + room)
    y = top + 12 + LINE * len(turns)
    drawn = [line(scale.left, y, scale.right, y), line(scale.at(told[0]), y, scale.at(told[1]), y, wide=6)]
    drawn += [disc(scale.at(end), y) for end in dict.fromkeys(told)]
    drawn.append(words(scale.at(told[0]) - 10, y + 24, voice.say("picture", "told"), end=scale.at(told[0]) > WIDTH / 2))
    for row, (number, point, value) in enumerate(turns):
        at = scale.at(value)
        # One above the other, so that neighbours do not stand in each other.
        over = y - 12 - LINE * (len(turns) - 1 - row)
        drawn += [line(at, over + 2, at, y - 6), diamond(at, y)]
        drawn.append(
            words(
                at - 4,
                over,
                voice.say("picture", "turning_point", n=number, at=_said(point, voice)),
                end=at > WIDTH / 2,
            )
        )
    return "".join(drawn), y + 30 - top


def _word(points: Sequence[tuple[int, TurningPoint]], used: FactUsed, top: float, voice: Voice) -> tuple[str, float]:
    """A line from the word told to those that turn the answer."""
    rows = [(0, used.value), *((number, point.value) for number, point in points)]
    drawn, y, last = [], top + 8, top + 8
    for number, said in rows:
        if number:
            # The line may not show through.
            drawn.append(f'<circle class="ground" cx="10" cy="{y:g}" r="6"/>' + diamond(10, y))
            shown = voice.say("picture", "turning_point", n=number, at=said)
        else:
            drawn.append(disc(10, y))
            shown = voice.say("picture", "told_word", value=said)
        label, more = block(24, y + 4, prose(voice, shown))
        drawn.append(label)
        y, last = y + _WORD_ROW + more, y
    return line(10, top + 8, 10, last) + "".join(drawn), y - top - 8
