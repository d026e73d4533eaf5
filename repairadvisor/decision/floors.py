"""Floors on the chance that a link closes, and owners' limits for one joint, turned into screens like any other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repairadvisor.decision.joint_classes import JointClass
from repairadvisor.decision.light import Light, mode_of
from repairadvisor.decision.reasons import Words
from repairadvisor.optics.distribution import LossTable
from repairadvisor.policy.condition import Below, Condition, Every, IsOneOf, Some
from repairadvisor.policy.model import LiftedBy, Policy, Screen
from repairadvisor.policy.plan import Plan


@dataclass(frozen=True, slots=True)
class BudgetScreen:
    """A screen made from a number of the policy: for which plans, by key, and whether it is the one for a loss on
    record (None: it does not matter)."""

    key: tuple[str, ...]
    recorded: bool | None
    screen: Screen


def budget_screens(policy: Policy, light: Light) -> tuple[BudgetScreen, ...]:
    """For each joint class and stage: barred where the chance that the link closes lies below the floor.

    The floor on a chance is turned into a limit on the budget for the joints, for each kind of service its own, so
    that the screen is an ordinary condition. Where a part that is cut out has no record its distribution is given
    back in the loss; where it has one, the record is in the budget: the screen compares what holds.
    """
    found: dict[tuple[str, ...], Plan] = {}
    for plan in policy.plans:
        if plan.method != "none":
            found.setdefault(light.budget_key(plan), plan)
    return tuple(
        BudgetScreen(key, recorded, _budget_screen(policy, light, plan, recorded=recorded))
        for key, plan in found.items()
        for recorded in (False, True)
    )


def owner_limit_screens(policy: Policy, light: Light) -> tuple[BudgetScreen, ...]:
    """For each method and workplace: barred where the owner's limit for one joint is kept too seldom.

    Plugs are left out: the limit is one for a joint, not for a mated pair.
    """
    found: dict[tuple[str, ...], JointClass] = {}
    for plan in policy.plans:
        key = light.owner_limit_key(plan)
        if key:
            found.setdefault(key, light.joint(plan))
    return tuple(
        BudgetScreen(key, None, _owner_limit_screen(policy, light, key, joint)) for key, joint in found.items()
    )


def _owner_limit_screen(policy: Policy, light: Light, key: tuple[str, ...], joint: JointClass) -> Screen:
    say, seldom = Words(policy.wording).say, policy.rates["owner_limit_kept_least"]
    parts: list[Condition] = []
    for service in policy.light.wavelengths:
        if (joint.method, mode_of(service)) in policy.joints:
            limit = light.kept_by_most_db[joint.method, f"{joint.factor:g}", service]
            below = Below("owner_joint_limit_db", "rate.owner_limit_kept_least", limit)
            parts.append(Every((IsOneOf("service_kind", (service,)), below)))
    return Screen(
        id="/".join(key),
        kind="budget",
        plans={"method": (joint.method,), "stage": ("permanent",)},
        bars_when=Some(tuple(parts)),
        check=True,
        not_before=say("floor", "owner_limit_before"),
        because=say("floor", "owner_limit"),
        source=seldom.source,
        known=seldom.known,
        cautions=(),
        needs="",
        stand_off=False,
        lifted_by=LiftedBy(say("floor", "owner_limit_lifted"), say("floor", "cable_owner"), None, 0.0),
        call=(),
        examples={},
    )


def _budget_screen(policy: Policy, light: Light, plan: Plan, *, recorded: bool) -> Screen:
    say, joint, budget = Words(policy.wording).say, light.joint(plan), light.budget_fact(plan)
    floor = policy.light.floors[plan.stage]
    parts: list[Condition] = []
    for service in policy.light.wavelengths:
        if (joint.method, mode_of(service)) in policy.joints:
            limit = least_budget_db(light, joint, service, 1.0 - floor.value, recorded=recorded)
            parts.append(Every((IsOneOf("service_kind", (service,)), Below(budget, f"floor.{plan.stage}", limit))))
    words = policy.light.unknown_margin[plan.method]
    return Screen(
        id="budget/" + "/".join(one for one in light.budget_key(plan) if one) + ("/on record" if recorded else ""),
        kind="budget",
        plans={"method": (plan.method,), "layout": (plan.layout,), "stage": (plan.stage,)},
        bars_when=Some(tuple(parts)),
        check=bool(words),
        not_before=words,
        because="",
        source=floor.source,
        known=floor.known,
        cautions=("unverified_margin",),
        needs="",
        stand_off=False,
        lifted_by=LiftedBy(say("floor", "reserve_lifted"), say("floor", "cable_owner"), None, 0.0),
        call=(),
        examples={},
    )


def least_budget_db(
    light: Light, joint: JointClass, service: str, most_missed: float, *, recorded: bool, step_db: float = 1e-6
) -> float:
    """The smallest budget, dB, at which the summed chances of missing do not pass ``most_missed``."""
    tables: Sequence[LossTable] = [
        light.table(joint, service, nm, recorded=recorded) for nm in light.wavelengths(service)
    ]
    low = min(table.knots_db[0] for table in tables) - 1.0
    high = max(table.knots_db[-1] for table in tables)
    while high - low > step_db:
        middle = 0.5 * (low + high)
        if sum(table.chance_above(middle) for table in tables) > most_missed:
            low = middle
        else:
            high = middle
    return high
