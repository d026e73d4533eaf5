"""What is another in an advice than in the one before it, as plain lines."""

from __future__ import annotations

import re
from collections.abc import Mapping

from repairadvisor.decision.what_if import Comparison, Difference
from repairadvisor.render import figures
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice

#: Told also where only one of the two says it.
_ALWAYS = ("plan", "crew", "check")
_KIT = "kit: "
_AT_WAVELENGTH = re.compile(r"(p50_db|p95_db|margin_left_db) at ([0-9]+) nm")


def lines(comparison: Comparison, names: Mapping[str, str], voice: Voice) -> list[str]:
    """What differs, and why. Nothing where nothing does. ``names`` of facts, where they have any."""
    if not comparison.differences:
        return []
    first, second = (voice.say("action", one.action).lower() for one in (comparison.first, comparison.second))
    found = [] if first == second else [voice.say("changed", "now", first=first, second=second)]
    found += [
        _line(one, names, voice) for one in comparison.differences if one.part != "action" and not _is_beside(one)
    ]
    return [prose(voice, line) for line in (*found, *comparison.because)]


def _is_beside(one: Difference) -> bool:
    """A figure of a plan that only one of the two has: it stands in the advice, and differs from nothing."""
    return not (one.first and one.second) and not one.part.startswith("fact ") and one.part not in _ALWAYS


def _line(one: Difference, names: Mapping[str, str], voice: Voice) -> str:
    part, first, second = told(one, names, voice)
    if not first:
        return voice.say("changed", "new", part=part, second=second)
    if not second:
        return voice.say("changed", "gone", part=part, first=first)
    return voice.say("changed", "other", part=part, first=first, second=second)


def told(one: Difference, names: Mapping[str, str], voice: Voice) -> tuple[str, str, str]:
    """What differs as it is called, and both values with their unit; "" where one says nothing."""
    part, unit = _named(one.part, names, voice)
    if one.part.startswith(_KIT):
        return part, _quantity(one.first, voice), _quantity(one.second, voice)
    first, second = (f"{text.removesuffix('.')} {unit}".rstrip() if text else "" for text in (one.first, one.second))
    return part, first, second


def _quantity(text: str, voice: Voice) -> str:
    """How much of a thing is carried, as it is said: one piece, not one pieces."""
    number, _, unit = text.partition(" ")
    return figures.quantity(voice, float(number), unit) if number else ""


def _named(part: str, names: Mapping[str, str], voice: Voice) -> tuple[str, str]:
    """What a part is called, and the unit of its values where they come without one."""
    light = _AT_WAVELENGTH.fullmatch(part)
    if light:
        return voice.say("changed", "part", light[1], nm=light[2]), "dB"
    kind, _, name = part.partition(" ")
    if kind == "fact":
        return _begun(names.get(name) or voice.fact(name)), ""
    if part == "action":
        return voice.say("heading", "action"), ""
    if part.startswith(_KIT):
        return _begun(part.removeprefix(_KIT)), ""
    return _begun(voice.named("changed", "part", part.replace(" ", "_"))), ""


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]
