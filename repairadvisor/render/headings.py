"""The headings of the parts of an advice, as the policy words them."""

from __future__ import annotations

from repairadvisor.render.voice import Voice

#: The parts that have a heading of their own.
PARTS = (
    *(
        "cautions",
        "call",
        "wait",
        "checks_on_arrival",
        "checks_later",
        "plan",
        "loss",
        "limits",
        "questions",
        "steps",
        "kit",
    ),
    *("turning_points", "loosened", "ranges", "alternatives", "barred", "facts_used", "not_yet_computed", "sources"),
)


def headings(voice: Voice) -> dict[str, str]:
    """What stands over each part."""
    return {part: voice.say("heading", part) for part in PARTS}
