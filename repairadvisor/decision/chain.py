"""Checks on arrival as a chain: in which order, and what is done with the kit that was carried when one of them fails.

What keeps people whole comes first; among checks of a kind the one with the fewest minutes for its chance of failing. A
check that fails fixes its facts, and plans are ranked again among those that the same crew can carry out; at most two
such plans are held ready, and the last leaf is always to stand off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.elimination import Factor
from repairadvisor.decision.outlook import Outlook
from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.questions import roots_of_screen
from repairadvisor.decision.situation import Judged, Situation
from repairadvisor.decision.sums import Term
from repairadvisor.decision.weighing import Weighing
from repairadvisor.facts.vocabulary import CREW_AND_STOCK

MOST_FALLBACKS = 2
#: A fallback that saves less is not worth holding ready.
_LEAST_SAVED = 0.5


@dataclass(frozen=True, slots=True)
class Link:
    """A check (its screen by index), and the fallback by its place in the chain's, or -1: stand off."""

    screen: int
    first_to_fail: float
    fallback: int = -1


@dataclass(frozen=True, slots=True)
class Fallback:
    """A plan held ready: the checks (screens by index) whose failing leads to it, those that it needs besides, and what
    holding it ready is expected to save."""

    plan: Judged
    after: tuple[int, ...]
    besides: tuple[int, ...]
    saves: float


@dataclass(frozen=True, slots=True)
class Chain:
    """Checks in their order, and the plans that may follow when one fails."""

    links: tuple[Link, ...]
    fallbacks: tuple[Fallback, ...]

    @property
    def saves(self) -> float:
        """What the fallbacks are expected to save against standing off whenever a check fails."""
        return sum(one.saves for one in self.fallbacks)


def chain_of(situation: Situation, chosen: Judged, order: Sequence[Judged]) -> Chain:
    """The chain of a plan's checks. ``order`` are all plans that may be used."""
    weighing = situation.weighing
    if weighing is None or not chosen.open_screens:
        return Chain((), ())
    screens = _in_order(situation, weighing, chosen)
    factors = [weighing.costs.sums.screen(i) for i in screens]
    clear = [weighing.costs.sums.chance(factors[:k]) for k in range(len(screens) + 1)]
    first = {i: clear[k] - clear[k + 1] for k, i in enumerate(screens)}
    same = [one for one in order if one.index != chosen.index and same_crew(situation, chosen, one)]
    saved = {i: _saved(situation, weighing, same, screens, i) for i in screens if first[i] > 0.0}
    ready = _held_ready(saved)
    leads = {i: max(ready, key=lambda index: by.get(index, 0.0)) for i, by in saved.items() if set(by) & set(ready)}
    place = {index: k for k, index in enumerate(ready)}
    links = tuple(Link(i, first[i], place[leads[i]] if i in leads else -1) for i in screens)
    return Chain(links, _fallbacks(chosen, order, ready, leads, saved))


def _fallbacks(
    chosen: Judged,
    order: Sequence[Judged],
    ready: Sequence[int],
    leads: Mapping[int, int],
    saved: Mapping[int, Mapping[int, float]],
) -> tuple[Fallback, ...]:
    plans = {one.index: one for one in order}
    found = []
    for index in ready:
        after = tuple(i for i, leads_to in leads.items() if leads_to == index)
        besides = tuple(i for i in plans[index].open_screens if i not in chosen.open_screens)
        found.append(Fallback(plans[index], after, besides, sum(saved[i][index] for i in after)))
    return tuple(found)


def _in_order(situation: Situation, weighing: Weighing, chosen: Judged) -> list[int]:
    """In the yard first, then what can be seen from a distance, then what keeps people whole, then the work."""

    def place(i: int) -> tuple[int, float, int]:
        names = roots_of_screen(situation, i)
        kind = {"danger": 1, "safety": 2}.get(situation.rules.screens[i].kind, 3)
        minutes = sum(situation.rules.policy.facts[name].price_min for name in names)
        fails = 1.0 - weighing.costs.sums.chance([weighing.costs.sums.screen(i)])
        return (0 if all(name in CREW_AND_STOCK for name in names) else kind, minutes / max(fails, 1e-9), i)

    return sorted(chosen.open_screens, key=place)


def _saved(
    situation: Situation,
    weighing: Weighing,
    others: Sequence[Judged],
    screens: Sequence[int],
    i: int,
) -> dict[int, float]:
    """What following each of the others saves when the i-th screen is the first to bar."""
    plans = [one for one in others if not situation.rules.screen_plans[i] >> one.index & 1]
    if not plans:
        return {}
    before = screens[: screens.index(i)]
    failed = [*(weighing.costs.sums.screen(one) for one in before), _failing(weighing, i)]
    return _saved_after(weighing, plans, failed)


def _saved_after(weighing: Weighing, plans: Sequence[Judged], failed: Sequence[Factor]) -> dict[int, float]:
    """What each of the plans saves against standing off once a check has failed: the crew is there already. The way
    there and what was set up are spent in either case, and the way is not made again."""
    costs = weighing.costs
    instead = _sum(Outlook(weighing, (), failed), [*costs.stand_off_terms(), *weighing.owed])
    if instead <= _LEAST_SAVED:
        return {}  # no plan costs less than nothing
    outlook, found = Outlook(weighing, plans, failed), {}
    gone_on = outlook.costs()
    for one in plans:
        saves = instead - (gone_on[one.index] - _sum(outlook, costs.journey_terms(one.plan)))
        if saves > _LEAST_SAVED:
            found[one.index] = saves
    return found


def _sum(outlook: Outlook, terms: Sequence[Term]) -> float:
    constant, given = outlook.priced(terms)
    return constant * outlook.mass + given.total


def _failing(weighing: Weighing, i: int) -> Factor:
    """1 where a screen bars, else 0."""
    clear = weighing.costs.sums.screen(i)
    return weighing.costs.worlds.elimination.factor(clear.names, 1.0 - clear.values)


def _held_ready(saved: Mapping[int, Mapping[int, float]]) -> list[int]:
    """The plans worth holding ready, the one that saves most first."""
    ready: list[int] = []
    candidates = sorted({index for by in saved.values() for index in by})
    while len(ready) < MOST_FALLBACKS:
        gains = {}
        for index in candidates:
            gain = 0.0
            for by in saved.values():
                gain += max(by.get(index, 0.0) - max((by.get(one, 0.0) for one in ready), default=0.0), 0.0)
            gains[index] = gain
        best = max(gains, key=lambda index: (gains[index], -index), default=-1)
        if best < 0 or gains[best] <= _LEAST_SAVED:
            break
        ready.append(best)
    return ready


def same_crew(situation: Situation, chosen: Judged, other: Judged) -> bool:
    """Whether whoever comes for one plan can carry out the other, wherever it may be: no more people, no other way up
    or in."""
    policy, mine, theirs = situation.rules.policy, chosen.plan, other.plan
    places = situation.context.possible["place"].words
    return theirs.access in (mine.access, "on_foot") and all(
        persons(policy, theirs, place) <= persons(policy, mine, place) for place in places
    )
