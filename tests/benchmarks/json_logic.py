"""The conditions of a policy for a general engine of JSONLogic rules, and the facts it needs to answer them.

The engine knows two values where a condition knows three, so it is asked of contexts in which nothing is open. It is
spared what we do for ourselves: derived facts are computed for it, the facts are read into its own form beforehand,
and a number that has no meaning stands on whichever side makes its comparison false, so that it asks no question more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import orjson
from datalogic_py import DataHandle, Engine

from repairadvisor.decision.cells import possible_of_derived
from repairadvisor.decision.screens import CompiledRules
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Possible
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not

#: A number without meaning, where it is compared with "below" and where with "at least".
NEVER_BELOW, NEVER_AT_LEAST = 1e300, -1e300
BELOW_MARK = "/below"


def rule_of(condition: Condition) -> Any:
    """A condition as a JSONLogic rule over :func:`facts_of_world`."""
    if isinstance(condition, IsOneOf):
        held = {"var": condition.fact}
        words = list(condition.words)
        return {"===": [held, words[0]]} if len(words) == 1 else {"in": [held, words]}
    if isinstance(condition, Below):
        return {"<": [{"var": condition.fact + BELOW_MARK}, condition.value]}
    if isinstance(condition, AtLeast):
        return {">=": [{"var": condition.fact}, condition.value]}
    if isinstance(condition, Not):
        return {"!": [rule_of(condition.part)]}
    if not condition.parts:
        return isinstance(condition, Every)
    return {"and" if isinstance(condition, Every) else "or": [rule_of(part) for part in condition.parts]}


def world_of(rules: CompiledRules, context: Context) -> dict[str, str | float | None]:
    """The one world a context leaves, derived facts included. Raises ValueError where something is open."""
    world = {name: _value(name, context.possible[name]) for name in context.possible}
    for name, derived in rules.derived.items():
        world[name] = _value(name, possible_of_derived(derived, context))
    return world


def _value(name: str, possible: Possible) -> str | float | None:
    if not possible.settled:
        raise ValueError(f"{name} is open")
    if not possible.applies:
        return None
    return possible.words[0] if possible.words else possible.low


def facts_of_world(rules: CompiledRules, context: Context) -> dict[str, str | float | None]:
    """The facts for the engine, each number under two names, one for each kind of comparison."""
    held: dict[str, str | float | None] = {}
    for name, value in world_of(rules, context).items():
        if name in rules.axes and rules.axes[name].words:
            held[name] = value
        else:
            held[name] = NEVER_AT_LEAST if value is None else value
            held[name + BELOW_MARK] = NEVER_BELOW if value is None else value
    return held


def _only_named(rules: Sequence[Any], facts: dict[str, Any]) -> dict[str, Any]:
    """The facts that the rules speak of: the engine is to carry no more."""
    named = set(_names(list(rules)))
    return {name: value for name, value in facts.items() if name in named}


def _names(rule: Any) -> list[str]:
    if isinstance(rule, dict):
        return [rule["var"]] if "var" in rule else [name for part in rule.values() for name in _names(part)]
    return [name for part in rule for name in _names(part)] if isinstance(rule, list) else []


def engine_ways(rules: CompiledRules, context: Context) -> dict[str, Callable[[], list[bool]]]:
    """Every way we know of having the engine answer all conditions of one context, and what makes its answer a list
    of truths. The quickest is the engine's figure; making the list is not counted."""
    engine = Engine()
    session = engine.session()
    written = [rule_of(condition) for condition in rules.conditions]
    facts = DataHandle(orjson.dumps(_only_named(written, facts_of_world(rules, context))).decode())
    apart = [engine.compile(orjson.dumps(rule).decode()) for rule in written]
    together = engine.compile(orjson.dumps(written).decode())
    return {
        "one rule, answer as text": lambda: session.evaluate_data_str(together, facts),
        "one rule, answer as objects": lambda: session.evaluate_data(together, facts),
        "many rules, one call": lambda: session.evaluate_many(apart, facts),
        "many rules, a call each": lambda: [session.evaluate_bool(rule, facts) for rule in apart],
    }


def truths(answer: Any) -> list[bool]:
    """What the engine answered, whichever way it was asked."""
    if isinstance(answer, str):
        answer = orjson.loads(answer)
    return [orjson.loads(one) if isinstance(one, str) else one for one in answer]
