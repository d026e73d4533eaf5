"""How often attempts at a joint fail, each after bad ones, and when one cause behind them all is looked for."""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.optics.common_cause import (
    bad_results_to_look_for_cause,
    chance_of_common_cause,
    failing_without,
    failure_chances,
)
from repairadvisor.optics.ribbon import some_of
from repairadvisor.policy.model import JointSet, Policy

_MOST_TRIES = 20


@dataclass(frozen=True, slots=True)
class CommonCause:
    """How likely one cause behind all bad attempts is before the first, how often attempts fail with it and without it,
    after how many bad ones in a row it is looked for, and how likely each attempt until then fails after bad ones."""

    before: float
    failing_with: float
    failing_without: float
    look_after: int
    failing: tuple[float, ...]

    def chance(self, bad_results: int) -> float:
        """The chance of one after so many bad results in a row."""
        return chance_of_common_cause(self.before, self.failing_with, self.failing_without, bad_results)


def common_cause_of(policy: Policy, made: JointSet, fibres: int = 1) -> CommonCause:
    """The common cause of a method's bad joints; of a ribbon of so many fibres, which is bad when one of them is. A
    cause is at work on all fibres of a ribbon or on none; besides they fail independently of each other."""
    rates = policy.rates
    before, failing = rates["common_cause_before"].value, rates["common_cause_failing"].value
    without, first = failing_without(made.failure_chance, before, failing), made.failure_chance
    if fibres > 1:
        failing, without = some_of(failing, fibres), some_of(without, fibres)
        first = before * failing + (1.0 - before) * without
    look_after = bad_results_to_look_for_cause(before, failing, without, rates["common_cause_look_for"].value)
    chances = failure_chances(first, before, failing, min(max(look_after, 1), _MOST_TRIES))
    return CommonCause(before, failing, without, look_after, chances)


def attempts_failing(policy: Policy, made: JointSet) -> tuple[float, ...]:
    """The chance that each attempt fails, those before it having failed, as many as a plan may count on."""
    most = max(int(policy.limits["attempts_most"].value), 1) if made.made_again else 1
    return common_cause_of(policy, made).failing[:most]
