"""Turning points against the answer at every value of a fact, from every world of small policies."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from unittest import mock

import pytest
from hypothesis import assume, given, seed, settings
from hypothesis import strategies as st

from decision.enumerated import Wide, wide_rules
from decision.enumerated_turns import Answered, At, Sharp, Terms, grid, nearest, possible_beside
from decision.small_policy import NOW, Small, a_price
from decision.test_asking import AMOUNTS, DRAWN, NO_JOINT, SEED, WORDS, Case, _cases, _left, _part, _told
from repairadvisor.decision.answer import Answer
from repairadvisor.decision.method import answer
from repairadvisor.decision.outcomes import Outcomes
from repairadvisor.decision.rules import Rules, _hang_on, _priced
from repairadvisor.decision.situation import Situation, look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.turning import Turn, turns_of
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME, Fact
from repairadvisor.policy.model import PriceRow
from repairadvisor.policy.plan import Plan

#: Generated contexts in a whole run, and in .ci/run one in so many of them.
CONTEXTS, ONE_IN = 100, 20
#: Least, greatest and step of numbers that are told, so that every value can be tried.
GRIDS = {
    "spare_near_m": (0.0, 60.0, 0.3),
    "gap_m": (0.0, 60.0, 0.3),
    "cut_back_near_m": (0.0, 10.0, 0.05),
    "distance_to_plug_m": (0.0, 60.0, 0.3),
    "margin_db": (-2.0, 8.0, 0.05),
    "oxygen_pct": (15.0, 25.0, 0.05),
    "joints_in_length_count": (0.0, 50.0, 1.0),
    "outage_value_cu_per_h": (0.0, 300.0, 1.5),
}
KINDS = ("safety", "work", "safety", "danger", "work")
MOST_WORLDS = 300
#: Costs so close to the edge of the indifference that the last bits decide are not compared.
HAIR = 1e-9


@dataclass(frozen=True)
class Told:
    """A policy, what is known under it, and which of that was told as one value."""

    wide: Wide
    known: Mapping[str, Any]
    exactly: tuple[str, ...]
    pick: int


@st.composite
def _told_cases(draw: st.DrawFn) -> Told:
    """A generated policy with most of its facts told as one value."""
    case: Case = draw(_cases())
    known: dict[str, Any] = {}
    for name in case.wide.facts:
        may_be = name != "precipitation" and all(
            {*known.get(parent, WORDS[parent])} & {*words} for parent, words in BY_NAME[name].applies
        )
        if not may_be or draw(st.integers(0, 3)) == 0:
            continue
        if name in WORDS:
            known[name] = (
                draw(st.sampled_from([word for word in WORDS[name] if word in known.get(name, WORDS[name])])),
            )
        else:
            value = draw(st.sampled_from(grid(_narrow(name))))
            known[name] = (value, value)
        _left(known, name)
    exactly = tuple(name for name in known if len({*known[name]}) == 1 and _on_grid(name, known[name][0]))
    numbers = [name for name in exactly if name in GRIDS]
    rows = [draw(_row_by(i, numbers, case.wide.plans)) for i in range(draw(st.integers(2, 5)) if numbers else 0)]
    rates = {"indifference_absolute_cu": draw(st.sampled_from([15.0, 2.0])), "indifference_relative": 0.01}
    screens = tuple(
        replace(one, kind=KINDS[(case.pick + i) % len(KINDS)]) for i, one in enumerate(case.wide.small.screens)
    )
    small = replace(
        case.wide.small,
        prices=(*case.wide.small.prices, *rows),
        screens=screens,
        rates={**case.wide.small.rates, **rates},
    )
    return Told(replace(case.wide, small=small, later={}), known, exactly, case.pick)


@st.composite
def _row_by(draw: st.DrawFn, number: int, numbers: Sequence[str], plans: Sequence[Plan]) -> PriceRow:
    """A price that goes by a number that is told, up to about a hundred over its range."""
    name = draw(st.sampled_from(numbers))
    amount = draw(AMOUNTS) / (GRIDS[name][1] - GRIDS[name][0])
    return a_price(f"by the number {number}", draw(_part(plans)), amount, per=name)


def _narrow(name: str) -> Fact:
    """A fact as it is while it is told as one value: few words, or few values."""
    fact = BY_NAME[name]
    if name in WORDS:
        return replace(fact, words=tuple(word for word in fact.words if word in WORDS[name]))
    low, high, step = GRIDS[name]
    return replace(fact, low=low, high=high, resolution=step)


def _on_grid(name: str, value: float | str) -> bool:
    return name in WORDS or value in grid(_narrow(name))


@dataclass
class Tally:
    """What was met, and where turning points are not those of the enumeration."""

    met: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)


def _rules_of(rules: Rules, wide: Wide) -> Rules:
    """A wide policy's rules, with what bears on its prices, and no memory of another policy."""
    made = wide_rules(rules, wide)
    return replace(made, priced=_priced(made.policy), hang_on=_hang_on(made.policy), second_visits={})


def _context_of(told: Told) -> dict[str, Any]:
    given_so = _told(told.known)
    for name in told.exactly:
        given_so[name] = told.known[name][0]
    if "outage_value_cu_per_h" in told.wide.facts and "outage_value_cu_per_h" not in told.known:
        del given_so["outage_value_cu_per_h"]
    return given_so


def _whole(situation: Situation) -> Answer:
    return answer(situation, "", ask=False)


def _product_turns(rules: Rules, told: Told) -> tuple[Answered, list[Turn]]:
    made = _rules_of(rules, told.wide)
    context = parse_context(_context_of(told), NOW)
    beside = Outcomes(context, answer(look(made, as_it_stands(context, made)), ""), _whole)
    now = beside(context)
    return (now.action, now.plan), list(turns_of(context, made, beside))


def _answers(told: Told, name: str, terms: Terms, tally: Tally) -> list[tuple[float | str, Answered | None]]:
    """The answer at every value of a fact; None where that cannot be."""
    fact = BY_NAME[name]
    found: list[tuple[float | str, Answered | None]] = []
    for value in fact.words or grid(fact):
        known = possible_beside(told.known, name, value)
        found.append((value, None if known is None else At(told.wide, known, terms).answer()))
        tally.met["values"] += 1
    return found


def _expected(told: Told, name: str, now: Answered, terms: Terms, tally: Tally) -> set[tuple[Any, ...]]:
    answers = _answers(told, name, terms, tally)
    if name in WORDS:
        return {("word", value, then) for value, then in answers if then is not None and then != now}
    value = told.known[name][0]
    return set(nearest(answers, value, now, BY_NAME[name].resolution))  # type: ignore[arg-type]


def _compare(rules: Rules, told: Told, tally: Tally) -> None:
    terms = Terms(
        told.wide.small.rates["indifference_absolute_cu"],
        told.wide.small.rates["indifference_relative"],
        {"re_dress": 0, "clean_and_reseat": 0, "re_route_on_spare_fibres": 0}
        | {"join_directly": 1, "in_tray": 1, "re_terminate": 1, "insert_section": 2},
    )
    now, turns = _product_turns(rules, told)
    assert now == At(told.wide, told.known, terms).answer()
    for name in told.exactly:
        found = {(one.side, one.value, (one.then.action, one.then.plan)) for one in turns if one.fact == name}
        expected = _expected(told, name, now, terms, tally)
        kind = "words" if name in WORDS else "numbers"
        tally.met[kind] += 1
        tally.met[f"{kind} that turn"] += bool(expected)
        if found != expected:
            tally.missed.append(f"{name} told {told.known[name][0]}: {sorted(found)} for {sorted(expected)}")
    tally.met["context"] += 1


def _few_worlds(told: Told) -> bool:
    """Whether there is something to turn, and the worlds can be counted again for every value."""
    return bool(told.exactly) and Sharp(told.wide, told.known).count <= MOST_WORLDS


#: What generated contexts have to meet, or they would show little.
MET = ("numbers that turn", "words that turn")


@pytest.mark.long
def test_turning_points_are_those_of_every_value(
    share: Callable[[int, int, int], int], record_property: Callable[[str, object], None], rules: Rules
) -> None:
    """For each fact told as one value the answer at every other value: the nearest that turns it, and no other."""
    count = share(CONTEXTS, CONTEXTS // ONE_IN, SEED)
    tally = Tally()

    @seed(SEED)
    @settings(DRAWN, max_examples=count)
    @given(told=_told_cases())
    def turns_are_counted(told: Told) -> None:
        with mock.patch.dict(BY_NAME, {name: _narrow(name) for name in told.exactly}):
            assume(_few_worlds(told))
            _compare(rules, told, tally)
        assert not tally.missed

    turns_are_counted()
    record_property("figures", "\n".join(f"{name}: {times}" for name, times in sorted(tally.met.items())))
    assert tally.met["context"] >= count
    assert min(tally.met[name] for name in MET) >= count // 10


# --- turning points by hand --------------------------------------------------------------------------------------

KNOWN = {"place": ("foot_of_pole_box",), "fault_seen": ("cut",), "spare_near_m": (30.0, 30.0)}


def _hand(prices: tuple[PriceRow, ...], plans: tuple[Plan, ...]) -> Told:
    small = Small(
        priors={
            "place": {"foot_of_pole_box": 1.0},
            "fault_seen": {"cut": 1.0},
            "spare_near_m": [(0.0, 500.0, 1.0)],
        },
        prices=prices,
        screens=(),
        rates={"stand_off_return_cu": 100.0, "indifference_absolute_cu": 15.0, "indifference_relative": 0.01},
    )
    return Told(Wide(small, plans), KNOWN, ("spare_near_m",), 0)


def _hand_turns(rules: Rules, told: Told) -> list[tuple[str, Any, int]]:
    """What the product finds, once it is what trying every value gives."""
    tally = Tally()
    with mock.patch.dict(BY_NAME, {name: _narrow(name) for name in told.exactly}):
        _compare(rules, told, tally)
        assert not tally.missed
        _, turns = _product_turns(rules, told)
    return [(one.side, one.value, one.then.plan) for one in turns if one.fact == "spare_near_m"]


def test_a_price_that_moves_all_plans_alike_turns_nothing(rules: Rules) -> None:
    """Ten plans that cost the same, 95 and a cu a metre: whichever is preferred among equals stays so."""
    told = _hand((a_price("flat", {}, 95.0), a_price("by the metre", {}, 1.0, per="spare_near_m")), NO_JOINT)
    assert _hand_turns(rules, told) == []


def _by_the_metre(access: str, at_none: float, by_the_metre: float) -> tuple[PriceRow, PriceRow]:
    part = {"access": (access,)}
    return a_price(access, part, at_none), a_price(f"{access}, metres", part, by_the_metre, per="spare_near_m")


#: Of those that cost about the same the ladder comes first by its id, then who goes on foot, then the platform.
LADDER, ON_FOOT, PLATFORM = NO_JOINT[2], NO_JOINT[0], NO_JOINT[3]


def test_a_turn_where_two_lines_meet(rules: Rules) -> None:
    """The ladder 2 cu a metre, on foot 60: the ladder is preferred up to 75, which is at 37.5 m."""
    told = _hand((*_by_the_metre("ladder", 0.0, 2.0), *_by_the_metre("on_foot", 60.0, 0.0)), (ON_FOOT, LADDER))
    assert _hand_turns(rules, told) == [("at_least", 37.8, 0)]


def test_a_turn_there_and_back_between_two_limits_is_found(rules: Rules) -> None:
    """On foot 60; the ladder 80 less 0.25 a metre, which is within 15 of that from 20 m on; the platform 80 less 0.55 a
    metre, than which the ladder is 15 dearer from 50 m on, and then on foot wins again. No rule speaks of metres."""
    prices = (
        *_by_the_metre("on_foot", 60.0, 0.0),
        *_by_the_metre("ladder", 80.0, -0.25),
        *_by_the_metre("platform", 80.0, -0.55),
    )
    told = replace(_hand(prices, (ON_FOOT, LADDER, PLATFORM)), known={**KNOWN, "spare_near_m": (0.3, 0.3)})
    assert _hand_turns(rules, told) == [("at_least", 20.1, 1)]
    back = replace(told, known={**KNOWN, "spare_near_m": (59.1, 59.1)})
    assert _hand_turns(rules, back) == [("below", 50.1, 1)]
