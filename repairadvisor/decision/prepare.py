"""prepare: from a policy to rules that can be asked, or a refusal. The first of the core's two functions."""

from __future__ import annotations

from repairadvisor.decision.rules import Rules, compiled
from repairadvisor.decision.width import refuse_too_wide
from repairadvisor.policy.model import Policy


def prepare(policy: Policy) -> Rules:
    """Compile a policy, once. Raises PolicyError for one whose screens tie too many facts together to be weighed."""
    rules = compiled(policy)
    refuse_too_wide(rules)
    return rules
