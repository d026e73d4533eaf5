"""Words that moved from the program into the policy: the policy that ships has them all, a kept one need not."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from shipped_policy import shipped_texts

from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules_in_force import rules_in_force
from repairadvisor.optics.reflection_limits import LADDER_DB, SINGLE_REFLECTION_DB
from repairadvisor.policy.earlier_words import EARLIER_WORDS
from repairadvisor.policy.load import load_canonical, load_policy, parsed
from repairadvisor.policy.model import HOW_KNOWN, Policy

WORDING: Any = parsed("wording.toml", shipped_texts()["wording.toml"])


#: What the policy that ships says better than the program did.
SAID_BETTER = {("verdict_with", "not_told"): "not known"}


def test_the_policy_that_ships_says_them_itself_and_the_same() -> None:
    for table, words in EARLIER_WORDS.items():
        said = {key: SAID_BETTER.get((table, key), word) for key, word in words.items()}
        assert {key: WORDING[table][key] for key in words} == said


def test_a_policy_kept_before_says_what_the_program_said(policy: Policy) -> None:
    earlier = json.loads(load_policy(shipped_texts()).canonical)
    for table, words in EARLIER_WORDS.items():
        for key in words:
            del earlier["wording.toml"][table][key]
    for table in ("figure_name", "unit_shown"):
        del earlier["wording.toml"][table]
    text = json.dumps(earlier, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    kept = load_canonical(text)
    assert [one.because for one in prepare(kept).screens] == [one.because for one in prepare(policy).screens]
    assert rules_in_force(kept).rules == rules_in_force(policy).rules


def test_every_number_price_and_time_has_a_name(policy: Policy) -> None:
    names = {*policy.limits, *policy.rates, *policy.after_work}
    names |= {row.id for row in (*policy.minutes, *policy.prices)}
    names |= {one.name for one in (*policy.crew_by_place.values(), *policy.crew_by_access.values())}
    assert set(WORDING["figure_name"]) == names
    words = Words(policy.wording)
    assert all(words.figure(name) == re.sub("[_-]", " ", name) for name in names)


def test_every_unit_with_a_word_in_it_is_shown_in_words(policy: Policy) -> None:
    numbers = [*policy.limits.values(), *policy.rates.values(), *policy.after_work.values()]
    units = {one.unit for one in (*numbers, *policy.minutes, *policy.prices, *policy.derived.values())}
    worded = {unit for unit in units if re.search(r"[a-z]{4}| per ", unit)}
    assert worded <= set(WORDING["unit_shown"])
    assert Words(policy.wording).unit("dB") == "dB"
    assert Words(policy.wording).unit("persons") == "persons"


@pytest.mark.parametrize("known", HOW_KNOWN)
def test_how_a_figure_is_known_is_said_shortly(known: str) -> None:
    assert WORDING["known_shortly"][known] == known


def test_published_limits_of_reflectance_are_named_as_where_they_were_read() -> None:
    said = list(WORDING["published_source"].values())
    assert said == [
        *(one.source for one in SINGLE_REFLECTION_DB.values()),
        *(one[0].source for one in LADDER_DB.values()),
    ]
