"""What plans are expected to cost, as a picture: the plan's cost by labour, material, outage and risk, others' in all.

The document splits the cost of the plan that is advised; of others it says how much more they cost, so their bars are
blank. The document's currency; a part that is nothing is not drawn.
"""

from __future__ import annotations

from repairadvisor.decision.advice import Advice, Cost
from repairadvisor.render import figures
from repairadvisor.render.drawing import Scale, axis, bar, picture, ticks, words
from repairadvisor.render.loss_picture import letters
from repairadvisor.render.voice import Voice

_ROW, _TOP, _KEY_ROW = 40.0, 4.0, 20.0


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
    name = letters()
    plan, total = next(name), figures.money(voice, cost.total, cost.currency)
    others = [
        (_other(letter, cost.total + one.costs_more, cost.currency, voice), cost.total + one.costs_more)
        for one, letter in zip(advice.alternatives, name, strict=False)
    ]
    scale = Scale(0.0, max(cost.total, *(amount for _, amount in others), 0.0) * 1.02)
    own = voice.say("picture", "cost_own", plan=plan, cost=total)
    drawn = [words(scale.left, _TOP + 12, own, strong=True), _split(cost, scale, _TOP + 17)]
    for number, (said, amount) in enumerate(others, start=1):
        top = _TOP + _ROW * number
        drawn += [words(scale.left, top + 12, said), bar("cost", "blank", scale.left, scale.at(amount), top + 17, 16)]
    foot = _TOP + _ROW * (len(others) + 1) + 2
    drawn.append(axis(scale, foot, [figures.number(voice, value) for value in ticks(scale.low, scale.high)]))
    drawn.append(words(scale.right, foot + 30, cost.currency, end=True))
    key = _key(cost, voice)
    shown = [*key, (voice.say("picture", "not_split"), "blank")] if others else key
    for number, (said, pattern) in enumerate(shown):
        top = foot + 36 + _KEY_ROW * number
        drawn += [bar("cost", pattern, 8, 24, top, 13), words(30, top + 11, said)]
    made_of = voice.say("picture", "between_parts").join(said for said, _ in key)
    described = [voice.say("picture", "cost_own_said", plan=plan, cost=total, parts=made_of)]
    described += [f"{said}." for said, _ in others]
    patterns = ("solid", "slanted", "dotted", "crossed")
    title, high = voice.say("picture", "cost_title"), foot + 40 + _KEY_ROW * len(shown)
    return picture("cost", title, " ".join(described), high, drawn, patterns)


def _other(letter: str, amount: float, currency: str, voice: Voice) -> str:
    return voice.say("picture", "cost_other", plan=letter, cost=figures.money(voice, amount, currency))


def _key(cost: Cost, voice: Voice) -> list[tuple[str, str]]:
    """What the parts of the plan's bar are, each with its pattern."""
    return [
        (
            voice.say(
                "picture",
                "cost_part",
                part=voice.say("picture", "part", name),
                cost=figures.money(voice, amount, cost.currency),
            ),
            pattern,
        )
        for name, pattern, amount in parts(cost)
    ]


def _split(cost: Cost, scale: Scale, top: float) -> str:
    """The bar of the plan, part by part."""
    drawn, so_far = [], 0.0
    for _, pattern, amount in parts(cost):
        if amount > 0.0:
            drawn.append(bar("cost", pattern, scale.at(so_far), scale.at(so_far + amount), top, 16))
            so_far += amount
    return "".join(drawn)
