"""What a plan was reckoned with stands beside it: every figure with its source, how it is known and since when.

What counts is read from the policy's files here, by hand.
"""

from __future__ import annotations

from datetime import date

import pytest
from builders import NOW
from shipped_policy import shipped_files

from repairadvisor.decision.method import advise
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.parse import parse_context

AT_A_CABINET = {"place": "street_cabinet", "fault_seen": "broken_in_tray", "danger_seen": "none"}
UP_A_POLE = {"place": "pole_top", "fault_seen": "broken_plug", "danger_seen": "none", "crew_place": "on_site"}


@pytest.mark.parametrize("told", [AT_A_CABINET, {**AT_A_CABINET, "crew_place": "on_site"}])
def test_every_figure_says_where_it_comes_from_and_since_when(told: dict[str, str], rules: Rules) -> None:
    advice = advise(parse_context(told, NOW), rules)
    assert len(advice.reckoned_with) > 15
    for row in advice.reckoned_with:
        assert row.value
        assert row.source
        assert row.how_known
        assert date.fromisoformat(row.since)
    assert f"{len(advice.reckoned_with)} of the policy" in advice.reckoned_said


def test_minutes_stand_as_the_policy_has_them_for_the_place(rules: Rules) -> None:
    advice = advise(parse_context({**AT_A_CABINET, "crew_place": "on_site"}, NOW), rules)
    rows = {row["id"]: row for row in shipped_files()["minutes.toml"]["minutes"]}
    here = rows["set-out-place"]
    wanted = f"{here['p50']['street_cabinet']} to {here['p95']['street_cabinet']} min"
    assert {row.figure: row.value for row in advice.reckoned_with}["set out place"] == wanted


def test_people_are_counted_from_the_place_and_the_way_up(rules: Rules) -> None:
    advice = advise(parse_context(UP_A_POLE, NOW), rules)
    crew = shipped_files()["crew.toml"]
    found = {row.figure: (row.value, row.source) for row in advice.reckoned_with}
    there = crew["least_by_place"]["pole_top"]
    assert found["pole top"] == ("2 persons", there["source"])
    assert advice.crew.persons == there["value"]


def test_where_nothing_is_repaired_nothing_was_reckoned(rules: Rules) -> None:
    advice = advise(parse_context({"place": "rail_side"}, NOW), rules)
    assert advice.reckoned_with == ()
    assert advice.reckoned_said == ""
