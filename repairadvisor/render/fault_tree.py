"""The tree of questions for a fault, as indented lines, and what the advice at the end of each way says."""

from __future__ import annotations

from collections.abc import Iterator

from repairadvisor.decision.fault_tree import Node, Tree


def render(tree: Tree) -> str:
    """Questions with their answers below them; an answer ends in the number of an advice, listed at the end."""
    lines = [*_lines(tree.root, 0), ""]
    lines += [f"{i}. {advice.say}" for i, advice in enumerate(tree.advice, start=1)]
    return "\n".join(lines) + "\n"


def _lines(node: Node, indent: int) -> Iterator[str]:
    space = "  " * indent
    if node.question is None:
        yield f"{space}advice {(node.advice or 0) + 1}"
        return
    yield f"{space}{node.question.ask}"
    for branch in node.branches:
        if branch.node.question is None:
            yield f"{space}- {branch.answer}: advice {(branch.node.advice or 0) + 1}"
        else:
            yield f"{space}- {branch.answer}:"
            yield from _lines(branch.node, indent + 1)
