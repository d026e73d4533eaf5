"""The screens of the policy that ships: each by the examples it brings, and that none is idle."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from shipped_policy import screens_of, shipped_files

from repairadvisor.decision.cells import possible_of_derived
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN, open_facts, statuses
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME, FACTS
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.model import HOW_KNOWN, SCREEN_KINDS, Policy
from repairadvisor.policy.read_rules import parents_of

NOW = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
EXAMPLES = {"bars": BARRED, "clears": CLEAR, "leaves_open": OPEN}


#: Ids as they stand in the files, read without the loader.
SCREENS = [row["id"] for row in screens_of(shipped_files())]


def _index(rules: Rules, screen_id: str) -> int:
    return next(i for i, screen in enumerate(rules.screens) if screen.id == screen_id)


def test_the_policy_that_ships_has_at_least_sixty_screens(policy: Policy) -> None:
    assert [screen.id for screen in policy.screens] == SCREENS
    assert len(SCREENS) >= 60


@pytest.mark.parametrize("example", EXAMPLES)
@pytest.mark.parametrize("screen_id", SCREENS)
def test_a_screen_says_of_its_example_what_the_example_is_for(screen_id: str, example: str, rules: Rules) -> None:
    i = _index(rules, screen_id)
    context = parse_context(rules.screens[i].examples[example], NOW)
    assert statuses(rules.compiled, context)[rules.index("screen", i)] == EXAMPLES[example]


@pytest.mark.parametrize("screen_id", SCREENS)
def test_an_open_screen_names_a_fact_of_its_own_that_nobody_has_settled(screen_id: str, rules: Rules) -> None:
    i = _index(rules, screen_id)
    screen = rules.screens[i]
    context = parse_context(screen.examples["leaves_open"], NOW)
    named = open_facts(rules.compiled, context, i)
    assert named
    derived = rules.policy.derived
    settled = [
        (context.possible[name] if name in BY_NAME else possible_of_derived(derived[name], context)).settled
        for name in named
    ]
    assert not any(settled)


@pytest.mark.parametrize("screen_id", SCREENS)
def test_a_screen_speaks_of_some_plan_and_only_of_those_it_names(screen_id: str, rules: Rules) -> None:
    i = _index(rules, screen_id)
    screen = rules.screens[i]
    fitting = [
        all(getattr(plan, dimension) in words for dimension, words in screen.plans.items())
        for plan in rules.policy.plans
    ]
    assert any(fitting)
    assert [bool(rules.screen_plans[i] >> k & 1) for k in range(len(fitting))] == fitting


@pytest.mark.parametrize("screen_id", SCREENS)
def test_a_screen_says_why_whence_and_what_lifts_it(screen_id: str, policy: Policy) -> None:
    screen = next(one for one in policy.screens if one.id == screen_id)
    assert screen.kind in SCREEN_KINDS
    assert screen.because.endswith(".")
    assert screen.source.strip()
    assert screen.known in HOW_KNOWN
    assert screen.lifted_by.what.strip()
    assert screen.lifted_by.who.strip()
    assert screen.check == bool(screen.not_before)


def test_a_danger_and_a_scope_rule_name_somebody_to_call(policy: Policy) -> None:
    assert [s.id for s in policy.screens if s.kind in ("scope", "danger") and not s.call] == []


def test_the_cautions_that_screens_bring_along_have_a_text(policy: Policy) -> None:
    tags = {row.tag for row in policy.cautions}
    missing = {tag for screen in policy.screens for tag in screen.cautions} - tags
    assert missing == set()


#: Facts that no row of the policy asks of, each with the reason why it may be told all the same.
NAMED_BY_NO_ROW = {
    "cable_fibre_count": "bounds how many fibres can be down, spare or working beside the broken ones",
    "life_line_fibres_count": "decides which fibres come back first",
    "outage_value_cu_per_h": "the price of each minute without service",
    "owner_accepts_below_reserve": "changes what is said where only the budget is missed",
    "protected_route": "told for the record: nothing weighs it yet",
    "deadline_min": "told for the record: nothing weighs it yet",
    "access_ends_min": "told for the record: nothing weighs it yet",
    "mode_field_near_um": "says what unlike mode fields lose, and for what width offsets count",
    "mode_field_far_um": "says what unlike mode fields lose, and for what width offsets count",
    "link_class": "part of the margin where nobody has told it",
    "splitter_first": "part of the margin where nobody has told it",
    "splitter_second": "part of the margin where nobody has told it",
    "link_length_m": "part of the margin where nobody has told it",
    "link_splices_count": "part of the margin where nobody has told it",
    "link_plug_pairs_count": "part of the margin where nobody has told it; step of a ladder of reflection limits",
    "received_power_before_dbm": "part of the margin where nobody has told it",
    "receiver_needs_dbm": "part of the margin where nobody has told it",
    "owner_reserve_db": "part of the margin where nobody has told it",
}


def test_every_fact_is_asked_of_by_some_row(rules: Rules) -> None:
    idle = [name for name in BY_NAME if name not in _used(rules)]
    assert sorted(idle) == sorted(NAMED_BY_NO_ROW)


def _used(rules: Rules) -> set[str]:
    """Facts that a screen, derived fact, minute, price, caution, step, item, slot, budget or prior hangs on."""
    policy = rules.policy
    conditions = [
        *(screen.bars_when for screen in rules.screens),
        *(row.when for rows in (policy.cautions, policy.steps, policy.kit, policy.slots) for row in rows),
        *(control.hazard for control in policy.controls),
    ]
    used = {name for condition in conditions for name in facts_of(condition)}
    used |= {name for derived in policy.derived.values() for name in parents_of(derived)}
    used |= {name for row in (*policy.minutes, *policy.prices) for name in (row.by, row.per)}
    used |= {screen.needs for screen in policy.screens}
    used |= {s.lifted_by.minutes for s in policy.screens if isinstance(s.lifted_by.minutes, str)}
    used |= {name for slot in policy.slots for name, _ in slot.after}
    used |= {str(value)[1:] for slot in policy.slots for value in slot.then.values() if str(value).startswith("=")}
    used |= {fact.parent for fact in policy.facts.values()}
    used |= {parent for fact in FACTS for parent, _ in fact.applies}
    return used
