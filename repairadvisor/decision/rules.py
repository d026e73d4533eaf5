"""A policy compiled to cells, implicants, plan masks and loss tables, once.

Everything that takes an exp, a log or a search happens here; a request looks up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.floors import budget_screens, owner_limit_screens
from repairadvisor.decision.light import Light, compile_light
from repairadvisor.decision.plan_rows import PlanRows, rows_of
from repairadvisor.decision.screens import CompiledRules, compile_rules
from repairadvisor.policy.condition import Condition
from repairadvisor.policy.model import Policy, Screen
from repairadvisor.policy.plan import Plan, PlanBits
from repairadvisor.policy.read_numbers import ordered_facts


@dataclass(frozen=True, slots=True, repr=False)
class Rules:
    """A compiled policy. Bit i of a plan mask stands for ``policy.plans[i]``.

    ``screens`` are the policy's own and the budget screens made from its floors; the compiled conditions hold, one
    after the other, those of screens, cautions, steps, kit, slots and hazard controls, from the index that
    ``starts`` names. Of the budget screens one half speaks where the loss that is cut out is on record, the other
    where it is not; the two ``unused`` sets name, by index, those that do not.
    """

    policy: Policy
    light: Light
    screens: tuple[Screen, ...]
    screen_plans: tuple[int, ...]
    compiled: CompiledRules
    starts: Mapping[str, int]
    order: tuple[str, ...]
    rows: Mapping[str, PlanRows]
    unused_with_record: frozenset[int]
    unused_without_record: frozenset[int]

    def __repr__(self) -> str:
        """Short: the whole would be millions of characters in the first message that mentions it."""
        return f"Rules(policy {self.policy_id[:12]})"

    @property
    def policy_id(self) -> str:
        """The SHA-256 of the canonical policy."""
        return self.policy.id

    @property
    def wording(self) -> Mapping[str, object]:
        """The policy's words."""
        return self.policy.wording

    def index(self, kind: str, i: int) -> int:
        """Where the condition of the i-th row of a kind stands among the compiled ones."""
        return self.starts[kind] + i


def compiled(policy: Policy) -> Rules:
    """Compile a policy. Raises PolicyError for a rule of too many combinations."""
    light = compile_light(policy)
    policy = replace(policy, derived={**policy.derived, **light.derived})
    bits = PlanBits(policy.plans)
    of_key = _plans_by_key(policy.plans, light)
    budgets = (*budget_screens(policy, light), *owner_limit_screens(policy, light))
    screens = (*policy.screens, *(budget.screen for budget in budgets))
    named = _named_conditions(policy, screens)
    starts: dict[str, int] = {}
    for i, (kind, _, _) in enumerate(named):
        starts.setdefault(kind, i)
    for kind in ("screen", "caution", "step", "item", "slot", "control"):
        starts.setdefault(kind, len(named))
    conditions = [condition for _, _, condition in named]
    axes = axes_of(policy, conditions)
    masks = compile_rules([(f"{kind} {name}", one) for kind, name, one in named], axes, policy.derived)
    return Rules(
        policy=policy,
        light=light,
        screens=screens,
        screen_plans=(
            *(bits.fitting(screen.plans) for screen in policy.screens),
            *(of_key[budget.key] for budget in budgets),
        ),
        unused_with_record=_bits(len(policy.screens), [budget.recorded is False for budget in budgets]),
        unused_without_record=_bits(len(policy.screens), [budget.recorded is True for budget in budgets]),
        compiled=masks,
        starts=starts,
        order=(*policy.derived, *ordered_facts(policy.facts)),
        rows=rows_of(policy, bits),
    )


def _named_conditions(policy: Policy, screens: Sequence[Screen]) -> list[tuple[str, str, Condition]]:
    return [
        *(("screen", screen.id, screen.bars_when) for screen in screens),
        *(("caution", caution.tag, caution.when) for caution in policy.cautions),
        *(("step", step.id, step.when) for step in policy.steps),
        *(("item", item.id, item.when) for item in policy.kit),
        *(("slot", slot.id, slot.when) for slot in policy.slots),
        *(("control", control.id, control.hazard) for control in policy.controls),
    ]


def _bits(start: int, chosen: Sequence[bool]) -> frozenset[int]:
    """The screens, by index, that do not speak in one of the two cases."""
    return frozenset(start + i for i, one in enumerate(chosen) if one)


def _plans_by_key(plans: Sequence[Plan], light: Light) -> dict[tuple[str, ...], int]:
    """For each key of a budget or of an owner's limit, the plans that have it, as bits."""
    found: dict[tuple[str, ...], int] = {}
    for i, plan in enumerate(plans):
        for key in (light.budget_key(plan), light.owner_limit_key(plan)):
            found[key] = found.get(key, 0) | 1 << i
    return found
