"""What is known to be wrong: each test here fails until the product is put right, and then moves to its module."""

from __future__ import annotations

import pytest

from decision.small_policy import NOW, Small, small_rules
from decision.told import job_context
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
    fewer = {(cell,): 1.0 for cell in worlds.cells("crew_count") if worlds.stretch("crew_count", cell)[0] < limit}
    share = worlds.elimination.total(
        [*worlds.priors(["crew_count"]), worlds.elimination.factor(("crew_count",), fewer)]
    )
    assert share == pytest.approx(0.25, abs=1e-12)


def test_facts_used_are_those_that_were_told(rules: Rules) -> None:
    """What two fibre types lose is worked out from the types; nobody told it, so it is no fact that was told."""
    context = job_context("twelve-cut-by-a-spade-with-slack")
    assert "mode_field_loss_db" not in context.held
    assert {one.fact for one in advise(context, rules).facts_used} <= set(context.held)
