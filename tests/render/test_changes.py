"""What is another in an advice than in the one before it: every line looked at by hand."""

from __future__ import annotations

from typing import Any

from builders import VOICE, WORDING, a_loss, a_plan, an_advice

from repairadvisor.decision.advice import Advice, Cost, Crew, FactUsed, KitLine, Minutes, WavelengthLoss
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.what_if import compare
from repairadvisor.render.changes import lines

SPOKEN = {
    **WORDING,
    "what_if": {
        "same": "The answer is the same.",
        "barred": "Barred: {plans}",
        "free": "Free: {plans}",
        "price": "Prices.",
        "lines": "{n} lines",
    },
}


def changed(first: Advice, second: Advice) -> list[str]:
    return lines(compare(first, second, Words(SPOKEN)), {"spare_near_m": "spare cable on the exchange side"}, VOICE)


def asked_first(**changes: Any) -> Advice:
    nothing: dict[str, Any] = {"plan": None, "loss": None, "expected_cost": None, "work_min": None, "kit": ()}
    return an_advice(action="ask_first", restored_after_min=None, checks_on_arrival=(), **nothing, **changes)


def test_nothing_is_said_of_what_stayed() -> None:
    assert changed(an_advice(), an_advice()) == []


def test_a_new_answer_is_said_first_and_figures_of_a_new_plan_are_not_compared_with_nothing() -> None:
    first = asked_first(crew=Crew(0, (), "Nobody is to work."), facts_used=())
    assert changed(first, an_advice()) == [
        "Now repair; before, ask first.",
        "Spare cable on the exchange side: 3 m (new)",
        "Plan: fuse it in a tent at the foot of the pole (new)",
        f"Crew: {an_advice().crew.in_words.removesuffix('.')}; before, Nobody is to work",
        "Prices.",
    ]


def test_a_plan_that_is_no_longer_there_is_said() -> None:
    assert "Plan: no longer fuse it in a tent at the foot of the pole" in changed(an_advice(), asked_first())


def test_figures_of_two_plans_stand_beside_each_other() -> None:
    lost = a_loss(by_wavelength={"1310": WavelengthLoss(0.2, 0.18, 0.4, 0.5, 2.9, 0.99)})
    cost = Cost(500.0, 180.0, 95.0, 12.5, 8.0, 0.7, 1.2, 0.0, 202.6, 0.0, "cu")
    second = an_advice(
        plan=a_plan(phrase="join it mechanically"),
        loss=lost,
        expected_cost=cost,
        work_min=Minutes(60.0, 90.0),
        kit=(KitLine("splice protection sleeves", 1.0, "pieces", "one joint"),),
        facts_used=(FactUsed("spare_near_m", "2", "m", "", ""),),
        checks_on_arrival=(),
    )
    assert changed(an_advice(), second) == [
        "Spare cable on the exchange side: 2 m; before, 3 m",
        "Plan: join it mechanically; before, fuse it in a tent at the foot of the pole",
        "Added loss at 1310 nm, as a rule: 0.18 dB; before, 0.04 dB",
        "Added loss at 1310 nm, in 95 of 100: 0.40 dB; before, 0.09 dB",
        "Margin left at 1310 nm: 2.90 dB; before, 3.06 dB",
        "Expected cost: 500 cu; before, 412 cu",
        "Work: 60 to 90 min; before, 75 to 130 min",
        "Splice protection sleeves: 1 piece; before, 4 pieces",
        "Check: no longer The pole is tested and found sound",
        "Prices.",
    ]
