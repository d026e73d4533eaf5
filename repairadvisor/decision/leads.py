"""Which plan each answer to a question leads to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from repairadvisor.decision.outlook import STANDING_OFF, Outlook
from repairadvisor.decision.plans import indifference, preferred
from repairadvisor.decision.situation import Situation

#: Among the plans that answers lead to, by index: it hangs on what is answered besides.
HANGS_ON_OTHERS = -2


@dataclass(frozen=True, slots=True)
class Option:
    """One possible answer: the cells it comprises, counted from the first that is left, how likely it is, and the plan
    (by index) that it leads to, or that this hangs on the other answers."""

    cells: tuple[int, ...]
    chance: float
    leads_to: int


def options_of(situation: Situation, outlook: Outlook, name: str, others: Sequence[str] = ()) -> tuple[Option, ...]:
    """The answers a fact can get, those next to each other that lead to the same plan taken together; with ``others``
    that are asked beside it, some lead to whatever those say."""
    by_cell = _leads_beside(situation, outlook, name, others) if others else leads(situation, outlook, name)
    found = []
    for leads_to, group in groupby(by_cell, key=lambda one: one[2]):
        mine = list(group)
        found.append(Option(tuple(cell for cell, _, _ in mine), sum(chance for _, chance, _ in mine), leads_to))
    return tuple(found)


def _leads_beside(
    situation: Situation, outlook: Outlook, name: str, others: Sequence[str]
) -> list[tuple[int, float, int]]:
    found: list[tuple[int, float, int]] = []
    for cell, chance in enumerate(outlook.chances(name).tolist()):
        if chance > 0.0:
            reached = _reached(situation, outlook.assuming(name, cell), others)
            found.append((cell, chance, reached.pop() if len(reached) == 1 else HANGS_ON_OTHERS))
    return found


def _reached(situation: Situation, outlook: Outlook, others: Sequence[str]) -> set[int]:
    """The plans that the answers to several facts can lead to."""
    first, *rest = others
    if not rest:
        return {leads_to for _, _, leads_to in leads(situation, outlook, first)}
    return {one for below in outlook.at_each(first) for one in _reached(situation, below, rest)}


def leads(situation: Situation, outlook: Outlook, name: str) -> list[tuple[int, float, int]]:
    """Each cell of a fact in which it can lie, how likely that is, and the plan that is chosen then."""
    given, clear, chances = outlook.given(name), outlook.clear(name), outlook.chances(name)
    found: list[tuple[int, float, int]] = []
    for cell, chance in enumerate(chances.tolist()):
        if chance > 0.0:
            # What surely fails once that is known is no plan, however little it costs to find out.
            costs = {
                index: float(values[cell]) / chance
                for index, values in given.items()
                if clear[index][cell] > 0.0 and values[cell] < math.inf
            }
            found.append((cell, chance, _leads_to(situation, costs)))
    return found


def _leads_to(situation: Situation, costs: dict[int, float]) -> int:
    """The plan that is chosen at these costs; standing off only where it saves more than the indifference."""
    away = costs.pop(STANDING_OFF)
    least = min(costs.values(), default=math.inf)
    if not costs or away < least - indifference(situation.rules, least):
        return STANDING_OFF
    return preferred(situation, costs)
