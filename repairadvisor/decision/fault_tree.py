"""The tree for a fault: what to ask next, answer by answer, until nothing is worth asking; its leaves are advice.

At every node stands the first question of the advice on what is known there to which more than one answer can be
told; answers are cells, told as bounded facts. So whoever walks down the tree ends in the advice that the same facts
would get from the service.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from repairadvisor.decision.advice import Advice, Question
from repairadvisor.decision.answer import Answer, Told
from repairadvisor.decision.document import write
from repairadvisor.decision.method import METHOD_VERSION, answer
from repairadvisor.decision.questions import DANGERS, Asked
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import Situation, look
from repairadvisor.decision.spoken import question_of
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.worlds import Worlds
from repairadvisor.errors import Fault, InputError
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.value import Between, Known, NotApplicable, OneOf, State
from repairadvisor.facts.vocabulary import BY_NAME

DEEPEST = 6


@dataclass(frozen=True, slots=True)
class Branch:
    """An answer: in words, as the fact that it tells, and where it leads."""

    answer: str
    told: dict[str, object]
    node: Node


@dataclass(frozen=True, slots=True)
class Node:
    """A question with its answers, or a leaf: the place of its advice among the tree's."""

    question: Question | None
    branches: tuple[Branch, ...]
    advice: int | None


@dataclass(frozen=True, slots=True)
class Tree:
    """The tree of a fault. Leaves that say the same share their advice."""

    root: Node
    advice: tuple[Advice, ...]


def tree_for(context: Context, rules: Rules, depth: int = DEEPEST, most_nodes: int | None = None) -> Tree:
    """The tree from the facts given, of at most ``most_nodes`` nodes, questions and ends of ways (None: however many).

    Errors: ValueError for a depth outside 0 to 6; InputError as soon as it is known that there are more nodes: nothing
    is cut off.
    """
    if not 0 <= depth <= DEEPEST:
        raise ValueError(f"depth {depth}: 0 to {DEEPEST} questions")
    grown = _Grown(rules, {}, [], most_nodes)
    try:
        root = grown.node(context, depth)
    except _TooManyError:
        raise InputError([_too_many(depth, most_nodes)]) from None
    return Tree(root, tuple(grown.leaves))


def _too_many(depth: int, most_nodes: int | None) -> Fault:
    problem = f"leads to more than {most_nodes} nodes beside these facts, and no more are grown for one request"
    allowed = "less depth, or the same with more facts told"
    return Fault("too-many", "depth", str(depth), problem, allowed, "questions one after the other")


class _TooManyError(Exception):
    """The tree has more nodes than are wanted."""


@dataclass(slots=True)
class _Grown:
    """A tree while it grows; its leaves in the order in which they were reached, and where each stands. ``nodes`` are
    those that there will be at least: each answer leads to one."""

    rules: Rules
    places: dict[str, int]
    leaves: list[Advice]
    most_nodes: int | None = None
    nodes: int = 1

    def node(self, context: Context, depth: int) -> Node:
        found = answer(look(self.rules, as_it_stands(context, self.rules)), "")
        asked, answers = first_to_branch(found, context) if depth else (None, [])
        if asked is None:
            return Node(None, (), self._leaf(replace(write(found, context, METHOD_VERSION), facts_used=())))
        self.nodes += len(answers)
        if self.most_nodes is not None and self.nodes > self.most_nodes:
            raise _TooManyError
        told = Told(found, Words(self.rules.wording), context)
        question = question_of(told, asked)
        branches = [
            Branch(said, as_given(asked.fact, state), self.node(changed, depth - 1)) for said, state, changed in answers
        ]
        return Node(question, tuple(branches), None)

    def _leaf(self, advice: Advice) -> int:
        """The place of an advice among the leaves: what says the same stands there once."""
        key = repr(advice)
        if key not in self.places:
            self.places[key] = len(self.leaves)
            self.leaves.append(advice)
        return self.places[key]


def first_to_branch(found: Answer, context: Context) -> tuple[Asked | None, list[tuple[str, State, Context]]]:
    """The first question that is worth a branch and has several answers, with those. What was told and will be too old
    when work begins is asked for by the advice, and telling the same again changes nothing: the next question does."""
    for asked in found.questions:
        answers = list(answers_to(found.situation, context, asked)) if _worth_a_branch(found, asked) else []
        if len(answers) > 1:
            return asked, answers
    return None, []


def _worth_a_branch(found: Answer, asked: Asked) -> bool:
    """What is asked for people's sake, for permission, or because the answer saves more than can be told apart."""
    return asked.fact in DANGERS or asked.saves is None or found.action == "ask_first"


def answers_to(situation: Situation, context: Context, asked: Asked) -> Iterator[tuple[str, State, Context]]:
    """The answers a question can get: in words, as a state, and the context with it. What contradicts something that
    was told is no answer."""
    for state in _states(situation, context, asked):
        held = {**context.held, asked.fact: Held(state)}
        changed, faults = make_context(context.now, held, context.expired)
        if not faults:
            yield _said(situation, asked.fact, state), state, changed


def _states(situation: Situation, context: Context, asked: Asked) -> Iterator[State]:
    possible, worlds = context.possible[asked.fact], situation.worlds
    if not asked.options or worlds is None or asked.fact in DANGERS:  # each danger has its own instructions
        yield from (Known(word) for word in possible.words)
        yield from _stretches(situation, asked.fact)
        if possible.may_lack:
            yield NotApplicable()
        return
    axis, cells = worlds.axis(asked.fact), worlds.cells(asked.fact)
    for option in asked.options:
        mine = [cells[i] for i in option.cells if cells[i] != axis.meant]
        if mine:
            yield _state_of(worlds, asked.fact, mine)
        if len(mine) < len(option.cells):
            yield NotApplicable()


def _stretches(situation: Situation, name: str) -> Iterator[State]:
    """The parts of a number between which rules tell apart, as far as it is open."""
    fact, possible, axis = BY_NAME[name], situation.context.possible[name], situation.rules.compiled.axes[name]
    if fact.words:
        return
    cuts = [float(math.ceil(cut)) if fact.whole else cut for cut in axis.cuts]
    starts = [possible.low, *sorted({cut for cut in cuts if possible.low < cut <= possible.high})]
    for start, following in zip(starts, [*starts[1:], None], strict=True):
        yield _from_to(start, possible.high if following is None else _before(name, start, following))


def _state_of(worlds: Worlds, name: str, mine: Sequence[int]) -> State:
    """The fact in one of these cells, which mean something and lie next to each other."""
    axis = worlds.axis(name)
    if axis.words:
        words = tuple(axis.words[cell] for cell in mine)
        return Known(words[0]) if len(words) == 1 else OneOf(words)
    low, high = worlds.stretch(name, mine[0])[0], worlds.stretch(name, mine[-1])[1]
    at_the_end = mine[-1] == max(cell for cell in worlds.cells(name) if cell != axis.meant)
    return _from_to(low, high if axis.whole or at_the_end else _before(name, low, high))


def _before(name: str, low: float, end: float) -> float:
    """The last number before an end that a person would say, not below ``low``."""
    fact = BY_NAME[name]
    return max(low, round(end - (1.0 if fact.whole else fact.resolution), 9))


def _from_to(low: float, high: float) -> State:
    return Known(low) if low == high else Between(low, high)


def _said(situation: Situation, name: str, state: State) -> str:
    words = Words(situation.rules.wording)
    if isinstance(state, NotApplicable):
        return words.say("answer", "lacks")
    said, unit = words.value(name, Held(state))
    return f"{said} {unit}".strip()


def as_given(name: str, state: State) -> dict[str, object]:
    """A state in the form in which facts are given."""
    if isinstance(state, Known):
        return {name: state.value}
    if isinstance(state, Between):
        return {name: {"between": [state.low, state.high]}}
    return {name: {"one_of": list(state.words)}} if isinstance(state, OneOf) else {name: {"not_applicable": True}}
