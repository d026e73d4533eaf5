"""What the answer comes down to in contexts that differ from one context in one fact, without answering it all again.

Most facts bear on rules only: then contexts of which the rules say the same have the same answer, which is found once.
Where a fact bears on prices, on priors or on what something else may be, the answer is found anew at each value. With
much still open that would take too long while somebody waits: then prices are held as they stand, and only what the
rules say of the plans that were weighed is looked at.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from repairadvisor.decision.answer import Answer
from repairadvisor.decision.crossing import Prices
from repairadvisor.decision.plans import ranked, standing, with_second_visits
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN
from repairadvisor.decision.situation import Situation, look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import Outcome
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.read_rules import parents_of

#: With more open screens than this on a plan, prices are held as they stand.
_FEW_OPEN = 12


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
        self._rules = found.situation.rules
        self._whole = whole
        self._issued_plan = issued_plan
        weighed = found.action in ("repair", "ask_first") and found.order and not found.continuity_only
        self._judged = {one.index: one for one in found.order} if weighed and not _coming(found.situation) else {}
        most_open = max((len(one.open_screens) for one in found.order), default=0)
        #: Whether prices are worked out anew where a fact bears on them.
        self.reprices = most_open <= _FEW_OPEN
        self._by_rules: dict[object, Outcome] = {}
        self._by_value: dict[object, tuple[Outcome, Prices | None]] = {}

    def rules_say(self, context: Context) -> object:
        """What the rules say of a context: where it is the same, only prices can tell two contexts apart."""
        return self._by_which_rules(look(self._rules, as_it_stands(context, self._rules)))

    def __call__(self, context: Context) -> Outcome:
        """The outcome in a context."""
        situation = look(self._rules, as_it_stands(context, self._rules))
        if self._moves_prices(situation, context):
            return self._answered(situation, context)[0]
        key = self._by_which_rules(situation)
        if key not in self._by_rules:
            held = self._as_priced(situation) if not self.reprices else None
            self._by_rules[key] = held or outcome_of(self._whole(situation))
        return self._by_rules[key]

    def prices(self, context: Context) -> Prices | None:
        """What the plans cost that may be used; None where prices are held, do not move, or do not decide."""
        situation = look(self._rules, as_it_stands(context, self._rules))
        as_told = self.reprices and context.held == self._told
        return self._answered(situation, context)[1] if as_told or self._moves_prices(situation, context) else None

    def _answered(self, situation: Situation, context: Context) -> tuple[Outcome, Prices | None]:
        """The outcome and the prices, worked out once for each value of a fact."""
        key = tuple((name, held.state) for name, held in context.held.items() if self._told.get(name) != held)
        if key not in self._by_value:
            found = self._whole(situation)
            self._by_value[key] = (outcome_of(found), self._prices_of(found))
        return self._by_value[key]

    def _prices_of(self, found: Answer) -> Prices | None:
        if found.action != "repair" or found.continuity_only or _coming(found.situation):
            return None
        rates, issued = self._rules.policy.rates, self._issued_plan
        order = sorted(found.order, key=lambda one: (one.plan.id != issued, *standing(found.situation, one.plan)))
        return Prices(
            tuple(one.index for one in order),
            np.array([one.cost for one in order]),
            rates["indifference_absolute_cu"].value,
            rates["indifference_relative"].value,
        )

    def _moves_prices(self, situation: Situation, context: Context) -> bool:
        """Whether prices are worked out anew: a fact that is told otherwise bears on them."""
        changed = [name for name, held in context.held.items() if self._told.get(name) != held]
        return self.reprices and any(self._bears_on_more(situation, context, name) for name in changed)

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

    def _as_priced(self, situation: Situation) -> Outcome | None:
        """The outcome with prices held as they stand; None where none of the plans that were weighed may be used."""
        plans = situation.candidates()
        kept = [one for index, one in self._judged.items() if plans >> index & 1]
        if not kept or _stops(situation) or _coming(situation):
            return None
        order = ranked(situation, with_second_visits(situation, kept), self._issued_plan)
        return Outcome("repair", order[0].index)


def _stops(situation: Situation) -> bool:
    """Whether scope or danger comes before everything."""
    return any(situation.rules.screens[i].kind in ("danger", "scope") for i in situation.barred_by)


def _coming(situation: Situation) -> bool:
    """Whether something is on its way."""
    return any(situation.of("slot", i) == BARRED for i in range(len(situation.rules.policy.slots)))
