"""Where each caution stands: before anything, before a step, or beside the check that clears it.

A caution that finds no such place goes before anything. None is lost, none is said twice at one place.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from repairadvisor.decision.advice import Advice, Caution

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Placed:
    """Texts of cautions. ``beside`` goes by a check's screen, ``before`` by a step's number."""

    first: tuple[str, ...]
    beside: dict[str, tuple[str, ...]]
    before: dict[int, tuple[str, ...]]


def placed(advice: Advice) -> Placed:
    """Every caution of the advice at its place, in the order of the advice."""
    first: list[str] = []
    beside: dict[str, list[str]] = {check.screen: [] for check in advice.checks_on_arrival}
    before: dict[int, list[str]] = {step.number: [] for step in advice.steps}
    for caution in advice.cautions:
        _place_of(caution, first, beside, before).append(caution.text)
    known = {name for caution in advice.cautions for name in (caution.tag, caution.text)}
    for check in advice.checks_on_arrival:
        beside[check.screen] += [text for text in check.cautions if text not in known]
    for step in advice.steps:
        before[step.number] += [text for text in step.cautions if text not in known]
    return Placed(
        _each_once(first),
        {screen: _each_once(texts) for screen, texts in beside.items()},
        {step: _each_once(texts) for step, texts in before.items()},
    )


def _place_of(
    caution: Caution, first: list[str], beside: dict[str, list[str]], before: dict[int, list[str]]
) -> list[str]:
    if caution.owed_to == UNKNOWN:
        return beside.get(caution.beside_check, first)
    return before.get(caution.before_step, first)


def _each_once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
