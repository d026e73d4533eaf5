"""Conditions as clauses, in the words of the policy.

A clause is exact: what stands beside an "and" or an "or" is bracketed where it could be read otherwise, and a number is
said with its unit. A fact that has no meaning where the break is makes its comparison false, as in the condition
itself.
"""

from __future__ import annotations

from collections.abc import Mapping

from repairadvisor.decision.reasons import Words
from repairadvisor.facts.context import Held
from repairadvisor.facts.vocabulary import BY_NAME, YES_NO
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some
from repairadvisor.policy.model import Derived


def clause(condition: Condition, words: Words, derived: Mapping[str, Derived]) -> str:
    """A condition as a clause: "place of the break is pole top or span between poles, and …"."""
    if isinstance(condition, Not):
        return words.say("rule", "not", part=_bracketed(condition.part, words, derived))
    if isinstance(condition, Every | Some):
        return _joined(condition, words, derived)
    if isinstance(condition, IsOneOf):
        return _of_words(condition, words)
    return _of_numbers(condition, words, derived)


def _joined(condition: Every | Some, words: Words, derived: Mapping[str, Derived]) -> str:
    every = isinstance(condition, Every)
    if not condition.parts:
        return words.say("rule", "always" if every else "never")
    if len(condition.parts) == 1:
        return clause(condition.parts[0], words, derived)
    between = words.say("rule", "and" if every else "or")
    return between.join(_bracketed(part, words, derived) for part in condition.parts)


def _bracketed(condition: Condition, words: Words, derived: Mapping[str, Derived]) -> str:
    """The clause of a part, in brackets where it is itself joined of several."""
    said = clause(condition, words, derived)
    several = isinstance(condition, Every | Some) and len(condition.parts) > 1
    return f"({said})" if several else said


def _of_words(condition: IsOneOf, words: Words) -> str:
    whole = words.wording.get("said", {})
    said = whole.get(condition.fact, {}) if isinstance(whole, Mapping) else {}
    if isinstance(said, Mapping) and condition.words and all(word in said for word in condition.words):
        return words.say("fact", "or").join(str(said[word]) for word in condition.words)
    if not condition.words:
        return words.say("rule", "never")
    name = words.fact(condition.fact)
    if BY_NAME[condition.fact].words == YES_NO and len(condition.words) == 1:
        return words.say("fact", "is_word", name=name, word=words.say("word", condition.fact, condition.words[0]))
    named = [words.say("word", condition.fact, word) for word in condition.words]
    return words.say("rule", "is", name=name, words=words.listed(named, words.say("fact", "or")))


def _of_numbers(condition: Below | AtLeast, words: Words, derived: Mapping[str, Derived]) -> str:
    made = derived.get(condition.fact)
    name, unit = (made.meaning, made.unit) if made else (words.fact(condition.fact), BY_NAME[condition.fact].unit)
    value = f"{condition.value:g} {words.unit(unit)}".rstrip()
    return words.say("rule", "below" if isinstance(condition, Below) else "at_least", name=name, value=value)


def facts_said(held: Mapping[str, Held], words: Words) -> str:
    """What is held, fact by fact: "place of the break: pole top; …"; that nothing is known where there is nothing."""
    pieces = []
    for name, one in held.items():
        value, unit = words.value(name, one)
        pieces.append(f"{words.fact(name)}: {value} {words.unit(unit)}".rstrip())
    return "; ".join(pieces) or words.say("rule", "nothing_known")
