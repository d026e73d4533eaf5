"""Screens that an overlay loosened, as they were: which plans each would have barred, or left open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.screens import CLEAR, CompiledRules, compile_rules, statuses
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import State
from repairadvisor.policy.model import Loosened, Policy
from repairadvisor.policy.plan import Plan


@dataclass(frozen=True, slots=True, repr=False)
class AsItWas:
    """A loosened screen, and its old condition compiled with the sums it hung on."""

    loosened: Loosened
    compiled: CompiledRules

    def status(self, context: Context, *, waited: bool) -> str:
        """What the screen as it was says of a context. What was told and counted for less long counts as unknown, and
        after a wait what only a slot says."""
        doubted = (*self.loosened.holds_longer, *(self.loosened.said_by_slots if waited else ()))
        old: dict[str, State | None] = {name: None for name in doubted if name in context.held}
        return statuses(self.compiled, context.with_facts(old)[0] if old else context)[0]

    def touched(self, context: Context, plans: Sequence[Plan], *, waited: bool) -> tuple[Plan, ...]:
        """Those of the plans that it would have barred or left open."""
        if self.status(context, waited=waited) == CLEAR:
            return ()
        return tuple(plan for plan in plans if plan.fits(self.loosened.screen.plans))


def screens_as_they_were(policy: Policy) -> tuple[AsItWas, ...]:
    """The loosened screens of a policy, compiled."""
    return tuple(AsItWas(one, _compiled(policy, one)) for one in policy.loosened)


def _compiled(policy: Policy, one: Loosened) -> CompiledRules:
    condition = one.screen.bars_when
    axes = axes_of(replace(policy, derived=one.derived), [condition])
    return compile_rules([(f"screen {one.screen.id} as it was", condition)], axes, one.derived)
