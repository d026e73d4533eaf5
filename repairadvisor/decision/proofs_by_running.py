"""Claims about the method itself: what follows from how it is built, and what is tried by running it.

What is tried is said to be tried: a context that says nothing, one for each place, and the policy's own witnesses.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from repairadvisor.decision.advice import ACTIONS, Advice
from repairadvisor.decision.branching import Effort
from repairadvisor.decision.counterexamples import Counterexample, Refuted
from repairadvisor.decision.method import advise, answer
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import OPEN
from repairadvisor.decision.situation import look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.model import PEOPLES_KINDS, Claim


def answered(rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """The last thing that the method does is to stand off, without a condition; so it has an answer if it ends. Tried
    without a question that would only save money and without a document, which take long where little is known."""
    contexts = [{}, *({"place": place} for place in BY_NAME["place"].words)]
    for told in contexts:
        effort.one_more()
        context = parse_context(told, now)
        action = answer(look(rules, as_it_stands(context, rules)), "", ask=False).action
        if action not in ACTIONS:
            return Refuted(Counterexample(dict(told), now, "", action, "there is no action"), "a context", decided=True)
    how = f"by how the method is built: its last resort has no condition; tried on {len(contexts)} contexts"
    return Refuted(None, how, decided=True)


def checked(rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """An open screen either closes its plans or has words for its check, screen by screen; and, tried, an advice to
    repair has every open safety screen of its plan among its checks."""
    for screen in rules.policy.screens:
        effort.one_more()
        if screen.check and not screen.not_before:
            found = Counterexample({}, now, "", "", f"screen {screen.id} is checked on arrival and has no words for it")
            return Refuted(found, "a screen", decided=True)
    contexts = _witness_contexts(rules)
    for told in contexts:
        effort.one_more()
        advice = _advice(told, rules, now)
        missing = _unchecked(advice, told, rules, now)
        if missing:
            return _refuted(told, now, advice, f"{', '.join(missing)}: open, on the plan, and not among the checks")
    how = "proven screen by screen that an open one closes its plans or has words for its check; "
    return Refuted(None, f"{how}tried on {len(contexts)} witnesses that it is among the checks", decided=True)


def witnessed(claim: Claim, rules: Rules, now: datetime, effort: Effort) -> Refuted:
    """Each witness is answered by a repair with its method."""
    for witness in claim.witnesses:
        effort.one_more()
        advice = _advice(witness.told, rules, now)
        method = "" if advice.plan is None else advice.plan.method
        if advice.action != "repair" or method != witness.method or advice.continuity_only:
            said = f"{witness.method} does not win, {method or 'no method'} does"
            return _refuted(witness.told, now, advice, said)
    return Refuted(None, f"{len(claim.witnesses)} witnesses run, one for each method", decided=True)


def _witness_contexts(rules: Rules) -> list[Mapping[str, object]]:
    return [witness.told for claim in rules.policy.claims for witness in claim.witnesses]


def _advice(told: Mapping[str, object], rules: Rules, now: datetime) -> Advice:
    return advise(parse_context(told, now), rules)


def _unchecked(advice: Advice, told: Mapping[str, object], rules: Rules, now: datetime) -> list[str]:
    """Safety screens on the plan of a repair that are open and stand in none of its checks."""
    if advice.action != "repair" or advice.plan is None:
        return []
    situation = look(rules, as_it_stands(parse_context(told, now), rules))
    words = tuple(getattr(advice.plan, one) for one in ("method", "layout", "position", "access", "shelter", "stage"))
    bit = next(i for i, plan in enumerate(rules.policy.plans) if plan.words() == words)
    checks = {check.screen for check in advice.checks_on_arrival}
    return [
        screen.id
        for i, screen in enumerate(rules.screens)
        if screen.kind in PEOPLES_KINDS
        and rules.screen_plans[i] >> bit & 1
        and situation.status[i] == OPEN
        and screen.id not in checks
    ]


def _refuted(told: Mapping[str, object], now: datetime, advice: Advice, said: str) -> Refuted:
    plan = "" if advice.plan is None else advice.plan.phrase
    return Refuted(Counterexample(dict(told), now, plan, advice.action, said), "a context", decided=True)
