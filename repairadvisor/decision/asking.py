"""What asking is worth: the least expected cost once something has been asked, with what the asking costs.

``T(S, 0) = min_p Q(p|S)``, standing off included; ``T(S, d)`` may ask one fact and go on with d - 1: here up to two,
one after the other. Answers are cells, compared as bounded facts. Several facts may be asked at once, at the sum of
their prices: two can be worth much together and nothing apart. Everything is joint, as in
:mod:`repairadvisor.decision.outlook`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from repairadvisor.decision.outlook import Outlook


@dataclass(frozen=True, slots=True)
class InTurn:
    """One fact asked and, where its answer calls for it, another one.

    ``comes_to`` is the least expected cost then, with what the second costs to ask; ``of_group`` what each group of
    choices comes to with the same answers, unpaid; ``second`` are the facts that may be asked then.
    """

    comes_to: float
    of_group: tuple[float, ...]
    second: tuple[str, ...]


def asked_in_turn(outlook: Outlook, first: str, prices: Mapping[str, float], groups: Sequence[Sequence[int]]) -> InTurn:
    """What asking ``first`` and then the best second fact for each answer, or none, comes to."""
    comes_to, of_group = 0.0, [0.0] * len(groups)
    asked: dict[str, None] = {}
    for below in outlook.at_each(first):
        second, least = _best_next(below, first, prices)
        comes_to += least
        if second:
            asked[second[0]] = None
        more = known_at_once(below, second, groups)
        of_group = [one + other for one, other in zip(of_group, more, strict=True)]
    return InTurn(comes_to, tuple(of_group), tuple(asked))


def _best_next(outlook: Outlook, first: str, prices: Mapping[str, float]) -> tuple[tuple[str, ...], float]:
    """The fact that is best asked next, if any, and the least expected cost then."""
    second: tuple[str, ...] = ()
    least = outlook.least()
    for name, price in prices.items():
        if name == first:
            continue
        cost = price * outlook.mass + float(sum(outlook.least_given(name)))
        if cost < least:
            second, least = (name,), cost
    return second, least


def known_at_once(outlook: Outlook, facts: Sequence[str], groups: Sequence[Sequence[int]]) -> list[float]:
    """For each group of choices the least expected cost when several facts are known at once and the best choice of
    that group is made then; without what asking costs. All choices as one group: what asking for all of them leads to.
    """
    if outlook.mass <= 0.0:
        return [0.0] * len(groups)
    if not facts:
        costs = outlook.costs()
        return [min(costs[index] for index in group) for group in groups]
    if len(facts) == 1:
        given = outlook.given(facts[0])
        return [float(sum(np.minimum.reduce([given[index] for index in group], axis=0))) for group in groups]
    first, rest = facts[0], facts[1:]
    total = [0.0] * len(groups)
    for below in outlook.at_each(first):
        total = [one + more for one, more in zip(total, known_at_once(below, rest, groups), strict=True)]
    return total


def joint_outcomes(outlook: Outlook, facts: Sequence[str]) -> int:
    """How many answers several facts have together."""
    worlds = outlook.weighing.costs.worlds
    return math.prod(len(worlds.cells(fact)) for fact in facts)
