"""Which other plans may be the best once more is known, so that the load holds them.

A plan may win where one fact makes it the best; where everything that stands open about it is clear; or where that is
so and something about the chosen one is not. Each counts where it is likelier than what the policy leaves uncovered.
Looked at are plans that whoever is sent can carry out, those among them that have to be permitted first: while nobody
is sent no more people, whichever way up or in, since who they are is decided with the load; later the same crew.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from repairadvisor.decision.chain import same_crew
from repairadvisor.decision.leads import leads
from repairadvisor.decision.outlook import STANDING_OFF, Outlook
from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.plans import indifference
from repairadvisor.decision.situation import Judged, Situation
from repairadvisor.decision.start import decided_with_the_load
from repairadvisor.facts.vocabulary import BY_NAME

#: How many of the cheapest others are looked at beside one.
_BESIDE = 4


def may_win(situation: Situation, outlook: Outlook, chosen: Judged) -> tuple[Judged, ...]:
    """The plans that may win and need something that the chosen one, and those before, do not; the cheapest first.
    ``outlook`` holds the plans that are weighed further, permitted or not yet."""
    left_out = 1.0 - situation.rules.policy.rates["load_service_level"].value
    by_cost = sorted(outlook.plans, key=lambda one: (one.cost, one.index))
    carried = _needs(situation, chosen)
    more = [one for one in by_cost if not _needs(situation, one) <= carried and _can_come(situation, chosen, one)]
    by_fact = set(_by_one_fact(situation, outlook, left_out)) if more else set()
    found: list[Judged] = []
    for one in more:
        if _needs(situation, one) <= carried:
            continue
        beside = {other.index: other for other in (*by_cost[:_BESIDE], chosen, one)}
        if one.index in by_fact or _where_it_is_clear(situation, outlook, list(beside.values()), one, chosen, left_out):
            found.append(one)
            carried |= _needs(situation, one)
    return tuple(found)


def _can_come(situation: Situation, chosen: Judged, other: Judged) -> bool:
    if not decided_with_the_load(situation.context):
        return same_crew(situation, chosen, other)
    policy, places = situation.rules.policy, situation.context.possible["place"].words
    return all(persons(policy, other.plan, place) <= persons(policy, chosen.plan, place) for place in places)


def _needs(situation: Situation, one: Judged) -> set[int]:
    """What a plan asks to be loaded: items of the kit, by their place."""
    return {i for i, item in enumerate(situation.rules.policy.kit) if one.plan.fits(item.plans)}


def _by_one_fact(situation: Situation, outlook: Outlook, left_out: float) -> Iterable[int]:
    """The plans, by index, that one fact makes the best often enough. Who goes and what is loaded is decided, not found
    out, while nobody has been sent."""
    sums, decided = outlook.weighing.costs.sums, decided_with_the_load(situation.context)
    for name in BY_NAME:
        if name in decided or sums.worlds.settled(name) or not (sums.screened.names(name) or sums.priced.names(name)):
            continue
        chances: dict[int, float] = {}
        for _, chance, leads_to in leads(situation, outlook, name):
            chances[leads_to] = chances.get(leads_to, 0.0) + chance
        yield from (index for index, chance in chances.items() if index != STANDING_OFF and chance > left_out)


def _where_it_is_clear(
    situation: Situation,
    outlook: Outlook,
    plans: Sequence[Judged],
    one: Judged,
    chosen: Judged,
    left_out: float,
) -> bool:
    """Whether a plan is the best where nothing bars it, or where besides that something bars the chosen one."""
    screen = outlook.weighing.costs.sums.screen
    mine = [screen(i) for i in one.open_screens]
    theirs = [screen(i) for i in chosen.open_screens if i not in one.open_screens]
    clear = Outlook(outlook.weighing, plans, mine)
    if clear.mass <= left_out:
        return False
    costs = clear.costs()
    if _best(situation, costs, one, clear.mass):
        return True
    if not theirs:
        return False
    both = Outlook(outlook.weighing, plans, [*mine, *theirs])
    with_both = both.costs()
    failing = {index: cost - with_both[index] for index, cost in costs.items()}
    mass = clear.mass - both.mass
    return mass > left_out and _best(situation, failing, one, mass)


def _best(situation: Situation, costs: dict[int, float], one: Judged, mass: float) -> bool:
    """Whether a plan counts as equal to the best at these costs, which are those of ``mass`` of all worlds."""
    least = min(costs.values())
    return costs[one.index] <= least + indifference(situation.rules, least / mass) * mass
