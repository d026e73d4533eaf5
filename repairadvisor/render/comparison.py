"""Two answers side by side, as lines."""

from __future__ import annotations

from repairadvisor.decision.what_if import Comparison


def render(comparison: Comparison) -> str:
    """What differs between two answers, and why."""
    lines = ["First: " + comparison.first.say, "Second: " + comparison.second.say, ""]
    lines += [f"{one.part}: {one.first or 'none'} -> {one.second or 'none'}" for one in comparison.differences]
    lines += ["", *comparison.because]
    return "\n".join(lines) + "\n"
