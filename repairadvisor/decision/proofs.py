"""Claims of a policy proven for every context, unknown ones included, or refuted by one.

A plan is permitted where its screens are clear in every world that goes with what is known. So "permitted only where C
surely holds" is true of all that can be known if and only if it is true world by world: what is known is permitted, its
worlds all are, and each of them has C; the other way round a world is itself something that can be known. A caution is
owed where some world triggers it, so "owed wherever H may hold" is true if and only if H implies the trigger, world by
world. What no screen bars in any world of C is not barred where C surely holds. Worlds are looked for branch by branch,
and whatever is found is put to the evaluator before it is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from repairadvisor.decision.branching import (
    MOST_BRANCHES,
    Effort,
    Progress,
    TooManyBranchesError,
    Wanted,
    leaves,
    points,
)
from repairadvisor.decision.counterexamples import (
    Counterexample,
    Refuted,
    caution_refuted,
    permission_refuted,
    unbarred_refuted,
)
from repairadvisor.decision.implicants import family
from repairadvisor.decision.plan_rows import persons
from repairadvisor.decision.proofs_by_running import answered, checked, witnessed
from repairadvisor.decision.rules import Rules
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.model import HARM_KINDS, Claim
from repairadvisor.policy.plan import Plan

HOLDS, FAILS, UNDECIDED = "holds", "fails", "not decided"
#: So many worlds of one group of plans are put to the evaluator before it is given up.
_MOST_TRIED = 8
_MOST_PLANS_TRIED = 6


@dataclass(frozen=True, slots=True)
class Proof:
    """What became of one claim. ``how`` says what was proven and what was only tried; ``branches`` how much was looked
    at; ``plans`` of how many plans it speaks. "not decided" is never to be read as "holds"."""

    claim: str
    kind: str
    says: str
    verdict: str
    how: str
    counterexample: Counterexample | None
    branches: int
    plans: int


def prove(claim: Claim, rules: Rules, now: datetime, progress: Progress | None = None) -> Proof:
    """Whether a claim holds. ``now`` is the moment that contexts are of (aware); ``progress`` is told, now and then,
    how many branches have been looked at."""
    effort = Effort(progress, MOST_BRANCHES)
    prover: Callable[[Claim, Rules, datetime, Effort], Refuted] = {
        "permission": _permission,
        "unbarred": _unbarred,
        "caution": _caution,
        "crew": _crew,
        "answered": lambda _, *rest: answered(*rest),
        "checked": lambda _, *rest: checked(*rest),
        "witness": witnessed,
    }[claim.kind]
    try:
        found = prover(claim, rules, now, effort)
    except TooManyBranchesError:
        found = Refuted(None, f"given up after {effort.branches} branches", decided=False)
    verdict = UNDECIDED if not found.decided else HOLDS if found.counterexample is None else FAILS
    spoken_of = sum(plan.fits(claim.plans) for plan in rules.policy.plans)
    return Proof(claim.id, claim.kind, claim.says, verdict, found.how, found.counterexample, effort.branches, spoken_of)


def _groups(claim: Claim, rules: Rules, chosen: Mapping[int, object]) -> Iterator[tuple[tuple[int, ...], list[Plan]]]:
    """Plans a claim speaks of, together where the same of the ``chosen`` rows (by index) speak of them."""
    groups: dict[tuple[int, ...], list[Plan]] = {}
    for bit, plan in enumerate(rules.policy.plans):
        if plan.fits(claim.plans):
            mine = tuple(i for i in chosen if rules.screen_plans[i] >> bit & 1)
            groups.setdefault(mine, []).append(plan)
    yield from groups.items()


def _permission(claim: Claim, rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """First with the screens that share a fact with the claim, which settles most claims: with fewer screens more
    worlds are left, so that none left is none at all. Then with every screen of the policy, plan by plan of one kind.
    Screens made from floors on the light are never counted on."""
    facts = set(family(facts_of(claim.where)))
    near = dict(enumerate(rules.policy.screens))
    near = {i: one for i, one in near.items() if facts & set(facts_of(one.bars_when)) or not one.plans}
    unsure: list[str] = []
    for mine, plans in _groups(claim, rules, near):
        if next(leaves(_permitted(claim, rules, mine), rules.policy.derived, effort), None) is None:
            continue
        for screens, plan in _by_every_screen(plans, rules):
            found, tried = _permitted_against(claim, rules, plan, screens, now, effort)
            if found is not None:
                return Refuted(found, "a context that the service permits", decided=True)
            if tried:
                unsure.append(plan.id)
            if len(unsure) >= _MOST_PLANS_TRIED:
                break
    if unsure:
        how = f"worlds are left for {', '.join(unsure)}, but none was found in which the service permits it"
        return Refuted(None, how, decided=False)
    return Refuted(None, "proven for every context, world by world", decided=True)


def _permitted_against(
    claim: Claim, rules: Rules, plan: Plan, screens: tuple[int, ...], now: datetime, effort: Effort
) -> tuple[Counterexample | None, int]:
    """A context in which the service permits a plan against a claim, and how many were put to it."""
    tried = 0
    for leaf in leaves(_permitted(claim, rules, screens), rules.policy.derived, effort):
        tried += 1
        world = points(leaf, rules.policy.derived)
        found = None if world is None else permission_refuted(claim, rules, plan, world, now)
        if found is not None or tried >= _MOST_TRIED:
            return found, tried
    return None, tried


def _by_every_screen(plans: list[Plan], rules: Rules) -> list[tuple[tuple[int, ...], Plan]]:
    found: dict[tuple[int, ...], Plan] = {}
    for plan in plans:
        mine = tuple(i for i, screen in enumerate(rules.policy.screens) if plan.fits(screen.plans))
        found.setdefault(mine, plan)
    return list(found.items())


def _permitted(claim: Claim, rules: Rules, screens: tuple[int, ...]) -> list[Wanted]:
    return [(claim.where, False), *((rules.screens[i].bars_when, False) for i in screens)]


def _unbarred(claim: Claim, rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """Each screen against harm that speaks of nothing but what the claim speaks of, and of one of its plans at least:
    the claim's condition holds, and it bars. Places that are others' stay theirs, whatever else holds there."""
    spoken = set(family(facts_of(claim.where)))
    unsure = ""
    for i, screen in enumerate(rules.policy.screens):
        plan = next((one for one in rules.policy.plans if one.fits(claim.plans) and one.fits(screen.plans)), None)
        if plan is None or screen.kind not in HARM_KINDS or not set(facts_of(screen.bars_when)) <= spoken:
            continue
        wanted: list[Wanted] = [(claim.where, True), (screen.bars_when, True)]
        for tried, leaf in enumerate(leaves(wanted, rules.policy.derived, effort)):
            world = points(leaf, rules.policy.derived)
            found = None if world is None else unbarred_refuted(rules, plan, i, world, now)
            if found is not None:
                return Refuted(found, "a context in which the service bars it", decided=True)
            unsure = f"worlds are left for screen {screen.id}"
            if tried + 1 >= _MOST_TRIED:
                break
    if unsure:
        return Refuted(None, unsure, decided=False)
    return Refuted(None, "proven for every context, world by world", decided=True)


def _caution(claim: Claim, rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """For each group of plans with the same rows of the caution: the hazard, no row triggered, and no screen that
    nobody can check barring. What is found is put to the evaluator with every screen clear."""
    derived = rules.policy.derived
    rows = {i: row for i, row in enumerate(rules.policy.cautions) if row.tag == claim.caution}
    unsure = ""
    for mine, plan in _owed_groups(claim, rules, rows):
        untriggered: list[Wanted] = [(claim.where, True), *((rows[i].when, False) for i in mine)]
        if next(leaves(untriggered, derived, effort), None) is None:
            continue
        screens = [] if plan is None else [one for one in rules.policy.screens if plan.fits(one.plans)]
        closing: list[Wanted] = [(one.bars_when, False) for one in screens if not one.check]
        if next(leaves([*untriggered, *closing], derived, effort), None) is None:
            continue
        clear: list[Wanted] = [(one.bars_when, False) for one in screens]
        for tried, leaf in enumerate(leaves([*untriggered, *clear], derived, effort)):
            world = points(leaf, derived)
            found = None if world is None else caution_refuted(claim, rules, plan, world, now)
            if found is not None:
                return Refuted(found, "a context in which the service owes no such caution", decided=True)
            if tried + 1 >= _MOST_TRIED:
                break
        unsure = unsure or f"worlds are left for {'no plan' if plan is None else plan.id}"
    if unsure:
        return Refuted(None, unsure, decided=False)
    return Refuted(None, "proven for every context, world by world", decided=True)


def _owed_groups(
    claim: Claim, rules: Rules, rows: Mapping[int, object]
) -> Iterator[tuple[tuple[int, ...], Plan | None]]:
    """The rows of a caution that speak of each plan of a claim, with one plan for all to which the same rows and the
    same screens speak; no plan where nothing is done."""
    cautions = rules.policy.cautions
    if claim.any_action:
        yield tuple(i for i in rows if not cautions[i].plans), None
        return  # a row that speaks of no plan is owed whatever is done
    seen: set[tuple[tuple[int, ...], tuple[int, ...]]] = set()
    for plan in rules.policy.plans:
        if plan.fits(claim.plans):
            mine = tuple(i for i in rows if plan.fits(cautions[i].plans))
            screens = tuple(i for i, screen in enumerate(rules.policy.screens) if plan.fits(screen.plans))
            if (mine, screens) not in seen:
                seen.add((mine, screens))
                yield mine, plan


def _crew(claim: Claim, rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """Every plan at every place, one by one."""
    assert claim.least is not None
    for plan in rules.policy.plans:
        if not plan.fits(claim.plans):
            continue
        for place in claim.places:
            effort.one_more()
            count = persons(rules.policy, plan, place)
            if count < claim.least.value:
                said = f"{count} planned"
                found = Counterexample({"place": place}, now, plan.id, "", said)
                return Refuted(found, "a place and a plan", decided=True)
    return Refuted(None, "proven for every plan at every place", decided=True)
