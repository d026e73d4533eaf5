"""An advice made again, as lines."""

from __future__ import annotations

from repairadvisor.decision.replay import Replay
from repairadvisor.render.sentences import one_line

#: What stands at a place may be a whole part of a document; a program has it whole.
_LONGEST_SHOWN = 200


def render(replay: Replay) -> str:
    """Whether it is the same, byte for byte, and every place in which it is not."""
    said = "the same, byte for byte" if replay.equal else _counted(len(replay.differences))
    lines = [
        f"Advice {replay.advice} made again: {said}",
        f"Policy {replay.policy}",
        f"Method: {_moved(replay.method_then, replay.method_now)}",
        f"Table of facts: {_moved(replay.vocabulary_then, replay.vocabulary_now)}",
    ]
    lines += [f"Cannot be read any more and was left out: {one_line(why)}" for why in replay.not_read]
    for one in replay.differences:
        lines += [
            one_line(one.path or "the whole document"),
            f"  then: {_shown(one.then)}",
            f"  now:  {_shown(one.now)}",
        ]
    return "\n".join(lines) + "\n"


def _counted(count: int) -> str:
    return "it differs in one place" if count == 1 else f"it differs in {count} places"


def _moved(then: str, now: str) -> str:
    return f"version {now}" if then == now else f"version {then} then, {now} now"


def _shown(text: str) -> str:
    line = one_line(text) or "nothing"
    return line if len(line) <= _LONGEST_SHOWN else f"{line[:_LONGEST_SHOWN]} …"
