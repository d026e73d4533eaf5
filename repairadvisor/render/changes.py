"""What is another in an advice than in the one before it, as plain lines."""

from __future__ import annotations

import re
from collections.abc import Mapping

from repairadvisor.decision.what_if import Comparison, Difference
from repairadvisor.render import figures
from repairadvisor.render.sentences import HEADLINES

#: What the comparison calls its parts, as they are said.
_PARTS = {
    "crew": "Crew",
    "plan": "Plan",
    "kit": "Kit",
    "check": "To make certain",
    "expected cost": "Expected cost",
    "work_min": "Work",
    "restored_after_min": "Service back after",
}
#: Told also where only one of the two says it.
_ALWAYS = ("plan", "crew", "check")
_LIGHT = {
    "p50_db": "Added loss at {nm} nm, as a rule",
    "p95_db": "Added loss at {nm} nm, in 95 of 100",
    "margin_left_db": "Margin left at {nm} nm",
}
_AT_WAVELENGTH = re.compile(r"(\w+) at ([0-9]+) nm")


def lines(comparison: Comparison, names: Mapping[str, str]) -> list[str]:
    """What differs, and why. Nothing where nothing does. ``names`` of facts, where they have any."""
    if not comparison.differences:
        return []
    first, second = comparison.first.action, comparison.second.action
    found = [] if first == second else [f"Now {HEADLINES[second].lower()}; before, {HEADLINES[first].lower()}."]
    found += [_line(one, names) for one in comparison.differences if one.part != "action" and not _is_beside(one)]
    return [*found, *comparison.because]


def _is_beside(one: Difference) -> bool:
    """A figure of a plan that only one of the two has: it stands in the advice, and differs from nothing."""
    return not (one.first and one.second) and not one.part.startswith("fact ") and one.part not in _ALWAYS


def _line(one: Difference, names: Mapping[str, str]) -> str:
    part, unit = _named(one.part, names)
    first, second = (f"{text.removesuffix('.')} {unit}".rstrip() if text else "" for text in (one.first, one.second))
    if not first:
        return f"{part}: {second} (new)"
    if not second:
        return f"{part}: no longer {first}"
    return f"{part}: {second}; before, {first}"


def _named(part: str, names: Mapping[str, str]) -> tuple[str, str]:
    """What a part is called, and the unit of its values where they come without one."""
    light = _AT_WAVELENGTH.fullmatch(part)
    if light and light[1] in _LIGHT:
        return _LIGHT[light[1]].format(nm=light[2]), "dB"
    kind, _, name = part.partition(" ")
    if kind == "fact":
        return _begun(names.get(name, figures.words(name))), ""
    if part.startswith("kit: "):
        return _begun(part.removeprefix("kit: ")), ""
    return _PARTS.get(part, _begun(figures.words(part))), ""


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]
