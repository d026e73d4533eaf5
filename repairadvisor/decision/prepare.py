"""prepare: from a policy to rules that can be asked, or a refusal. The first of the core's two functions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from repairadvisor.decision.rules import Rules, compiled
from repairadvisor.decision.width import refuse_too_wide
from repairadvisor.policy.model import Policy


def prepare(policy: Policy, stored: Mapping[str, Any] | None = None) -> Rules:
    """Compile a policy, once.

    ``stored`` is what :func:`repairadvisor.decision.stored_light.as_plain` made of the same policy when it was prepared
    before: then nothing is worked out that takes an exp, and its width has been looked at. Raises PolicyError for a
    policy whose screens tie too many facts together to be weighed; KeyError, IndexError, TypeError or ValueError for
    something else in the place of what was stored.
    """
    rules = compiled(policy, stored)
    if stored is None:
        refuse_too_wide(rules)
    return rules
