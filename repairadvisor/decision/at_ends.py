"""Would the answer be another one at an end of a number that the policy knows as a range?

The middle decides. Each range is taken to its two ends by itself, all other numbers where they are, and the answer is
found anew. Ranges that no plan still in question counts are left out. A policy without ranges costs nothing here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from repairadvisor.decision.answer import Answer
from repairadvisor.decision.outcomes import outcome_of
from repairadvisor.decision.plans import TEMPORARY
from repairadvisor.decision.ranges import AtEnd, Ranged, ranges_of, rules_with, with_number
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import Situation, look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import Outcome
from repairadvisor.facts.context import Context


def at_ends(context: Context, found: Answer, answered: Callable[[Situation], Answer]) -> tuple[AtEnd, ...]:
    """Where the answer is another one with one number at an end of its range. ``answered`` answers a situation."""
    rules = found.situation.rules
    numbers = list(_that_count(found, ranges_of(rules.policy)))
    if not numbers:
        return ()

    def outcome(beside: Rules) -> Outcome:
        return outcome_of(answered(look(beside, as_it_stands(context, beside))))

    now = outcome(rules)
    ends = []
    for number in numbers:
        for value in number.ends:
            then = outcome(rules_with(rules, with_number(rules.policy, number, value)))
            if then != now:
                ends.append(AtEnd(number, value, then))
    return tuple(ends)


def _that_count(found: Answer, numbers: tuple[Ranged, ...]) -> Iterator[Ranged]:
    """Those that a plan still in question counts; a temporary plan owes a second visit, whose plan may be any."""
    rules, candidates = found.situation.rules, found.situation.candidates()
    plans = [plan for i, plan in enumerate(rules.policy.plans) if candidates >> i & 1]
    every = not plans or any(plan.stage == TEMPORARY for plan in plans)
    counted = {
        kind: {row.id for plan in plans for row in (getattr(rules.rows[plan.id], rows))}
        for kind, rows in (("minutes", "minutes"), ("price", "prices"))
    }
    for number in numbers:
        if every or number.kind == "rate" or number.name in counted[number.kind]:
            yield number
