"""The search for plans that win, on three plans whose prices and rules are few enough to see who wins where."""

from __future__ import annotations

from dataclasses import replace

import pytest

from decision.small_policy import FUSION, GAS, MECHANICAL, NOTHING, NOW, Small, a_price, a_screen, small_rules
from repairadvisor.decision.check_wins import Wins, never_winning, wins
from repairadvisor.decision.findings import SEARCHED
from repairadvisor.decision.policy_check import PolicyCheck
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import IsOneOf
from repairadvisor.render import policy_check as rendered

WITH_GAS = parse_context({"place": "chamber", "gas_test": "alarm"}, NOW)
WITHOUT_GAS = parse_context({"place": "chamber", "gas_test": "clear"}, NOW)

#: Fusion costs 100, a mechanical joint 200, doing nothing 300; gas bars both joints.
PRICES = tuple(
    a_price(name, {"method": (name,)}, cost)
    for name, cost in (("fusion_splice", 100.0), ("mechanical_splice", 200.0), ("none", 300.0))
)
BOTH_BARRED = (a_screen("fusion", "fusion_splice", GAS), a_screen("mechanical", "mechanical_splice", GAS))


def looked(rules: Rules, *contexts: Context, most: int = 20) -> dict[str, tuple[int, int, str]]:
    """For each plan in how many contexts it could be used, in how many it won, and what outdoes it."""
    return {one.plan: (one.permitted, one.won, one.outdone_by) for one in wins(rules, contexts, most).plans}


@pytest.fixture(scope="module")
def gas(rules: Rules) -> Rules:
    return small_rules(rules, Small({}, PRICES, screens=BOTH_BARRED))


def test_each_context_has_its_winner_and_who_is_always_dearer_is_outdone(gas: Rules) -> None:
    """By hand: clear, fusion wins at 100; with gas nothing is left but doing nothing."""
    found = looked(gas, WITHOUT_GAS, WITH_GAS, most=2)
    assert found == {FUSION.id: (1, 1, ""), MECHANICAL.id: (1, 0, FUSION.id), NOTHING.id: (2, 1, "")}


def test_who_could_never_be_used_is_told_so(gas: Rules) -> None:
    found = looked(gas, WITH_GAS, most=1)
    assert found[MECHANICAL.id] == (0, 0, "")
    said = {one.ids[0]: one for one in never_winning(wins(gas, [WITH_GAS], 1))}
    assert set(said) == {FUSION.id, MECHANICAL.id}
    assert "No context was found in which plan fusion_splice" in said[FUSION.id].sentence
    assert said[FUSION.id].proof == SEARCHED


def test_a_plan_that_is_dearer_only_now_and_then_is_outdone_by_nobody(rules: Rules) -> None:
    """Where the other is barred it would win; the plan that wins instead is barred elsewhere."""
    screens = (
        a_screen("no fusion", "fusion_splice", IsOneOf("cable_spoilt", ("yes",))),
        a_screen("nothing only", "none", IsOneOf("cable_spoilt", ("no",))),
    )
    cheap = (*PRICES[:2], replace(PRICES[2], amount={"": 10.0}))
    small = small_rules(rules, Small({}, cheap, screens=screens))
    spoilt, sound = (parse_context({"cable_spoilt": word}, NOW) for word in ("yes", "no"))
    found = looked(small, spoilt, sound, most=2)
    assert found[MECHANICAL.id] == (2, 0, "")
    assert (found[FUSION.id], found[NOTHING.id]) == ((1, 1, ""), (1, 1, ""))


def test_examples_of_screens_lead_to_a_context_in_which_a_plan_wins(rules: Rules) -> None:
    """Gas is told. The example that clears lets fusion win; one more bars fusion, and the mechanical joint wins."""
    of_gas = {"bars": {"place": "chamber", "gas_test": "alarm"}, "clears": {"place": "chamber", "gas_test": "clear"}}
    spoilt = IsOneOf("cable_spoilt", ("yes",))
    screens = (
        *(replace(one, examples=of_gas) for one in BOTH_BARRED),
        replace(
            a_screen("spoilt", "fusion_splice", spoilt),
            examples={"bars": {"cable_spoilt": "yes"}, "clears": {"cable_spoilt": "no"}},
        ),
    )
    small = small_rules(rules, Small({}, PRICES, screens=screens))
    told = parse_context({"place": "chamber", "gas_test": "alarm", "cable_spoilt": "no"}, NOW)
    found = wins(small, [told], 20)
    assert found.never_won == ()
    assert found.contexts == 1
    assert found.weighed == 3


def test_plans_known_to_be_barred_everywhere_are_not_looked_for(gas: Rules) -> None:
    found = wins(gas, [WITH_GAS], 5, frozenset({FUSION.id}))
    assert {one.plan for one in found.plans} == {MECHANICAL.id, NOTHING.id}


def test_the_count_is_a_limit_and_the_same_contexts_lead_to_the_same_answer(gas: Rules) -> None:
    told: list[tuple[int, int]] = []
    contexts = [WITHOUT_GAS, WITH_GAS] * 5
    found = wins(gas, contexts, 4, progress=lambda done, most: told.append((done, most)))
    assert found.weighed == 4
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert found == wins(gas, contexts, 4)


def test_a_plan_without_a_win_is_said_with_what_outdoes_it(gas: Rules) -> None:
    found = wins(gas, [WITHOUT_GAS, WITH_GAS], 2)
    said = rendered.render(PolicyCheck("0" * 64, (), (), never_winning(found), found))
    assert "2 contexts weighed, from 2 drawn. 2 of 3 plans that are not barred everywhere won." in said
    assert f"Plan {MECHANICAL.id} did not win in the 1 context in which it could be used" in said
    assert f"{FUSION.id} could be used in all of them and never cost more." in said


def test_without_contexts_nothing_is_searched() -> None:
    said = rendered.render(PolicyCheck("0" * 64, (), (), (), Wins(0, 0, ())))
    assert "Looked for plans" not in said
