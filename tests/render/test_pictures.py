"""The pictures, read again from their SVG by Python's XML parser: lengths against the figures of the advice.

What a bar or a mark stands for is taken from the advice by hand; the scale from the numbers at the picture's own axis.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import pytest
from builders import VOICE, a_loss, a_plan, an_advice

from repairadvisor.decision.advice import Advice, Alternative, Cost, FactUsed, TurningPoint, WavelengthLoss
from repairadvisor.render import cost_picture, loss_picture, turning_picture
from repairadvisor.render.drawing import WIDTH, Scale, ticks

NAMES: dict[str, str] = {"spare_near_m": "spare cable <exchange side>", "place": "place of the break"}


def turns(**changes: Any) -> Advice:
    def turn(fact: str, side: str, value: str, unit: str) -> TurningPoint:
        return TurningPoint(fact, side, value, unit, "repair", a_plan(), f"If {fact} were {value}: another plan.")

    parts: dict[str, Any] = {
        "turning_points": (
            turn("spare_near_m", "below", "1.2", "m"),
            turn("spare_near_m", "at_least", "7.5", "m"),
            turn("place", "is", "wall box or street cabinet", ""),
        ),
        "facts_used": (FactUsed("spare_near_m", "3", "m", "", ""), FactUsed("place", "pole top", "", "", "")),
    }
    return an_advice(**{**parts, **changes})


def read(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def texts(svg: str) -> list[str]:
    return ["".join(one.itertext()) for one in read(svg).iter("text")]


def description(svg: str) -> str:
    return next(read(svg).iter("desc")).text or ""


def _x(one: ElementTree.Element) -> float:
    return float(one.get("x", ""))


def starts(svg: str, *, of: str) -> list[float]:
    """Where paths begin: the empty diamonds of a picture, or its broken lines."""
    found = read(svg).iter("path")
    wanted = [one for one in found if one.get("fill") == "none" or one.get("stroke-dasharray")]
    kept = [one.get("d", "") for one in wanted if (one.get("fill") == "none") == (of == "diamonds")]
    return [float(path[1:].replace("L", " ").split()[0]) for path in kept]


def bars(svg: str, height: str) -> list[tuple[str, float, float]]:
    """Pattern, left and right edge of every bar of a height."""
    found = [one for one in read(svg).iter("rect") if one.get("height") == height and one.get("x")]
    return [
        (one.get("fill", "").removeprefix("url(#").removesuffix(")"), _x(one), _x(one) + float(one.get("width", "")))
        for one in found
    ]


def value_at(svg: str, x: float) -> float:
    """The number that stands at a place, by the first and the last number of the picture's axis."""
    marks = [("".join(one.itertext()), _x(one)) for one in read(svg).iter("text") if one.get("text-anchor") == "middle"]
    (first, left), (last, right) = marks[0], marks[-1]
    return float(first) + (x - left) / (right - left) * (float(last) - float(first))


@pytest.mark.parametrize("margin", [(3.1, 3.1), (0.1, 0.1), (0.05, 0.12), (-0.1, 0.2), ()])
def test_bars_of_loss_are_as_long_as_the_loss(margin: tuple[float, ...]) -> None:
    svg = loss_picture.render(an_advice(loss=a_loss(margin_before_db=margin)), VOICE)
    found = bars(svg, "14")
    expected = [
        *(("none", 0.09, 0.14), ("loss-slanted", 0.04, 0.09), ("loss-solid", 0.0, 0.04)),
        *(("none", 0.08, 0.12), ("loss-slanted", 0.04, 0.08), ("loss-solid", 0.0, 0.04)),
    ]
    assert [pattern for pattern, _, _ in found] == [pattern for pattern, _, _ in expected]
    for (_, left, right), (_, low, high) in zip(found, expected, strict=True):
        assert value_at(svg, left) == pytest.approx(low, abs=1e-3)
        assert value_at(svg, right) == pytest.approx(high, abs=1e-3)


@pytest.mark.parametrize(
    ("margin", "back", "lines", "said"),
    [
        ((0.1, 0.1), None, [0.1], "Margin 0.10 dB"),
        ((0.1, 0.1), 0.05, [0.15], "Margin 0.15 dB"),
        ((0.05, 0.12), None, [0.05, 0.12], "Margin 0.05 to 0.12 dB"),
        ((0.1, 9.0), None, [0.1], "Margin 0.10 to 9.00 dB"),
        ((-0.2, 0.1), None, [-0.2, 0.1], "Margin -0.20 to 0.10 dB"),
        ((3.1, 3.1), None, [], "Margin 3.10 dB, beyond this edge"),
        ((), None, [], "Margin: not known"),
    ],
)
def test_the_margin_stands_where_it_is(
    margin: tuple[float, ...], back: float | None, lines: list[float], said: str
) -> None:
    svg = loss_picture.render(an_advice(loss=a_loss(margin_before_db=margin, given_back_db=back)), VOICE)
    assert [round(value_at(svg, x), 3) for x in starts(svg, of="lines")] == pytest.approx(lines, abs=2e-3)
    assert said in texts(svg)
    assert description(svg).endswith(f"{said}.")


def test_other_plans_stand_in_the_picture_with_what_they_lose_as_a_rule() -> None:
    svg = loss_picture.render(an_advice(), VOICE)
    assert "B: 0.20 dB as a rule" in texts(svg)
    assert [value_at(svg, x) for x in starts(svg, of="diamonds")] == pytest.approx([0.2], abs=1e-3)
    unknown = Alternative(a_plan(), 3.0, COST, None, "")
    assert "B:" not in " ".join(texts(loss_picture.render(an_advice(alternatives=(unknown,)), VOICE)))


@pytest.mark.parametrize("p50", [0.0, -0.3])
def test_a_plan_that_loses_nothing_or_gives_light_back_is_drawn_too(p50: float) -> None:
    lost = a_loss(
        by_wavelength={"1310": WavelengthLoss(p50, p50, p50 + 0.1, p50 + 0.2, None, None)}, margin_before_db=()
    )
    svg = loss_picture.render(an_advice(loss=lost, alternatives=()), VOICE)
    assert all(0 <= left <= right <= WIDTH for _, left, right in bars(svg, "14"))


def test_without_a_promised_loss_or_cost_there_is_no_picture() -> None:
    assert loss_picture.render(an_advice(loss=None), VOICE) == ""
    assert cost_picture.render(an_advice(expected_cost=None), VOICE) == ""
    assert turning_picture.render(an_advice(turning_points=()), {}, VOICE) == ""


COST = Cost(412.4, 180.0, 95.0, 12.5, 8.0, 0.7, 1.2, 0.0, 115.0, 0.0, "cu")
#: Labour; materials and machine; outage and waiting; joints again, second and later visit, failed check. By hand.
SPLIT = {"cost-solid": 180.0, "cost-slanted": 20.5, "cost-dotted": 95.0, "cost-crossed": 116.9}
OTHER_SPLIT = {"cost-solid": 150.2, "cost-slanted": 9.0, "cost-dotted": 120.0, "cost-crossed": 171.4}


def test_parts_of_the_cost_add_up_to_it() -> None:
    assert sum(amount for _, _, amount in cost_picture.parts(COST)) == pytest.approx(COST.total)


def pieces(svg: str) -> dict[float, list[tuple[str, float, float]]]:
    """The bars drawn in one piece a pattern, by their top: pattern, left and right edge, from the left."""
    found: dict[float, list[tuple[str, float, float]]] = {}
    for one in read(svg).iter("path"):
        if one.get("fill", "").startswith("url("):
            pattern = one.get("fill", "").removeprefix("url(#").removesuffix(")")
            for left, top, wide, high in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)H\1z", one.get("d", "")):
                assert float(high) == 16.0
                found.setdefault(float(top), []).append((pattern, float(left), float(left) + float(wide)))
    return {top: sorted(found[top], key=lambda piece: piece[1]) for top in sorted(found)}


def test_bars_of_cost_are_as_long_as_their_parts_for_every_plan() -> None:
    svg = cost_picture.render(an_advice(expected_cost=COST), VOICE)
    own, other = pieces(svg).values()
    for drawn, split in ((own, SPLIT), (other, OTHER_SPLIT)):
        assert [pattern for pattern, _, _ in drawn] == list(split)
        for (_, left, right), amount in zip(drawn, split.values(), strict=True):
            assert value_at(svg, right) - value_at(svg, left) == pytest.approx(amount, abs=1.0)
        assert value_at(svg, drawn[-1][2]) == pytest.approx(sum(split.values()), abs=1.0)
    said = {"A, the plan: 412 cu = 180 + 21 + 95 + 117", "B: 451 cu = 150 + 9 + 120 + 171"}
    assert said <= set(texts(svg))
    assert {"labour", "material and machine", "outage and waiting"} <= set(texts(svg))
    assert "in this order: labour; material and machine; outage and waiting; risk" in description(svg)
    assert all(f"{one}." in description(svg) for one in said)


def test_a_plan_that_costs_less_is_drawn_shorter() -> None:
    less = Alternative(a_plan(), -100.0, replace(COST, total=312.4, failed_check=15.0), None, "")
    svg = cost_picture.render(an_advice(expected_cost=COST, alternatives=(less,)), VOICE)
    _, other = pieces(svg).values()
    assert value_at(svg, other[-1][2]) == pytest.approx(312.4, abs=1.0)


def test_a_number_that_was_told_and_those_that_turn_the_answer_are_in_their_order() -> None:
    svg = turning_picture.render(turns(), NAMES, VOICE)
    told = [float(one.get("cx", "")) for one in read(svg).iter("circle") if one.get("r") == "5"]
    turned = starts(svg, of="diamonds")
    assert turned[0] < told[0] < turned[1]
    # Places between numbers are as the numbers are: 3 lies at (3 - 1.2) / (7.5 - 1.2) of the way.
    assert (told[0] - turned[0]) / (turned[1] - turned[0]) == pytest.approx(1.8 / 6.3, abs=2e-3)


def test_turning_points_have_the_numbers_of_their_sentences() -> None:
    said = texts(turning_picture.render(turns(), NAMES, VOICE))
    assert {"1: below 1.2 m", "2: from 7.5 m", "3: wall box or street cabinet", "pole top (told)"} <= set(said)
    assert "spare cable <exchange side>: 3 m" in said


@pytest.mark.parametrize(("told", "discs"), [("0.5 to 2", 2), ("not a number", 1)])
def test_a_number_told_as_two_or_not_readable_is_drawn(told: str, discs: int) -> None:
    svg = turning_picture.render(turns(facts_used=(FactUsed("spare_near_m", told, "m", "", ""),)), NAMES, VOICE)
    assert len([one for one in read(svg).iter("circle") if one.get("r") == "5"]) == discs + 1


PICTURES: Mapping[str, str] = {
    "loss": loss_picture.render(an_advice(loss=a_loss(margin_before_db=(0.05, 0.12))), VOICE),
    "cost": cost_picture.render(an_advice(), VOICE),
    "turning": turning_picture.render(turns(), NAMES, VOICE),
}


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_says_in_words_all_that_it_shows(name: str) -> None:
    """WCAG 2.2, success criterion 1.1.1: a text alternative that serves the same purpose (from memory)."""
    svg = PICTURES[name]
    root = read(svg)
    assert root.get("role") == "img"
    named = (root.get("aria-labelledby") or "").split()
    assert named == [next(root.iter("title")).get("id"), next(root.iter("desc")).get("id")]
    numbers = set(re.findall(r"\d+\.\d+|\d{3,}", " ".join(texts(svg))))
    axis = {"".join(one.itertext()) for one in root.iter("text") if one.get("text-anchor") == "middle"}
    assert numbers - axis <= set(re.findall(r"\d+\.\d+|\d{3,}", description(svg)))


@pytest.mark.parametrize("name", PICTURES)
def test_nothing_in_a_picture_hangs_on_colour_or_comes_from_elsewhere(name: str) -> None:
    svg = PICTURES[name]
    for one in read(svg).iter():
        assert one.tag in {"svg", "title", "desc", "defs", "pattern", "rect", "path", "circle", "text"}
        assert "style" not in one.attrib
        for paint in ("fill", "stroke"):
            assert re.fullmatch(rf"none|currentColor|url\(#{name}-[a-z]+\)", one.get(paint, "none"))
    used = set(re.findall(r"url\(#([a-z-]+)\)", svg))
    there = {one.get("id") for one in read(svg).iter("pattern")}
    assert used <= there
    assert len({ElementTree.tostring(one[0]) for one in read(svg).iter("pattern")}) == len(there)


@pytest.mark.parametrize("name", PICTURES)
def test_everything_lies_within_the_picture(name: str) -> None:
    root = read(PICTURES[name])
    wide, high = (float(part) for part in (root.get("viewBox") or "").split()[2:])
    for one in root.iter("text"):
        x, y = float(one.get("x", "")), float(one.get("y", ""))
        # Common practice, no source: a sign of a plain face is about half as wide as it is high.
        long = len("".join(one.itertext())) * 6.0
        start = (
            x - long if one.get("text-anchor") == "end" else x - long / 2 if one.get("text-anchor") == "middle" else x
        )
        assert start >= -1, "".join(one.itertext())
        assert start + long <= wide + 12, "".join(one.itertext())
        assert 8 <= y <= high


@pytest.mark.parametrize(
    ("low", "high", "marks"),
    [
        (0.0, 0.5, (0.0, 0.2, 0.4)),
        (0.0, 3341.0, (0.0, 1000.0, 2000.0, 3000.0)),
        (-0.22, 0.34, (-0.2, 0.0, 0.2)),
        (0.0, 1.0, (0.0, 0.5, 1.0)),
    ],
)
def test_an_axis_has_round_numbers(low: float, high: float, marks: tuple[float, ...]) -> None:
    assert ticks(low, high) == marks


def test_a_number_beyond_the_scale_stands_at_its_edge() -> None:
    scale = Scale(0.0, 10.0, 0.0, 100.0)
    assert [scale.at(value) for value in (-1.0, 0.0, 2.5, 10.0, 11.0)] == [0.0, 0.0, 25.0, 100.0, 100.0]
