"""What another policy would change: the same faults under two, one after the other, and what comes of it in sums.

Nothing is held of a fault once it is counted, but for the few that somebody should look at first. A plan's cost "by the
new policy" is what the new policy's prices and priors expect of it, so the old plan and the new one are measured alike.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from repairadvisor.decision.advice import Advice, PlanWords
from repairadvisor.decision.answer import Answer
from repairadvisor.decision.document import write
from repairadvisor.decision.method import METHOD_VERSION, answer
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.what_if import compare
from repairadvisor.facts.context import Context

#: How many examples are told, and how many of the other plans and of the things that are loaded otherwise.
EXAMPLES, MOST_TOLD = 5, 12
#: How far an action lets people go: the higher the less.
_HOLDS_BACK = {"repair": 0, "ask_first": 1, "make_safe_and_wait": 2, "stand_off": 3, "out_of_scope": 3}


@dataclass(frozen=True, slots=True)
class Case:
    """One fault: what it is called, what is known of it, and the plan that was given before ("" none)."""

    name: str
    context: Context
    issued_plan: str = ""


@dataclass(frozen=True, slots=True)
class Claim:
    """What somebody claims of a policy, and whether it holds (None: that could not be found out)."""

    id: str
    said: str
    holds: bool | None


@dataclass(frozen=True, slots=True)
class Moved:
    """Answers of one kind under the old policy that are of another under the new one, and how many."""

    old: str
    new: str
    count: int


@dataclass(frozen=True, slots=True)
class LoadMoved:
    """A thing of which the new policy loads more, and less, in so many cases."""

    item: str
    more: int
    less: int


@dataclass(frozen=True, slots=True)
class Example:
    """One fault whose answer changes. ``lets_more`` tells that the new policy lets people go further than the old;
    ``old_plan_costs_more`` what the old plan is expected to cost more than the new answer, by the new policy (None: one
    of them has no cost); ``old_plan_refused`` that the new policy does not allow the old plan now."""

    case: str
    facts: Mapping[str, object]
    lets_more: bool
    old_action: str
    old_plan: str
    old_say: str
    new_action: str
    new_plan: str
    new_say: str
    old_plan_costs_more: float | None
    old_plan_refused: bool
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Costs:
    """How many cases, and what is expected there: by the old policy of its answers, by the new one of its own."""

    cases: int
    old_mean: float
    new_mean: float


@dataclass(frozen=True, slots=True)
class ChangeCosts:
    """Of the answers that change: in how many both can be priced, and what the old plan costs more than the new answer
    by the new policy, on average and at most and at least (negative: the old plan was cheaper)."""

    cases: int
    mean: float
    most: float
    least: float


@dataclass(frozen=True, slots=True)
class PolicyComparison:
    """What changes from an old policy to a new one. A plan is what is done now, or what follows a wait. Money is in the
    new policy's currency, but for what the answers of the old one are expected to cost."""

    old: str
    new: str
    cases: int
    changed: int
    lets_more: int
    holds_more: int
    old_plan_refused: int
    actions: tuple[Moved, ...]
    plans: tuple[Moved, ...]
    plans_not_told: int
    change_costs: ChangeCosts | None
    costs: Costs | None
    currency: str
    old_currency: str
    load_changed: int
    load: tuple[LoadMoved, ...]
    claims: int
    claims_ceased: tuple[Claim, ...]
    worst: tuple[Example, ...]


@dataclass(frozen=True, slots=True)
class _Under:
    """One fault under one policy."""

    found: Answer
    advice: Advice

    @property
    def plan(self) -> PlanWords | None:
        """What is done now, or what follows once the wait is over."""
        wait = self.advice.wait
        return self.advice.plan if self.advice.plan is not None or wait is None else wait.then_plan

    @property
    def plan_id(self) -> str:
        return "" if self.plan is None else self.plan.id

    @property
    def cost(self) -> float | None:
        """What is expected of the answer; None where nothing is done that could be priced."""
        if self.found.later is not None:
            return self.found.later.cost
        return None if self.found.chosen is None else self.found.chosen.cost

    def cost_of(self, plan: str) -> float | None:
        """What is expected of a plan that may be used here; None where it may not."""
        return next((one.cost for one in self.found.order if one.plan.id == plan), None)


def compared(
    cases: Iterable[Case],
    old: Rules,
    new: Rules,
    claims: tuple[Sequence[Claim], Sequence[Claim]] = ((), ()),
) -> PolicyComparison:
    """Both policies over every case. ``claims`` are those that were looked at under the old and the new policy."""
    tally = _Tally(old, new)
    for case in cases:
        tally.add(case)
    return tally.result(claims)


def ceased(old: Sequence[Claim], new: Sequence[Claim]) -> tuple[Claim, ...]:
    """The claims that hold under the old policy and not surely under the new, as they stand there. One that nobody
    looked at there is not known to hold."""
    there = {claim.id: claim for claim in new}
    now = [there.get(claim.id, replace(claim, holds=None)) for claim in old if claim.holds is True]
    return tuple(claim for claim in now if claim.holds is not True)


@dataclass(slots=True)
class _Tally:
    """What has been counted so far."""

    old: Rules
    new: Rules
    cases: int = 0
    changed: int = 0
    lets_more: int = 0
    holds_more: int = 0
    refused: int = 0
    actions: Counter[tuple[str, str]] = field(default_factory=Counter)
    plans: Counter[tuple[str, str]] = field(default_factory=Counter)
    said: dict[str, str] = field(default_factory=dict)
    dearer: list[float] = field(default_factory=lambda: [0.0, 0.0, -math.inf, math.inf])
    costs: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    load_changed: int = 0
    more: Counter[str] = field(default_factory=Counter)
    less: Counter[str] = field(default_factory=Counter)
    worst: list[tuple[bool, float, int, Example]] = field(default_factory=list)

    def add(self, case: Case) -> None:
        before, after = _under(self.old, case), _under(self.new, case)
        self.cases += 1
        if before.cost is not None and after.cost is not None:
            for i, value in enumerate((1.0, before.cost, after.cost)):
                self.costs[i] += value
        self._load(before.advice, after.advice)
        if (before.advice.action, before.plan_id) != (after.advice.action, after.plan_id):
            self._change(case, before, after)

    def _load(self, before: Advice, after: Advice) -> None:
        one, other = ({line.item: line.quantity for line in advice.kit} for advice in (before, after))
        moved = [item for item in dict.fromkeys((*one, *other)) if one.get(item, 0.0) != other.get(item, 0.0)]
        self.load_changed += bool(moved)
        for item in moved:
            counted = self.more if other.get(item, 0.0) > one.get(item, 0.0) else self.less
            counted[item] += 1

    def _change(self, case: Case, before: _Under, after: _Under) -> None:
        self.changed += 1
        further = _HOLDS_BACK[before.advice.action] - _HOLDS_BACK[after.advice.action]
        self.lets_more += further > 0
        self.holds_more += further < 0
        if before.advice.action != after.advice.action:
            self.actions[before.advice.action, after.advice.action] += 1
        if before.plan_id != after.plan_id:
            self.plans[before.plan_id, after.plan_id] += 1
            for plan in (before.plan, after.plan):
                if plan is not None:
                    self.said.setdefault(plan.id, plan.phrase)
        usable = before.advice.action == "repair"
        old_cost = after.cost_of(before.plan_id) if usable else None
        refused = usable and old_cost is None
        self.refused += refused
        more = None if old_cost is None or after.cost is None else old_cost - after.cost
        if more is not None:
            count, total, most, least = self.dearer
            self.dearer = [count + 1.0, total + more, max(most, more), min(least, more)]
        self._keep(case, before, after, lets_more=further > 0, more=more, refused=refused)

    def _keep(
        self, case: Case, before: _Under, after: _Under, *, lets_more: bool, more: float | None, refused: bool
    ) -> None:
        """Among the few to be looked at first: where people may go further, then by money either way."""
        weight = math.inf if refused else abs(more or 0.0)
        if len(self.worst) == EXAMPLES and (lets_more, weight) <= self.worst[0][:2]:
            return
        example = Example(
            case=case.name,
            facts=case.context.as_given(),
            lets_more=lets_more,
            old_action=before.advice.action,
            old_plan=before.plan_id,
            old_say=before.advice.say,
            new_action=after.advice.action,
            new_plan=after.plan_id,
            new_say=after.advice.say,
            old_plan_costs_more=more,
            old_plan_refused=refused,
            because=compare(before.advice, after.advice, Words(self.new.wording)).because,
        )
        heapq.heappush(self.worst, (lets_more, weight, -self.cases, example))
        if len(self.worst) > EXAMPLES:
            heapq.heappop(self.worst)

    def result(self, claims: tuple[Sequence[Claim], Sequence[Claim]]) -> PolicyComparison:
        told = self.plans.most_common(MOST_TOLD)
        count, total, most, least = self.dearer
        priced, before, after = self.costs
        return PolicyComparison(
            old=self.old.policy_id,
            new=self.new.policy_id,
            cases=self.cases,
            changed=self.changed,
            lets_more=self.lets_more,
            holds_more=self.holds_more,
            old_plan_refused=self.refused,
            actions=tuple(Moved(one, other, n) for (one, other), n in self.actions.most_common()),
            plans=tuple(Moved(self.said.get(one, ""), self.said.get(other, ""), n) for (one, other), n in told),
            plans_not_told=self.plans.total() - sum(count for _, count in told),
            change_costs=ChangeCosts(int(count), total / count, most, least) if count else None,
            costs=Costs(int(priced), before / priced, after / priced) if priced else None,
            currency=Words(self.new.wording).say("cost", "currency"),
            old_currency=Words(self.old.wording).say("cost", "currency"),
            load_changed=self.load_changed,
            load=self._loads(),
            claims=max(len(one) for one in claims),
            claims_ceased=ceased(*claims),
            worst=tuple(one for *_, one in sorted(self.worst, key=lambda kept: kept[:3], reverse=True)),
        )

    def _loads(self) -> tuple[LoadMoved, ...]:
        both = self.more + self.less
        return tuple(LoadMoved(item, self.more[item], self.less[item]) for item, _ in both.most_common(MOST_TOLD))


def _under(rules: Rules, case: Case) -> _Under:
    """The same as advise, and the plans that it came from."""
    found = answer(look(rules, as_it_stands(case.context, rules)), case.issued_plan)
    return _Under(found, write(replace(found, issued_plan=case.issued_plan), case.context, METHOD_VERSION))
