"""What a plan is expected to cost, against a case small enough to follow by hand and against every world."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decision.small_policy import (
    FUSION,
    GAS,
    MECHANICAL,
    NOTHING,
    NOW,
    PLANS,
    SHORT,
    TIGHT,
    Known,
    Named,
    Small,
    World,
    a_price,
    a_screen,
    small_rules,
    some_minutes,
    work_owed,
    worlds_of,
)
from repairadvisor.decision.plans import ranked
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.situation import Judged, look, weigh
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Possible
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import Below, Condition, IsOneOf, Some

#: Nothing that is down costs anything here, so that a cost is what the small policy says it is.
CALM: dict[str, Any] = {"outage_value_cu_per_h": 0, "crew_place": "on_site", "service_kind": "passive_network"}
#: The damage is known, so that what stays owed is known world by world.
CUT: dict[str, Any] = {**CALM, "fault_seen": "cut"}

ON_FUSION, ON_MECHANICAL, ON_NOTHING = ({"method": (plan.method,)} for plan in PLANS)

# Ground 0.7 or chamber 0.3; gas, in a chamber only, clear 0.8 or alarm 0.2; spare short 0.25 or long; margin tight 0.4
# or ample; dry two times in three. Fusion: 60, and 20 when wet, barred by gas or a short spare; 140 is spent where a
# check fails. Mechanical: 75, and 5 in a chamber, barred by a tight margin; 120 where a check fails. Leaving it: 150.
# What is spent is setting up in vain, 40 for coming back, and the work of fusion, which is what stays owed.
BY_HAND = Small(
    priors={
        "place": {"foot_of_pole_box": 0.7, "chamber": 0.3},
        "gas_test": {"clear": 0.8, "alarm": 0.2},
        "spare_near_m": [(0.0, 2.0, 0.25), (2.0, 500.0, 0.75)],
        "margin_db": [(-10.0, 1.0, 0.4), (1.0, 40.0, 0.6)],
        "precipitation": {"none": 2.0 / 3.0, "rain": 1.0 / 3.0},
    },
    prices=(
        a_price("fusion", ON_FUSION, 60.0 - 100.0 / 3.0),
        a_price("when wet", ON_FUSION, {"rain": 20.0}, by="precipitation"),
        a_price("mechanical", ON_MECHANICAL, {"foot_of_pole_box": 185.0 / 3.0, "chamber": 200.0 / 3.0}, by="place"),
        a_price("leaving it", ON_NOTHING, 150.0),
    ),
    minutes=(
        some_minutes("machine set up", "set_up", ON_FUSION, 100.0 / 3.0),
        some_minutes("box opened", "set_up", ON_MECHANICAL, 40.0 / 3.0),
    ),
    rates={"stand_off_return_cu": 40.0},
)


def _weighed(rules: Rules, context: Context) -> dict[str, Judged]:
    situation = look(rules, context)
    return {one.plan.id: one for one in weigh(situation, situation.candidates())}


def _costs(rules: Rules, **told: Any) -> list[float]:
    judged = _weighed(rules, parse_context({**CUT, **told}, NOW))
    return [judged[plan.id].cost for plan in PLANS]


@pytest.fixture(scope="module")
def by_hand(rules: Rules) -> Rules:
    return small_rules(rules, BY_HAND)


def test_nothing_known(by_hand: Rules) -> None:
    """0.705 of worlds let fusion be: 66.67 + 0.295 x 73.33; mechanical 0.6 x 76.5 + 0.4 x 120."""
    assert _costs(by_hand) == pytest.approx([88.30, 93.90, 150.00], abs=1e-9)


def test_a_chamber_makes_a_tie(by_hand: Rules) -> None:
    """Fusion fails oftener there, mechanical costs more there."""
    assert _costs(by_hand, place="chamber") == pytest.approx([96.00, 96.00, 150.00], abs=1e-9)


def test_spare_known_and_gas_not(by_hand: Rules) -> None:
    """66.67 + 0.06 x 73.33."""
    assert _costs(by_hand, spare_near_m=30)[0] == pytest.approx(1066.0 / 15.0, abs=1e-9)
    assert f"{_costs(by_hand, spare_near_m=30)[0]:.2f}" == "71.07"


def test_gas_clear_or_without_meaning(by_hand: Rules) -> None:
    """A fact may be bounded to one of its words and to having no meaning at once: at the box or in clear air."""
    context = parse_context({**CUT, "spare_near_m": 30}, NOW)
    no_alarm = Possible(("clear",), 0.0, 0.0, applies=True, may_lack=True)
    context = replace(context, possible={**context.possible, "gas_test": no_alarm})
    judged = _weighed(by_hand, context)[FUSION.id]
    assert judged.cost == pytest.approx(200.0 / 3.0, abs=1e-9)
    assert judged.chance == 1.0


@pytest.mark.parametrize(
    "told",
    [
        {"place": "foot_of_pole_box", "spare_near_m": 30},
        {"gas_test": "clear", "spare_near_m": 30},
        {"place": "chamber", "gas_test": "clear", "spare_near_m": {"between": [2, 500]}},
    ],
)
def test_where_nothing_is_open_fusion_costs_what_it_costs(by_hand: Rules, told: dict[str, Any]) -> None:
    assert _costs(by_hand, **told)[0] == pytest.approx(200.0 / 3.0, abs=1e-9)


def test_chances_that_nothing_bars(by_hand: Rules) -> None:
    judged = _weighed(by_hand, parse_context(CUT, NOW))
    chances = [judged[plan.id].chance for plan in PLANS]
    assert chances == pytest.approx([0.705, 0.6, 1.0], abs=1e-12)


def test_dry_and_wet(by_hand: Rules) -> None:
    """60 + 0.295 x 73.33, and 20 more."""
    assert _costs(by_hand, precipitation="none")[0] == pytest.approx(60.0 + 0.295 * 220.0 / 3.0, abs=1e-9)
    assert _costs(by_hand, precipitation="rain")[0] == pytest.approx(80.0 + 0.295 * 220.0 / 3.0, abs=1e-9)


def test_a_bound_within_a_stretch_splits_it(by_hand: Rules) -> None:
    """Spare between 1 and 2 + 249: half of what is short, half of what is long: 0.125 against 0.375, as before."""
    halved = _weighed(by_hand, parse_context({**CUT, "spare_near_m": {"between": [1, 251]}}, NOW))[FUSION.id]
    assert halved.chance == pytest.approx(0.94 * 0.75, abs=1e-12)
    rest = _weighed(by_hand, parse_context({**CUT, "spare_near_m": {"between": [1, 2]}}, NOW))[FUSION.id]
    assert rest.chance == pytest.approx(0.0, abs=1e-12)
    assert rest.cost == pytest.approx(220.0 / 3.0 + 76.5, abs=1e-9)  # fusion cannot be what stays owed: mechanical is


def test_a_tie_goes_to_the_plan_without_a_machine(by_hand: Rules) -> None:
    situation = look(by_hand, parse_context({**CUT, "place": "chamber"}, NOW))
    order = ranked(situation, weigh(situation, 7))
    assert [one.plan for one in order] == [MECHANICAL, FUSION, NOTHING]


def test_a_plan_already_issued_is_kept_among_equals_only(by_hand: Rules) -> None:
    situation = look(by_hand, parse_context({**CUT, "place": "chamber"}, NOW))
    judged = weigh(situation, 7)
    assert ranked(situation, judged, FUSION.id)[0].plan == FUSION
    assert ranked(situation, judged, NOTHING.id)[0].plan == MECHANICAL
    assert ranked(situation, judged, "no plan of this policy")[0].plan == MECHANICAL


# --- parts of a cost, one by one ---------------------------------------------------------------------------------


def test_a_service_that_is_down_costs_until_the_last_restoring_minute(rules: Rules) -> None:
    """Half an hour of work at 60 an hour, and its outage at 120; clearing away costs work but nobody waits for it."""
    small = Small(
        priors=BY_HAND.priors,
        prices=(),
        screens=(),
        minutes=(
            some_minutes("join", "join", ON_FUSION, 30.0),
            some_minutes("tidy", "clear_away", ON_FUSION, 10.0),
        ),
    )
    made = small_rules(rules, small)
    assert _costs(made, outage_value_cu_per_h=120)[0] == pytest.approx(30.0 + 10.0 + 60.0)


def test_a_number_within_a_cell_counts_with_its_mean(rules: Rules) -> None:
    """Ten a metre, the spare even between 2 and 500, known to lie between 10 and 30: two hundred."""
    small = Small(
        priors=BY_HAND.priors, prices=(a_price("by the metre", ON_FUSION, 10.0, per="spare_near_m"),), screens=()
    )
    made = small_rules(rules, small)
    assert _costs(made, spare_near_m={"between": [10, 30]})[0] == pytest.approx(200.0, abs=1e-9)
    assert _costs(made)[0] == pytest.approx(10.0 * (0.25 * 1.0 + 0.75 * 251.0), abs=1e-9)


def test_a_whole_number_is_one_of_a_few_and_not_all_between(rules: Rules) -> None:
    """Three to six fibres, all alike likely: 4.5 on average, and 1 in 2 that there are at least five."""
    prior = [(1.0, 3.0, 0.2), (3.0, 7.0, 0.4), (7.0, 6912.0, 0.4)]
    fewer = Below("fibres_down_count", "a limit", 5.0)
    small = Small(
        priors={"fibres_down_count": prior},
        prices=(a_price("each", ON_FUSION, 10.0, per="fibres_down_count"), a_price("one", ON_MECHANICAL, 1.0)),
        screens=(a_screen("few", "mechanical_splice", fewer),),
    )
    made = small_rules(rules, small)
    known = {"fibres_down_count": {"between": [3, 6]}, "fibres_in_service_count": 1, "cable_fibre_count": 6912}
    judged = _weighed(made, parse_context({**CALM, **known}, NOW))
    assert judged[FUSION.id].cost == pytest.approx(45.0, abs=1e-9)
    assert judged[MECHANICAL.id].chance == pytest.approx(0.5, abs=1e-12)


def test_a_stretch_of_whole_numbers_holds_its_first_and_not_its_last(rules: Rules) -> None:
    """0.2 to 1 and 2, 0.4 to 3 to 6: two of the six numbers of 2 to 5 weigh 0.1, three a tenth each."""
    prior = [(1.0, 3.0, 0.2), (3.0, 7.0, 0.4), (7.0, 6912.0, 0.4)]
    small = Small(
        priors={"fibres_down_count": prior},
        prices=(a_price("each", ON_FUSION, 10.0, per="fibres_down_count"),),
        screens=(),
    )
    made = small_rules(rules, small)
    told = {"fibres_down_count": {"between": [2, 5]}, "fibres_in_service_count": 1, "cable_fibre_count": 6912}
    # 2 has a mass of 0.1; 3, 4 and 5 have 0.1 each.
    assert _costs(made, **told)[0] == pytest.approx(10.0 * 3.5, abs=1e-9)


# --- every world -------------------------------------------------------------------------------------------------

PLACES = ("foot_of_pole_box", "chamber", "customer_home")
WET = ("none", "rain", "snow")
CUTS = {"spare_near_m": (2.0,), "margin_db": (1.0,)}
EITHER = Some((GAS, Below("spare_near_m", "a limit", 2.0)))


def _masses(words: tuple[str, ...]) -> st.SearchStrategy[dict[str, float]]:
    whole = st.lists(st.integers(1, 9), min_size=len(words), max_size=len(words))
    return whole.map(lambda numbers: {word: number / sum(numbers) for word, number in zip(words, numbers, strict=True)})


def _stretches(*edges: float) -> st.SearchStrategy[list[tuple[float, float, float]]]:
    count = len(edges) - 1
    whole = st.lists(st.integers(1, 9), min_size=count, max_size=count)
    return whole.map(
        lambda numbers: [(edges[i], edges[i + 1], number / sum(numbers)) for i, number in enumerate(numbers)]
    )


PRICES = st.integers(0, 200).map(float)


@st.composite
def _small(draw: st.DrawFn) -> tuple[Small, dict[str, dict[str, Any]]]:
    """A small policy with its numbers drawn, and those numbers for the enumeration."""
    numbers: dict[str, dict[str, Any]] = {
        plan.method: {
            "flat": draw(PRICES),
            "wet": {word: draw(PRICES) for word in WET},
            "place": {word: draw(PRICES) for word in PLACES},
            "metre": draw(st.integers(0, 3).map(float)),
            "set_up": draw(PRICES),
        }
        for plan in PLANS
    }
    back = draw(PRICES)
    rows = []
    for method, one in numbers.items():
        mine: dict[str, tuple[str, ...]] = {"method": (method,)}
        rows += [
            a_price(f"{method} flat", mine, one["flat"]),
            a_price(f"{method} wet", mine, one["wet"], by="precipitation"),
            a_price(f"{method} place", mine, one["place"], by="place"),
            a_price(f"{method} metre", mine, one["metre"], per="spare_near_m"),
        ]
        one["back"] = back
    on_fusion: list[Condition] = draw(
        st.lists(st.sampled_from([GAS, SHORT, EITHER, IsOneOf("place", ("chamber",))]), max_size=3, unique=True)
    )
    on_mechanical: list[Condition] = draw(
        st.lists(st.sampled_from([TIGHT, SHORT, IsOneOf("precipitation", ("rain", "snow"))]), max_size=3, unique=True)
    )
    small = Small(
        priors={
            "place": draw(_masses(PLACES)),
            "gas_test": draw(_masses(("none", "clear", "alarm"))),
            "margin_db": draw(_stretches(-10.0, 0.0, 2.0, 40.0)),
            "precipitation": draw(_masses(WET)),
        },
        by_parent={"spare_near_m": ("place", {place: draw(_stretches(0.0, 5.0, 500.0)) for place in PLACES})},
        prices=tuple(rows),
        minutes=tuple(
            some_minutes(f"{method} set up", "set_up", {"method": (method,)}, one["set_up"])
            for method, one in numbers.items()
        ),
        screens=(
            *(a_screen(f"f{i}", "fusion_splice", one) for i, one in enumerate(on_fusion)),
            *(a_screen(f"m{i}", "mechanical_splice", one) for i, one in enumerate(on_mechanical)),
        ),
        rates={"stand_off_return_cu": back, "failed_visits_most": float(draw(st.integers(0, 3)))},
    )
    return small, numbers


@st.composite
def _known(draw: st.DrawFn) -> dict[str, Any]:
    """What is known: of each fact nothing, a bound, or one value."""
    known: dict[str, Any] = {}
    place = draw(st.sets(st.sampled_from(PLACES), max_size=3))
    if place:
        known["place"] = tuple(word for word in BY_NAME["place"].words if word in place)
    wet = draw(st.sets(st.sampled_from(WET), max_size=2))
    if wet and "customer_home" not in known.get("place", PLACES):
        known["precipitation"] = tuple(word for word in BY_NAME["precipitation"].words if word in wet)
    gas = draw(st.sets(st.sampled_from(("none", "clear", "alarm")), max_size=2))
    if gas and known.get("place") == ("chamber",):
        known["gas_test"] = tuple(word for word in BY_NAME["gas_test"].words if word in gas)
    for name, points in (("spare_near_m", (0.0, 1.0, 2.0, 4.0, 60.0)), ("margin_db", (-2.0, 0.5, 1.0, 3.0))):
        ends = sorted(draw(st.lists(st.sampled_from(points), max_size=2)))
        if ends:
            known[name] = (ends[0], ends[-1])
    return known


def _told(known: Known) -> dict[str, Any]:
    return {
        name: {"one_of": list(left)} if isinstance(left[0], str) else {"between": list(left)}
        for name, left in known.items()
    }


def _by_plan(world: World, one: dict[str, Any]) -> float:
    spare = world["spare_near_m"]
    assert isinstance(spare, tuple)
    cost = float(one["flat"]) + float(one["set_up"]) + float(one["metre"]) * (spare[0] + spare[1]) / 2.0
    cost += one["place"][world["place"]]
    return cost + (one["wet"][world["precipitation"]] if world["precipitation"] is not None else 0.0)


def test_every_plan_costs_what_enumeration_says(rules: Rules) -> None:
    weighed: list[float] = []

    @settings(max_examples=120, derandomize=True, deadline=None, database=None)
    @given(made=_small(), known=_known(), damage=st.sampled_from([None, "crushed"]))
    def weighing_is_enumeration(
        made: tuple[Small, dict[str, dict[str, Any]]], known: dict[str, Any], damage: str | None
    ) -> None:
        small, numbers = made
        told = {**CALM, **_told(known)} | ({} if damage is None else {"fault_seen": damage})
        made_rules, context = small_rules(rules, small), parse_context(told, NOW)
        judged = _weighed(made_rules, context)
        worlds = worlds_of(small, known, CUTS)
        named = {
            plan.id: Named(
                [screen.bars_when for screen in small.screens if plan.method in screen.plans["method"]],
                lambda world, one=numbers[plan.method]: _by_plan(world, one),
                lambda _, one=numbers[plan.method]: one["set_up"] + one["back"],
            )
            for plan in PLANS
        }
        owed = work_owed(
            worlds,
            [named[plan_id] for plan_id in judged],
            small.rates["failed_visits_most"],
            damage_known=damage is not None,
        )
        for plan_id, one in named.items():
            chance = one.chance(worlds)
            if plan_id not in judged:
                assert chance == 0.0  # never offered
                continue
            assert judged[plan_id].chance == pytest.approx(chance, abs=1e-9)
            assert judged[plan_id].cost == pytest.approx(one.expected_cost(worlds, owed), rel=1e-9, abs=1e-9)
            weighed.append(chance)

    weighing_is_enumeration()
    assert sum(0.0 < chance < 1.0 for chance in weighed) > 60
