"""What plans are expected to cost, as a picture: the plan's cost by labour, material, outage and risk, others' in all.

The document splits the cost of the plan that is advised; of others it says how much more they cost, so their bars are
blank. The document's currency; a part that is nothing is not drawn.
"""

from __future__ import annotations

from repairadvisor.decision.advice import Advice, Cost
from repairadvisor.render import figures
from repairadvisor.render.drawing import Scale, axis, bar, picture, ticks, words
from repairadvisor.render.loss_picture import letters

TITLE = "Expected cost of the plans"
_ROW, _TOP, _KEY_ROW = 40.0, 4.0, 20.0


def parts(cost: Cost) -> tuple[tuple[str, str, float], ...]:
    """Name, pattern and amount of each part of a cost; together they are its total."""
    material = cost.materials + cost.machine
    outage = cost.outage + cost.waiting
    risk = cost.redo + cost.second_visit + cost.later_visit + cost.failed_check
    return (
        ("labour", "solid", cost.labour),
        ("material and machine", "slanted", material),
        ("outage and waiting", "dotted", outage),
        ("risk: joints again, visits, failed checks", "crossed", risk),
    )


def render(advice: Advice) -> str:
    """The picture, or "" where nothing is expected to be spent."""
    cost = advice.expected_cost
    if cost is None or cost.total <= 0.0:
        return ""
    name = letters()
    own = f"{next(name)}, the plan: {figures.money(cost.total, cost.currency)}"
    others = [
        (f"{letter}: {figures.money(cost.total + one.costs_more, cost.currency)}", cost.total + one.costs_more)
        for one, letter in zip(advice.alternatives, name, strict=False)
    ]
    scale = Scale(0.0, max(cost.total, *(total for _, total in others), 0.0) * 1.02)
    drawn = [words(scale.left, _TOP + 12, own, strong=True), _split(cost, scale, _TOP + 17)]
    for number, (said, total) in enumerate(others, start=1):
        top = _TOP + _ROW * number
        drawn += [words(scale.left, top + 12, said), bar("cost", "blank", scale.left, scale.at(total), top + 17, 16)]
    foot = _TOP + _ROW * (len(others) + 1) + 2
    drawn.append(axis(scale, foot, [figures.number(value) for value in ticks(scale.low, scale.high)]))
    drawn.append(words(scale.right, foot + 30, cost.currency, end=True))
    key = [(said, pattern, figures.money(amount, cost.currency)) for said, pattern, amount in parts(cost)]
    key += [("the others, not split", "blank", "")] if others else []
    for number, (said, pattern, amount) in enumerate(key):
        top = foot + 36 + _KEY_ROW * number
        drawn += [bar("cost", pattern, 8, 24, top, 13), words(30, top + 11, f"{said} {amount}".rstrip())]
    made_of = ", ".join(f"{said} {amount}" for said, _, amount in key if amount)
    described = f"{own}, of it {made_of}. " + " ".join(f"{said}." for said, _ in others)
    patterns = ("solid", "slanted", "dotted", "crossed")
    return picture("cost", TITLE, described.strip(), foot + 40 + _KEY_ROW * len(key), drawn, patterns)


def _split(cost: Cost, scale: Scale, top: float) -> str:
    """The bar of the plan, part by part."""
    drawn, so_far = [], 0.0
    for _, pattern, amount in parts(cost):
        if amount > 0.0:
            drawn.append(bar("cost", pattern, scale.at(so_far), scale.at(so_far + amount), top, 16))
            so_far += amount
    return "".join(drawn)
