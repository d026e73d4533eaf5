"""What a pocket card holds: an advice, the tree below it, and verdicts looked up beforehand, as plain values.

Every text stands once and is named by its place, so that a card stays small. The words around these texts are not in
it: they are those of the policy in force when the card is shown. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.fault_tree import Node, Tree
from repairadvisor.outcome.offline_verdicts import Gate, OfflineVerdicts, Row
from repairadvisor.render.parts import HELD
from repairadvisor.render.placing import placed
from repairadvisor.render.prose import prose
from repairadvisor.render.sentences import kit
from repairadvisor.render.voice import Voice

#: Goes up when the parts of a card change, so that no program reads a card that it does not know.
FORM = 3


def card_data(
    advice_id: str, advice: Advice, tree: Tree, verdicts: Sequence[OfflineVerdicts], voice: Voice
) -> dict[str, Any]:
    """The card of a kept advice. ``tree`` is grown from its facts; where nothing is asked it is the advice alone."""
    texts = _Texts(voice)
    leaves = [advice] if tree.root.advice is not None else list(tree.advice)
    return {
        "form": FORM,
        "id": advice_id,
        "policy": advice.policy,
        "method": advice.method_version,
        "given": advice.now,
        "valid_until": advice.valid_until,
        "valid_because": texts.of(advice.valid_because),
        "advised": _leaf(advice, texts),
        "root": _node(tree.root, texts),
        "leaves": [_leaf(one, texts) for one in leaves],
        "verdicts": {one.plan: _table(one, texts) for one in verdicts},
        "texts": texts.all,
    }


def bare_card_data(advice_id: str, advice: Advice, voice: Voice) -> dict[str, Any]:
    """A card that says what to beware of and whom to ring, and leads nowhere: for a policy that is out of force."""
    return card_data(advice_id, advice, Tree(Node(None, (), None), ()), (), voice)


class _Texts:
    """Texts as they are shown, each once."""

    def __init__(self, voice: Voice) -> None:
        self.voice = voice
        self.all: list[str] = []
        self._places: dict[str, int] = {}

    def of(self, text: str) -> int:
        text = prose(self.voice, text)
        place = self._places.setdefault(text, len(self.all))
        if place == len(self.all):
            self.all.append(text)
        return place

    def each(self, some: Iterable[str]) -> list[int]:
        return [self.of(text) for text in some]


def _node(node: Node, texts: _Texts) -> dict[str, Any]:
    """A question with its answers, the place of an advice, or nothing: then somebody is rung."""
    if node.question is None:
        return {} if node.advice is None else {"leaf": node.advice}
    return {
        "ask": texts.of(node.question.ask),
        "whom": texts.of(node.question.of_whom),
        "because": texts.of(node.question.because),
        "told": [one.told for one in node.branches],
        "answers": [[texts.of(one.answer), _node(one.node, texts)] for one in node.branches],
    }


def _leaf(advice: Advice, texts: _Texts) -> dict[str, Any]:
    cautions = placed(advice)
    wanted = advice.wait
    return {
        "plan": "" if advice.plan is None else advice.plan.id,
        "repair": advice.action == "repair",
        "held": advice.action in HELD,
        "later": advice.action == "make_safe_and_wait",
        "say": texts.of(advice.say),
        "because": texts.of(advice.because),
        "defers": texts.of(advice.defers_to),
        "about": texts.each(_about(advice)),
        "cautions": texts.each(cautions.first),
        "call": texts.each(advice.call),
        "until": [] if wanted is None else [texts.of(wanted.until)],
        "meanwhile": [] if wanted is None else texts.each(wanted.meanwhile),
        "then": [] if wanted is None or wanted.then_plan is None else [texts.of(wanted.then_plan.phrase)],
        "checks": [
            {
                "screen": one.screen,
                "text": texts.of(one.not_before),
                "beside": texts.each(cautions.beside[one.screen]),
                "fails": texts.of(one.if_it_fails),
            }
            for one in advice.checks_on_arrival
        ],
        "ready": [
            {
                "after": list(one.after),
                "said": texts.of(one.said),
                "cautions": texts.each(one.cautions),
                "before": texts.each(one.not_before),
            }
            for one in advice.fallbacks
        ],
        "steps": [
            {
                "number": one.number,
                "first": one.first,
                "text": texts.of(one.text),
                "limit": texts.each([one.limit] if one.limit else []),
                "before": texts.each(cautions.before[one.number]),
            }
            for one in advice.steps
        ],
        "limits": texts.each(() if advice.loss is None else [row.said for row in advice.loss.limits]),
        "kit": texts.each(kit(advice, texts.voice)),
    }


def _about(advice: Advice) -> list[str]:
    """The plan, how far it counts as a repair, and who has to be there."""
    plan = [] if advice.plan is None else [advice.plan.phrase]
    return [*plan, *(text for text in (advice.continuity_only, advice.crew.in_words) if text)]


# --- verdicts ------------------------------------------------------------------------------------------------------


def _table(table: OfflineVerdicts, texts: _Texts) -> dict[str, Any]:
    gates: list[dict[str, int] | int] = []
    return {
        "method": table.method,
        "nm": table.nm,
        "joints": table.joints,
        "attempts": table.attempts,
        "reflectance_limit_db": table.reflectance_limit_db,
        "pull_tests": table.pull_tests,
        "inspections": table.inspections,
        "reflectances": table.reflectances,
        "rows": {f"{one.joint} {one.attempt} {one.ways}": _row(one, gates) for one in table.rows},
        "gates": gates,
        "said": [
            [one.verdict, texts.of(one.say), texts.each(one.differently), texts.each(one.cautions)]
            for one in table.said
        ],
    }


def _row(row: Row, gates: list[dict[str, int] | int]) -> list[Any]:
    """Up to what is lost elsewhere which stretches hold; by the state of the gates the place of what comes instead: by
    the place of what it replaces, or one for all."""
    by_lost = [[lost, [[one.low, one.high, one.said] for one in stretches]] for lost, stretches in row.by_lost]
    every = {one.said for _, stretches in row.by_lost for one in stretches}
    return [
        by_lost,
        {_state(one): _shared(_one_for_all(one.instead, every), gates) for one in row.gates if one.instead},
    ]


def _one_for_all(instead: dict[int, int], every: set[int]) -> dict[str, int] | int:
    """One place where all verdicts of a row become the same one, which may be among them."""
    places = set(instead.values())
    if len(places) == 1 and every <= instead.keys() | places:
        return places.pop()
    return {str(said): other for said, other in instead.items()}


def _state(gate: Gate) -> str:
    return f"{gate.pull_test} {gate.inspection} {gate.reflectance}"


def _shared(instead: dict[str, int] | int, gates: list[dict[str, int] | int]) -> int:
    if instead not in gates:
        gates.append(instead)
    return gates.index(instead)
