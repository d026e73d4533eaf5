"""Where there is danger: what kills here is read first, who can help is named, and nothing reads like a way out."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.parse import parse_context
from repairadvisor.render import ticket_note
from repairadvisor.render.parts import HELD, parts
from repairadvisor.render.voice import Voice

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
STORM: dict[str, Any] = {
    "place": "pole_top",
    "fault_seen": "hanging",
    "danger_seen": "none",
    "lightning": "within_30_s",
    "since_thunder_min": 3.0,
    "wind_gust_mps": 25.0,
}
CHEWED: dict[str, Any] = {
    "place": "customer_home",
    "fault_seen": "chewed_end",
    "danger_seen": "none",
    "network_part": "drop",
    "cable_kind": "flat_drop",
    "coating_near_um": 250.0,
    "fibres_down_count": 1,
    "service_kind": "passive_network",
    "outage_value_cu_per_h": 3.0,
    "plug_family": "sc",
    "plug_polish_far": "apc",
    "spare_near_m": 1.8,
    "distance_to_plug_m": 0.6,
    "margin_db": 3.0,
    "reflectance_limit_db": -35.0,
    "field_plug_apc_count": 6,
    "attempts_so_far_count": 0,
}


def told(rules: Rules, facts: dict[str, Any]) -> Advice:
    return advise(parse_context(facts, NOW), rules)


def in_order(advice: Advice, rules: Rules) -> list[str]:
    return [name for name, lines in parts(advice, Voice(Words(rules.wording))) if list(lines)]


def test_in_a_storm_thunder_is_read_before_light_and_shelter_comes_before_barriers(rules: Rules) -> None:
    advice = told(rules, STORM)
    assert advice.action == "make_safe_and_wait"
    assert advice.cautions[0].tag == "lightning"
    assert "hard-topped vehicle" in advice.steps[0].text
    assert "platform" not in advice.say
    assert "half an hour without thunder and, besides that, gusts below 10 m/s" in advice.say


@pytest.mark.parametrize(("since", "is_over"), [(10.0, False), (29.0, False), (30.0, True)])
def test_thunder_of_ten_minutes_ago_sends_people_to_shelter_as_a_flash_does(
    rules: Rules, since: float, is_over: bool
) -> None:
    facts = {**STORM, "lightning": "none", "since_thunder_min": since, "service_kind": "amplified_line"}
    advice = told(rules, {**facts, "crew_place": "on_site"})
    assert advice.action == "make_safe_and_wait"  # the gusts hold people back whatever the thunder does
    assert ("hard-topped vehicle" in advice.steps[0].text) is not is_over
    assert (advice.cautions[0].tag == "lightning") is not is_over


def test_what_is_waited_for_is_read_before_what_the_later_repair_has_to_beware_of(rules: Rules) -> None:
    facts = {**STORM, "lightning": "none", "since_thunder_min": 10.0, "wind_gust_mps": 3.0}
    advice = told(rules, {**facts, "service_kind": "amplified_line", "crew_place": "on_site"})
    assert advice.action == "make_safe_and_wait"
    assert "half an hour has passed since the last thunder" in advice.say
    tags = [one.tag for one in advice.cautions]
    assert tags.index("lightning") < tags.index("high_power")


def test_thunder_of_ten_minutes_ago_sends_people_to_shelter_where_something_sparks_too(rules: Rules) -> None:
    facts = {**STORM, "lightning": "none", "since_thunder_min": 10.0, "danger_seen": "sparks"}
    advice = told(rules, facts)
    assert advice.action == "stand_off"
    assert any("hard-topped vehicle" in step.text for step in advice.steps)


def test_what_is_to_be_done_instead_comes_before_the_checks_of_a_later_repair(rules: Rules) -> None:
    names = in_order(told(rules, STORM), rules)
    assert names[:4] == ["cautions", "call", "wait", "steps"]
    assert "checks_on_arrival" not in names
    assert names.index("checks_later") > names.index("steps")


@pytest.mark.parametrize("seen", ["hurt", "sparks", "gas_smell"])
def test_where_nobody_may_touch_anything_the_order_is_the_same(rules: Rules, seen: str) -> None:
    advice = told(rules, {"place": "chamber", "danger_seen": seen})
    assert advice.action in HELD
    assert in_order(advice, rules)[:3] == ["cautions", "call", "steps"]


def test_in_a_ticket_too_what_is_done_instead_comes_before_a_later_repair(rules: Rules) -> None:
    advice = told(rules, STORM)
    said = ticket_note.render(advice, Voice(Words(rules.wording)))
    order = ["Ring: control room", "When thunder follows", "Wait until half an hour without thunder"]
    order += ["wait in a building or a hard-topped vehicle with", "Later, before the repair"]
    assert [said.index(one) for one in order] == sorted(said.index(one) for one in order)


def test_a_cable_in_the_road_is_guarded_while_questions_are_asked(rules: Rules) -> None:
    advice = told(rules, {"place": "pole_top", "fault_seen": "hanging", "danger_seen": "in_road"})
    assert advice.action == "ask_first"
    assert advice.call == ("highway authority", "emergency service")


@pytest.mark.parametrize("seen", [{}, {"danger_seen": "none"}, {"danger_seen": {"one_of": ["none", "in_road"]}}])
def test_nobody_is_rung_for_a_danger_that_nobody_has_seen(rules: Rules, seen: dict[str, Any]) -> None:
    advice = told(rules, {"place": "pole_top", "fault_seen": "hanging", **seen})
    assert (advice.action, advice.call) == ("ask_first", ())


def test_looking_and_guarding_come_before_all_checks_and_nobody_does_without_what_protects(rules: Rules) -> None:
    advice = told(rules, CHEWED)
    assert advice.action == "repair"
    assert [step.first for step in advice.steps[:3]] == [True, True, False]
    assert all(step.protects for step in advice.steps if step.first)
    assert any(step.protects and not step.first for step in advice.steps)
    assert not all(step.protects for step in advice.steps)
