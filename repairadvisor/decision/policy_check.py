"""All that can be found wrong with a policy, in one pass: rules, rows, facts, and plans that never win."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from repairadvisor.decision.check_facts import failing_examples, unused_facts
from repairadvisor.decision.check_rows import contradicting, counted_twice, missing_answers, named_twice
from repairadvisor.decision.check_rules import (
    barred_everywhere,
    dead_rules,
    never_alone,
    rules_of_no_plan,
    said_twice,
)
from repairadvisor.decision.check_wins import Progress, Wins, never_winning, wins
from repairadvisor.decision.findings import Finding
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context

#: What is looked for over all worlds, in this order.
LOOKED_FOR: tuple[Callable[[Rules], Iterator[Finding]], ...] = (
    named_twice,
    dead_rules,
    rules_of_no_plan,
    said_twice,
    never_alone,
    barred_everywhere,
    contradicting,
    counted_twice,
    missing_answers,
    unused_facts,
    failing_examples,
)
#: Contexts that are weighed at most in the search for plans that win.
MOST_WEIGHED = 600


@dataclass(frozen=True, slots=True)
class PolicyCheck:
    """What was found. ``findings`` are proved and not accepted, ``accepted`` those of which the policy says why they
    are meant so, ``never_won`` plans for which a search found no win: that proves nothing, so they are told apart."""

    policy_id: str
    findings: tuple[Finding, ...]
    accepted: tuple[Finding, ...]
    never_won: tuple[Finding, ...]
    search: Wins

    @property
    def clean(self) -> bool:
        """Whether nothing was found that the policy does not say is meant so."""
        return not self.findings


def proved(rules: Rules) -> tuple[Finding, ...]:
    """Everything that is wrong over all worlds, accepted or not, in a fixed order."""
    return tuple(one for look in LOOKED_FOR for one in look(rules))


def check(
    rules: Rules,
    contexts: Sequence[Context],
    most_weighed: int = MOST_WEIGHED,
    progress: Progress = lambda _, __: None,
) -> PolicyCheck:
    """Check a compiled policy. ``contexts`` are where the search for plans that win begins, best drawn from its priors;
    without any there is no search. The same contexts lead to the same answer."""
    found = proved(rules)
    never = frozenset(plan for one in found if one.kind == "barred everywhere" for plan in one.ids)
    search = wins(rules, contexts, most_weighed, never, progress) if contexts else Wins(0, 0, ())
    return PolicyCheck(
        rules.policy_id,
        tuple(one for one in found if not one.accepted),
        tuple(one for one in found if one.accepted),
        never_winning(search),
        search,
    )
