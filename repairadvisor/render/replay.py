"""An advice made again, as lines."""

from __future__ import annotations

from repairadvisor.decision.replay import Replay
from repairadvisor.render.sentences import one_line
from repairadvisor.render.voice import Voice

#: What stands at a place may be a whole part of a document; a program has it whole.
_LONGEST_SHOWN = 200


def render(replay: Replay, voice: Voice) -> str:
    """Whether it is the same, byte for byte, and every place in which it is not."""
    lines = [
        _headline(replay, voice),
        voice.say("terminal", "policy", policy=replay.policy),
        _moved(replay.method_then, replay.method_now, "method", voice),
        _moved(replay.vocabulary_then, replay.vocabulary_now, "fact_table", voice),
        *(voice.say("terminal", "not_read", why=one_line(why)) for why in replay.not_read),
    ]
    for one in replay.differences:
        lines += [
            one_line(one.path or voice.say("terminal", "whole_document")),
            "  " + voice.say("terminal", "then", text=_shown(one.then, voice)),
            "  " + voice.say("terminal", "now", text=_shown(one.now, voice)),
        ]
    return "\n".join(lines) + "\n"


def _headline(replay: Replay, voice: Voice) -> str:
    count = len(replay.differences)
    if replay.equal:
        return voice.say("terminal", "again_same", id=replay.advice)
    if count == 1:
        return voice.say("terminal", "again_differs_one", id=replay.advice)
    return voice.say("terminal", "again_differs", id=replay.advice, n=count)


def _moved(then: str, now: str, what: str, voice: Voice) -> str:
    if what == "method":
        if then == now:
            return voice.say("terminal", "method", now=now)
        return voice.say("terminal", "method_moved", then=then, now=now)
    if then == now:
        return voice.say("terminal", "fact_table", now=now)
    return voice.say("terminal", "fact_table_moved", then=then, now=now)


def _shown(text: str, voice: Voice) -> str:
    line = one_line(text) or voice.say("terminal", "nothing")
    return line if len(line) <= _LONGEST_SHOWN else f"{line[:_LONGEST_SHOWN]} …"
