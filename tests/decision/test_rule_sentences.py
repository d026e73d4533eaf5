"""Conditions in words. What a sentence should be is written down by hand; there is no other source."""

from __future__ import annotations

import itertools
import re

import pytest
from shipped_policy import shipped_texts

from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rule_sentences import clause, facts_said
from repairadvisor.decision.rules_in_force import RulesInForce, rules_in_force
from repairadvisor.facts.context import Held
from repairadvisor.facts.value import Between, Known, OneOf
from repairadvisor.policy.condition import (
    AtLeast,
    Below,
    Condition,
    Every,
    IsOneOf,
    Not,
    Some,
    comparisons,
    facts_of,
)
from repairadvisor.policy.load import parsed
from repairadvisor.policy.model import Derived, Policy, Term

WORDS = Words(
    {
        "fact_name": {"place": "place of the break", "margin_db": "margin", "may_climb": "leave to climb"},
        "word": {
            "place": {"pole_top": "pole top", "chamber": "chamber", "dug_pit": "dug pit"},
            "may_climb": {"yes": "yes", "no": "no"},
        },
        "said": {"cable_spoilt": {"yes": "the cable is spoilt", "no": "the cable is sound"}},
        "plan": {"list_separator": ", ", "list_last": " and "},
        "fact": {"or": " or ", "is_word": "{name}: {word}", "between": "{low} to {high}"},
        "rule": parsed("wording.toml", shipped_texts()["wording.toml"])["rule"],
    }
)
SUM = {
    "over": Derived("over", "how far one lies above the other", "m/s", (Term("margin_db", 1.0, None, None),), 0.0, ())
}
UP = IsOneOf("place", ("pole_top",))
TIGHT = Below("margin_db", "one", 0.5)
AMPLE = AtLeast("margin_db", "two", 3.0)
SPOILT = IsOneOf("cable_spoilt", ("yes",))


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        (UP, "place of the break is pole top"),
        (IsOneOf("place", ("pole_top", "chamber", "dug_pit")), "place of the break is pole top, chamber or dug pit"),
        (TIGHT, "margin is below 0.5 dB"),
        (AMPLE, "margin is 3 dB or more"),
        (AtLeast("over", "none", 0.0), "how far one lies above the other is 0 m/s or more"),
        (SPOILT, "the cable is spoilt"),
        (IsOneOf("cable_spoilt", ("yes", "no")), "the cable is spoilt or the cable is sound"),
        (IsOneOf("may_climb", ("no",)), "leave to climb: no"),
        (Every((UP, TIGHT)), "place of the break is pole top, and margin is below 0.5 dB"),
        (Some((UP, TIGHT)), "place of the break is pole top, or margin is below 0.5 dB"),
        (
            Every((UP, Some((TIGHT, SPOILT)))),
            "place of the break is pole top, and (margin is below 0.5 dB, or the cable is spoilt)",
        ),
        (
            Some((Every((UP, TIGHT)), SPOILT)),
            "(place of the break is pole top, and margin is below 0.5 dB), or the cable is spoilt",
        ),
        (Not(UP), "it is not so that place of the break is pole top"),
        (
            Not(Some((UP, SPOILT))),
            "it is not so that (place of the break is pole top, or the cable is spoilt)",
        ),
        (Every(()), "always"),
        (Some(()), "never"),
        (Every((Some((UP,)),)), "place of the break is pole top"),
    ],
)
def test_a_condition_is_said_so(condition: Condition, said: str) -> None:
    assert clause(condition, WORDS, SUM) == said


def test_facts_are_said_with_their_units_and_nothing_is_said_so() -> None:
    held = {
        "place": Held(OneOf(("pole_top", "chamber"))),
        "margin_db": Held(Between(1.0, 2.5)),
    }
    assert facts_said(held, WORDS) == "place of the break: pole top or chamber; margin: 1 to 2.5 dB"
    assert facts_said({"margin_db": Held(Known(3.0))}, WORDS) == "margin: 3 dB"
    assert facts_said({}, WORDS) == "nothing is known"


# --- the policy that ships ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shown(policy: Policy) -> RulesInForce:
    return rules_in_force(policy)


def test_every_rule_of_the_policy_is_shown_once_with_its_three_examples(policy: Policy, shown: RulesInForce) -> None:
    assert [rule.id for rule in shown.rules] == [screen.id for screen in policy.screens]
    assert all([one.shows for one in rule.examples] == ["bars", "clears", "leaves_open"] for rule in shown.rules)
    assert not [one.facts for rule in shown.rules for one in rule.examples if one.facts.startswith("no context")]


def test_every_number_is_shown_with_all_that_is_known_of_it(policy: Policy, shown: RulesInForce) -> None:
    limits = [figure for figure in shown.figures if figure.of == "limit"]
    assert [(one.name, one.value, one.unit, one.source, one.since) for one in limits] == [
        (one.name, one.value, one.unit, one.source, one.since) for one in policy.limits.values()
    ]
    assert {figure.of for figure in shown.figures} == {"limit", "rate", "floor", "after_work"}


def test_a_sentence_names_every_fact_and_number_of_its_rule(policy: Policy, shown: RulesInForce) -> None:
    """What it is called in the policy's own words; a number as it stands in the limits."""
    words = Words(policy.wording)
    said_of = policy.wording["said"]
    assert isinstance(said_of, dict)
    for screen, rule in zip(policy.screens, shown.rules, strict=True):
        for name in facts_of(screen.bars_when):
            names = [policy.derived[name].meaning] if name in policy.derived else [words.fact(name)]
            names += list(said_of.get(name, {}).values())
            assert any(one in rule.bars_when for one in names), (screen.id, name)
        for one in comparisons(screen.bars_when):
            if not isinstance(one, IsOneOf):
                assert re.search(rf"(?<![\d.]){re.escape(f'{one.value:g}')}(?![\d.]\d)", rule.bars_when), screen.id


def test_no_two_different_conditions_are_said_alike(policy: Policy, shown: RulesInForce) -> None:
    for (first, one), (second, other) in itertools.combinations(zip(policy.screens, shown.rules, strict=True), 2):
        if one.bars_when == other.bars_when:
            assert first.bars_when == second.bars_when, (first.id, second.id)
