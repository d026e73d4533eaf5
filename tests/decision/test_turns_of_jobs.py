"""Turning points of whole jobs under the policy that ships, each made sure of by asking for advice anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from decision.told import job_context
from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise, answer
from repairadvisor.decision.outcomes import Outcomes
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import Turn, turns_of
from repairadvisor.facts.context import Context, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME

#: Jobs of which most is known, of every action, place and season; in .ci/run one of them.
JOBS = (
    "twenty-four-brought-down-to-the-tent",
    "hundred-and-forty-four-in-ribbons-up-to-the-van",
    "everything-signed-and-no-slack",
    "lift-the-joint-onto-the-pavement",
    "alone-over-an-open-cover",
    "flooded-hole-and-six-dark-fibres",
    "low-oxygen-and-no-smell",
    "span-down-on-the-verge-by-orrins-mill",
    "thunder-over-quillmere",
    "pumped-line-locked-off",
    "meter-screams-at-heron-wharf",
    "sun-on-the-lid-at-quillmere",
)
PLAN_WORDS = ("method", "layout", "position", "access", "shelter", "stage")

#: The action, the plan's words ("" where there is none), and what is waited for.
Said = tuple[str, tuple[str, ...], str]


def _said(rules: Rules, context: Context) -> Said:
    """What the advice says. What is asked only to save money counts as the plan that stands meanwhile, which a document
    that asks does not name."""
    advice: Advice = advise(context, rules)
    if advice.action == "ask_first":
        found = answer(look(rules, as_it_stands(context, rules)), "")
        if found.order:
            return "repair", tuple(getattr(found.order[0].plan, word) for word in PLAN_WORDS), ""
    plan = advice.plan if advice.wait is None else advice.wait.then_plan
    words = () if plan is None else tuple(getattr(plan, word) for word in PLAN_WORDS)
    until = "" if advice.wait is None or advice.wait.minutes is None else advice.wait.until
    return advice.action, words, until


def _told(context: Context, turn: Turn, back: int) -> Context | None:
    """The context with a fact at its turning point, or some steps back from it; None where that contradicts."""
    value: float | str = turn.value
    if isinstance(value, float):
        step = BY_NAME[turn.fact].resolution
        value = value + (back - 1) * step if turn.side == "below" else value - back * step
        value = round(value, 9)
    held = {**context.held, turn.fact: replace(context.held[turn.fact], state=Known(value))}
    changed, faults = make_context(context.now, held, context.expired)
    return None if faults else changed


def _turns_agree(rules: Rules, context: Context, turns: tuple[Turn, ...]) -> list[str]:
    """The turning points that do not turn the advice, or not first there."""
    now, wrong = _said(rules, context), []
    plans = rules.policy.plans
    for turn in turns:
        there = _told(context, turn, 0)
        assert there is not None
        action, words, _ = said = _said(rules, there)
        plan = plans[turn.then.plan] if turn.then.plan >= 0 else None
        expected = () if plan is None else tuple(getattr(plan, word) for word in PLAN_WORDS)
        if said == now or (action, words) != (turn.then.action, expected):
            wrong.append(f"{turn}: {said}")
        before = None if turn.side == "word" else _told(context, turn, 1)
        if before is not None and _said(rules, before) != now:
            wrong.append(f"{turn}: one step before")
    return wrong


@pytest.mark.long
def test_every_turning_point_turns_the_advice_and_one_step_less_does_not(
    share: Callable[[int, int, int], int], record_property: Callable[[str, object], None], rules: Rules
) -> None:
    """The job that a usual run takes is the first; which twelve are taken was settled when the test was written."""
    count = share(len(JOBS), 1, 0)
    turned = 0
    for job_id in JOBS[:count]:
        context = job_context(job_id)
        found = answer(look(rules, as_it_stands(context, rules)), "")
        turns = turns_of(context, rules, Outcomes(context, found, lambda one: answer(one, "", ask=False)))
        assert _turns_agree(rules, context, turns) == [], job_id
        turned += len(turns)
    record_property("figures", f"turning points: {turned}")
    assert turned >= 5 * count
