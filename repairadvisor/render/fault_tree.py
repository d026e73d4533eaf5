"""The tree of questions for a fault, as indented lines, and what the advice at the end of each way says."""

from __future__ import annotations

from collections.abc import Iterator

from repairadvisor.decision.fault_tree import Node, Tree
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice


def render(tree: Tree, voice: Voice) -> str:
    """Questions with their answers below them; an answer ends in the number of an advice, listed at the end."""
    lines = [*_lines(tree.root, 0, voice), ""]
    lines += [
        voice.say("terminal", "tree_listed", n=i, say=advice.say) for i, advice in enumerate(tree.advice, start=1)
    ]
    return "\n".join(prose(voice, line) for line in lines) + "\n"


def _lines(node: Node, indent: int, voice: Voice) -> Iterator[str]:
    space = "  " * indent
    if node.question is None:
        yield space + voice.say("terminal", "tree_advice", n=(node.advice or 0) + 1)
        return
    yield f"{space}{node.question.ask}"
    for branch in node.branches:
        if branch.node.question is None:
            n = (branch.node.advice or 0) + 1
            yield space + voice.say("terminal", "tree_answer_advice", answer=branch.answer, n=n)
        else:
            yield space + voice.say("terminal", "tree_answer", answer=branch.answer)
            yield from _lines(branch.node, indent + 1, voice)
