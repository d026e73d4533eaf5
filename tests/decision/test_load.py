"""What is loaded: for plans that may win in the end, and pieces where nobody has counted."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decision.enumerated import Wide, wide_rules
from decision.small_policy import NOW, PLANS, Small, a_price, a_screen
from decision.test_cost import CUT
from decision.told import CABINET
from repairadvisor.decision.load import quantile
from repairadvisor.decision.may_win import may_win
from repairadvisor.decision.method import advise
from repairadvisor.decision.outlook import Outlook
from repairadvisor.decision.plans import ranked
from repairadvisor.decision.questions import prices_of
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import look, weigh
from repairadvisor.decision.start import as_it_stands
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import IsOneOf

FUSION, MECHANICAL, _ = PLANS


def _may_win(rules: Rules, rain: float, *, barred: bool) -> list[str]:
    """Fusion at 100 and gel at 200 to work; in rain fusion costs 400 more, or is ``barred``."""
    bars = IsOneOf("precipitation", ("rain",))
    fusing, gel = {"method": (FUSION.method,)}, {"method": (MECHANICAL.method,)}
    prices = [a_price("one", fusing, 100.0), a_price("other", gel, 200.0)]
    if not barred:
        prices.append(a_price("wet", fusing, {"none": 0.0, "rain": 400.0}, by="precipitation"))
    small = Small(
        priors={
            "place": {"foot_of_pole_box": 1.0},
            "fault_seen": {"cut": 1.0},
            "precipitation": {"none": 1.0 - rain, "rain": rain},
        },
        prices=tuple(prices),
        screens=(a_screen("dry", "fusion_splice", bars),) if barred else (a_screen("never", "none", bars),),
        rates={"stand_off_return_cu": 1000.0},
    )
    made = wide_rules(rules, Wide(small, (FUSION, MECHANICAL)))
    made = replace(made, policy=replace(made.policy, kit=rules.policy.kit))
    told = {name: value for name, value in CUT.items() if name != "precipitation"}
    situation = look(made, parse_context(told, NOW))
    order = ranked(situation, weigh(situation, situation.candidates()))
    assert order[0].plan == FUSION
    assert situation.weighing is not None
    return [one.plan.method for one in may_win(situation, Outlook(situation.weighing, order), order[0])]


@pytest.mark.parametrize("barred", [False, True])
def test_a_plan_that_wins_once_in_thirty_is_loaded_for(rules: Rules, barred: bool) -> None:
    assert _may_win(rules, 1.0 / 30.0, barred=barred) == ["mechanical_splice"]


@pytest.mark.parametrize("barred", [False, True])
def test_a_plan_that_wins_once_in_two_hundred_is_not(rules: Rules, barred: bool) -> None:
    """The policy leaves one load in a hundred uncovered."""
    assert _may_win(rules, 0.005, barred=barred) == []


def test_gel_is_carried_where_it_may_be_too_cold_or_too_windy_to_fuse(rules: Rules) -> None:
    """Where only the tray is known: the margin that gel needs is asked for on the way, its bodies cannot be."""
    told = {"place": "foot_of_pole_box", "fault_seen": "broken_in_tray", "danger_seen": "none", "spare_fibres_count": 0}
    advice = advise(parse_context(told, NOW), rules)
    assert advice.action == "repair"
    assert advice.plan is not None
    assert advice.plan.method == "fusion_splice"
    assert any("mechanical splices" in line.item for line in advice.kit)


# --- numbers -----------------------------------------------------------------------------------------------------


def test_who_is_sent_to_a_pole_can_climb_too_where_the_platform_may_fail_him(rules: Rules) -> None:
    """A supervisor's habit: two people go to a pole anyway, so they bring what another way up takes, and somebody holds
    what it asks for. Once they are under way nobody changes who they are."""
    told: dict[str, Any] = {"place": "pole_top", "fault_seen": "broken_in_tray", "danger_seen": "none",
                            "cable_touches_power_line": "no", "platform_can_reach": "yes", "height_m": 8.0}  # fmt: skip
    sent = advise(parse_context(told, NOW), rules)
    assert sent.plan is not None
    assert sent.plan.access == "platform"
    assert "may_climb" in sent.crew.besides
    assert "may_climb" not in sent.crew.authorisations
    assert any(line.item == "climbing and rescue gear in date, for two persons" for line in sent.kit)
    under_way = advise(parse_context({**told, "crew_place": "travelling"}, NOW), rules)
    assert "may_climb" not in under_way.crew.besides


def test_a_number_seldom_exceeded_lies_where_its_stretch_says() -> None:
    """Nine in ten of half in 0 to 10 and half in 10 to 30: four fifths of the second stretch."""
    assert quantile(0.9, [0.5, 0.5], [(0.0, 10.0), (10.0, 30.0)]) == pytest.approx(26.0)


@given(
    level=st.floats(0.01, 0.99),
    parts=st.lists(st.tuples(st.integers(0, 9), st.integers(1, 50)), min_size=1, max_size=6),
)
def test_that_chance_lies_below_it_and_the_rest_above(level: float, parts: list[tuple[int, int]]) -> None:
    weights = [weight for weight, _ in parts]
    if not any(weights):
        return
    chances = [weight / sum(weights) for weight in weights]
    edges = [0.0]
    for _, width in parts:
        edges.append(edges[-1] + width)
    stretches = list(pairwise(edges))
    found = quantile(level, chances, stretches)
    below = sum(
        chance * min(max((found - low) / (high - low), 0.0), 1.0)
        for chance, (low, high) in zip(chances, stretches, strict=True)
    )
    assert below == pytest.approx(level, abs=1e-9)


# --- what asking costs -------------------------------------------------------------------------------------------


def _prices(rules: Rules, **told: Any) -> dict[str, float]:
    situation = look(rules, as_it_stands(parse_context({**CABINET, "outage_value_cu_per_h": 600, **told}, NOW), rules))
    judged = weigh(situation, situation.candidates())
    assert situation.weighing is not None
    return prices_of(situation, Outlook(situation.weighing, judged[:3]))


def test_asking_costs_the_service_that_is_down_unless_a_crew_is_on_its_way(rules: Rules) -> None:
    """A minute of the desk at 60 cu an hour, and ten of service at 600; on the road nobody waits."""
    minutes = rules.policy.facts["margin_db"].price_min
    assert _prices(rules)["margin_db"] == pytest.approx(minutes * 11.0)
    assert _prices(rules, crew_place="travelling")["margin_db"] == pytest.approx(minutes * 1.0)


# --- beside a question -------------------------------------------------------------------------------------------


def test_beside_a_question_only_harm_is_told(rules: Rules) -> None:
    """Not the charge of a battery, nor which plug fits which; but nobody looks into the open end."""
    advice = advise(parse_context({"place": "pole_top", "fault_seen": "hanging"}, NOW), rules)
    assert advice.action == "ask_first"
    harm = {row.tag for row in rules.policy.cautions if row.of_harm}
    tags = {caution.tag for caution in advice.cautions}
    assert tags <= harm
    assert {"eye_laser", "height", "electrical"} <= tags
