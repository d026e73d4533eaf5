"""A number says from which day it holds, and may be a range where money and minutes are meant."""

from __future__ import annotations

import re

import pytest

from repairadvisor.errors import PolicyError
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy

Texts = dict[str, str]
#: ISO 8601 calendar date, which is what every `since` has to be.
ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


def _with(texts: Texts, name: str, old: str, new: str) -> Texts:
    assert old in texts[name]
    return {**texts, name: texts[name].replace(old, new, 1)}


def _refused(texts: Texts, *said: str) -> None:
    with pytest.raises(PolicyError) as caught:
        load_policy(texts)
    for one in said:
        assert one in str(caught.value)


def test_every_row_with_a_number_says_whence_and_since_when(policy: Policy) -> None:
    rows = [
        *policy.limits.values(),
        *policy.rates.values(),
        *policy.light.floors.values(),
        *policy.minutes,
        *policy.prices,
        *policy.facts.values(),
        *policy.joints.values(),
        *policy.light.adjust,
    ]
    assert len(rows) > 400
    assert all(row.source and row.known and ISO_DAY.fullmatch(row.since) for row in rows)
    assert all(row.unit for row in (*policy.minutes, *policy.prices, *policy.limits.values()))


def test_the_policy_that_ships_has_no_range(policy: Policy) -> None:
    assert not any(row.ends for row in (*policy.minutes, *policy.prices))
    assert not any(number.ends for number in (*policy.rates.values(), *policy.limits.values()))


@pytest.mark.parametrize("since", ['"last spring"', '"2026-13-01"', "7", '""'])
def test_a_date_that_is_none_is_refused(texts: Texts, since: str) -> None:
    _refused(_with(texts, "prices.toml", 'since = "2026-11-25"', f"since = {since}"), "prices.toml", "since", "no day")


def test_a_date_of_the_file_format_is_a_date(texts: Texts) -> None:
    dated = load_policy(_with(texts, "prices.toml", 'since = "2026-11-25"', "since = 2031-05-04"))
    assert dated.rates["labour_cu_per_person_hour"].since == "2031-05-04"


LABOUR = 'value = 60\nunit = "cu/h"\nsource = "40 to 90'


def test_a_rate_in_money_may_be_a_range_and_its_middle_decides(texts: Texts) -> None:
    ranged = load_policy(_with(texts, "prices.toml", LABOUR, 'low = 40\nhigh = 90\nunit = "cu/h"\nsource = "40 to 90'))
    labour = ranged.rates["labour_cu_per_person_hour"]
    assert (labour.value, labour.ends) == (65.0, (40.0, 90.0))


def test_minutes_and_prices_may_be_ranges(texts: Texts) -> None:
    old = "p50 = 12\np95 = 25"
    minutes = _with(texts, "minutes.toml", old, "p50 = { low = 10, high = 20 }\np95 = { low = 30, high = 40 }")
    row = next(one for one in load_policy(minutes).minutes if one.id == "set-out-indoor-bench")
    assert (row.p50[""], row.p95[""]) == (15.0, 35.0)
    assert row.ends == {("p50", ""): (10.0, 20.0), ("p95", ""): (30.0, 40.0)}


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [("40", "40", "low below high"), ("90", "40", "low below high"), ('"a"', "9", "type"), ("true", "9", "type")],
)
def test_a_range_that_is_none_is_refused(texts: Texts, low: str, high: str, said: str) -> None:
    new = f'low = {low}\nhigh = {high}\nunit = "cu/h"\nsource = "40 to 90'
    _refused(_with(texts, "prices.toml", LABOUR, new), "labour_cu_per_person_hour", said)


def test_half_a_range_is_refused(texts: Texts) -> None:
    _refused(_with(texts, "prices.toml", LABOUR, 'low = 40\nunit = "cu/h"\nsource = "40 to 90'), "high: is missing")


def test_a_range_beside_a_value_is_refused(texts: Texts) -> None:
    _refused(_with(texts, "prices.toml", LABOUR, f"low = 40\nhigh = 90\n{LABOUR}"), "'value' is not known")


def test_what_is_used_where_a_policy_is_compiled_may_not_be_a_range(texts: Texts) -> None:
    old = "[rate.common_cause_before]\nvalue"
    new = "[rate.common_cause_before]\nlow = 0.1\nhigh = 0.2\nother"
    _refused(_with(texts, "prices.toml", old, new), "common_cause_before", "value: is missing")


def test_a_pessimistic_range_has_to_lie_above_that_of_the_median(texts: Texts) -> None:
    new = "p50 = { low = 10, high = 26 }\np95 = { low = 25, high = 40 }"
    _refused(_with(texts, "minutes.toml", "p50 = 12\np95 = 25", new), "p95", "below the median")
