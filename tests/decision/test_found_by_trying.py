"""Mistakes that trying to break the product has found, each as the test that found it."""

from __future__ import annotations

import pytest

from decision.small_policy import NOW, Small, small_rules
from decision.told import JOBS, job_context
from repairadvisor.decision.advice import Advice
from repairadvisor.decision.expectation import Expectation
from repairadvisor.decision.method import advise
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.worlds import Worlds
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import Below


@pytest.mark.parametrize("limit", [1.5, 2.0])
def test_a_limit_between_two_whole_numbers_cuts_as_the_next_one_does(rules: Rules, limit: float) -> None:
    """Below one and a half persons is below two: nobody or one, a quarter in all."""
    small = Small(priors={"crew_count": [(0.0, 2.0, 0.25), (2.0, 20.0, 0.75)]}, prices=(), screens=())
    made = small_rules(rules, small)
    below = (Below("crew_count", "a limit", limit),)
    worlds = Worlds(made.compiled, made.policy.facts, parse_context({}, NOW), made.order, below, {})
    chances = zip(worlds.cells("crew_count"), Expectation(worlds, ()).chances("crew_count"), strict=True)
    share = sum(chance for cell, chance in chances if worlds.stretch("crew_count", cell)[0] < limit)
    assert share == pytest.approx(0.25, abs=1e-12)


def test_facts_used_are_those_that_were_told(rules: Rules) -> None:
    """What two fibre types lose is worked out from the types; nobody told it, so it is no fact that was told."""
    context = job_context("twelve-cut-by-a-spade-with-slack")
    assert "mode_field_loss_db" not in context.held
    assert {one.fact for one in advise(context, rules).facts_used} <= set(context.held)


def test_somebody_hurt_is_helped_wherever_it_is(rules: Rules) -> None:
    """A place of another competence is declined, and still somebody who lies there needs help first."""
    told = {"place": "rail_side", "danger_seen": "hurt"}
    advice = advise(parse_context(told, JOBS[0].now), rules)
    assert any("emergency service" in one for one in advice.call)


def test_fibres_that_are_surely_unlike_are_not_weighed_as_alike(rules: Rules) -> None:
    """Which of two types lies on the far side is not known; that it is not the near side's is."""

    def lost(far: object) -> float:
        advice = advise(job_context("twelve-cut-by-a-spade-with-slack", fibre_type_far=far), rules)
        assert advice.loss is not None
        return advice.loss.by_wavelength["1310"].p50_db

    assert lost({"one_of": ["g655", "g654e"]}) >= min(lost("g655"), lost("g654e")) > lost("g652d")


def _sleeves(advice: Advice) -> float:
    return next(line.quantity for line in advice.kit if "60 mm" in line.item)


def test_sleeves_are_carried_for_more_than_the_fewest_fibres_there_may_be(rules: Rules) -> None:
    """A dozen to a hundred and forty-four: what is loaded for two dozen is the least that makes sense."""
    told = {"cable_fibre_count": 144, "sleeve_count": 400}
    bounded, two_dozen = (
        advise(job_context("twelve-cut-by-a-spade-with-slack", fibres_down_count=count, **told), rules)
        for count in ({"between": [12, 144]}, 24)
    )
    assert bounded.action == two_dozen.action == "repair"
    assert _sleeves(bounded) >= _sleeves(two_dozen)


def test_a_shelf_full_of_sleeves_is_as_good_as_endless(rules: Rules) -> None:
    """A hundred thousand sleeves for twelve fibres are more attempts than the rule for redoing joints counts."""
    advice = advise(job_context("twelve-cut-by-a-spade-with-slack", sleeve_count=100_000), rules)
    assert advice.action == "repair"


def test_nobody_is_named_as_a_crew_while_something_is_asked_first(rules: Rules) -> None:
    """Reading the page aloud: "one person; no special authorisation" stood under a question about a pole top."""
    told = {"place": "pole_top", "fault_seen": "broken_plug", "fibres_down_count": 1}
    advice = advise(parse_context(told, JOBS[0].now), rules)
    assert advice.action == "ask_first"
    assert advice.crew.persons == 0
    assert "one person" not in advice.crew.in_words
