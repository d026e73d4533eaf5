"""A pocket card as text: it holds without the card's script, and goes on two sides of A6.

What has no room on paper is named there. Cautions, checks and whom to ring are never left out, and take more sides
where two are too few; what is held ready may be left off, since nobody begins it before they have rung.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

from repairadvisor.render import figures
from repairadvisor.render.voice import Voice

#: How much of a text goes on one side of A6 (95 by 138 mm inside the margins) at 7 pt: signs a line, lines a side.
#: Measured with Chromium and a wide face on 29 cards: where two sides are nearly full this reckons 5 to 12 lines too
#: many, so that what is said to fit does.
SIGNS_A_LINE, LINES_A_SIDE, SIDES = 68, 52, 2
#: A heading with its rule; the answer at the top, which is bold.
_HEADING_LINES, _BOLD = 1.6, 1.3


@dataclass(slots=True)
class _Part:
    """A part of the text: its heading, its lines, and whether it may be left off the paper."""

    name: str
    lines: list[_Line]
    may_wait: bool = False
    on_paper: bool = True

    def height(self) -> float:
        """Lines that it takes on paper."""
        shown = [one for one in self.lines if one.where != "screen"]
        return _HEADING_LINES + sum(one.height() for one in shown)


@dataclass(slots=True)
class _Line:
    """One line of it; ``where``: "" everywhere, "screen" or "paper"."""

    text: str
    is_caution: bool = False
    where: str = ""

    def height(self) -> float:
        """Lines that it takes on paper."""
        return float(math.ceil((len(self.text) + 2) / SIGNS_A_LINE))


@dataclass(slots=True)
class _Texts:
    """The texts of a card and the words around them."""

    card: Mapping[str, Any]
    voice: Voice
    printed: set[str] = field(default_factory=set)

    def at(self, place: int) -> str:
        return str(self.card["texts"][place])

    def each(self, places: Iterable[int]) -> list[str]:
        return [self.at(place) for place in places]

    def cautions(self, places: Iterable[int]) -> Iterator[_Line]:
        """Cautions, each whole; on paper once, where it stands first."""
        for text in self.each(places):
            said = self.voice.say("card", "caution", text=text)
            where = "screen" if said in self.printed else ""
            self.printed.add(said)
            yield _Line(said, is_caution=True, where=where)

    def cautions_again(self, places: Iterable[int]) -> list[_Line]:
        """Cautions of a part that may be left off the paper: whole wherever they stand, since the others may not be."""
        return [_Line(self.voice.say("card", "caution", text=text), is_caution=True) for text in self.each(places)]


def paper(card: Mapping[str, Any], voice: Voice) -> str:
    """The text of a card that holds, as HTML, and what of it stands on the screen only."""
    advised = card["advised"]
    texts = _Texts(card, voice)
    makers = _PARTS_HELD if advised["held"] else _PARTS
    parts = [one for make in makers if (one := make(texts, advised)) is not None]
    fits = _choose(texts, parts, _head_height(texts, advised))
    kept_off = [voice.say("card", part.name) for part in parts if not part.on_paper]
    lines = [_head(texts, advised, fits=fits), *(_html(part, voice) for part in parts)]
    if kept_off:
        said = voice.say("card", "on_screen", parts=", ".join(kept_off))
        lines.append(f'<p class="only-paper on-screen">{escape(said)}</p>\n')
    return "".join(lines) + _tree(texts)


def barred(card: Mapping[str, Any], voice: Voice) -> str:
    """A card that does not hold: that it permits nothing, what to do, whom to ring, and every caution whole."""
    advised, texts = card["advised"], _Texts(card, voice)
    groups = [advised["cautions"], *(one["beside"] for one in advised["checks"])]
    groups += [*(one["cautions"] for one in advised["ready"]), *(one["before"] for one in advised["steps"])]
    cautions = [line for places in groups for line in texts.cautions(places) if not line.where]
    said = (voice.say("card", "expired_paper"), voice.say("card", "script", "make_safe"))
    parts = [_call(texts, advised), *([_Part("cautions", cautions)] if cautions else [])]
    head = f'<p class="run-out">{escape(said[0])}</p>\n<p>{escape(said[1])}</p>\n'
    return head + "".join(_html(part, voice) for part in parts)


def _head(texts: _Texts, advised: Mapping[str, Any], *, fits: bool) -> str:
    voice, card = texts.voice, texts.card
    sides = voice.say("card", "two_sides") if fits else voice.say("card", "more_sides")
    given = voice.say(
        "card", "given", given=figures.moment(voice, card["given"]), policy=card["policy"][:12], id=card["id"][:8]
    )
    return (
        f'<p class="run-out" hidden>{escape(voice.say("card", "expired_paper"))}</p>\n'
        f'<p class="run-out" hidden>{escape(voice.say("card", "script", "make_safe"))}</p>\n'
        f'<div class="lead">\n<p class="standing only-screen">{escape(voice.say("card", "no_script"))}</p>\n'
        f'<h1 dir="auto">{escape(texts.at(advised["say"]))}</h1>\n'
        + "".join(f'<p dir="auto">{escape(line)}</p>\n' for line in _validity(texts))
        + f"<p>{escape(given)}</p>\n"
        + f'<p class="only-paper sides">{escape(sides)}</p>\n</div>\n'
    )


def _validity(texts: _Texts) -> list[str]:
    """How long the card holds, and what then."""
    card, voice = texts.card, texts.voice
    if not card["valid_until"]:
        return [voice.say("card", "holds_open")]
    until, because = figures.moment(voice, card["valid_until"]), texts.at(card["valid_because"])
    if because:
        holds = voice.say("card", "holds_until", until=until, because=because)
    else:
        holds = voice.say("card", "holds_until_only", until=until)
    return [holds, voice.say("card", "after_that")]


def _head_height(texts: _Texts, advised: Mapping[str, Any]) -> float:
    lines = [*_validity(texts), texts.voice.say("card", "given"), texts.voice.say("card", "more_sides")]
    return _BOLD * _Line(texts.at(advised["say"])).height() + sum(_Line(one).height() for one in lines)


def _plan(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    voice = texts.voice
    lines = [_Line(text) for text in texts.each(leaf["about"])]
    lines += [_Line(voice.say("card", "wait", until=text)) for text in texts.each(leaf["until"])]
    lines += [_Line(voice.say("card", "meanwhile", text=text)) for text in texts.each(leaf["meanwhile"])]
    lines += [_Line(voice.say("card", "then", text=text)) for text in texts.each(leaf["then"])]
    if texts.at(leaf["defers"]):
        lines.append(_Line(texts.at(leaf["defers"])))
    return _Part("plan", lines) if lines else None


def _cautions(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    lines = list(texts.cautions(leaf["cautions"]))
    return _Part("cautions", lines) if lines or any(step["before"] for step in leaf["steps"]) else None


def _call(texts: _Texts, leaf: Mapping[str, Any]) -> _Part:
    whom = texts.each(leaf["call"]) or [texts.voice.say("card", "call_desk")]
    return _Part("call", [_Line(text) for text in whom])


def _asked(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:  # noqa: ARG001 - one of _PARTS
    root = texts.card["root"]
    if "ask" not in root:
        return None
    answers = " / ".join(texts.at(place) for place, _ in root["answers"])
    said = texts.voice.say("card", "asked_answers", ask=texts.at(root["ask"]), answers=answers)
    return _Part("asked", [_Line(said)])


def _checks(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    """Checks with the cautions beside them; where checks in a row fail alike that is said once, after the last."""
    lines: list[_Line] = []
    checks = leaf["checks"]
    for at, one in enumerate(checks):
        lines += [*texts.cautions(one["beside"]), _Line(texts.at(one["text"]))]
        following = checks[at + 1]["fails"] if at + 1 < len(checks) else None
        if one["fails"] != following and texts.at(one["fails"]):
            lines.append(_Line(texts.at(one["fails"])))
    if not lines:
        return None
    if leaf["later"]:
        return _Part("checks_later", lines)
    return _Part("checks", [_Line(texts.voice.say("card", "checks_why")), *lines])


def _limits(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    lines = [_Line(text) for text in texts.each(leaf["limits"])]
    why = _Line(texts.voice.say("card", "limits_why"))
    return _Part("limits", [why, *lines], may_wait=True) if lines else None


def _first(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    """Steps that come before the checks too: on paper whatever else has no room."""
    lines: list[_Line] = []
    for one in (one for one in leaf["steps"] if one["first"]):
        lines += [*texts.cautions(one["before"]), *_step(texts, one)]
    return _Part("first", lines) if lines else None


def _steps_held(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    """What is to be done where nobody repairs: it is never left off the paper."""
    lines: list[_Line] = []
    for one in leaf["steps"]:
        lines += [*texts.cautions(one["before"]), *_step(texts, one)]
    return _Part("steps", lines) if lines else None


def _steps(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    lines: list[_Line] = []
    for one in (one for one in leaf["steps"] if not one["first"]):
        # On paper they stand among the cautions where the steps have no room: so they count here as they come.
        lines += [*texts.cautions_again(one["before"]), *_step(texts, one)]
    return _Part("steps", lines, may_wait=True) if lines else None


def _step(texts: _Texts, one: Mapping[str, Any]) -> list[_Line]:
    """A step and the limit by which it is done."""
    said = texts.voice.say("card", "step", number=one["number"], text=texts.at(one["text"]))
    return [
        _Line(said),
        *(_Line(texts.voice.say("card", "step_limit", limit=text)) for text in texts.each(one["limit"])),
    ]


def _kit(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    lines = [_Line(text) for text in texts.each(leaf["kit"])]
    return _Part("kit", lines, may_wait=True) if lines else None


def _ready(texts: _Texts, leaf: Mapping[str, Any]) -> _Part | None:
    """The plans held ready for a check that fails, with what they need besides: rung for before they are begun."""
    lines: list[_Line] = []
    for one in leaf["ready"]:
        lines += [_Line(texts.at(one["said"])), *texts.cautions_again(one["cautions"])]
        lines += [_Line(text) for text in texts.each(one["before"])]
    return _Part("ready", lines, may_wait=True) if lines else None


_PARTS: tuple[Callable[[_Texts, Mapping[str, Any]], _Part | None], ...] = (
    _plan,
    _call,
    _cautions,
    _asked,
    _first,
    _checks,
    _limits,
    _steps,
    _kit,
    _ready,
)
#: Where nobody repairs: the dangers, whom to ring, how long to wait and what to do come before all else.
_PARTS_HELD = (_cautions, _call, _plan, _steps_held, _asked, _checks, _limits, _kit, _ready)


def _choose(texts: _Texts, parts: Sequence[_Part], head: float) -> bool:
    """Leave off the paper what has no room on two sides; whether the rest has.

    What to beware of at the steps counts among the cautions: it is printed with the steps or without them.
    """
    by_name = {part.name: part for part in parts}
    at_steps = _cautions_of_steps(texts, by_name)
    room = LINES_A_SIDE * SIDES - head - sum(part.height() for part in parts if not part.may_wait)
    room -= sum(one.height() for one in at_steps)
    fits = room >= 0
    for part in parts:
        if part.may_wait:
            height = part.height() - (sum(one.height() for one in at_steps) if part.name == "steps" else 0.0)
            part.on_paper = height <= room
            room -= height if part.on_paper else 0.0
    if at_steps and not by_name["steps"].on_paper:
        by_name["cautions"].lines += at_steps
    return fits


def _cautions_of_steps(texts: _Texts, by_name: Mapping[str, _Part]) -> list[_Line]:
    """What to beware of at the steps and stands nowhere before them: for the paper, where steps have no room."""
    lines = by_name["steps"].lines if "steps" in by_name and by_name["steps"].may_wait else []
    found = dict.fromkeys(line.text for line in lines if line.is_caution and line.text not in texts.printed)
    return [_Line(text, is_caution=True, where="paper") for text in found]


def _html(part: _Part, voice: Voice) -> str:
    where = "" if part.on_paper else " only-screen"
    items = "".join(_item(line) for line in part.lines)
    heading = escape(voice.say("card", part.name))
    return f'<section class="{part.name}{where}">\n<h2>{heading}</h2>\n<ul>\n{items}</ul>\n</section>\n'


def _item(line: _Line) -> str:
    classes = [*(["caution"] if line.is_caution else []), *([f"only-{line.where}"] if line.where else [])]
    named = f' class="{" ".join(classes)}"' if classes else ""
    return f'<li{named} dir="auto">{escape(line.text)}</li>\n'


# --- the tree as text ------------------------------------------------------------------------------------------


def _tree(texts: _Texts) -> str:
    """All questions with their answers and what each way leads to, for whoever reads without a script."""
    if "ask" not in texts.card["root"]:
        return ""
    heading = escape(texts.voice.say("card", "asked"))
    return f'<section class="tree only-screen">\n<h2>{heading}</h2>\n{_node(texts, texts.card["root"])}</section>\n'


def _node(texts: _Texts, node: Mapping[str, Any]) -> str:
    if "ask" in node:
        answers = "".join(
            f'<li dir="auto">{escape(texts.at(answer))}: {_node(texts, following)}</li>\n'
            for answer, following in node["answers"]
        )
        return f"<bdi>{escape(texts.at(node['ask']))}</bdi>\n<ul>\n{answers}</ul>\n"
    if "leaf" in node:
        leaf = texts.card["leaves"][node["leaf"]]
        return f"<bdi>{escape(texts.at(leaf['say']))}</bdi>"
    return escape(texts.voice.say("card", "script", "ring_why"))
