"""What the answer comes down to in contexts that differ from one context in one fact, without weighing it all again.

Most facts bear on rules only: then plans that stay permitted cost what they cost before, and only those that are newly
permitted are weighed. Where a fact bears on prices, on priors or on what something else may be, the plans that came
first are weighed again, with those newly permitted. With much still open that would take too long while somebody waits:
then prices are held as they stand, and only what the rules say of the plans that were weighed is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from repairadvisor.decision.answer import Answer
from repairadvisor.decision.plans import TEMPORARY, indifference, ranked, second_visit
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN
from repairadvisor.decision.situation import Judged, Situation, look, weigh
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import Outcome
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.read_rules import parents_of

#: With more open screens than this on a plan, prices are held as they stand.
_FEW_OPEN = 12
#: How many of the cheapest plans are weighed again, besides the cheapest of each way.
_CHEAPEST = 6


def outcome_of(found: Answer) -> Outcome:
    """What an answer comes down to; asking for what only saves money counts as the plan that stands meanwhile."""
    if found.action == "ask_first" and found.order:
        return Outcome("repair", found.order[0].index)
    plan = -1 if found.prepared is None else found.prepared.index
    return Outcome(found.action, plan, "" if found.later is None else found.later.slot.id)


class Outcomes:
    """Outcomes beside the answer ``found`` for a context; ``whole`` answers a situation from scratch."""

    def __init__(
        self, context: Context, found: Answer, whole: Callable[[Situation], Answer], issued_plan: str = ""
    ) -> None:
        self._told = context.held
        self._found = found
        self._rules = found.situation.rules
        self._whole = whole
        self._issued_plan = issued_plan
        weighed = found.action in ("repair", "ask_first") and found.order and not found.continuity_only
        self._judged = {one.index: one for one in found.order} if weighed and not _coming(found.situation) else {}
        self._first = _cheapest_of_each_way(found.order)
        most_open = max((len(one.open_screens) for one in found.order), default=0)
        #: Whether prices are worked out anew where a fact bears on them.
        self.reprices = most_open <= _FEW_OPEN
        self._by_rules: dict[object, Outcome] = {}

    def rules_say(self, context: Context) -> object:
        """What the rules say of a context: where it is the same, only prices can tell two contexts apart."""
        return self._by_which_rules(look(self._rules, as_it_stands(context, self._rules)))

    def __call__(self, context: Context) -> Outcome:
        """The outcome in a context."""
        situation = look(self._rules, as_it_stands(context, self._rules))
        changed = [name for name, held in context.held.items() if self._told.get(name) != held]
        if self.reprices and any(self._bears_on_more(situation, context, name) for name in changed):
            return self._repriced(situation)
        key = self._by_which_rules(situation)
        if key not in self._by_rules:
            self._by_rules[key] = self._by_the_rules(situation)
        return self._by_rules[key]

    def _repriced(self, situation: Situation) -> Outcome:
        """Weighed again: the plans that came first, and those that were not permitted before."""
        rules, plans = self._rules, situation.candidates()
        if not self._judged or not plans or _stops(situation) or _coming(situation):
            return outcome_of(self._whole(situation))
        mine = sum(1 << i for i in range(len(rules.policy.plans)) if plans >> i & 1 and i not in self._judged)
        mine |= plans & self._first
        judged = weigh(situation, mine or plans)
        order = ranked(situation, self._with_second_visits(situation, judged), self._issued_plan)
        return Outcome("repair", order[0].index)

    def _bears_on_more(self, situation: Situation, context: Context, name: str) -> bool:
        """Whether a fact bears on a price, on what is not settled, or tells of something that varies."""
        rules, possible = self._rules, context.possible
        if name in rules.priced or name in self._in_doubt(situation):
            return True
        parent = rules.policy.facts[name].parent
        behind = [one for one, _ in BY_NAME[name].applies] + ([parent] if parent else [])
        near = [*behind, *rules.hang_on.get(name, ())]
        return not all(possible[one].settled for one in near)

    def _in_doubt(self, situation: Situation) -> set[str]:
        """The facts of open screens: told otherwise, they change how likely those are to bar."""
        plans = situation.candidates()
        found: set[str] = set()
        for i in situation.screens(OPEN):
            if self._rules.screen_plans[i] & plans:
                for name in self._rules.compiled.facts[i]:
                    derived = self._rules.policy.derived.get(name)
                    found.update((name,) if derived is None else parents_of(derived))
        return found

    def _by_which_rules(self, situation: Situation) -> tuple[object, ...]:
        """Everything that rules say of a situation and that the outcome can hang on."""
        rules, plans = self._rules, situation.candidates()
        if not plans or _coming(situation):
            return tuple(situation.status)
        stops = tuple(i for i in situation.barred_by if rules.screens[i].kind in ("danger", "scope"))
        open_here = tuple(i for i in situation.screens(OPEN) if rules.screen_plans[i] & plans)
        present = tuple(situation.of("control", i) != CLEAR for i in range(len(rules.policy.controls)))
        return (plans, stops, open_here, present)

    def _by_the_rules(self, situation: Situation) -> Outcome:
        rules, plans = self._rules, situation.candidates()
        if not self._judged or not plans or _stops(situation) or _coming(situation):
            return outcome_of(self._whole(situation))
        open_now = [i for i in situation.screens(OPEN) if rules.screen_plans[i] & plans]
        kept, new = [], 0
        for index in range(len(rules.policy.plans)):
            if plans >> index & 1:
                mine = tuple(i for i in open_now if rules.screen_plans[i] >> index & 1)
                before = self._judged.get(index)
                if before is not None and (before.open_screens == mine or not self.reprices):
                    kept.append(before)
                else:
                    new |= 1 << index
        if not self.reprices and kept:
            new = 0
        if any(rules.screen_plans[i] & new for i in open_now) or (open_now and not kept):
            return outcome_of(self._whole(situation))  # what stays owed is another thing
        judged = [*kept, *(weigh(situation, new) if new else [])]
        order = ranked(situation, self._with_second_visits(situation, judged), self._issued_plan)
        return Outcome("repair", order[0].index)

    def _with_second_visits(self, situation: Situation, judged: list[Judged]) -> list[Judged]:
        """Temporary repairs with the later visit that they owe in this situation, where one of them could win."""
        temporary = [one for one in judged if one.plan.stage == TEMPORARY]
        rest = [one for one in judged if one.plan.stage != TEMPORARY]
        least = min((one.cost for one in rest), default=None)
        near = None if least is None else least + indifference(self._rules, least)
        if not temporary or (near is not None and min(one.cost - one.later for one in temporary) > near):
            return rest or judged
        later = second_visit(self._rules, situation.context)
        return [*rest, *(_owing(one, later) for one in temporary)]


def _owing(one: Judged, later: float) -> Judged:
    return Judged(one.plan, one.index, one.open_screens, one.chance, one.cost - one.later + later, later)


def _stops(situation: Situation) -> bool:
    """Whether scope or danger comes before everything."""
    return any(situation.rules.screens[i].kind in ("danger", "scope") for i in situation.barred_by)


def _cheapest_of_each_way(order: Sequence[Judged]) -> int:
    """The cheapest plans, and the cheapest of each way of doing it, as bits."""
    by_cost = sorted(order, key=lambda one: (one.cost, one.index))
    found = sum(1 << one.index for one in by_cost[:_CHEAPEST])
    ways: set[tuple[str, ...]] = set()
    for one in by_cost:
        way = (one.plan.method, one.plan.layout, one.plan.stage)
        if way not in ways:
            ways.add(way)
            found |= 1 << one.index
    return found


def _coming(situation: Situation) -> bool:
    """Whether something is on its way."""
    return any(situation.of("slot", i) == BARRED for i in range(len(situation.rules.policy.slots)))
