"""The tree of a card: that of the fault, level by level, and a leaf without advice where there was no room."""

from __future__ import annotations

import pytest
from whole_jobs import whole_jobs

from repairadvisor.decision.card_tree import RING, card_tree, cut_to
from repairadvisor.decision.fault_tree import Node, tree_for
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context

JOB = "om2-ends-and-om4-on-the-reel"


@pytest.fixture(scope="module")
def context() -> Context:
    job = next(one for one in whole_jobs() if one.id == JOB)
    return parse_context(job.facts, job.now)


def nodes(node: Node) -> list[Node]:
    return [node, *(one for branch in node.branches for one in nodes(branch.node))]


def test_with_room_enough_it_is_the_tree_of_the_fault(rules: Rules, context: Context) -> None:
    whole, card = tree_for(context, rules), card_tree(context, rules, "", 100)
    assert card.root == whole.root
    assert card.advice == whole.advice


def test_one_node_is_a_question_with_all_of_its_answers_and_whoever_answers_rings(
    rules: Rules, context: Context
) -> None:
    cut, whole = card_tree(context, rules, "", 1), tree_for(context, rules)
    assert cut.root.question == whole.root.question
    assert [one.answer for one in cut.root.branches] == [one.answer for one in whole.root.branches]
    assert all(one.node == RING for one in cut.root.branches)
    assert cut.advice == ()


def test_what_is_cut_off_lies_at_the_end_and_nothing_else_changes(rules: Rules, context: Context) -> None:
    whole = nodes(tree_for(context, rules).root)
    for room in range(1, len(whole)):
        kept = nodes(card_tree(context, rules, "", room).root)
        assert sum(one.question is not None or one.advice is not None for one in kept) == room


def test_no_depth_is_the_advice_alone(rules: Rules, context: Context) -> None:
    assert card_tree(context, rules, "", 5, depth=0).root == Node(None, (), 0)


def test_no_room_at_all_is_refused(rules: Rules, context: Context) -> None:
    with pytest.raises(ValueError, match="0 nodes"):
        card_tree(context, rules, "", 0)


def test_a_tree_that_is_cut_afterwards_is_the_one_that_was_grown_so_far(rules: Rules, context: Context) -> None:
    whole = tree_for(context, rules)
    for room in range(1, len(nodes(whole.root)) + 1):
        cut, grown = cut_to(whole, room), card_tree(context, rules, "", room)
        assert cut.root == grown.root
        assert cut.advice == grown.advice
