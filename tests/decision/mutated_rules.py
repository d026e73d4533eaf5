"""Rules changed in one place, as somebody might who mistypes: a comparison turned, another limit, a part left out, a
word or a plan too few, a rule gone."""

from __future__ import annotations

import copy
import random
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from repairadvisor.decision.rules import Rules, compiled
from repairadvisor.policy.read_rules import read_cautions, read_screen
from repairadvisor.policy.table import Table

Raw = dict[str, Any]
TURNED = {"below": "at_least", "at_least": "below"}
WAYS = ("turned", "moved", "dropped", "a word less", "a plan less", "removed")


def mutated(rules: list[Raw], key: str, limits: Mapping[str, Any], drawn: random.Random) -> tuple[str, str, list[Raw]]:
    """Which rule was changed, in which way, and the rules with it. ``key`` is where a rule's condition stands."""
    while True:
        index = drawn.randrange(len(rules))
        way = drawn.choice(WAYS)
        changed = copy.deepcopy(rules)
        name = str(rules[index].get("id") or rules[index].get("tag"))
        if way == "removed":
            del changed[index]
            return name, way, changed
        if _changed(changed[index], key, way, limits, drawn) and changed[index] != rules[index]:
            return name, way, changed


def _changed(rule: Raw, key: str, way: str, limits: Mapping[str, Any], drawn: random.Random) -> bool:
    if way == "a plan less":
        long = [words for words in rule.get("plans", {}).values() if len(words) > 1]
        if long:
            words = drawn.choice(long)
            words.remove(drawn.choice(words))
        return bool(long)
    if key not in rule:
        return False
    if way == "dropped":
        return _part_dropped(rule[key], drawn)
    return _comparison_changed(rule[key], way, limits, drawn)


def _part_dropped(condition: Raw, drawn: random.Random) -> bool:
    lists = [one for one in _conditions(condition) if len(one.get("all", one.get("any", ()))) > 1]
    if lists:
        parts = next(iter(drawn.choice(lists).values()))
        parts.remove(drawn.choice(parts))
    return bool(lists)


def _comparison_changed(condition: Raw, way: str, limits: Mapping[str, Any], drawn: random.Random) -> bool:
    one = drawn.choice([one for one in _conditions(condition) if "fact" in one])
    if way == "a word less":
        words = one.get("is_one_of", ())
        if len(words) > 1:
            words.remove(drawn.choice(words))
        return bool(words)
    operator = next((word for word in TURNED if word in one), "")
    if not operator:
        return False
    if way == "turned":
        one[TURNED[operator]] = one.pop(operator)
        return True
    unit, value = limits[one[operator]]["unit"], limits[one[operator]]["value"]
    others = [name for name, limit in limits.items() if limit["unit"] == unit and limit["value"] != value]
    if others:
        one[operator] = drawn.choice(others)
    return bool(others)


def _conditions(raw: Raw) -> Iterator[Raw]:
    yield raw
    for part in (*raw.get("all", ()), *raw.get("any", ()), *([raw["not"]] if "not" in raw else [])):
        yield from _conditions(part)


def rules_with(rules: Rules, stored: Any, files: Mapping[str, Raw], screens: list[Raw], cautions: list[Raw]) -> Rules:
    """The shipped rules with other screens and cautions, given as parsed; ``stored`` is their light as plain data."""
    policy = rules.policy
    words = files["plan_words.toml"]["words"]
    derived = {name: one for name, one in policy.derived.items() if name in files["derived.toml"]["derived"]}
    table = Table("cautions.toml", {**files["cautions.toml"], "caution": cautions})
    changed = replace(
        policy,
        derived=derived,
        screens=tuple(read_screen(Table(one["id"], one), words, policy.limits, derived) for one in screens),
        cautions=read_cautions(table, words, policy.limits, derived),
    )
    return compiled(changed, stored)
