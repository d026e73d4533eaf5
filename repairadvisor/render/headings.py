"""Headings of the parts of an advice: the policy's wording has its own, these stand where it says nothing."""

from __future__ import annotations

from collections.abc import Mapping

HEADINGS: Mapping[str, str] = {
    "cautions": "Beware",
    "call": "Ring",
    "wait": "Waiting",
    "checks_on_arrival": "Check before anything is touched",
    "plan": "Plan",
    "loss": "Light",
    "limits": "Limits, joint by joint",
    "questions": "Ask",
    "steps": "Steps",
    "kit": "Carry",
    "turning_points": "What would turn it",
    "loosened": "Rules the operator loosened",
    "ranges": "Numbers that are ranges",
    "alternatives": "Other ways",
    "barred": "Not allowed here",
    "facts_used": "Facts used",
    "not_yet_computed": "Not yet worked out",
    "sources": "Sources",
}


def headings(wording: Mapping[str, object]) -> dict[str, str]:
    """The headings in ``wording`` (a policy's), completed by ours."""
    own = wording.get("heading")
    said = own if isinstance(own, Mapping) else {}
    return {part: str(said.get(part, text)) for part, text in HEADINGS.items()}
