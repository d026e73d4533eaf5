"""What plans are expected to cost, as a picture: each plan's cost by labour, material, outage and risk.

A row a plan, A the one that is advised, all on one scale in the document's currency. The parts stand in the bar in the
order in which their amounts stand over it, each with its pattern. A part that is nothing is not drawn.
"""

from __future__ import annotations

from repairadvisor.decision.advice import Advice, Cost
from repairadvisor.render import figures
from repairadvisor.render.drawing import Scale, axis, bar, bars, block, picture, ticks, words
from repairadvisor.render.loss_picture import letters
from repairadvisor.render.voice import Voice

_BAR, _GAP, _KEY_ROW = 16.0, 7.0, 20.0


def parts(cost: Cost) -> tuple[tuple[str, str, float], ...]:
    """Name, pattern and amount of each part of a cost; together they are its total."""
    material = cost.materials + cost.machine
    outage = cost.outage + cost.waiting
    risk = cost.redo + cost.second_visit + cost.later_visit + cost.failed_check
    return (
        ("labour", "solid", cost.labour),
        ("material", "slanted", material),
        ("outage", "dotted", outage),
        ("risk", "crossed", risk),
    )


def render(advice: Advice, voice: Voice) -> str:
    """The picture, or "" where nothing is expected to be spent."""
    cost = advice.expected_cost
    if cost is None or cost.total <= 0.0:
        return ""
    costs = [cost, *(one.expected_cost for one in advice.alternatives)]
    said = [_said(letter, one, voice, is_plan=one is cost) for letter, one in zip(letters(), costs, strict=False)]
    scale = Scale(0.0, max(one.total for one in costs) * 1.02)
    drawn, y = [], 0.0
    filled: dict[str, list[tuple[float, float, float]]] = {pattern: [] for _, pattern, _ in parts(cost)}
    for one, over in zip(costs, said, strict=True):
        label, more = block(scale.left, y + 16, over)
        drawn.append(label)
        y += 21 + more
        for pattern, left, right in _split(one, scale):
            filled[pattern].append((left, right, y))
        y += _BAR + _GAP - 4
    drawn += [bars("cost", pattern, places, _BAR) for pattern, places in filled.items()]
    foot = y + 6
    drawn.append(axis(scale, foot, [figures.number(voice, value) for value in ticks(scale.low, scale.high)]))
    drawn.append(words(scale.right, foot + 30, cost.currency, end=True))
    high = foot + 36
    names = [(voice.say("picture", "part", name), pattern) for name, pattern, _ in parts(cost)]
    for name, pattern in names:
        label, more = block(30, high + 11, name)
        drawn += [bar("cost", pattern, 8, 24, high, 13), label]
        high += _KEY_ROW + more
    order = voice.say(
        "picture", "cost_order", parts=voice.say("picture", "between_turns").join(one for one, _ in names)
    )
    described = " ".join((order, *(f"{one}." for one in said)))
    return picture("cost", voice.say("picture", "cost_title"), described, high + 4, drawn, tuple(filled))


def _said(letter: str, cost: Cost, voice: Voice, *, is_plan: bool) -> str:
    """A plan's cost and the amounts of its parts, in their order."""
    amounts = voice.say("picture", "between_amounts").join(figures.money(voice, part, "") for _, _, part in parts(cost))
    total = figures.money(voice, cost.total, cost.currency)
    if is_plan:
        return voice.say("picture", "cost_own", plan=letter, cost=total, parts=amounts)
    return voice.say("picture", "cost_other", plan=letter, cost=total, parts=amounts)


def _split(cost: Cost, scale: Scale) -> list[tuple[str, float, float]]:
    """The bar of a plan, part by part: its pattern, from where to where."""
    drawn, so_far = [], 0.0
    for _, pattern, amount in parts(cost):
        if amount > 0.0:
            drawn.append((pattern, scale.at(so_far), scale.at(so_far + amount)))
            so_far += amount
    return drawn
