"""Steps of the work, with the limits that decide that each is done."""

from __future__ import annotations

from collections.abc import Mapping

from repairadvisor.decision.advice import Loss, Step
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED
from repairadvisor.decision.situation import Situation
from repairadvisor.facts.value import Known
from repairadvisor.policy.plan import Plan

#: Fibres in a ribbon where nobody has said: common practice, mass fusion takes up to twelve at a time.
USUAL_RIBBON = 12.0


def steps_of(situation: Situation, plan: Plan | None, action: str, fields: Mapping[str, str]) -> list[tuple[str, Step]]:
    """The steps of an action, each with its id: those of the plan whose condition surely holds, numbered."""
    found: list[tuple[str, Step]] = []
    for i, row in enumerate(situation.rules.policy.steps):
        fits = not row.plans if plan is None else plan.fits(row.plans)
        if action in row.for_action and fits and situation.of("step", i) == BARRED:
            text, limit = row.text.format(**fields), row.limit.format(**fields)
            joins = "{joints}" in row.text or "{joint_limit}" in row.limit
            found.append((row.id, Step(len(found) + 1, text, limit, (), row.first, row.protects, joins)))
    return found


def step_fields(situation: Situation, plan: Plan | None, loss: Loss | None, fibres: float | None) -> dict[str, str]:
    """What the texts of steps are filled in with."""
    rules = situation.rules
    words = Words(rules.wording)
    first = next(iter(loss.by_wavelength.values())) if loss else None
    left = None if first is None else first.margin_left_db
    joints = None if fibres is None or plan is None else joints_to_make(situation, plan, fibres)
    return {
        "joint_limit": _joint_limit(situation, loss),
        "attempts": words.counted("attempt", _most_attempts(rules, loss)),
        "expected_db": words.say("step", "budget_left_unknown") if first is None else f"{first.p50_db:.2f}",
        "budget_left_db": words.say("step", "budget_left_unknown") if left is None else f"{left:.2f}",
        "bend_radius_mm": f"{_bend_radius(situation):g}",
        "fibres": words.counted("fibre", fibres),
        "joints": words.counted("joint", joints),
    }


def joints_to_make(situation: Situation, plan: Plan, fibres: float) -> float:
    """Joints of the whole plan; a ribbon fused as one counts once."""
    each = situation.rules.policy.light.joints_in_layout[plan.layout]
    if plan.method != "ribbon_fusion_splice":
        return fibres * each
    size = situation.context.state("ribbon_size_count")
    ribbon = size.value if isinstance(size, Known) and isinstance(size.value, float) else USUAL_RIBBON
    return float(-(-fibres // ribbon)) * each


def _most_attempts(rules: Rules, loss: Loss | None) -> float:
    return rules.policy.limits["attempts_most"].value if loss is None else float(loss.attempts_each)


def _joint_limit(situation: Situation, loss: Loss | None) -> str:
    """The limit for one joint, with whose it is: that of the advice's own light."""
    words = Words(situation.rules.wording)
    owner = situation.context.state("owner_joint_limit_db")
    if loss is not None and loss.joints:
        limit = min(loss.good_up_to_db, *loss.keep_up_to_db[:1], loss.good_up_to_db)
        owners = isinstance(owner, Known) and isinstance(owner.value, float) and abs(owner.value - limit) < 1e-6
        return words.say("step", "joint_limit_owner" if owners else "joint_limit_policy", limit=f"{limit:.2f}")
    if isinstance(owner, Known):
        return words.say("step", "joint_limit_owner", limit=f"{owner.value:g}")
    return words.say("step", "joint_limit_unknown")


def _bend_radius(situation: Situation) -> float:
    """The tightest bend of the bare fibre: the widest radius any of the possible types asks for."""
    rules, possible = situation.rules, situation.context.possible
    types = (*possible["fibre_type_near"].words, *possible["fibre_type_far"].words)
    return max((rules.policy.light.bend_radius_mm[name] for name in types), default=0.0)
