"""Checks on arrival, world by world: in which order, which fails first, and what is spent then.

Like the enumeration it rests on, this shares nothing with the product but the numbers it is given: a world is walked
from the first check to the last, and what is paid on the way is added up.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np

from decision.enumerated import AWAY, SUMS, Array, Choices, Possibilities, fits, holds, spoken
from repairadvisor.facts.vocabulary import BY_NAME, CREW_AND_STOCK
from repairadvisor.policy.condition import Condition

#: A plan held ready saves more than this after a check, and no more than so many are held ready.
LEAST, MOST = 0.5, 2
#: A check that never fails has no chance to divide by.
NEVER = 1e-12

#: What following each plan saves after each check, by the check's number and the plan's.
Saved = Mapping[int, Mapping[int, float]]


def to_be_learnt(possibilities: Possibilities, condition: Condition) -> tuple[str, ...]:
    """The facts of the vocabulary that are not settled and that can still change a rule: two worlds differ in one of
    them, or in the sum in which it stands, alone, and the rule holds in one of the two only."""
    names = list(dict.fromkeys(spoken(condition)))
    for name in list(names):
        names += [one for one in possibilities._above(name) if one not in names]
    values = [possibilities._values(name, condition) for name in names]
    truth = {
        at: holds(condition, world)
        for at in itertools.product(*values)
        if possibilities._agrees(world := dict(zip(names, at, strict=True)))
    }
    turning = [name for k, name in enumerate(names) if _turns(truth, k)]
    turning = turning or [name for k, name in enumerate(names) if len({at[k] for at in truth}) > 1]
    behind = [one for name in turning for one in SUMS.get(name, (name,))]
    return tuple(dict.fromkeys(one for one in behind if not settled(possibilities, one)))


def _turns(truth: Mapping[tuple[object, ...], bool], k: int) -> bool:
    seen: dict[tuple[object, ...], set[bool]] = {}
    for at, true in truth.items():
        seen.setdefault((*at[:k], *at[k + 1 :]), set()).add(true)
    return any(len(found) > 1 for found in seen.values())


def settled(possibilities: Possibilities, name: str) -> bool:
    """Whether nothing about a fact is left to be learnt."""
    parents = BY_NAME[name].applies
    if any(not set(possibilities.words(parent)) & set(allowed) for parent, allowed in parents):
        return True
    if name not in possibilities.known and any(set(possibilities.words(p)) - set(words) for p, words in parents):
        return False
    if BY_NAME[name].words:
        return len(possibilities.words(name)) == 1
    low, high = possibilities.ends(name)
    return low == high


class Walked:
    """One plan that is chosen, with its checks in an order, in every world. Checks go by the number of their rule."""

    def __init__(self, choices: Choices, chosen: int) -> None:
        self.choices = choices
        self.every = choices.every
        self.wide = choices.wide
        self.chosen = chosen
        plan = self.wide.plans[chosen]
        self.bars: dict[int, Array] = {
            i: self.every.barred(screen.bars_when)
            for i, screen in enumerate(self.wide.small.screens)
            if screen in self.every.open and fits(plan, screen.plans)
        }
        self.journey = {i: choices._labour(self.wide.plans[i], ("travel",)) for i in self.every.offered}
        self.set_up = {i: choices._labour(self.wide.plans[i], ("set_up",)) for i in self.every.offered}

    def place_in_order(self, i: int, minutes: Mapping[str, float]) -> tuple[int, float]:
        """In the yard, danger, safety, work; and the minutes of asking over the chance that the check fails."""
        screen = self.wide.small.screens[i]
        names = to_be_learnt(self.every.possibilities, screen.bars_when)
        kind = {"danger": 1, "safety": 2}.get(screen.kind, 3)
        fails = float(self.every.mass[self.bars[i]].sum())
        asking = sum(minutes[name] for name in names)
        rate = asking / fails if fails > NEVER else math.inf
        return (0 if all(name in CREW_AND_STOCK for name in names) else kind, rate)

    def first_failing(self, order: Sequence[int], i: int) -> Array:
        """The worlds in which all checks before one are clear, and that one bars."""
        found = self.bars[i].copy()
        for before in order[: order.index(i)]:
            found &= ~self.bars[before]
        return found

    def chance(self, worlds: Array) -> float:
        """How likely some worlds are."""
        return float(self.every.mass[worlds].sum())

    def after(self, then: int) -> Array:
        """What is paid in each world once a check has failed: stand off, or go on with a plan. The crew made its way
        and set up for the plan that was chosen; the way is not made twice. Where the other plan is barred in turn, what
        was set up for it is lost too, and one stands off."""
        choices = self.choices
        gone = self.journey[self.chosen] + self.set_up[self.chosen]
        if then == AWAY:
            return gone + choices.away + choices.owed
        done = choices.work[then] - self.journey[then] + self._later(then)
        in_vain = self.set_up[then] + choices.away + choices.owed
        return gone + np.where(choices.clear[then], done, in_vain)

    def _later(self, index: int) -> float:
        return self.wide.later.get(self.wide.plans[index].stage, 0.0)

    def saved(self, worlds: Array, then: int) -> float:
        """What going on with a plan saves against standing off, in some worlds."""
        return float((self.every.mass * (self.after(AWAY) - self.after(then)))[worlds].sum())

    def cost(self, links: Sequence[tuple[int, int]]) -> float:
        """What is spent on average when checks are made one after the other, each with what follows when it fails."""
        total = 0.0
        after = {then: self.after(then) for _, then in links}
        done = self.choices.work[self.chosen] + self._later(self.chosen)
        for world, mass in enumerate(self.every.mass.tolist()):
            paid = done[world]
            for i, then in links:
                if self.bars[i][world]:
                    paid = after[then][world]
                    break
            total += mass * paid
        return total

    def others(self) -> list[int]:
        """The plans that whoever comes for the chosen one can carry out in every world: no other way up or in than on
        foot besides, and no more people."""
        mine = self.wide.plans[self.chosen]
        persons = self.choices._persons(mine)
        return [
            i
            for i in self.every.offered
            if i != self.chosen
            and self.wide.plans[i].access in (mine.access, "on_foot")
            and bool((self.choices._persons(self.wide.plans[i]) <= persons).all())
        ]

    def all_saved(self, order: Sequence[int]) -> dict[int, dict[int, float]]:
        """What is worth following after each check: the plans of which it does not speak."""
        found = {}
        for i in order:
            worlds = self.first_failing(order, i)
            part = self.wide.small.screens[i].plans
            by = {one: self.saved(worlds, one) for one in self.others() if not fits(self.wide.plans[one], part)}
            found[i] = {one: saves for one, saves in by.items() if saves > LEAST}
        return found


def saves(saved: Saved, ready: Sequence[int]) -> float:
    """What some plans held ready save: after each check the best of them."""
    return sum(max((by[one] for one in ready if one in by), default=0.0) for by in saved.values())


def one_after_the_other(saved: Saved) -> list[int]:
    """The plans to hold ready: the one that saves most, then the one that saves most besides."""
    ready: list[int] = []
    candidates = sorted({one for by in saved.values() for one in by})
    while len(ready) < MOST and candidates:
        best = max(candidates, key=lambda one: (saves(saved, [*ready, one]), -one))
        if saves(saved, [*ready, best]) - saves(saved, ready) <= LEAST:
            break
        ready.append(best)
    return ready


def best_together(saved: Saved) -> float:
    """The most that any so many plans save."""
    candidates = sorted({one for by in saved.values() for one in by})
    most = min(MOST, len(candidates))
    return max(saves(saved, group) for group in itertools.combinations(candidates, most))
