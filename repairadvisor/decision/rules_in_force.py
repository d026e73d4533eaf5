"""The rules and numbers of a policy, put so that a person can read each by itself. Decides nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rule_sentences import clause, facts_said
from repairadvisor.errors import InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME, VOCABULARY_VERSION
from repairadvisor.policy.model import LiftedBy, Number, Policy, Screen

_ANY_MOMENT = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Example:
    """Facts with which a rule bars, clears, or stays open, in words."""

    shows: str
    facts: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One screen: the plans it bars, when, why, and who lifts it. ``not_before`` is said at the spot where the rule is
    checked on arrival, else "". ``lifted_after`` says when it is lifted, "" where nobody can say."""

    id: str
    kind: str
    plans: str
    bars_when: str
    because: str
    not_before: str
    source: str
    known: str
    lifted_by: str
    lifted_who: str
    lifted_after: str
    call: tuple[str, ...]
    examples: tuple[Example, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of the policy with its unit, where it is from, how it is known and since when."""

    name: str
    of: str
    value: float
    unit: str
    source: str
    known: str
    since: str


@dataclass(frozen=True, slots=True)
class RulesInForce:
    """A policy as it can be read. ``rules`` stand in the order of the policy, ``figures`` too."""

    policy_id: str
    method_version: str
    vocabulary_version: str
    rules: tuple[Rule, ...]
    figures: tuple[Figure, ...]


def rules_in_force(policy: Policy) -> RulesInForce:
    """The rules and numbers of a policy in words. Raises PolicyError where its wording lacks some."""
    words = Words(policy.wording)
    figures = [
        *(_figure("limit", number, words) for number in policy.limits.values()),
        *(_figure("rate", number, words) for number in policy.rates.values()),
        *(_figure("after_work", number, words) for number in policy.after_work.values()),
        *(_figure("floor", number, words) for number in policy.light.floors.values()),
    ]
    return RulesInForce(
        policy_id=policy.id,
        method_version=METHOD_VERSION,
        vocabulary_version=VOCABULARY_VERSION,
        rules=tuple(_rule(screen, policy, words) for screen in policy.screens),
        figures=tuple(figures),
    )


def _rule(screen: Screen, policy: Policy, words: Words) -> Rule:
    return Rule(
        id=screen.id,
        kind=screen.kind,
        plans=words.partial(screen.plans),
        bars_when=clause(screen.bars_when, words, policy.derived),
        because=screen.because,
        not_before=screen.not_before,
        source=screen.source,
        known=words.say("known", screen.known),
        lifted_by=screen.lifted_by.what,
        lifted_who=screen.lifted_by.who,
        lifted_after=_after(screen.lifted_by, words),
        call=screen.call,
        examples=tuple(Example(shows, _example(given, words)) for shows, given in screen.examples.items()),
    )


def _after(lifted_by: LiftedBy, words: Words) -> str:
    if lifted_by.minutes is None:
        return ""
    if isinstance(lifted_by.minutes, str):
        unit = BY_NAME[lifted_by.minutes].unit
        return f"{words.fact(lifted_by.minutes)} ({words.unit(unit)})"
    return f"{lifted_by.minutes:g} min"


def _example(given: Mapping[str, object], words: Words) -> str:
    try:
        return facts_said(parse_context(given, _ANY_MOMENT).held, words)
    except InputError as error:
        return f"no context: {error.faults[0].sentence()}"


def _figure(of: str, number: Number, words: Words) -> Figure:
    known = words.say("known", number.known)
    return Figure(number.name, of, number.value, number.unit, number.source, known, number.since)
