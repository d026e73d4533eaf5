"""What plans lose beside the margin there is, as a picture.

A row a plan (its own, A, a row a wavelength), on one scale in dB: the loss as a rule, in 95 and in 99 of 100 such
repairs. Of other plans the document states what they lose as a rule, at the wavelength that governs. The margin is a
line, or a band where it is only bounded; what comes back from what is cut out is added to it. A margin far beyond every
loss is not drawn to scale, or nothing could be told apart: the picture says where it lies.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from repairadvisor.decision.advice import Advice, Loss
from repairadvisor.render import figures
from repairadvisor.render.drawing import WIDTH, Scale, axis, bar, diamond, line, long, picture, ticks, words
from repairadvisor.render.voice import Voice

#: A margin of more than so many times the greatest loss lies beyond the picture's edge.
_FAR = 3.0
_ROW, _TOP = 36.0, 34.0


@dataclass(frozen=True, slots=True)
class _Row:
    """A row: what stands above it, the same with what each number is, and the loss as a rule, in 95 and in 99 of 100
    (of other plans as a rule only)."""

    said: str
    described: str
    loss_db: tuple[float, ...]


def letters() -> Iterator[str]:
    """What plans are called in pictures: A is the plan, then come the others in their order."""
    yield from "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def render(advice: Advice, voice: Voice) -> str:
    """The picture, or "" where no loss is promised."""
    if advice.loss is None:
        return ""
    rows = _rows(advice, advice.loss, voice)
    room = tuple(margin + (advice.loss.given_back_db or 0.0) for margin in advice.loss.margin_before_db)
    scale, is_far = _scale([value for row in rows for value in row.loss_db], room)
    foot = _TOP + _ROW * len(rows) + 4
    margin = _margin_said(room, voice, is_far=is_far)
    drawn = [_margin(scale, room, foot, margin, is_far=is_far)]
    for number, row in enumerate(rows):
        drawn.append(_drawn(row, scale, _TOP + _ROW * number))
    drawn.append(axis(scale, foot, [figures.number(voice, value, 3) for value in ticks(scale.low, scale.high)]))
    drawn.append(words(scale.right, foot + 30, voice.say("picture", "db_added"), end=True))
    key, high = _key(foot + 34, voice)
    drawn.append(key)
    described = " ".join((*(f"{row.described}." for row in rows), f"{margin}."))
    return picture(
        "loss", voice.say("picture", "loss_title"), described, foot + 34 + high, drawn, ("solid", "slanted", "dotted")
    )


def _rows(advice: Advice, loss: Loss, voice: Voice) -> list[_Row]:
    name = letters()
    own = next(name)
    rows = []
    for nm, at in loss.by_wavelength.items():
        values = (at.p50_db, at.p95_db, at.p99_db)
        p50, p95, p99 = (figures.fixed(voice, value, 2) for value in values)
        said = {"plan": own, "nm": nm, "p50": p50, "p95": p95, "p99": p99}
        meant = voice.say("picture", "loss_row_said", **said)
        rows.append(_Row(voice.say("picture", "loss_row", **said), meant, values))
    for other, letter in zip(advice.alternatives, name, strict=False):
        if other.p50_db is not None:
            once = voice.say("picture", "loss_other", plan=letter, p50=figures.loss(voice, other.p50_db))
            rows.append(_Row(once, once, (other.p50_db,)))
    return rows


def _scale(losses: list[float], room: tuple[float, ...]) -> tuple[Scale, bool]:
    """The scale, and whether the margin lies beyond its right edge."""
    greatest = max(*losses, 0.0, 0.05)
    low = min(*losses, *room, 0.0)
    is_far = bool(room) and room[0] > _FAR * greatest
    high = greatest * 1.25 if is_far or not room else max(greatest, min(room[-1], _FAR * greatest)) * 1.12
    return Scale(low * 1.12, high), is_far


def _margin_said(room: tuple[float, ...], voice: Voice, *, is_far: bool) -> str:
    if not room:
        return voice.say("picture", "margin_unknown")
    low, high = figures.loss(voice, room[0]), figures.loss(voice, room[-1])
    if low == high:
        if is_far:
            return voice.say("picture", "margin_far", margin=low)
        return voice.say("picture", "margin", margin=low)
    low = figures.fixed(voice, room[0], 2)
    if is_far:
        return voice.say("picture", "margin_between_far", low=low, high=high)
    return voice.say("picture", "margin_between", low=low, high=high)


def _margin(scale: Scale, room: tuple[float, ...], foot: float, said: str, *, is_far: bool) -> str:
    if not room:
        return words(scale.left, 14, said, strong=True)
    if is_far:
        edge = scale.right
        arrow = f'<path d="M{edge - 8:g} 15l10 6l-10 6z"/>'
        return words(edge, 14, said, end=True, strong=True) + line(edge - 60, 21, edge - 8, 21, wide=3) + arrow
    left, right = scale.at(room[0]), scale.at(room[-1])
    drawn = [words(left, 14, said, end=left > scale.right / 2, strong=True)]
    if right > left:
        drawn.append(bar("loss", "dotted", left, right, 20, 8))
    ends = [scale.at(value) for value in dict.fromkeys(room) if value <= scale.high]
    return "".join((*drawn, *(line(at, 20, at, foot, wide=3, broken=True) for at in ends)))


def _drawn(row: _Row, scale: Scale, top: float) -> str:
    zero = scale.at(0.0)
    over = words(scale.left, top + 11, row.said)
    if len(row.loss_db) == 1:
        at = scale.at(row.loss_db[0])
        return over + line(zero, top + 23, at, top + 23, wide=2) + diamond(at, top + 23)
    p50, p95, p99 = (scale.at(value) for value in row.loss_db)
    start = min(zero, p50)
    return "".join(
        (
            over,
            bar("loss", "blank", max(p95, start), p99, top + 16, 14),
            bar("loss", "slanted", max(p50, start), p95, top + 16, 14),
            bar("loss", "solid", start, max(p50, zero), top + 16, 14),
        )
    )


def _key(top: float, voice: Voice) -> tuple[str, float]:
    """What the parts of a bar are, beside each other while there is room, and how high that is."""
    drawn, x, y = [], 8.0, top + 14
    for pattern, said in (
        ("solid", voice.say("picture", "as_a_rule")),
        ("slanted", voice.say("picture", "in_95")),
        ("blank", voice.say("picture", "in_99")),
    ):
        wide = 22 + long(said)
        if x + wide > WIDTH:
            x, y = 8.0, y + 18
        drawn += [bar("loss", pattern, x, x + 16, y, 12), words(x + 22, y + 10, said)]
        x += wide + 8
    return "".join(drawn), y - top + 24
