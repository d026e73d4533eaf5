"""Trees of generated faults: nobody is led into danger at the end of any way, and walking ends where the service does.

Two hundred whole worlds are drawn from the shipped priors, of each a growing number of facts is told, and its tree is
grown. What a plan may be barred by is looked up in the policy's own conditions, in worlds drawn beside the product: see
``compatible_worlds``.
"""

from __future__ import annotations

import json
import os
import random
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import pytest
from drawn_faults import LITTLE_KNOWN, NOW, Fault, a_world, drawn_fault

from decision.compatible_worlds import Compatible, World, at_the_start, bars, within
from decision.enumerated import fits
from decision.told import CABINET
from repairadvisor.decision.advice import Advice, Fallback, PlanWords
from repairadvisor.decision.fault_tree import Branch, Node, Tree, tree_for
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.methods import PreparedMethod
from repairadvisor.policy.model import Policy, Screen
from repairadvisor.policy.plan import Plan
from repairadvisor.schemas.advice import document
from repairadvisor.schemas.json_text import read_object
from repairadvisor.service import Advisor

#: Generated faults, and where drawing starts from; of those with these numbers every way is walked as well.
FAULTS, SEED = 200, 20310504
WALKED = range(0, FAULTS, 4)
#: Without REPAIRADVISOR_LONG these alone, every one of them walked.
SHARE = (76,)
#: Worlds a leaf: drawn at large, and steered towards each rule that keeps people whole and speaks of the plan.
AT_LARGE, TOWARDS = 20, 4
#: Kinds of rules that keep people whole.
PEOPLE = ("danger", "safety")

Facts = dict[str, Any]


@dataclass(frozen=True)
class Grown:
    """A fault with its tree, and every way down: the facts told on it, and the advice it ends in."""

    fault: Fault
    tree: Tree
    ways: tuple[tuple[Facts, Advice], ...]


def ways(tree: Tree, node: Node, told: Facts) -> list[tuple[Facts, Advice]]:
    if node.advice is not None:
        return [(told, tree.advice[node.advice])]
    return [way for branch in node.branches for way in ways(tree, branch.node, {**told, **branch.told})]


@pytest.fixture(scope="module")
def grown(rules: Rules) -> Callable[[int], Grown]:
    """The tree of a fault by its number, grown once."""
    known: dict[int, Grown] = {}

    def of(number: int) -> Grown:
        if number not in known:
            fault = drawn_fault(rules.policy, number, FAULTS, SEED)
            tree = tree_for(parse_context(fault.told, NOW), rules)
            known[number] = Grown(fault, tree, tuple(ways(tree, tree.root, fault.told)))
        return known[number]

    return of


def _numbers(record_property: Callable[[str, object], None], every: Iterable[int]) -> list[int]:
    """The faults that this run looks at, told as a share of all."""
    mine = list(every)
    wanted = mine if os.environ.get("REPAIRADVISOR_LONG") else [number for number in mine if number in SHARE]
    for name, value in (("seed", SEED), ("n", len(wanted)), ("of", len(mine))):
        record_property(name, value)
    return wanted


# --- permission at every leaf ------------------------------------------------------------------------------------


def of_people(policy: Policy, plan: PlanWords | Plan) -> list[Screen]:
    """The policy's rules that keep people whole and speak of a plan."""
    return [one for one in policy.screens if one.kind in PEOPLE and fits(plan, one.plans)]


def barring(policy: Policy, draw: Compatible, plan: PlanWords, besides: Iterable[Screen] = ()) -> set[str]:
    """Those of them that bar the plan in a world that goes with what was told; worlds are steered towards each of them,
    and towards each together with one of ``besides``."""
    mine = of_people(policy, plan)
    towards = [screen.bars_when for screen in mine for _ in range(TOWARDS)]
    worlds: list[World] = [draw.world() for _ in range(AT_LARGE)]
    worlds += [draw.world(condition) for condition in towards]
    worlds += [draw.world(screen.bars_when) for screen in besides for _ in range(AT_LARGE)]
    return {screen.id for world in worlds for screen in mine if bars(screen.bars_when, world)}


def unchecked(policy: Policy, draw: Compatible, advice: Advice) -> set[str]:
    """Rules for people's sake that can bar the plan of a leaf and that none of its checks looks at."""
    assert advice.plan is not None
    checks = {check.screen for check in advice.checks_on_arrival}
    checkable = {screen.id for screen in policy.screens if screen.check}
    return barring(policy, draw, advice.plan) - (checks & checkable)


def unchecked_after(policy: Policy, draw: Compatible, advice: Advice, held: Fallback) -> set[str]:
    """The same for a plan held ready, once one of the checks has failed after which it comes: neither that check nor
    the others after which it comes can be relied on; what else was to be certain, and what it needs besides, can."""
    certain = {check.screen for check in advice.checks_on_arrival} - {*held.after}
    certain |= {screen.id for screen in policy.screens if screen.check and screen.not_before in held.not_before}
    failing = [screen for screen in policy.screens if screen.id in held.after]
    return barring(policy, draw, held.plan, failing) - certain


def stands_off_in_the_end(policy: Policy, advice: Advice) -> bool:
    """Whether every check says what follows when it fails: a plan held ready, else to keep away or leave it safe."""
    say: Any = policy.wording["check"]
    for check in advice.checks_on_arrival:
        held = [one.plan.phrase for one in advice.fallbacks if check.screen in one.after]
        away = [say["if_it_fails"]] if check.kind in PEOPLE else [say["if_it_fails"], say["if_it_fails_work"]]
        if check.if_it_fails not in ([say["if_it_fails_then"].format(plan=held[0])] if held else away):
            return False
    return len(advice.fallbacks) <= 2 and "stand off" in say["if_it_fails"] and "stand off" in say["if_it_fails_then"]


@pytest.mark.long
def test_no_leaf_leads_anybody_into_danger(
    record_property: Callable[[str, object], None], rules: Rules, policy: Policy, grown: Callable[[int], Grown]
) -> None:
    """In every world drawn that goes with a leaf's facts, whatever bars its plan for people's sake is one of its
    checks: so where all of them pass nothing bars it. And none of these checks is idle: each can fail."""
    met: Counter[str] = Counter()
    numbers = _numbers(record_property, range(FAULTS))
    for number in numbers:
        one = grown(number)
        met["little known"] += len(one.fault.told) <= LITTLE_KNOWN
        for place, (told, advice) in enumerate(one.ways):
            met["leaf"] += 1
            if advice.action != "repair":
                continue
            where = f"fault {number}, told {told}: {advice.plan}"
            draw = Compatible(policy, at_the_start(policy, told), random.Random(f"{SEED}/{number}/{place}"))
            assert not unchecked(policy, draw, advice), where
            for check in advice.checks_on_arrival:
                if check.kind in PEOPLE:
                    (screen,) = (screen for screen in policy.screens if screen.id == check.screen)
                    assert can_bar(draw, screen), f"{where}: {check.screen}"
                    met["check"] += 1
            for held in advice.fallbacks:
                assert not unchecked_after(policy, draw, advice, held), f"{where}, then {held.plan}"
                met["plan held ready"] += 1
            assert stands_off_in_the_end(policy, advice), where
            met["repair"] += 1
    record_property("figures", "\n".join(f"{name}: {times}" for name, times in sorted(met.items())))
    assert met["repair"] >= len(numbers)
    # Over all faults 4.3: the more is told the less is left to check.
    assert met["check"] >= (4 if len(numbers) == FAULTS else 5) * met["repair"]
    assert met["plan held ready"] >= met["repair"] / 10
    assert met["little known"] >= len(numbers) // 5


def can_bar(draw: Compatible, screen: Screen) -> bool:
    """Whether a rule bars in one of many worlds steered towards it."""
    return any(bars(screen.bars_when, draw.world(screen.bars_when)) for _ in range(10 * TOWARDS))


@pytest.fixture(scope="module")
def cabinet(rules: Rules) -> Advice:
    tree = tree_for(parse_context(CABINET, NOW), rules, 0)
    assert tree.advice[0].action == "repair"
    assert tree.advice[0].fallbacks
    return tree.advice[0]


def test_a_check_struck_out_is_missed(policy: Policy, cabinet: Advice) -> None:
    """The drawing is sharp enough: whichever check for people's sake is left out, a world shows it."""
    draw = Compatible(policy, at_the_start(policy, CABINET), random.Random(SEED))
    struck_out = [check for check in cabinet.checks_on_arrival if check.kind in PEOPLE]
    assert len(struck_out) >= 4
    for one in struck_out:
        left = tuple(check for check in cabinet.checks_on_arrival if check != one)
        assert unchecked(policy, draw, replace(cabinet, checks_on_arrival=left)) == {one.screen}


def test_a_plan_held_ready_after_a_check_that_bars_it_is_found(policy: Policy, cabinet: Advice) -> None:
    draw = Compatible(policy, at_the_start(policy, CABINET), random.Random(SEED))
    held = cabinet.fallbacks[0]
    mine = {screen.id for screen in of_people(policy, held.plan)}
    needed = [c.screen for c in cabinet.checks_on_arrival if c.screen in mine and c.screen not in held.after]
    assert needed
    for screen in needed:
        spoilt = replace(held, after=(*held.after, screen))
        assert unchecked_after(policy, draw, cabinet, spoilt) == {screen}


def test_a_check_that_says_nothing_of_failing_is_found(policy: Policy, cabinet: Advice) -> None:
    assert stands_off_in_the_end(policy, cabinet)
    first, *others = cabinet.checks_on_arrival
    spoilt = replace(first, if_it_fails="If it fails: go on with care.")
    assert not stands_off_in_the_end(policy, replace(cabinet, checks_on_arrival=(spoilt, *others)))


# --- walking -----------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_every_way_down_ends_in_what_the_service_says_of_the_same_facts(
    record_property: Callable[[str, object], None], rules: Rules, policy: Policy, grown: Callable[[int], Grown]
) -> None:
    """Facts go through the front door as JSON, and the whole document counts, but for the facts that it repeats."""
    advisor = Advisor(PreparedMethod(policy, rules), None)
    numbers = _numbers(record_property, WALKED)
    walked = 0
    for number in numbers:
        for told, leaf in grown(number).ways:
            request = read_object(json.dumps({"facts": told, "now": NOW.isoformat(), "record": False}).encode())
            said = json.loads(advisor.advise(request, NOW).document)
            wanted = json.loads(json.dumps(document(leaf)))
            assert leaf.facts_used == ()
            assert {**said, "facts_used": []} == wanted, f"fault {number}, told {told}"
            walked += 1
    record_property("figures", f"ways: {walked}")
    assert walked > len(numbers)


# --- answers -----------------------------------------------------------------------------------------------------


def taken(node: Node, world: World) -> list[Branch]:
    """The answers of a question that are true in a world."""
    assert node.question is not None
    name = node.question.fact
    return [branch for branch in node.branches if within(BY_NAME[name], branch.told[name], world[name])]


@pytest.mark.long
def test_whoever_answers_truthfully_finds_one_answer_to_every_question(
    record_property: Callable[[str, object], None], policy: Policy, grown: Callable[[int], Grown]
) -> None:
    """Whatever may be the case beside what was told: each question has one answer for it, "there is none" among them,
    down to an end."""
    answered: Counter[str] = Counter()
    numbers = _numbers(record_property, range(FAULTS))
    for number in numbers:
        one = grown(number)
        chance = random.Random(f"{SEED}/{number}/answers")
        draw = Compatible(policy, {"crew_place": "not_sent", **one.fault.told}, chance)
        for _ in range(AT_LARGE if one.tree.root.question is not None else 0):
            world, node = draw.world(), one.tree.root
            while node.question is not None:
                (branch,) = taken(node, world)
                answered["there is none" if world[node.question.fact] is None else "a value"] += 1
                node = branch.node
    record_property("figures", "\n".join(f"{name}: {times}" for name, times in sorted(answered.items())))
    assert answered["a value"] > AT_LARGE


# --- everything known --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(5))
def test_with_everything_known_there_is_one_leaf_and_no_question(rules: Rules, number: int) -> None:
    context = parse_context(everything(rules.policy, number), NOW)
    assert context.missing() == ()
    tree = tree_for(context, rules)
    assert tree.root == Node(None, (), 0)
    (advice,) = tree.advice
    assert advice.questions == ()


def everything(policy: Policy, number: int) -> Mapping[str, Any]:
    """Every fact of a world that has a meaning there, seen by a crew that is there: what was seen before a long way
    would be too old to count."""
    chance = random.Random(f"{SEED}/everything/{number}")
    world = None
    while world is None:
        world = a_world(policy, chance)
    told = {name: held.state.value for name, held in world.items() if isinstance(held.state, Known)}
    return {**{name: value for name, value in told.items() if name != "travel_min"}, "crew_place": "on_site"}
