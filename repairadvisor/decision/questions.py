"""What to ask before anybody is sent: danger to people first, then what is worth more than asking costs.

A fact is worth a question only if an answer changes the plan, so that another crew goes or another load; what merely
confirms is a check on arrival. Where no plan may be carried out, what stands between some plan and permission is asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.asking import asked_in_turn, joint_outcomes, known_at_once
from repairadvisor.decision.leads import Option, options_of
from repairadvisor.decision.outlook import STANDING_OFF, Outlook
from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import OPEN, open_facts
from repairadvisor.decision.situation import Judged, Situation, weigh
from repairadvisor.decision.start import decided_with_the_load, travel_min
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME, ON_ARRIVAL, WITH_INSTRUMENT

#: Asked for before all else, in this order, where they are open.
FIRST_QUESTIONS = ("danger_seen", "place", "fault_seen")
#: What endangers people who are there already, asked for whatever it is worth.
DANGERS = ("danger_seen", "cable_touches_power_line")
MOST_QUESTIONS = 3
#: More plans than this are not weighed answer by answer: the cheapest of each way stand for the others.
MOST_PLANS, _MOST_OF_A_WAY, MOST_CLOSED = 24, 3, 8
#: Where any two facts are weighed together: with more it would take too long while somebody waits.
_FEW_FACTS, _FEW_PLANS = 8, 12
#: Facts that may be asked in one breath, and answers that are weighed one by one.
_MOST_TOGETHER, _MOST_OUTCOMES = 3, 256
#: How many of the cheapest plans are looked at beside one that an answer could permit.
_BESIDE_A_CLOSED = 3
#: Far below any price: sums that are equal on paper may differ in their last bits.
_HAIR = 1e-6

Groups = Sequence[Sequence[int]]


@dataclass(frozen=True, slots=True)
class Asked:
    """One fact to ask for. ``saves`` is what knowing it saves on average, asking paid for (None: it is not asked for
    money); ``together`` are the facts that are asked with it, without which it may save nothing: all at once, or
    ``in_turn`` the first of them, and another one only where the answer calls for it."""

    fact: str
    saves: float | None = None
    options: tuple[Option, ...] = ()
    together: tuple[str, ...] = ()
    in_turn: bool = False


@dataclass(frozen=True, slots=True)
class Worth:
    """What asking is worth: the facts to ask for, the worthiest first; what the first saves; and what was looked at for
    it (None: nothing is open)."""

    asked: tuple[Asked, ...] = ()
    saves: float = 0.0
    outlook: Outlook | None = None


def worth_asking(situation: Situation, order: Sequence[Judged], closed: Sequence[Judged] = ()) -> Worth:
    """The facts that are worth asking for before anybody is sent.

    ``order`` are the plans that may be used, the one that would be chosen first; ``closed`` those that an answer could
    permit, since something about them cannot be checked on the spot.
    """
    if situation.weighing is None or not any(one.open_screens for one in (*order, *closed)):
        return Worth()
    screens = situation.rules.screens
    closing = {one.index: [i for i in one.open_screens if not screens[i].check] for one in closed}
    plans = [*_weighed_further(situation, order), *_weighed_further(situation, closed)[:MOST_CLOSED]]
    outlook = Outlook(situation.weighing, plans, (), closing)
    prices = prices_of(situation, outlook)
    groups = groups_of(situation, outlook)
    found = _single(situation, outlook, prices, groups)
    best = (found[0].saves or 0.0) if found else 0.0
    together = _together(situation, outlook, prices, groups, order, best)
    together = _opening(situation, outlook, prices, order, closed, (together or found)) or together
    asked = tuple((together or found)[:MOST_QUESTIONS])
    return Worth(asked, (asked[0].saves or 0.0) if asked else 0.0, outlook)


def _weighed_further(situation: Situation, order: Sequence[Judged]) -> list[Judged]:
    """The cheapest plans of each way, the cheapest ways first; all of them where they are few."""
    found: list[Judged] = []
    taken: dict[tuple[object, ...], int] = {}
    for one in sorted(order, key=lambda one: (one.cost, one.index)):
        way = _way(situation, one)
        taken[way] = taken.get(way, 0) + 1
        if len(order) <= MOST_PLANS or (taken[way] <= _MOST_OF_A_WAY and len(found) < MOST_PLANS):
            found.append(one)
    return found


def _way(situation: Situation, one: Judged) -> tuple[object, ...]:
    """What crew and load make possible: the same for plans that differ in where the joint is made, and in shelter."""
    place = situation.context.state("place")
    word = str(place.value) if isinstance(place, Known) else ""
    plan, policy = one.plan, situation.rules.policy
    return (plan.method, plan.layout, plan.access, plan.stage, persons(policy, plan, word))


def prices_of(situation: Situation, outlook: Outlook) -> dict[str, float]:
    """What asking for each fact that is worth a thought costs: the minutes of a desk, and the service that is down
    meanwhile, unless a crew is on its way and nobody waits for the answer."""
    rates, facts = situation.rules.policy.rates, situation.rules.policy.facts
    a_minute = rates["desk_cu_per_hour"].value / 60.0
    if situation.context.state("crew_place") != Known("travelling"):
        a_minute += outlook.weighing.costs.outage_an_hour() / 60.0
    return {name: facts[name].price_min * a_minute for name in askable(situation, outlook)}


def askable(situation: Situation, outlook: Outlook) -> list[str]:
    """The facts that vary, can be learnt now and would still hold when work begins. Who goes and what is loaded is
    decided, not asked, while nobody has been sent."""
    worlds, rules, context = outlook.weighing.costs.worlds, situation.rules, situation.context
    sums = outlook.weighing.costs.sums
    away, decided = travel_min(context), decided_with_the_load(context)
    found = []
    for name in BY_NAME:
        if name in decided:
            continue
        lasts = rules.policy.facts[name].lasts_min
        if (lasts is not None and lasts < away) or not learnable_now(context, name) or worlds.settled(name):
            continue
        if sums.screened.names(name) or sums.priced.names(name):
            found.append(name)
    return found


def groups_of(situation: Situation, outlook: Outlook) -> list[list[int]]:
    """Choices that the same crew can make with the same load: where the joint is made and under which shelter is
    settled on the spot. Standing off is a choice of its own, and so is every other way."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for one in outlook.plans:
        groups.setdefault(_way(situation, one), []).append(one.index)
    return [*groups.values(), [STANDING_OFF]]


def saved_by(outlook: Outlook, groups: Sequence[Sequence[int]], facts: Sequence[str]) -> float:
    """What it saves to know facts before somebody is sent rather than on the spot, without what asking costs.

    On the spot whoever came can still do what his crew and his load are good for.
    """
    everything = [index for group in groups for index in group]
    *by_group, before = known_at_once(outlook, facts, [*groups, everything])
    return min(by_group) - before


def _single(situation: Situation, outlook: Outlook, prices: Mapping[str, float], groups: Groups) -> list[Asked]:
    """Facts that are worth asking for each by itself."""
    found = []
    for name in prices:
        saves = saved_by(outlook, groups, [name]) - prices[name]
        options = options_of(situation, outlook, name) if saves > _HAIR else ()
        if len({option.leads_to for option in options}) > 1:
            found.append(Asked(name, saves, options))
    return sorted(found, key=lambda one: (-(one.saves or 0.0), one.fact))


def _together(
    situation: Situation,
    outlook: Outlook,
    prices: Mapping[str, float],
    groups: Groups,
    order: Sequence[Judged],
    best: float,
) -> list[Asked]:
    """What stands before one plan, asked at once, or one fact and then another, where that saves noticeably more than
    any single fact."""
    found: list[Asked] = []
    best += situation.rules.policy.rates["indifference_absolute_cu"].value
    for names in _bundles(situation, outlook, prices, order):
        saves = saved_by(outlook, groups, names) - sum(prices[name] for name in names)
        if saves > best:
            best = saves
            found = _asked_together(situation, outlook, saves, names)
    for first in prices if len(prices) <= _FEW_FACTS and len(outlook.plans) <= _FEW_PLANS else ():
        turn = asked_in_turn(outlook, first, prices, groups)
        saves = min(turn.of_group) - (turn.comes_to + prices[first])
        if turn.second and saves > best:
            best = saves
            names = (first, *turn.second)
            found = _asked_together(situation, outlook, saves, names, in_turn=True)
    return found


def _asked_together(
    situation: Situation, outlook: Outlook, saves: float, names: Sequence[str], *, in_turn: bool = False
) -> list[Asked]:
    """Several facts with what each answer leads to. In turn the first is answered before another is asked, and any one
    of the others beside it."""
    found = []
    for name in names:
        others = [other for other in names if other != name]
        beside = [names[1]] if in_turn and name == names[0] else [names[0]] if in_turn else others
        found.append(Asked(name, saves, options_of(situation, outlook, name, beside), tuple(names), in_turn))
    return found


def _bundles(
    situation: Situation, outlook: Outlook, prices: Mapping[str, float], order: Sequence[Judged]
) -> list[tuple[str, ...]]:
    """For each of the first plans the facts of its open screens."""
    found: dict[tuple[str, ...], None] = {}
    for one in order[:MOST_QUESTIONS]:
        names = dict.fromkeys(name for i in one.open_screens for name in roots_of_screen(situation, i))
        found[tuple(name for name in names if name in prices)] = None
    return [
        names
        for names in found
        if 2 <= len(names) <= _MOST_TOGETHER and joint_outcomes(outlook, names) <= _MOST_OUTCOMES
    ]


def openable(situation: Situation) -> int:
    """Plans (bits) that nothing bars, and that a few answers which can be had now could permit."""
    screens, found = situation.rules.screens, 0
    closing = [(i, roots_of_screen(situation, i)) for i in situation.screens(OPEN) if not screens[i].check]
    for index in range(len(situation.rules.policy.plans)):
        if not (situation.closed & ~situation.barred) >> index & 1:
            continue
        names = {name for i, behind in closing if situation.rules.screen_plans[i] >> index & 1 for name in behind}
        if len(names) <= _MOST_TOGETHER and all(learnable_now(situation.context, name) for name in names):
            found |= 1 << index
    return found


def _opening(
    situation: Situation,
    outlook: Outlook,
    prices: Mapping[str, float],
    order: Sequence[Judged],
    closed: Sequence[Judged],
    found: Sequence[Asked],
) -> list[Asked]:
    """What has to be known before a plan that cannot be checked on the spot may be chosen, asked at once, where that
    saves noticeably more than what was ``found``. Beside that plan only the first and the cheapest are looked at."""
    best = (found[0].saves or 0.0) if found else 0.0
    best += situation.rules.policy.rates["indifference_absolute_cu"].value
    asked: list[Asked] = []
    tried: set[tuple[str, ...]] = set()
    cheapest = sorted(order, key=lambda one: (one.cost, one.index))[:_BESIDE_A_CLOSED]
    beside = [*order[:1], *(one for one in cheapest if one is not order[0])]
    for one in sorted(closed, key=lambda one: (one.cost, one.index)):
        closing = outlook.closing[one.index]
        names = tuple(dict.fromkeys(name for i in closing for name in roots_of_screen(situation, i)))
        if names in tried or not 1 <= len(names) <= _MOST_TOGETHER or not set(names) <= set(prices):
            continue
        price_of_all = sum(prices[name] for name in names)
        narrow = Outlook(outlook.weighing, [*beside, one], (), {one.index: closing})
        if joint_outcomes(narrow, names) > _MOST_OUTCOMES or _saved_where_permitted(narrow, one) - price_of_all <= best:
            continue
        tried.add(names)
        saves = saved_by(narrow, groups_of(situation, narrow), names) - price_of_all
        if saves > best:
            best = saves
            asked = _asked_together(situation, narrow, saves, names)
    return asked


def _saved_where_permitted(narrow: Outlook, one: Judged) -> float:
    """What a plan saves, in the worlds in which it may be used, against the one other that is best there."""
    screen = narrow.weighing.costs.sums.screen
    costs = Outlook(narrow.weighing, narrow.plans, [screen(i) for i in narrow.closing[one.index]]).costs()
    return min(cost for index, cost in costs.items() if index != one.index) - costs[one.index]


def to_ask(situation: Situation) -> tuple[Asked, ...]:
    """Facts that can be learnt before anybody is sent and that stand between some plan and permission.

    Only plans that nothing bars count, and, once danger, place and what is seen are known, only those that would be
    permitted often enough. Those three come first; then the facts that stand before the most plans.
    """
    rules = situation.rules
    hopeful = ((1 << len(rules.policy.plans)) - 1) & ~situation.barred
    if all(situation.context.possible[name].settled for name in FIRST_QUESTIONS):
        often = rules.policy.rates["worth_asking_chance"].value
        hopeful = sum(1 << one.index for one in weigh(situation, hopeful) if one.chance >= often)
    before: dict[str, int] = {}
    for i in situation.screens(OPEN):
        screen = rules.screens[i]
        plans = rules.screen_plans[i] & hopeful
        if screen.check or not plans:
            continue
        for name in roots_of_screen(situation, i):
            if learnable_now(situation.context, name):
                before[name] = before.get(name, 0) | plans
    if not before:
        return ()
    if not situation.context.possible["place"].settled and not situation.context.possible["danger_seen"].settled:
        before["danger_seen"] = hopeful
    first = [name for name in FIRST_QUESTIONS if name in before]
    rest = sorted((name for name in before if name not in first), key=lambda name: (-before[name].bit_count(), name))
    return tuple(Asked(name) for name in (first + rest)[:MOST_QUESTIONS])


def danger_first(situation: Situation, asked: Sequence[Asked]) -> tuple[Asked, ...]:
    """Whether anybody is in danger comes before all else, where it is open and can bar something."""
    mine = {one.fact: one for one in asked}
    found = []
    for name in DANGERS:
        open_here = any(name in roots_of_screen(situation, i) for i in _safety_screens(situation))
        if open_here and learnable_now(situation.context, name):
            found.append(mine.pop(name, Asked(name)))
    return (*found, *mine.values())[:MOST_QUESTIONS]


def _safety_screens(situation: Situation) -> list[int]:
    """The open screens that keep people whole and speak of a plan that may still be carried out."""
    rules, plans = situation.rules, situation.candidates()
    kinds = ("danger", "safety")
    return [i for i in situation.screens(OPEN) if rules.screens[i].kind in kinds and rules.screen_plans[i] & plans]


def roots_of_screen(situation: Situation, i: int) -> list[str]:
    """The facts of the vocabulary that can still change an open screen: of a sum those that are not settled."""
    found = roots(situation.rules, open_facts(situation.rules.compiled, situation.context, i))
    return [name for name in found if not situation.context.possible[name].settled] or found


def roots(rules: Rules, names: Sequence[str]) -> list[str]:
    """Facts of the vocabulary behind derived ones."""
    found: dict[str, None] = {}
    for name in names:
        derived = rules.policy.derived.get(name)
        terms = [] if derived is None else [term.fact for term in derived.terms if term.if_unknown is None]
        found.update(dict.fromkeys(terms or ([name] if derived is None else [])))
    return list(found)


def learnable_now(context: Context, name: str) -> bool:
    """Whether a fact that is open can be learnt before anybody is sent, or by a crew that is already there."""
    if context.possible[name].settled:
        return False
    there = context.state("crew_place")
    on_site = isinstance(there, Known) and there.value == "on_site"
    ways = BY_NAME[name].learnt
    return on_site or any(way not in (ON_ARRIVAL, WITH_INSTRUMENT) for way in ways)
