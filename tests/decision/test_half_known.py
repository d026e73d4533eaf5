"""Half the facts: what is done when a check fails, what would turn the answer, what if, and the tree of questions."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest

from decision.told import CABINET, job_context
from repairadvisor.decision import fault_tree
from repairadvisor.decision.advice import Advice
from repairadvisor.decision.fault_tree import Node, answers_to, tree_for
from repairadvisor.decision.method import advise, answer
from repairadvisor.decision.outcomes import Outcomes, outcome_of
from repairadvisor.decision.questions import Asked, Option
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, OPEN
from repairadvisor.decision.situation import Situation, look, weigh
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import Outcome, Turn, turns_of
from repairadvisor.decision.what_if import compare
from repairadvisor.errors import InputError
from repairadvisor.facts.context import Context, make_context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Between, Known, NotApplicable
from repairadvisor.facts.vocabulary import BY_NAME

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)


def _whole(situation: Situation) -> Any:
    return answer(situation, "", ask=False)


# --- when a check fails ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cabinet(rules: Rules) -> Advice:
    return advise(parse_context(CABINET, NOW), rules)


def _index(rules: Rules, plan_id: str) -> int:
    return next(i for i, plan in enumerate(rules.policy.plans) if plan.id == plan_id)


def test_a_plan_held_ready_is_not_barred_by_the_check_after_which_it_comes(rules: Rules, cabinet: Advice) -> None:
    assert cabinet.fallbacks
    by_id = {screen.id: i for i, screen in enumerate(rules.screens)}
    for held in cabinet.fallbacks:
        bit = 1 << _index(rules, held.plan.id)
        assert held.after
        assert held.saves > 0.0
        for screen in held.after:
            assert not rules.screen_plans[by_id[screen]] & bit


def test_a_plan_held_ready_names_every_check_that_it_needs_besides(rules: Rules, cabinet: Advice) -> None:
    """Permission is fail-closed at every leaf: what is open for that plan is either checked before or named here."""
    situation = look(rules, as_it_stands(parse_context(CABINET, NOW), rules))
    checked = {check.screen for check in cabinet.checks_on_arrival}
    for held in cabinet.fallbacks:
        bit = 1 << _index(rules, held.plan.id)
        for i in situation.screens(OPEN):
            screen = rules.screens[i]
            if rules.screen_plans[i] & bit:
                assert screen.check
                assert screen.id in checked or screen.not_before in held.not_before


def test_every_check_says_what_follows_when_it_fails_and_at_most_two_plans_do(cabinet: Advice) -> None:
    assert len(cabinet.fallbacks) <= 2
    phrases = [held.plan.phrase for held in cabinet.fallbacks]
    for check in cabinet.checks_on_arrival:
        leads = [phrase for phrase in phrases if phrase in check.if_it_fails]
        assert leads or "ring the control room" in check.if_it_fails
        assert bool(leads) == any(check.screen in held.after for held in cabinet.fallbacks)


def test_cautions_of_a_plan_held_ready_are_printed_whole(rules: Rules, cabinet: Advice) -> None:
    """There may be no signal at the place: what a plan held ready needs besides stands beside it."""
    by_id = {plan.id: plan for plan in rules.policy.plans}
    told = {one.tag for one in cabinet.cautions}
    situation = look(rules, as_it_stands(parse_context(CABINET, NOW), rules))
    for held in cabinet.fallbacks:
        for i, row in enumerate(rules.policy.cautions):
            if by_id[held.plan.id].fits(row.plans) and situation.of("caution", i) == BARRED:
                assert row.tag in told or row.text in held.cautions


def test_people_come_before_work_in_the_chain(cabinet: Advice) -> None:
    kinds = [check.kind for check in cabinet.checks_on_arrival]
    on_the_spot = kinds[kinds.index("safety") :] if "safety" in kinds else []
    assert "danger" not in on_the_spot


def test_holding_plans_ready_is_told_beside_the_cost_that_ranks(rules: Rules, cabinet: Advice) -> None:
    """One figure for one plan: what is told as its cost is what the sentence says and what others are held against."""
    found = answer(look(rules, as_it_stands(parse_context(CABINET, NOW), rules)), "")
    assert cabinet.expected_cost is not None
    assert found.chosen is not None
    saved = sum(held.saves for held in cabinet.fallbacks)
    assert saved > 0.0
    assert cabinet.expected_cost.total == pytest.approx(found.chosen.cost, abs=0.005)
    assert cabinet.expected_cost.held_ready_saves == pytest.approx(saved, abs=0.02)
    assert f" {cabinet.expected_cost.total:.0f} " in cabinet.because


# --- what would turn it ------------------------------------------------------------------------------------------


def _told(context: Context, turn: Turn, steps: float) -> Context | None:
    """The context with a turning point's fact at its value, or some steps of the fact's resolution back from it."""
    held = dict(context.held)
    value: float | str = turn.value
    if isinstance(value, float):
        step = BY_NAME[turn.fact].resolution
        value = round(value - step if turn.side == "below" else value, 9)  # "below" names the first value that is not
        value = round(value + steps * step * (1.0 if turn.side == "below" else -1.0), 9)
    held[turn.fact] = replace(held[turn.fact], state=Known(value))
    changed, faults = make_context(context.now, held, context.expired)
    return None if faults else changed


@pytest.mark.parametrize("job_id", ["trolley-crushed-a-metre", "two-breaks-and-half-a-ticket"])
def test_a_turning_point_turns_the_answer_and_one_step_less_does_not(rules: Rules, job_id: str) -> None:
    context = job_context(job_id)
    found = answer(look(rules, as_it_stands(context, rules)), "")
    beside = Outcomes(context, found, _whole)
    turns = turns_of(context, rules, beside)
    assert turns
    for turn in turns:
        changed = _told(context, turn, 0.0)
        assert changed is not None
        assert beside(changed) == turn.then != outcome_of(found), turn
        before = _told(context, turn, 1.0)
        if turn.side != "word" and before is not None:
            assert beside(before) != turn.then or before == changed, turn


class _FromScratch:
    """Outcomes without what is remembered or left out."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules

    def __call__(self, context: Context) -> Outcome:
        return outcome_of(_whole(look(self._rules, as_it_stands(context, self._rules))))


@pytest.mark.parametrize("job_id", ["trolley-crushed-a-metre"])
def test_outcomes_are_those_of_answers_made_from_scratch(rules: Rules, job_id: str) -> None:
    context = job_context(job_id)
    beside = Outcomes(context, answer(look(rules, as_it_stands(context, rules)), ""), _whole)
    assert beside.reprices  # with more open, prices are held as they stand
    scratch = _FromScratch(rules)
    looked_at = 0
    for name, held in context.held.items():
        if not BY_NAME[name].words or not isinstance(held.state, Known):
            continue
        for word in BY_NAME[name].words:
            changed, faults = make_context(
                context.now, {**context.held, name: replace(held, state=Known(word))}, context.expired
            )
            if not faults:
                looked_at += 1
                assert beside(changed) == scratch(changed), (name, word)
    assert looked_at > 20


# --- what if, and a plan once issued -----------------------------------------------------------------------------


def test_an_answer_beside_itself_differs_in_nothing(rules: Rules, cabinet: Advice) -> None:
    found = compare(cabinet, cabinet, Words(rules.wording))
    assert found.differences == ()
    assert found.because == (Words(rules.wording).say("what_if", "same"),)


def test_a_fact_told_otherwise_is_named_with_all_that_follows(rules: Rules, cabinet: Advice) -> None:
    other = advise(parse_context({**CABINET, "fibres_down_count": 4, "fibres_in_service_count": 4}, NOW), rules)
    parts = {one.part for one in compare(cabinet, other, Words(rules.wording)).differences}
    assert {"fact fibres_down_count", "fact fibres_in_service_count", "expected cost"} <= parts


def test_a_plan_once_issued_is_kept_while_it_is_a_candidate(rules: Rules) -> None:
    context = parse_context(CABINET, NOW)
    found = answer(look(rules, as_it_stands(context, rules)), "", ask=False)
    near = [one for one in found.order[1:] if one.cost <= found.order[0].cost * 1.005]
    for one in near:
        kept = advise(context, rules, one.plan.id)
        assert kept.issued_plan == one.plan.id
        assert kept.plan is None or kept.plan.id == one.plan.id
    dearest = max(found.order, key=lambda one: one.cost)
    dropped = advise(context, rules, dearest.plan.id)
    assert dropped.plan is None or dropped.plan.id != dearest.plan.id


# --- the tree ----------------------------------------------------------------------------------------------------


def _paths(node: Node, told: dict[str, object]) -> list[tuple[dict[str, object], int]]:
    if node.advice is not None:
        return [(told, node.advice)]
    return [path for branch in node.branches for path in _paths(branch.node, {**told, **branch.told})]


@pytest.mark.parametrize(
    "told",
    [
        {"place": "customer_home", "fault_seen": "broken_plug"},
        {"place": "pole_top", "fault_seen": "broken_plug", "danger_seen": "none", "fibres_down_count": 1},
    ],
)
def test_walking_the_tree_ends_in_the_advice_that_the_same_facts_get(rules: Rules, told: dict[str, Any]) -> None:
    tree = tree_for(parse_context(told, NOW), rules)
    again = tree_for(parse_context(told, NOW), rules)
    assert repr(tree) == repr(again)
    paths = _paths(tree.root, dict(told))
    assert len(paths) > 1
    for facts, leaf in paths:
        assert replace(advise(parse_context(facts, NOW), rules), facts_used=()) == tree.advice[leaf]


def test_a_tree_of_no_questions_is_one_leaf(rules: Rules) -> None:
    tree = tree_for(parse_context({"place": "customer_home", "fault_seen": "broken_plug"}, NOW), rules, 0)
    assert tree.root.question is None
    assert len(tree.advice) == 1
    with pytest.raises(ValueError, match="0 to 6"):
        tree_for(parse_context({}, NOW), rules, 7)


def test_a_fact_that_may_have_no_meaning_can_be_answered_so(rules: Rules) -> None:
    """How many fibres a ribbon has is asked where nobody has said what cable it is."""
    context = parse_context({"place": "street_cabinet", "fault_seen": "cut", "danger_seen": "none"}, NOW)
    situation = look(rules, as_it_stands(context, rules))
    weigh(situation, situation.candidates())
    worlds = situation.worlds
    assert worlds is not None
    cells = range(len(worlds.cells("ribbon_size_count")))
    options = (Option(tuple(cells[:1]), 0.1, 0), Option(tuple(cells[1:]), 0.9, 1))
    given = list(answers_to(situation, context, Asked("ribbon_size_count", 10.0, options)))
    assert [state for _, state, _ in given][-1] == NotApplicable()
    words, _, without = given[-1]
    assert words == "there is none here"
    assert "ribbon" not in without.possible["cable_kind"].words
    assert all(changed.possible["cable_kind"].words == ("ribbon",) for _, _, changed in given[:-1])


def test_a_number_that_was_bounded_can_be_answered_up_to_its_bound(rules: Rules) -> None:
    told = {**CABINET, "outage_value_cu_per_h": {"between": [500, 9000]}}
    context = parse_context(told, NOW)
    situation = look(rules, as_it_stands(context, rules))
    weigh(situation, situation.candidates())
    worlds = situation.worlds
    assert worlds is not None
    cells = range(len(worlds.cells("outage_value_cu_per_h")))
    assert len(cells) > 1
    options = (Option(tuple(cells[:1]), 0.5, 0), Option(tuple(cells[1:]), 0.5, 1))
    given = [state for _, state, _ in answers_to(situation, context, Asked("outage_value_cu_per_h", 10.0, options))]
    assert isinstance(given[0], Between)
    assert isinstance(given[1], Between)
    assert (given[0].low, given[1].high) == (500.0, 9000.0)


def test_a_danger_seen_before_a_long_way_does_not_end_the_tree(rules: Rules) -> None:
    """The advice asks for it anew, once somebody is there; until then the tree goes on with what else is asked."""
    told = {**CABINET, "cable_kind": None, "crew_place": "travelling", "travel_min": 45}
    context = parse_context({name: value for name, value in told.items() if value is not None}, NOW)
    advice = advise(context, rules)
    assert advice.questions[0].fact == "danger_seen"
    assert len(advice.questions) > 1
    root = tree_for(context, rules, 1).root
    assert root.question == advice.questions[1]
    assert len(root.branches) > 1


def test_a_tree_that_is_too_large_is_refused_before_more_of_it_is_grown(
    rules: Rules, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = {"place": "pole_top", "fault_seen": "broken_plug", "danger_seen": "none", "fibres_down_count": 1}
    context = parse_context(told, NOW)
    whole = tree_for(context, rules, 1)
    nodes = 1 + len(whole.root.branches)
    asked: list[str] = []
    monkeypatch.setattr(fault_tree, "answer", lambda *given: asked.append("") or answer(*given))
    assert repr(tree_for(context, rules, 1, nodes)) == repr(whole)
    assert len(asked) == nodes
    asked.clear()
    with pytest.raises(InputError, match=f"depth = 1: leads to more than {nodes - 1} nodes"):
        tree_for(context, rules, 1, nodes - 1)
    assert len(asked) == 1


def test_a_number_asked_for_permission_is_answered_between_the_figures_that_rules_hold_against_it(rules: Rules) -> None:
    """Every figure of every rule starts an answer, and the answers leave nothing out."""
    context = parse_context({"place": "pole_top", "fault_seen": "cut", "danger_seen": "none"}, NOW)
    situation = look(rules, as_it_stands(context, rules))
    states = [state for _, state, _ in answers_to(situation, context, Asked("height_m"))]
    ends = [(s.low, s.high) if isinstance(s, Between) else (s.value, s.value) for s in states]  # type: ignore[union-attr]
    possible = context.possible["height_m"]
    assert len(states) > 1
    assert (ends[0][0], ends[-1][1]) == (possible.low, possible.high)
    assert {cut for cut in rules.compiled.axes["height_m"].cuts if possible.low < cut} <= {low for low, _ in ends}
    step = BY_NAME["height_m"].resolution
    assert all(after[0] - before[1] == pytest.approx(step) for before, after in pairwise(ends))


def test_facts_asked_together_say_that_it_hangs_on_the_other_answer(rules: Rules) -> None:
    """Dark fibres move the service only where there are as many as are in service: neither count says it alone."""
    told = {"place": "street_cabinet", "fault_seen": "broken_plug", "danger_seen": "none"}
    advice = advise(parse_context(told, NOW), rules)
    spare = next(one for one in advice.questions if one.fact == "spare_fibres_count")
    assert spare.together_with == ("fibres_in_service_count",)
    leads = {one.answer: one.leads_to for one in spare.answers}
    hangs = rules.wording["answer"]["hangs_on_others"]
    assert hangs in leads.values()
    assert spare.answers[0].leads_to != hangs  # none of them: nothing to move to
