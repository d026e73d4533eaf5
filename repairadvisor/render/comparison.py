"""Two answers side by side, as lines."""

from __future__ import annotations

from repairadvisor.decision.what_if import Comparison
from repairadvisor.render.changes import told
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice


def render(comparison: Comparison, voice: Voice) -> str:
    """What differs between two answers, and why."""
    none = voice.say("terminal", "none")
    lines = [
        voice.say("terminal", "first", say=comparison.first.say),
        voice.say("terminal", "second", say=comparison.second.say),
        "",
        *(
            voice.say("terminal", "difference", part=part, first=first or none, second=second or none)
            for part, first, second in (told(one, {}, voice) for one in comparison.differences)
        ),
        "",
        *comparison.because,
    ]
    return "\n".join(prose(voice, line) for line in lines) + "\n"
