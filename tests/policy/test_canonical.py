"""A policy from its canonical text alone: the same id, the same policy, in the same order.

No outside source: that what is read back is what was written is the property itself.
"""

from __future__ import annotations

import copy
import json
import random
import tomllib
from collections.abc import Mapping
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.errors import PolicyError
from repairadvisor.policy.canonical import canonical_text, plain_of
from repairadvisor.policy.load import load_canonical, load_policy
from repairadvisor.policy.model import Policy

Texts = dict[str, str]

_texts = st.text(st.characters(exclude_categories=("C", "Z")), max_size=20) | st.sampled_from(["number", "date 1", "é"])
_numbers = st.integers(-(10**6), 10**6) | st.floats(allow_nan=False, allow_infinity=False)
_plain = st.recursive(
    st.booleans() | _texts | _numbers | st.dates(),
    lambda one: st.lists(one) | st.dictionaries(_texts, one),
    max_leaves=8,
)


def test_the_policy_that_ships_is_had_again_from_its_canonical_text(policy: Policy) -> None:
    again = load_canonical(policy.canonical)
    assert again.id == policy.id
    assert again == policy


def test_the_order_of_tables_in_a_file_makes_no_other_policy(texts: Texts, policy: Policy) -> None:
    """Facts are summed out in the order of derived ones among others: a last bit must not hang on who wrote first."""
    head, *tables = texts["derived.toml"].split("\n[derived.")
    turned = head + "".join(f"\n[derived.{table.rstrip()}\n" for table in reversed(tables))
    assert list(tomllib.loads(turned)["derived"]) == list(reversed(tomllib.loads(texts["derived.toml"])["derived"]))
    other = load_policy({**texts, "derived.toml": turned})
    assert other.id == policy.id
    assert list(other.derived) == list(policy.derived)
    assert list(load_canonical(policy.canonical).derived) == list(policy.derived)


def _numbers_in(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths of prices and minutes, which may be any number."""
    if isinstance(value, Mapping):
        return [one for key, inner in value.items() for one in _numbers_in(inner, (*path, key))]
    if isinstance(value, list):
        return [one for i, inner in enumerate(value) for one in _numbers_in(inner, (*path, i))]
    return [path] if isinstance(value, float | int) and not isinstance(value, bool) else []


@pytest.mark.parametrize("seed", range(12))
def test_a_policy_with_other_numbers_is_had_again(policy: Policy, seed: int) -> None:
    raw: Any = copy.deepcopy(plain_of(policy.canonical))
    chance = random.Random(seed)
    factor = chance.uniform(0.5, 2.0)
    places = [path for path in _numbers_in(raw["prices.toml"]["rate"]) if path[-1] == "value"]
    for path in chance.sample(places, 3):
        at = raw["prices.toml"]["rate"]
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = at[path[-1]] * factor
    text = canonical_text(raw)
    changed = load_canonical(text)
    assert changed.canonical == text
    assert load_canonical(changed.canonical) == changed
    assert changed.rates != policy.rates
    assert changed.id != policy.id


@settings(max_examples=200, deadline=None)
@given(raw=st.dictionaries(_texts, _plain, max_size=4))
def test_whatever_a_file_may_hold_comes_back(raw: dict[str, Any]) -> None:
    try:
        text = canonical_text(raw)
    except PolicyError as error:
        assert "reads like" in str(error)  # noqa: PT017 - most inputs are not refused
        return
    assert plain_of(text) == raw
    assert canonical_text(plain_of(text)) == text


@pytest.mark.parametrize("text", ["number 3.0", "number -0.5", "date 2026-11-25", "date 2026-11-25T07:30:00"])
def test_a_text_that_would_come_back_as_a_number_or_a_date_is_refused(text: str) -> None:
    with pytest.raises(PolicyError, match="reads like a number or a date"):
        canonical_text({"wording.toml": {"heading": text}})


@pytest.mark.parametrize(
    "text", ["number", "number 3", "number nan", "number inf", "number 1e3", "date today", "date "]
)
def test_a_text_that_only_looks_a_little_like_one_stays_a_text(text: str) -> None:
    assert plain_of(canonical_text({"a": text})) == {"a": text}


def test_numbers_and_dates_stand_as_texts() -> None:
    written = json.loads(canonical_text({"b": [1, 2.5, True], "a": date(2026, 11, 25)}))
    assert written == {"a": "date 2026-11-25", "b": ["number 1.0", "number 2.5", True]}


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"\xff", b"3", b"{}", b"[" * 100_000])
def test_what_is_no_canonical_text_is_refused(text: bytes) -> None:
    with pytest.raises(PolicyError):
        load_canonical(text)


def test_the_same_policy_written_otherwise_is_refused(policy: Policy) -> None:
    """It would stand under another id."""
    with pytest.raises(PolicyError, match="no canonical text"):
        load_canonical(policy.canonical + b" ")


def test_a_canonical_text_that_lacks_a_file_names_it(policy: Policy) -> None:
    raw = plain_of(policy.canonical)
    del raw["slots.toml"]
    with pytest.raises(PolicyError, match=r"slots\.toml: is missing"):
        load_canonical(canonical_text(raw))
