"""Invented faults from the priors, an answering oracle, and the product asking until it is content.

    .venv/bin/python tests/simulation.py [FAULTS] [SEED]

Every fault is a whole world, drawn fact by fact from the shipped priors; the product is told where it is and what is
seen, asks, is answered, and ends with a plan and a load. Printed beside what full knowledge would have chosen. What is
measured is how the product asks, not whether its priors are true: those are assumptions.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise, answer
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look, weigh
from repairadvisor.decision.start import as_it_stands
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import Prior
from repairadvisor.policy.read_numbers import ordered_facts
from repairadvisor.service import prepared_method

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
TOLD_FIRST = ("place", "fault_seen", "danger_seen")
MOST_ASKED = 6


def a_world(rules: Rules, chance: random.Random) -> dict[str, Held] | None:
    """Every fact that has a meaning, drawn from its prior; None where what was drawn contradicts itself."""
    held: dict[str, Held] = {}
    for name in ordered_facts(rules.policy.facts):
        fact, policy = BY_NAME[name], rules.policy.facts[name]
        words = {one: str(told.state.value) for one, told in held.items() if isinstance(told.state, Known)}
        if not all(words.get(parent) in allowed for parent, allowed in fact.applies):
            continue
        key = words.get(policy.parent, "") if policy.parent else ""
        prior = policy.priors.get(key) or next(iter(policy.priors.values()))
        allowed = fact.words
        if fact.within is not None:
            allowed = fact.within[1].get(words.get(fact.within[0], ""), fact.words)
        value = _drawn(prior, allowed, chance)
        held[name] = Held(Known(round(value) * 1.0 if fact.whole and isinstance(value, float) else value))
    _, faults = make_context(NOW, held)
    return None if faults else held


def _drawn(prior: Prior, allowed: tuple[str, ...], chance: random.Random) -> str | float:
    if prior.words:
        words = [word for word in prior.words if word in allowed] or list(prior.words)
        return chance.choices(words, [prior.words[word] for word in words])[0]
    low, high, _ = chance.choices(prior.stretches, [weight for _, _, weight in prior.stretches])[0]
    return chance.uniform(low, high)


@dataclass
class Ran:
    """How one fault went."""

    asked: int
    same_unasked: bool
    same_in_the_end: bool
    covered: bool
    ratio: float


def run(rules: Rules, world: dict[str, Held]) -> Ran | str:
    """One fault, from the first call to the plan; what the truth allows where that is no repair."""
    truth, _ = make_context(NOW, world)
    whole = answer(look(rules, as_it_stands(truth, rules)), "", ask=False)
    if whole.action != "repair" or whole.continuity_only:
        return whole.action
    best = whole.order[0]
    told = {name: world[name] for name in TOLD_FIRST if name in world}
    first = _advised(rules, told)
    asked, advice, known = 0, first, dict(told)
    while advice.action == "ask_first" and asked < MOST_ASKED:
        new = [one.fact for one in advice.questions if one.fact in world and one.fact not in known]
        if not new:
            break
        known[new[0]] = world[new[0]]
        asked += 1
        advice = _advised(rules, known)
    return Ran(
        asked,
        _plan(rules, told) == best.plan.id,
        _plan(rules, known) == best.plan.id,
        _covers(rules, known, truth, best.plan.id),
        _comes_to(rules, truth, _plan(rules, known), known) / best.cost,
    )


def _advised(rules: Rules, told: dict[str, Held]) -> Advice:
    context, _ = make_context(NOW, told)
    return advise(context, rules)


def _plan(rules: Rules, told: dict[str, Held]) -> str:
    """The plan that would be carried out without another question."""
    context, _ = make_context(NOW, told)
    found = answer(look(rules, as_it_stands(context, rules)), "", ask=False)
    return found.order[0].plan.id if found.action == "repair" else ""


def _load(rules: Rules, told: dict[str, Held]) -> set[str]:
    context, _ = make_context(NOW, told)
    found = answer(look(rules, as_it_stands(context, rules)), "", ask=False)
    from repairadvisor.decision.document import write  # noqa: PLC0415 - used here only

    return {line.item for line in write(found, context, "").kit}


def _covers(rules: Rules, known: dict[str, Held], truth: Context, best: str) -> bool:
    """Whether the van holds every kind of thing that the best plan needs."""
    del best
    return _load(rules, dict(truth.held)) <= _load(rules, known)


def _comes_to(rules: Rules, truth: Context, plan: str, known: dict[str, Held]) -> float:
    """What the chosen plan comes to in truth; where it may not be done, a visit in vain and then the best one."""
    situation = look(rules, as_it_stands(truth, rules))
    judged = {one.plan.id: one for one in weigh(situation, situation.candidates())}
    best = min(one.cost for one in judged.values())
    if plan in judged:
        return judged[plan].cost
    assert situation.costs is not None
    if _load(rules, dict(truth.held)) <= _load(rules, known):
        return best + rules.policy.rates["labour_cu_per_person_hour"].value / 2.0  # set up again on the spot
    index = next((i for i, one in enumerate(rules.policy.plans) if one.id == plan), None)
    lost = situation.costs.stand_off_terms() if index is None else situation.costs.lost_terms(rules.policy.plans[index])
    return best + situation.costs.expected(lost)


def main(faults: int, seed: int) -> None:
    rules, chance = prepared_method().rules, random.Random(seed)
    ran: list[Ran] = []
    other: Counter[str] = Counter()
    while len(ran) + other.total() < faults:
        world = a_world(rules, chance)
        if world is None:
            other["contradicts itself"] += 0
            continue
        one = run(rules, world)
        if isinstance(one, str):
            other[one] += 1
        else:
            ran.append(one)
    n = len(ran)
    print(f"{faults} faults, seed {seed}: {n} in which full knowledge repairs; others {dict(other)}")
    print(f"questions on average {sum(one.asked for one in ran) / n:.2f}, at most {max(one.asked for one in ran)}")
    print(f"plan without any question is that of full knowledge: {sum(one.same_unasked for one in ran) / n:.1%}")
    print(f"plan after asking is that of full knowledge: {sum(one.same_in_the_end for one in ran) / n:.1%}")
    print(f"load covers what full knowledge would load: {sum(one.covered for one in ran) / n:.1%}")
    ratios = sorted(one.ratio for one in ran)
    print(f"cost over that of full knowledge: mean {sum(ratios) / n:.3f}, median {ratios[n // 2]:.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100, int(sys.argv[2]) if len(sys.argv) > 2 else 6)
