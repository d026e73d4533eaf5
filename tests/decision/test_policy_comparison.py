"""Two policies over the same faults: counted beside the advice that both give, one by one.

The reference is the method itself, asked once for each policy: what is compared, counted and summed is done here anew,
from the documents alone. No outside source.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from repairadvisor.decision.drawn_contexts import LEAST_TOLD, TOLD_FIRST, Numbers, drawn_context
from repairadvisor.decision.method import advise
from repairadvisor.decision.policy_comparison import EXAMPLES, Case, Claim, PolicyComparison, ceased, compared
from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.stored_light import as_plain
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.canonical import canonical_text, plain_of
from repairadvisor.policy.load import load_canonical
from repairadvisor.policy.model import Policy
from repairadvisor.policy_change import DRAWN_AT

from .told import JOBS

NAMES = (
    "gusts-over-the-plate",
    "under-the-eaves-on-a-still-day",
    "four-snapped-in-tray-two",
    "two-plugs-from-the-bucket",
    "squirrel-at-the-terminal",
    "thunder-over-quillmere",
    "ferry-at-heron-wharf",
    "video-on-the-drop",
    "only-blue-plugs-in-the-bag",
    "plug-pulled-by-the-vacuum-cleaner",
)
CASES = [Case(job.id, parse_context(job.facts, job.now)) for job in JOBS if job.id in NAMES]


def changed(rules: Rules, policy: Policy, numbers: Mapping[tuple[str, ...], float]) -> Rules:
    """The rules with some numbers of the policy's files changed; light is not among them, so its tables serve."""
    raw: Any = plain_of(policy.canonical)
    for path, value in numbers.items():
        at = raw
        for key in path[:-1]:
            at = at[key]
        assert at[path[-1]] != value
        at[path[-1]] = value
    return prepare(load_canonical(canonical_text(raw)), as_plain(rules.light))


@pytest.fixture(scope="module")
def careful(rules: Rules, policy: Policy) -> Rules:
    """Climbing and platforms end at a breeze; labour is ten times as dear."""
    numbers = {
        **{
            ("limits.toml", "limit", f"{name}", "value"): 0.5
            for name in ("platform_wind", "climbing_gust", "ladder_gust")
        },
        ("prices.toml", "rate", "labour_cu_per_person_hour", "value"): 600,
    }
    return changed(rules, policy, numbers)


@pytest.fixture(scope="module")
def there(rules: Rules, careful: Rules) -> PolicyComparison:
    return compared(CASES, rules, careful)


@pytest.fixture(scope="module")
def documents(rules: Rules, careful: Rules) -> dict[str, tuple[Any, Any]]:
    return {case.name: (advise(case.context, rules), advise(case.context, careful)) for case in CASES}


def _words(advice: Any) -> Any:
    """The plan that is done now, or that follows a wait."""
    return advice.wait.then_plan if advice.plan is None and advice.wait is not None else advice.plan


def _plan(advice: Any) -> str:
    return "" if _words(advice) is None else _words(advice).phrase


def test_what_changes_is_counted_as_the_documents_say(
    there: PolicyComparison, documents: dict[str, tuple[Any, Any]]
) -> None:
    pairs = list(documents.values())
    other = [(a, b) for a, b in pairs if (a.action, _words(a)) != (b.action, _words(b))]
    assert (there.cases, there.changed) == (len(CASES), len(other))
    assert there.changed >= 2  # else there is nothing to count
    actions = Counter((a.action, b.action) for a, b in other if a.action != b.action)
    assert {(one.old, one.new): one.count for one in there.actions} == actions
    plans = Counter((_plan(a), _plan(b)) for a, b in other if _words(a) != _words(b))
    assert {(one.old, one.new): one.count for one in there.plans} == plans
    assert there.plans_not_told == 0
    kits = [({line.item: line.quantity for line in one.kit} for one in pair) for pair in pairs]
    assert there.load_changed == sum(before != after for before, after in kits)
    assert {one.case for one in there.worst} <= documents.keys()


def test_costs_are_those_of_the_documents(there: PolicyComparison, documents: dict[str, tuple[Any, Any]]) -> None:
    both = [
        (a.expected_cost.total, b.expected_cost.total)
        for a, b in documents.values()
        if a.action == b.action == "repair"
    ]
    waiting = [one for pair in documents.values() for one in pair if one.wait is not None]
    assert there.costs is not None
    if not waiting:
        assert there.costs.cases == len(both)
    assert there.costs.new_mean > there.costs.old_mean


def test_the_old_plan_is_priced_by_the_new_policy(
    there: PolicyComparison, documents: dict[str, tuple[Any, Any]]
) -> None:
    """Where the document of the new policy names the old plan among its alternatives, it says the same amount."""
    seen = 0
    for one in there.worst:
        before, after = documents[one.case]
        named = {other.plan.id: other.costs_more for other in after.alternatives}
        if after.action == "repair" and one.old_plan in named:
            assert one.old_plan_costs_more == pytest.approx(named[one.old_plan], abs=1e-6)
            seen += 1
        assert (one.old_say, one.new_say) == (before.say, after.say)
        assert not (one.old_plan_refused and one.old_plan_costs_more is not None)
    assert seen or there.change_costs is None


def test_the_other_way_round_people_may_go_further_and_that_is_looked_at_first(rules: Rules, careful: Rules) -> None:
    there, back = (compared(CASES, *pair) for pair in ((rules, careful), (careful, rules)))
    assert (there.lets_more, there.holds_more) == (back.holds_more, back.lets_more)
    assert there.holds_more >= 1
    assert [one.lets_more for one in back.worst] == sorted((one.lets_more for one in back.worst), reverse=True)
    assert back.worst[0].lets_more
    assert len(back.worst) <= EXAMPLES


def test_the_same_policy_changes_nothing(rules: Rules) -> None:
    found = compared(CASES[:3], rules, rules)
    assert (found.cases, found.changed, found.load_changed, found.worst, found.change_costs) == (3, 0, 0, (), None)
    assert found.costs is not None
    assert found.costs.old_mean == found.costs.new_mean


def test_nothing_to_compare_on(rules: Rules) -> None:
    found = compared([], rules, rules)
    assert (found.cases, found.costs, found.worst) == (0, None, ())


def test_only_as_many_examples_are_held_as_are_told(rules: Rules, careful: Rules) -> None:
    many = [replace(case, name=f"{case.name} {i}") for case in CASES[:4] for i in range(4)]
    found = compared(many, rules, careful)
    assert len(found.worst) <= EXAMPLES
    assert found.cases == len(many)


# --- claims -------------------------------------------------------------------------------------------------------


def test_a_claim_that_is_not_known_to_hold_any_more_has_ceased() -> None:
    old = [
        Claim(name, f"said {name}", holds) for name, holds in zip("abcde", (True, True, True, False, None), strict=True)
    ]
    new = [Claim("a", "said a", True), Claim("b", "said b", False), Claim("d", "said d", False)]
    assert ceased(old, new) == (Claim("b", "said b", False), Claim("c", "said c", None))
    assert ceased([], new) == ()


# --- drawn faults -------------------------------------------------------------------------------------------------


def test_the_same_numbers_draw_the_same_fault(policy: Policy) -> None:
    first, again, other = (drawn_context(policy, DRAWN_AT, Numbers(text)) for text in ("1/1", "1/1", "1/2"))
    assert first == again
    assert first != other


def test_what_is_drawn_has_a_meaning_lies_in_its_prior_and_is_told_to_more_than_half(policy: Policy) -> None:
    shares = []
    for number in range(60):
        context = drawn_context(policy, DRAWN_AT, Numbers(f"7/{number}"))
        assert parse_context(json.loads(json.dumps(context.as_given())), DRAWN_AT) == context
        assert set(TOLD_FIRST) <= context.held.keys()
        for name, held in context.held.items():
            assert isinstance(held.state, Known)
            priors = policy.facts[name].priors.values()
            if isinstance(held.state.value, str):
                assert any(held.state.value in prior.words for prior in priors)
            else:
                spans = [stretch for prior in priors for stretch in prior.stretches]
                assert any(low <= held.state.value <= high for low, high, _ in spans)
        open_facts = sum(context.has_meaning(name) for name in BY_NAME if name not in context.held)
        shares.append(len(context.held) / (len(context.held) + open_facts))
    assert LEAST_TOLD < sum(shares) / len(shares) < 1.0


def test_words_are_drawn_as_often_as_the_prior_says(policy: Policy) -> None:
    """Within four standard deviations of a binomial (textbook formula, from memory)."""
    count = 400
    drawn = Counter(
        str(drawn_context(policy, DRAWN_AT, random.Random(number)).held["place"].state.value)  # type: ignore[union-attr]
        for number in range(count)
    )
    masses = policy.facts["place"].priors[""].words
    for word, mass in masses.items():
        share = mass / sum(masses.values())
        assert abs(drawn[word] - count * share) < 4 * (count * share * (1 - share)) ** 0.5, word


def test_numbers_hang_on_their_text_alone() -> None:
    """Evenly from 0 to 1: mean one half, within four standard errors (sqrt(1/12/n), from memory)."""
    numbers = Numbers("5/1")
    drawn = [numbers.random() for _ in range(2_000)]
    assert [Numbers("5/1").random(), Numbers("5/2").random()] == [drawn[0], Numbers("5/2").random()]
    assert all(0.0 <= one < 1.0 for one in drawn)
    assert abs(sum(drawn) / len(drawn) - 0.5) < 4 * (1 / 12 / len(drawn)) ** 0.5
    assert len(set(drawn)) == len(drawn)
