"""Invented faults from the priors, an answering oracle, and the product asking until it is content.

    .venv/bin/python tests/simulation.py [FAULTS] [SEED] [--each]

Every fault is a whole world, drawn fact by fact from the shipped priors; the product is told where it is and what is
seen, asks, is answered, and ends with a plan and a load. Printed beside what full knowledge of the fault would have
chosen; who goes and what is loaded is decided in both. What is measured is how the product asks, not whether its priors
are true: those are assumptions. Two at a time, each fault from a seed of its own, so that the table is the same however
many run beside each other; ``--each`` prints every fault that went otherwise.
"""

from __future__ import annotations

import os
import random
import sys
from collections import Counter
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import Pool

from drawn_faults import NOW, TOLD_FIRST, a_world

from repairadvisor.decision.answer import Answer, Told
from repairadvisor.decision.chain import Chain, chain_of
from repairadvisor.decision.load import load_of
from repairadvisor.decision.method import answer
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import Judged, look, weigh
from repairadvisor.decision.start import DECIDED_WITH_THE_LOAD, as_it_stands
from repairadvisor.facts.context import Context, Held, make_context
from repairadvisor.methods import prepared_method
from repairadvisor.settings import cache_folder

MOST_ASKED = 6


@dataclass
class Ran:
    """How one fault went: the action that full knowledge leads to, and where it repairs how the product came out."""

    action: str
    asked: int = 0
    same_unasked: bool = False
    same_in_the_end: bool = False
    covered: bool = False
    one_visit: bool = False
    cost: float = 0.0
    least: float = 0.0
    told: str = ""


def run(rules: Rules, world: dict[str, Held]) -> Ran:
    """One fault, from the first call to the plan; what the truth allows where that is no repair."""
    truth, _ = make_context(NOW, world)
    whole = answer(look(rules, as_it_stands(truth, rules)), "", ask=False)
    if whole.action != "repair" or whole.continuity_only:
        return Ran("continuity only" if whole.continuity_only else whole.action)
    best = whole.order[0]
    known = {name: world[name] for name in TOLD_FIRST if name in world}
    first = found = _answered(rules, known)
    asked: list[str] = []
    while found.questions and len(asked) < MOST_ASKED:  # also what may be asked on the way
        new = [one.fact for one in found.questions if one.fact in world and one.fact not in known]
        if not new:
            break
        known[new[0]] = world[new[0]]
        asked.append(new[0])
        found = _answered(rules, known)
    loaded = _kinds(found, make_context(NOW, known)[0])
    missing = _needs(whole, truth, best) - loaded
    plan = _plan(found)
    cost, one_visit = _carried_out(rules, whole, truth, plan, loaded)
    told = ", ".join(f"{name} {held.state}" for name, held in known.items())
    said = f"{cost:.0f} over {best.cost:.0f}: {plan or found.action} / {best.plan.id} missing {sorted(missing)}: {told}"
    same = (_plan(first) == best.plan.id, plan == best.plan.id)
    return Ran("repair", len(asked), *same, not missing, one_visit, cost, best.cost, said)


def _answered(rules: Rules, told: dict[str, Held]) -> Answer:
    context, _ = make_context(NOW, told)
    return answer(look(rules, as_it_stands(context, rules)), "")


def _plan(found: Answer) -> str:
    """The plan that would be carried out without another question."""
    return found.order[0].plan.id if found.order and not found.continuity_only else ""


def _kinds(found: Answer, context: Context) -> set[str]:
    """What would be on the van without another question."""
    sent = replace(found, action="repair") if found.action == "ask_first" and found.order else found
    told, ahead = Told(sent, Words(sent.situation.rules.wording), context), sent.ahead
    if sent.prepared is None:
        return set()
    if ahead.weighing is None:
        weigh(ahead, 1 << sent.prepared.index)
    chain = chain_of(ahead, sent.prepared, sent.order if sent.chosen is not None else ())
    return {line.item for line in load_of(told, chain, ahead.costs)}


def _needs(whole: Answer, truth: Context, one: Judged) -> set[str]:
    """What a plan takes in truth, where nothing is left to check."""
    told = Told(replace(whole, order=(one,)), Words(whole.situation.rules.wording), truth)
    return {line.item for line in load_of(told, Chain((), ()), whole.ahead.costs)}


def _carried_out(rules: Rules, whole: Answer, truth: Context, plan: str, loaded: set[str]) -> tuple[float, bool]:
    """What the visit comes to in truth, and whether it mends the fault: the chosen plan where it may be done, else the
    cheapest permitted one that the load holds, after what was set up in vain; where there is none the best one on
    another day, after a visit in vain."""
    situation = look(rules, as_it_stands(truth, rules))
    permitted = sorted(weigh(situation, situation.candidates()), key=lambda one: one.cost)
    ready = [one for one in permitted if not _needs(whole, truth, one) - loaded]
    chosen = [one for one in ready if one.plan.id == plan]
    if chosen:
        return chosen[0].cost, True
    assert situation.costs is not None
    costs = situation.costs
    index = next((i for i, one in enumerate(rules.policy.plans) if one.id == plan), None)
    if ready:
        set_up = [] if index is None else costs.set_up_terms(rules.policy.plans[index])
        return ready[0].cost + costs.sums.expected(set_up), True
    lost = costs.stand_off_terms() if index is None else costs.lost_terms(rules.policy.plans[index])
    return permitted[0].cost + costs.sums.expected(lost), False


@cache
def _rules() -> Rules:
    return prepared_method(cache_folder(os.environ)).rules


def one(seed: str) -> Ran:
    """The fault of a seed: the first that does not contradict itself."""
    chance, rules = random.Random(seed), _rules()
    world = None
    while world is None:
        world = a_world(rules.policy, chance)
    return run(rules, {name: held for name, held in world.items() if name not in DECIDED_WITH_THE_LOAD})


def main(faults: int, seed: int, *, each: bool) -> None:
    """Run and print the table, how far it is on the way."""
    everything: list[Ran] = []
    with Pool(2) as pool:
        for ran in pool.imap(one, [f"{seed} {i}" for i in range(faults)], chunksize=4):
            everything.append(ran)
            if len(everything) % 100 == 0:
                print(f"{len(everything)} of {faults}", file=sys.stderr, flush=True)
    table(everything, faults, seed, each=each)


def table(everything: list[Ran], faults: int, seed: int, *, each: bool) -> None:
    """Print how the faults went."""
    ran = [one for one in everything if one.action == "repair"]
    if each:
        print("\n".join(one.told for one in ran if not one.same_in_the_end or not one.covered))
    n = len(ran)
    others = Counter(one.action for one in everything if one.action != "repair")
    print(f"{faults} faults, seed {seed}: {n} in which full knowledge repairs; others {dict(others)}")
    print(f"questions on average {sum(one.asked for one in ran) / n:.2f}, at most {max(one.asked for one in ran)}")
    print(f"plan without any question is that of full knowledge: {sum(one.same_unasked for one in ran) / n:.1%}")
    print(f"plan after asking is that of full knowledge: {sum(one.same_in_the_end for one in ran) / n:.1%}")
    print(f"load covers the plan of full knowledge: {sum(one.covered for one in ran) / n:.1%}")
    print(f"mended in one visit with what is on the van: {sum(one.one_visit for one in ran) / n:.1%}")
    whole, least = sum(one.cost for one in ran), sum(one.least for one in ran)
    print(f"expected cost over that of full knowledge: {whole / least:.3f} ({whole / n:.0f} over {least / n:.0f} cu)")
    ratios = sorted(one.cost / one.least for one in ran)
    print(
        f"fault by fault: mean {sum(ratios) / n:.3f}, median {ratios[n // 2]:.3f}, "
        f"19 of 20 up to {ratios[n * 19 // 20]:.3f}"
    )


if __name__ == "__main__":
    given = [word for word in sys.argv[1:] if not word.startswith("-")]
    main(int(given[0]) if given else 100, int(given[1]) if len(given) > 1 else 6, each="--each" in sys.argv)
