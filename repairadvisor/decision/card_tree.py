"""The tree of questions as a card carries it: grown level by level, so that what is asked first is there first.

It has the nodes of :mod:`.fault_tree`, and where it has no room for more it ends in a leaf without advice: whoever gets
there rings. Nothing is guessed at such an end.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

from repairadvisor.decision.advice import Advice, Question
from repairadvisor.decision.answer import Answer, Told
from repairadvisor.decision.document import write
from repairadvisor.decision.fault_tree import DEEPEST, Branch, Node, Tree, as_given, first_to_branch
from repairadvisor.decision.method import METHOD_VERSION, answer
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look
from repairadvisor.decision.spoken import question_of
from repairadvisor.decision.start import as_it_stands
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import State

#: The end of a way for which there was no room.
RING = Node(None, (), None)


def card_tree(context: Context, rules: Rules, issued_plan: str, most_nodes: int, depth: int = DEEPEST) -> Tree:
    """The tree from the facts given, with at most ``most_nodes`` nodes that were worked out.

    A question stands in it with all of its answers or not at all; an answer whose node was not worked out leads to
    :data:`RING`. Errors: ValueError for less than one node.
    """
    if most_nodes < 1:
        raise ValueError(f"{most_nodes} nodes: at least one")
    leaves = _Leaves()
    root = _Sprout(context, 0)
    waiting, grown = deque([root]), 0
    while waiting and grown < most_nodes:
        waiting.extend(_grow(waiting.popleft(), rules, issued_plan, depth, leaves))
        grown += 1
    return Tree(root.node(), tuple(leaves.advice))


def cut_to(tree: Tree, most_nodes: int) -> Tree:
    """The tree with its first ``most_nodes`` nodes, level by level; whoever gets to what was cut off rings. Advice that
    no leaf names any more is left out."""
    kept: set[int] = set()
    waiting = deque([tree.root])
    while waiting and len(kept) < most_nodes:
        node = waiting.popleft()
        kept.add(id(node))
        waiting.extend(branch.node for branch in node.branches)
    leaves = _Leaves()
    return Tree(_cut(tree, tree.root, kept, leaves), tuple(leaves.advice))


def _cut(tree: Tree, node: Node, kept: set[int], leaves: _Leaves) -> Node:
    if id(node) not in kept:
        return RING
    if node.advice is not None:
        return replace(node, advice=leaves.place_of(tree.advice[node.advice]))
    branches = [replace(one, node=_cut(tree, one.node, kept, leaves)) for one in node.branches]
    return replace(node, branches=tuple(branches))


@dataclass(slots=True)
class _Leaves:
    """The advice at the ends of ways, each once."""

    places: dict[str, int] = field(default_factory=dict)
    advice: list[Advice] = field(default_factory=list)

    def place_of(self, advice: Advice) -> int:
        key = repr(advice)
        if key not in self.places:
            self.places[key] = len(self.advice)
            self.advice.append(advice)
        return self.places[key]


@dataclass(slots=True)
class _Sprout:
    """A node while the tree grows: not worked out, a question with what follows each answer, or a leaf."""

    context: Context
    depth: int
    question: Question | None = None
    answers: list[tuple[str, dict[str, object], _Sprout]] = field(default_factory=list)
    leaf: int | None = None

    def node(self) -> Node:
        if self.question is not None:
            return Node(self.question, tuple(Branch(said, told, one.node()) for said, told, one in self.answers), None)
        return RING if self.leaf is None else Node(None, (), self.leaf)


def _grow(sprout: _Sprout, rules: Rules, issued_plan: str, depth: int, leaves: _Leaves) -> list[_Sprout]:
    """Work a node out; what follows its answers, to be worked out in turn."""
    found = answer(look(rules, as_it_stands(sprout.context, rules)), issued_plan)
    asked, answers = first_to_branch(found, sprout.context) if sprout.depth < depth else (None, [])
    if asked is None:
        sprout.leaf = leaves.place_of(_advice(found, sprout.context, issued_plan))
        return []
    sprout.question = question_of(Told(found, Words(rules.wording), sprout.context), asked)
    sprout.answers = [_answer(sprout, asked.fact, one) for one in answers]
    return [one for _, _, one in sprout.answers]


def _answer(above: _Sprout, fact: str, one: tuple[str, State, Context]) -> tuple[str, dict[str, object], _Sprout]:
    said, state, changed = one
    return said, as_given(fact, state), _Sprout(changed, above.depth + 1)


def _advice(found: Answer, context: Context, issued_plan: str) -> Advice:
    """The advice of a leaf, without the facts: they stand on the way."""
    return replace(write(replace(found, issued_plan=issued_plan), context, METHOD_VERSION), facts_used=())
