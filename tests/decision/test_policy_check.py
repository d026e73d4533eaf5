"""Every kind of fault that a check of the policy finds: each is put once into the policy that ships, and found.

The kinds of fault of a table of rules (missing, overlapping, identical, subsumed, dead) are those of D. Calvanese,
M. Dumas, Ü. Laurson, F. M. Maggi, M. Montali, I. Teinemaa, "Semantics and Analysis of DMN Decision Tables", 2016 (from
memory). The others are this product's own; there is no source for them but that they are faults.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest

from repairadvisor.decision.check_facts import failing_examples, unused_facts
from repairadvisor.decision.check_rows import contradicting, counted_twice, missing_answers, named_twice
from repairadvisor.decision.check_rules import (
    barred_everywhere,
    dead_rules,
    never_alone,
    rules_of_no_plan,
    said_twice,
)
from repairadvisor.decision.findings import Finding
from repairadvisor.decision.policy_check import LOOKED_FOR
from repairadvisor.decision.rules import Rules, compiled
from repairadvisor.decision.screens import BARRED, statuses
from repairadvisor.decision.stored_light import as_plain
from repairadvisor.decision.witnesses import ANY_MOMENT
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import ALWAYS, AtLeast, Below, Condition, Every, IsOneOf, Not
from repairadvisor.policy.model import Caution, FactPolicy, Policy, Prior

Look = Callable[[Rules], Iterator[Finding]]
WITH = Callable[[Policy], Rules]
WHOLE = bool(os.environ.get("REPAIRADVISOR_LONG"))
#: The two that look at every plan in every world take half a minute: .ci/run has the command do them.
LOOKED = [one for one in LOOKED_FOR if WHOLE or one not in (barred_everywhere, never_alone)]


@pytest.fixture(scope="module")
def under(rules: Rules) -> WITH:
    """The rules of a changed policy; its light is that of the shipped one, which no change here touches."""
    light = as_plain(rules.light)
    return lambda policy: compiled(policy, light)


def of(rows: Sequence[Any], name: str) -> Any:
    return next(row for row in rows if row.id == name)


def but(rows: Sequence[Any], row: Any) -> tuple[Any, ...]:
    """The rows with one in place of that of its id."""
    return tuple(row if one.id == row.id else one for one in rows)


def with_screen(policy: Policy, like: str, name: str, **changes: Any) -> Policy:
    return replace(policy, screens=(*policy.screens, replace(of(policy.screens, like), id=name, **changes)))


def with_fact(policy: Policy, name: str, **changes: Any) -> Policy:
    return replace(policy, facts={**policy.facts, name: replace(policy.facts[name], **changes)})


def with_words(policy: Policy, table: str, changes: Mapping[str, object]) -> Policy:
    said = policy.wording[table]
    assert isinstance(said, Mapping)
    return replace(policy, wording={**policy.wording, table: {**said, **changes}})


# --- rules -------------------------------------------------------------------------------------------------------

THUNDER = IsOneOf("lightning", ("within_30_s",))
#: A test of the air has a meaning in chambers only; a pole top is none.
NOWHERE = Every((IsOneOf("place", ("pole_top",)), IsOneOf("gas_test", ("alarm",))))
UP = {"access": ("ladder", "climbing", "platform")}


def _dead(policy: Policy) -> Policy:
    return with_screen(policy, "no-height-in-thunder", "new", bars_when=NOWHERE)


def _dead_by_a_sum(policy: Policy) -> Policy:
    """No plate says more than 20 m/s or less than none: what lies over it is less than the gust itself, at most."""
    above = AtLeast("gust_over_plate_mps", "made up", 15.0)
    return with_screen(policy, "gust-over-the-plate", "new", bars_when=Every((above, Below("wind_gust_mps", "", 12.0))))


def _dead_step(policy: Policy) -> Policy:
    return replace(policy, steps=but(policy.steps, replace(of(policy.steps, "guard-the-place"), when=NOWHERE)))


def _dead_slot(policy: Policy) -> Policy:
    return replace(policy, slots=but(policy.slots, replace(of(policy.slots, "gusts-drop"), when=NOWHERE)))


def _of_no_plan(policy: Policy) -> Policy:
    plans = {"method": ("pre_made_cable",), "layout": ("in_tray",)}
    return with_screen(policy, "no-height-in-thunder", "new", plans=plans)


def _minutes_of_no_plan(policy: Policy) -> Policy:
    plans = {"layout": ("re_dress",), "method": ("fusion_splice",)}
    return replace(policy, minutes=but(policy.minutes, replace(of(policy.minutes, "ladder"), plans=plans)))


def _subsumed(policy: Policy) -> Policy:
    """On fewer plans, in fewer worlds than the screen against height in thunder."""
    narrower = Every((THUNDER, IsOneOf("place", ("pole_top",))))
    return with_screen(policy, "no-height-in-thunder", "new", plans={"access": ("climbing",)}, bars_when=narrower)


def _identical(policy: Policy) -> Policy:
    """The same in other words: not anything but thunder within 30 seconds, and lightning has a meaning."""
    other = Every((Not(Not(THUNDER)), THUNDER))
    return with_screen(policy, "no-height-in-thunder", "new", bars_when=other)


def _left_nothing(policy: Policy) -> Policy:
    """Barred at pole tops by one screen, on spans by another, and a third says both."""
    one, other = (IsOneOf("place", (word,)) for word in ("pole_top", "aerial_span"))
    first = replace(of(policy.screens, "no-height-in-thunder"), id="first", plans=UP, bars_when=one)
    both = IsOneOf("place", ("pole_top", "aerial_span"))
    screens = (first, replace(first, id="second", bars_when=other), replace(first, id="both", bars_when=both))
    return replace(policy, screens=screens, steps=(), kit=())


def _barred_everywhere(policy: Policy) -> Policy:
    everywhere = Not(IsOneOf("place", ()))
    plans = {"method": ("pre_made_cable",)}
    return with_screen(policy, "no-height-in-thunder", "new", plans=plans, bars_when=everywhere)


RULES: dict[str, tuple[Callable[[Policy], Policy], Look, str, tuple[str, ...]]] = {
    "dead": (_dead, dead_rules, "never holds", ("new",)),
    "dead by a sum": (_dead_by_a_sum, dead_rules, "never holds", ("new",)),
    "dead step": (_dead_step, dead_rules, "never holds", ("guard-the-place",)),
    "dead slot": (_dead_slot, dead_rules, "never holds", ("gusts-drop",)),
    "of no plan": (_of_no_plan, rules_of_no_plan, "fits no plan", ("new",)),
    "minutes of no plan": (_minutes_of_no_plan, rules_of_no_plan, "fits no plan", ("ladder",)),
    "subsumed": (_subsumed, said_twice, "subsumed", ("new", "no-height-in-thunder")),
    "identical": (_identical, said_twice, "identical", ("new", "no-height-in-thunder")),
}


# --- rows --------------------------------------------------------------------------------------------------------


def _two_slots(policy: Policy) -> Policy:
    other = replace(of(policy.slots, "second-person-arrives"), id="new", then={"crew_count": 3.0})
    return replace(policy, slots=(*policy.slots, other))


def _two_steps(policy: Policy) -> Policy:
    other = replace(of(policy.steps, "guard-the-place"), id="new", limit="Two signs stand.")
    return replace(policy, steps=(*policy.steps, other))


def _two_items(policy: Policy) -> Policy:
    return replace(policy, kit=(*policy.kit, replace(of(policy.kit, "gloves"), id="new", per_job=2.0)))


def _two_texts(policy: Policy) -> Policy:
    return replace(policy, cautions=(*policy.cautions, Caution("height", "Go up.", ALWAYS, {}, "", of_harm=True)))


def _two_names(policy: Policy) -> Policy:
    return with_words(policy, "fact_name", {"spare_far_m": "place of the break"})


def _two_words(policy: Policy) -> Policy:
    return with_words(policy, "word", {"fusion_machine": {"none": "one", "single": "one"}})


def _two_priors(policy: Policy) -> Policy:
    name, fact = next((name, fact) for name, fact in policy.facts.items() if fact.parent)
    return with_fact(policy, name, priors={**fact.priors, "": next(iter(fact.priors.values()))})


def _minutes_twice(policy: Policy) -> Policy:
    other = replace(of(policy.minutes, "ladder"), id="new")
    return replace(policy, minutes=(*policy.minutes, other))


def _price_twice(policy: Policy) -> Policy:
    other = replace(of(policy.prices, "stub-for-good"), id="new", plans={"method": ("field_fit_stub",)})
    return replace(policy, prices=(*policy.prices, other))


def _one_id(policy: Policy) -> Policy:
    return replace(policy, kit=(*policy.kit, replace(policy.kit[0], name="something else")))


def _minutes_gap(policy: Policy) -> Policy:
    row = of(policy.minutes, "set-out-place")
    p50, p95 = ({word: one for word, one in table.items() if word != "chamber"} for table in (row.p50, row.p95))
    return replace(policy, minutes=but(policy.minutes, replace(row, p50=p50, p95=p95)))


def _price_gap(policy: Policy) -> Policy:
    row = of(policy.prices, "stub-for-good")
    amount = {word: one for word, one in row.amount.items() if word != "trunk"}
    return replace(policy, prices=but(policy.prices, replace(row, amount=amount)))


def _no_step(policy: Policy) -> Policy:
    """Only steps of fusion are left: whoever makes another repair is told nothing."""
    fusion = {"method": ("fusion_splice", "ribbon_fusion_splice")}
    return replace(policy, steps=tuple(replace(step, plans=fusion) for step in policy.steps))


def _no_persons(policy: Policy) -> Policy:
    left = {word: one for word, one in policy.crew_by_place.items() if word != "dug_pit"}
    return replace(policy, crew_by_place=left)


def _no_prior_beside_a_word(policy: Policy) -> Policy:
    fact = policy.facts["lightning"] if policy.facts["lightning"].parent else _with_a_parent(policy)
    word = next(iter(fact.priors))
    return with_fact(policy, fact.name, priors={one: prior for one, prior in fact.priors.items() if one != word})


def _with_a_parent(policy: Policy) -> FactPolicy:
    return next(fact for fact in policy.facts.values() if fact.parent and len(fact.priors) > 1)


def _no_chance(policy: Policy) -> Policy:
    return with_fact(policy, "network_part", parent="", priors={"": Prior({"trunk": 1.0}, ())})


def _no_question(policy: Policy) -> Policy:
    return with_fact(policy, "gap_m", question=" ")


def _no_name(policy: Policy) -> Policy:
    return with_words(policy, "fact_name", {"gap_m": ""})


def _no_word(policy: Policy) -> Policy:
    return with_words(policy, "word", {"lightning": {"none": "none"}})


def _not_one(policy: Policy) -> Policy:
    return with_fact(policy, "gap_m", parent="", priors={"": Prior({}, ((0.0, 1.0, 0.5), (1.0, 2000.0, 0.6)))})


def _unused(policy: Policy) -> Policy:
    """The one fact that nothing hangs on, without the line that says that it is meant so."""
    return with_fact(policy, "protected_route", on_purpose="")


def _wrong_example(policy: Policy) -> Policy:
    screen = of(policy.screens, "no-height-in-thunder")
    examples = {**screen.examples, "bars": {"place": "pole_top", "lightning": "none"}}
    return replace(policy, screens=but(policy.screens, replace(screen, examples=examples)))


def _no_example(policy: Policy) -> Policy:
    return with_screen(policy, "no-height-in-thunder", "new", examples={})


ROWS: dict[str, tuple[Callable[[Policy], Policy], Look, str, tuple[str, ...]]] = {
    "two slots": (_two_slots, contradicting, "contradicting", ("second-person-arrives", "new")),
    "two steps": (_two_steps, contradicting, "contradicting", ("guard-the-place", "new")),
    "two items": (_two_items, contradicting, "contradicting", ("gloves", "new")),
    "two texts of a caution": (_two_texts, contradicting, "contradicting", ("height",)),
    "two facts of one name": (_two_names, contradicting, "contradicting", ("place", "spare_far_m")),
    "two words said alike": (_two_words, contradicting, "contradicting", ("none", "single")),
    "two priors": (_two_priors, contradicting, "contradicting", ()),
    "minutes twice": (_minutes_twice, counted_twice, "counted twice", ("ladder", "new")),
    "price twice": (_price_twice, counted_twice, "counted twice", ("stub-for-good", "new")),
    "one id twice": (_one_id, named_twice, "named twice", ("glass-box",)),
    "minutes gap": (_minutes_gap, missing_answers, "no answer", ("set-out-place", "chamber")),
    "price gap": (_price_gap, missing_answers, "no answer", ("stub-for-good", "trunk")),
    "no step": (_no_step, missing_answers, "no answer", ()),
    "no persons": (_no_persons, missing_answers, "no answer", ("dug_pit",)),
    "no prior beside a word": (_no_prior_beside_a_word, missing_answers, "no answer", ()),
    "no chance": (
        _no_chance,
        missing_answers,
        "no answer",
        ("network_part", "feeder", "distribution", "drop", "building"),
    ),
    "no question": (_no_question, missing_answers, "no answer", ("gap_m",)),
    "no name": (_no_name, missing_answers, "no answer", ("gap_m",)),
    "no word": (_no_word, missing_answers, "no answer", ()),
    "does not sum to 1": (_not_one, missing_answers, "prior does not sum to 1", ("gap_m",)),
    "unused fact": (_unused, unused_facts, "never used", ("protected_route",)),
    "wrong example": (_wrong_example, failing_examples, "example fails", ("no-height-in-thunder", "bars")),
    "no example": (_no_example, failing_examples, "example fails", ("new", "bars")),
}


def _news(look: Look, rules: Rules) -> list[Finding]:
    return [one for one in look(rules) if not one.accepted]


@pytest.mark.parametrize("name", [*RULES, *ROWS])
def test_a_fault_that_is_put_in_is_found(name: str, policy: Policy, under: WITH) -> None:
    seed, look, kind, ids = {**RULES, **ROWS}[name]
    found = [one for one in _news(look, under(seed(policy))) if one.kind == kind]
    assert found
    assert all(one.sentence.endswith(".") and one.file.endswith(".toml") for one in found)
    assert not ids or any(one.ids == ids for one in found), [one.ids for one in found]


def test_what_other_screens_leave_nothing_to_is_found(policy: Policy, under: WITH) -> None:
    """Neither of the two holds the third; both together do."""
    changed = under(_left_nothing(policy))
    (found,) = list(never_alone(changed))
    assert (found.kind, found.ids[0], set(found.ids[1:])) == ("left nothing by others", "both", {"first", "second"})
    told = {one.ids: one.kind for one in said_twice(changed)}
    assert told == {("first", "both"): "subsumed", ("second", "both"): "subsumed"}


if WHOLE:  # takes as long as all others together

    @pytest.mark.long
    def test_plans_that_a_screen_bars_everywhere_are_found(policy: Policy, under: WITH) -> None:
        found = _news(barred_everywhere, under(_barred_everywhere(policy)))
        barred = {plan for one in found for plan in one.ids}
        wanted = {plan.id for plan in policy.plans if plan.method == "pre_made_cable"}
        before = {plan for one in barred_everywhere(under(policy)) for plan in one.ids}
        assert wanted - before <= barred
        assert all("new" in one.sentence for one in found)


@pytest.mark.parametrize("look", LOOKED, ids=lambda look: look.__name__)
def test_the_policy_that_ships_has_nothing_that_it_does_not_say_is_meant_so(look: Look, rules: Rules) -> None:
    assert _news(look, rules) == []


@pytest.mark.parametrize("name", ["subsumed", "identical", "two slots", "two steps"])
def test_the_facts_that_show_a_fault_are_as_few_as_can_be(name: str, policy: Policy, under: WITH) -> None:
    """With them both rows hold, without any one of them they no longer surely do."""
    seed, look, kind, ids = {**RULES, **ROWS}[name]
    changed = under(seed(policy))
    found = next(one for one in look(changed) if one.kind == kind and one.ids == ids)
    rows = {"slot": changed.policy.slots, "step": changed.policy.steps, "screen": changed.policy.screens}
    where = [
        changed.index(row_kind, i) for row_kind, listed in rows.items() for i, row in enumerate(listed) if row.id in ids
    ]
    assert len(where) == 2
    assert found.context is not None

    def shows(facts: Mapping[str, object]) -> bool:
        status = statuses(changed.compiled, parse_context(facts, ANY_MOMENT))
        return all(status[i] == BARRED for i in where)

    assert shows(found.context)
    for name_of_one in found.context:
        assert not shows({fact: one for fact, one in found.context.items() if fact != name_of_one})


def test_what_is_meant_so_is_told_with_why(policy: Policy, under: WITH) -> None:
    seeded = _subsumed(policy)
    meant = replace(of(seeded.screens, "new"), on_purpose="said again where people read")
    found = list(said_twice(under(replace(seeded, screens=but(seeded.screens, meant)))))
    assert [(one.ids[0], one.accepted) for one in found] == [("new", "said again where people read")]


def test_a_screen_on_more_plans_is_not_held_by_one_on_fewer(policy: Policy, under: WITH) -> None:
    """The same condition on all plans bars more than the one on plans at height."""
    wider: Condition = Every((THUNDER, IsOneOf("place", ("pole_top",))))
    changed = under(with_screen(policy, "no-height-in-thunder", "new", plans={}, bars_when=wider))
    assert not any(one.ids[0] == "new" for one in said_twice(changed))
