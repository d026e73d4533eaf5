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
from repairadvisor.render.drawing import Scale, axis, bar, diamond, line, picture, ticks, words

TITLE = "Loss of the plans against the margin"
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


def render(advice: Advice) -> str:
    """The picture, or "" where no loss is promised."""
    if advice.loss is None:
        return ""
    rows = _rows(advice, advice.loss)
    room = tuple(margin + (advice.loss.given_back_db or 0.0) for margin in advice.loss.margin_before_db)
    scale, is_far = _scale([value for row in rows for value in row.loss_db], room)
    foot = _TOP + _ROW * len(rows) + 4
    drawn = [_margin(scale, room, foot, is_far=is_far)]
    for number, row in enumerate(rows):
        drawn.append(_drawn(row, scale, _TOP + _ROW * number))
    drawn.append(axis(scale, foot, [figures.number(value, 3) for value in ticks(scale.low, scale.high)]))
    drawn.append(words(scale.right, foot + 30, "dB added", end=True))
    drawn.append(_key(foot + 34))
    described = " ".join((*(f"{row.described}." for row in rows), _margin_said(room, is_far=is_far) + "."))
    return picture("loss", TITLE, described, foot + 72, drawn, ("solid", "slanted", "dotted"))


def _rows(advice: Advice, loss: Loss) -> list[_Row]:
    name = letters()
    own = next(name)
    rows = []
    for wavelength, at in loss.by_wavelength.items():
        values = (at.p50_db, at.p95_db, at.p99_db)
        p50, p95, p99 = (figures.loss(value).removesuffix(" dB") for value in values)
        of = f"{own} at {wavelength} nm"
        meant = f"{of}: {p50} dB as a rule, {p95} in 95 of 100, {p99} in 99 of 100"
        rows.append(_Row(f"{of}: {p50}, {p95}, {p99} dB", meant, values))
    for other, letter in zip(advice.alternatives, name, strict=False):
        if other.p50_db is not None:
            said = f"{letter}: {figures.loss(other.p50_db)} as a rule"
            rows.append(_Row(said, said, (other.p50_db,)))
    return rows


def _scale(losses: list[float], room: tuple[float, ...]) -> tuple[Scale, bool]:
    """The scale, and whether the margin lies beyond its right edge."""
    greatest = max(*losses, 0.0, 0.05)
    low = min(*losses, *room, 0.0)
    is_far = bool(room) and room[0] > _FAR * greatest
    high = greatest * 1.25 if is_far or not room else max(greatest, min(room[-1], _FAR * greatest)) * 1.12
    return Scale(low * 1.12, high), is_far


def _margin_said(room: tuple[float, ...], *, is_far: bool) -> str:
    if not room:
        return "Margin: not known"
    low, high = figures.loss(room[0]), figures.loss(room[-1])
    said = f"Margin {low}" if low == high else f"Margin {low.removesuffix(' dB')} to {high}"
    return f"{said}, beyond this edge" if is_far else said


def _margin(scale: Scale, room: tuple[float, ...], foot: float, *, is_far: bool) -> str:
    said = _margin_said(room, is_far=is_far)
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


def _key(top: float) -> str:
    """What the parts of a bar are."""
    drawn = []
    for x, pattern, said in (
        (8.0, "solid", "as a rule"),
        (100.0, "slanted", "95 of 100"),
        (200.0, "blank", "99 of 100"),
    ):
        drawn += [bar("loss", pattern, x, x + 16, top + 14, 12), words(x + 22, top + 24, said)]
    return "".join(drawn)
