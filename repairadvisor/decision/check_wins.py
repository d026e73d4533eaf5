"""Which plans win somewhere. Searched, not proved: in contexts that are passed in, and in others made from them by the
examples of screens.

For a plan that has not won, a context is turned towards it: examples that clear take away what bars it, examples that
bar take away the plans that cost less. All of it in a fixed order: the same contexts lead to the same answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from repairadvisor.decision.findings import SEARCHED, Finding
from repairadvisor.decision.plans import ranked, with_second_visits
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import Situation, look, weigh
from repairadvisor.errors import InputError
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import State

#: Contexts from which a search for one plan begins, examples in a row that may clear its way, and examples that are
#: tried against others.
STARTS, MOST_CHANGES, MOST_TRIED = 3, 14, 60

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Looked:
    """One plan: in how many contexts it could be used, in how many it won, and the first plan that was permitted in all
    of them and cost at most as much ("" where there is none)."""

    plan: str
    permitted: int
    won: int
    outdone_by: str


@dataclass(frozen=True, slots=True)
class Wins:
    """The search: how many contexts were passed in, how many were weighed in the end, and what became of each plan."""

    contexts: int
    weighed: int
    plans: tuple[Looked, ...]

    @property
    def never_won(self) -> tuple[Looked, ...]:
        """The plans for which no win was found."""
        return tuple(one for one in self.plans if not one.won)


@dataclass
class _Tally:
    """What was seen so far. ``at_most_as_dear[p]`` are the plans, as bits, that were permitted wherever plan p was, and
    never cost more."""

    rules: Rules
    weighed: int = 0
    permitted: dict[int, int] = field(default_factory=dict)
    won: dict[int, int] = field(default_factory=dict)
    at_most_as_dear: dict[int, int] = field(default_factory=dict)

    def weigh(self, situation: Situation) -> list[tuple[float, int]]:
        """Weigh every plan that may be used; their costs, rising, each with the plan's index."""
        raw = weigh(situation, situation.candidates())
        judged = ranked(situation, with_second_visits(situation, raw))
        final = {one.index: one.cost for one in judged}
        costs = sorted((final.get(one.index, one.cost), one.index) for one in raw)
        self.weighed += 1
        self.won[judged[0].index] = self.won.get(judged[0].index, 0) + 1
        self._outdone(costs, final)
        return costs

    def _outdone(self, costs: Sequence[tuple[float, int]], final: Mapping[int, float]) -> None:
        so_far = 0
        for cost, index in costs:
            level = sum(1 << other for same, other in costs if same == cost and other != index and other in final)
            self.permitted[index] = self.permitted.get(index, 0) + 1
            before = self.at_most_as_dear.get(index, -1)
            self.at_most_as_dear[index] = before & (so_far | level)
            if index in final:
                so_far |= 1 << index

    def looked(self, index: int) -> Looked:
        outdone = self.at_most_as_dear.get(index, 0)
        plans = self.rules.policy.plans
        by = plans[(outdone & -outdone).bit_length() - 1].id if outdone > 0 else ""
        return Looked(plans[index].id, self.permitted.get(index, 0), self.won.get(index, 0), by)


def wins(
    rules: Rules,
    contexts: Sequence[Context],
    most_weighed: int,
    never: frozenset[str] = frozenset(),
    progress: Progress = lambda _, __: None,
) -> Wins:
    """Look for a win of every plan but those of ``never``, by id, which are known to be barred everywhere.

    Weighs ``contexts``, at least one, then turns some towards the plans that have not won, until
    ``most_weighed`` have been weighed. ``progress`` is told how many were, and how many may be.
    """
    wanted = [i for i, plan in enumerate(rules.policy.plans) if plan.id not in never]
    tally = _Tally(rules)
    starts: list[Situation] = []
    for context in contexts:
        situation = look(rules, context)
        starts.append(situation)
        if situation.candidates() and tally.weighed < most_weighed:
            tally.weigh(situation)
            progress(tally.weighed, most_weighed)
    changes = _Changes(rules)
    for start in range(STARTS):  # every plan once before one is looked for again
        for index in wanted:
            if index in tally.won or tally.weighed >= most_weighed:
                continue
            before = tally.weighed
            _turn(tally, changes, _towards(starts, index)[start % min(len(starts), STARTS)], index)
            if tally.weighed > before:
                progress(tally.weighed, most_weighed)
    return Wins(len(contexts), tally.weighed, tuple(tally.looked(i) for i in wanted))


def never_winning(found: Wins) -> tuple[Finding, ...]:
    """A finding for every plan that did not win."""
    return tuple(_never(found, one) for one in found.never_won)


def _never(found: Wins, one: Looked) -> Finding:
    searched = f"searched in {_counted(found.weighed, 'weighed context')}"
    usable = f"Plan {one.plan} did not win in the {_counted(one.permitted, 'context')} in which it could be used"
    if not one.permitted:
        sentence = f"No context was found in which plan {one.plan} can be used ({searched})."
    elif one.outdone_by:
        sentence = f"{usable} ({searched}): {one.outdone_by} could be used in all of them and never cost more."
    else:
        sentence = f"{usable} ({searched}); no one plan outdoes it in all of them."
    return Finding("no win found", "plan_words.toml", (one.plan,), sentence, SEARCHED, None)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _towards(starts: Sequence[Situation], index: int) -> list[Situation]:
    """The contexts in which a plan is barred by the fewest screens, in their order."""

    def bars(situation: Situation) -> int:
        return sum(1 for plans in situation.barred_by.values() if plans >> index & 1)

    return sorted(starts, key=bars)[:STARTS]


class _Changes:
    """The examples of the screens as changes of a context."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self._known: dict[tuple[int, str], dict[str, State | None] | None] = {}

    def by(self, context: Context, screen: int, example: str, *, elsewhere: bool = True) -> Situation | None:
        """The context with the facts of one example of a screen in place of its own; None where they contradict it. Not
        ``elsewhere``: the place stays what it is."""
        facts = self._facts(context, screen, example)
        if facts is not None and not elsewhere:
            facts = {name: state for name, state in facts.items() if name != "place"}
        if not facts:
            return None
        changed, faults = context.with_facts(facts)
        return None if faults else look(self.rules, changed)

    def _facts(self, context: Context, screen: int, example: str) -> dict[str, State | None] | None:
        key = screen, example
        if key not in self._known:
            given = self.rules.screens[screen].examples.get(example, {})
            try:
                held = parse_context(given, context.now).held
            except InputError:
                held = {}
            self._known[key] = {name: one.state for name, one in held.items()} or None
        return self._known[key]


def _turn(tally: _Tally, changes: _Changes, situation: Situation, index: int) -> None:
    """Make a context in which a plan can be used and few others can; weigh it."""
    cleared = _cleared(changes, situation, index)
    if cleared is not None:
        tally.weigh(_alone(changes, cleared, index))


def _cleared(changes: _Changes, situation: Situation, index: int) -> Situation | None:
    """The context changed until nothing bars or closes the plan; None where the examples do not lead there."""
    for _ in range(MOST_CHANGES):
        if situation.candidates() >> index & 1:
            return situation
        best = None
        for screen in _in_the_way(changes.rules, situation, index):
            for elsewhere in (False, True):
                other = changes.by(situation.context, screen, "clears", elsewhere=elsewhere)
                left = None if other is None else len(_in_the_way(changes.rules, other, index))
                if other is not None and left is not None and (best is None or left < best[0]):
                    best = left, other
        if best is None or best[0] >= len(_in_the_way(changes.rules, situation, index)):
            return None
        situation = best[1]
    return None


def _in_the_way(rules: Rules, situation: Situation, index: int) -> list[int]:
    """The screens that bar a plan, or close it while they are open."""
    return [
        i
        for i, plans in enumerate(rules.screen_plans)
        if plans >> index & 1
        and (i in situation.barred_by or (situation.status[i] == "open" and not rules.screens[i].check))
    ]


def _alone(changes: _Changes, situation: Situation, index: int) -> Situation:
    """The context changed so that as few other plans as possible can be used, and the plan itself still can."""
    rules = changes.rules
    useful = [i for i, plans in enumerate(rules.screen_plans[: len(rules.policy.screens)]) if not plans >> index & 1]
    for _ in range(MOST_TRIED):
        left = situation.candidates() & ~(1 << index)
        useful = [i for i in useful if rules.screen_plans[i] & left and i not in situation.barred_by]
        if not useful:
            break
        screen = max(useful, key=lambda i: (rules.screen_plans[i] & left).bit_count())
        useful.remove(screen)
        other = changes.by(situation.context, screen, "bars")
        if other is None or not other.candidates() >> index & 1:
            continue
        if (other.candidates() & ~(1 << index)).bit_count() < left.bit_count():
            situation = other
    return situation
