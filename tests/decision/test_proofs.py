"""The prover of claims beside a second one that shares no code with it, on the shipped policy and on policies with one
rule changed; the two lemmas it rests on, on contexts that are half known; and that every counterexample is one."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest
from builders import NOW, persons_of
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from shipped_policy import Raw, screens_of, shipped_files
from whole_jobs import Job, whole_jobs

from decision.mutated_rules import mutated, rules_with
from decision.second_prover import SecondProver
from repairadvisor.decision.cautions import owed
from repairadvisor.decision.counterexamples import permitted
from repairadvisor.decision.method import advise
from repairadvisor.decision.proofs import FAILS, HOLDS, UNDECIDED, Proof, prove
from repairadvisor.decision.rules import Rules
from repairadvisor.decision.screens import CLEAR
from repairadvisor.decision.situation import Situation, look
from repairadvisor.decision.start import as_it_stands
from repairadvisor.decision.stored_light import as_plain
from repairadvisor.errors import InputError
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import facts_of
from repairadvisor.policy.model import CLAIMS_ON_WORLDS, Claim
from repairadvisor.policy.table import read_condition

MUTATED, MUTATED_USUALLY, SEED = 100, 2, 20311126
#: Claims looked at for each changed policy besides those that are near the change.
BESIDE = 6


@pytest.fixture(scope="module")
def files() -> dict[str, Raw]:
    return shipped_files()


@pytest.fixture(scope="module")
def second(files: dict[str, Raw]) -> SecondProver:
    return SecondProver(files)


# --- two provers -----------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_both_provers_find_that_every_shipped_claim_holds(
    share: Callable[[int, int, int], int], rules: Rules, second: SecondProver, files: dict[str, Raw]
) -> None:
    """The solver, which is quick, looks at every claim in every run; the product's prover at a share of them."""
    raw = {claim["id"]: claim for claim in files["claims.toml"]["claim"]}
    claims = [claim for claim in rules.policy.claims if claim.kind in CLAIMS_ON_WORLDS]
    assert len(claims) >= 20
    screens, cautions = screens_of(files), files["cautions.toml"]["caution"]
    mine = random.Random(SEED).sample(claims, share(len(claims), len(claims) // 8, SEED))
    verdicts = {claim.id: prove(claim, rules, NOW).verdict for claim in mine}
    again = {claim.id: second.is_true(raw[claim.id], screens, cautions) for claim in claims}
    assert verdicts == dict.fromkeys(verdicts, HOLDS)
    assert again == dict.fromkeys(again, True)


def test_a_claim_turned_round_fails_for_both_and_the_service_says_so(
    rules: Rules, second: SecondProver, files: dict[str, Raw]
) -> None:
    """The contrary of what must hold: fusion is permitted where the air has tested clear."""
    never = {"kind": "permission", "plans": {"method": ["fusion_splice"]}, "only_where": {"any": []}}
    assert not second.is_true(never, screens_of(files), [])
    claim = next(one for one in rules.policy.claims if one.id == "no-arc-in-a-data-hall-without-a-permit")
    turned = _with_condition(claim, {"fact": "arc_permit", "is": "no"}, rules)
    proof = prove(turned, rules, NOW)
    assert proof.verdict == FAILS
    _is_real(proof, turned, rules)


def _with_condition(claim: Claim, raw: Raw, rules: Rules) -> Claim:
    return replace(claim, where=read_condition("turned", raw, {}, tuple(rules.policy.derived)))


@pytest.mark.long
def test_both_provers_agree_on_policies_with_one_rule_changed(
    share: Callable[[int, int, int], int],
    record_property: Callable[[str, object], None],
    rules: Rules,
    second: SecondProver,
    files: dict[str, Raw],
) -> None:
    """Where one finds that a claim holds so does the other. A claim that fails has a context which the service, under
    the changed policy, really answers that way."""
    count = share(MUTATED, MUTATED_USUALLY, SEED)
    drawn = random.Random(SEED)
    raw = {claim["id"]: claim for claim in files["claims.toml"]["claim"]}
    stored = as_plain(rules.light)
    met: Counter[str] = Counter()
    for _ in range(count):
        of_cautions = drawn.random() < 0.3
        screens, cautions = screens_of(files), files["cautions.toml"]["caution"]
        if of_cautions:
            name, way, cautions = mutated(cautions, "when", second.limits_by_name, drawn)
        else:
            of_people = [one for one in screens if one["kind"] in ("safety", "danger", "scope", "competence")]
            name, way, changed = mutated(of_people, "bars_when", second.limits_by_name, drawn)
            screens = [*(one for one in screens if one not in of_people), *changed]
        other = rules_with(rules, stored, files, screens, cautions)
        for claim in _near(rules, raw, name, drawn):
            proof = prove(claim, other, NOW)
            true = second.is_true(raw[claim.id], screens, cautions)
            met[f"{proof.verdict}, {'true' if true else 'false'}"] += 1
            assert (proof.verdict == HOLDS) == true, (name, way, claim.id, proof)
            if proof.verdict == FAILS:
                _is_real(proof, claim, other)
    record_property("figures", "\n".join(f"{name}: {times}" for name, times in sorted(met.items())))
    assert met[f"{HOLDS}, true"]
    assert count < MUTATED or met[f"{FAILS}, false"] >= count // 20
    assert met[f"{UNDECIDED}, false"] <= met.total() // 100


def _near(rules: Rules, raw: Mapping[str, Raw], name: str, drawn: random.Random) -> list[Claim]:
    """Claims on what a rule of that name speaks of, and some others."""
    claims = [claim for claim in rules.policy.claims if claim.kind in CLAIMS_ON_WORLDS]
    screens = [one for one in rules.policy.screens if one.id == name]
    facts = {fact for one in screens for fact in facts_of(one.bars_when)} - {"place"}
    near = [one for one in claims if one.caution == name or facts & set(_facts_in(raw[one.id].get("only_where", {})))]
    others = [one for one in claims if one not in near]
    return [*near, *drawn.sample(others, BESIDE)]


def _facts_in(raw: Any) -> list[str]:
    if isinstance(raw, list):
        return [name for one in raw for name in _facts_in(one)]
    if not isinstance(raw, Mapping):
        return []
    mine = [raw["fact"]] if "fact" in raw else []
    return mine + [name for one in raw.values() for name in _facts_in(one)]


def _is_real(proof: Proof, claim: Claim, rules: Rules) -> None:
    """The service, given the facts that were printed, permits the plan or owes no such caution, as was said."""
    found = proof.counterexample
    assert found is not None
    context = parse_context(found.told, found.now)
    situation = look(rules, as_it_stands(context, rules))
    if claim.kind == "permission":
        assert found.plan in {plan.id for plan in rules.policy.plans if permitted(situation, plan)}
    else:
        plan = next((one for one in rules.policy.plans if one.id == found.plan), None)
        assert claim.caution not in {one.row.tag for one in owed(_rows(situation), plan)}
    assert advise(context, rules).action == found.action


def _rows(situation: Situation) -> list[Any]:
    return [(row, situation.of("caution", i)) for i, row in enumerate(situation.rules.policy.cautions)]


# --- the two lemmas --------------------------------------------------------------------------------------------------

#: Whole jobs know nearly everything, so that forgetting some words leaves few contexts to go through.
JOBS = whole_jobs()
FORGETTABLE = tuple(fact.name for fact in BY_NAME.values() if fact.words and len(fact.words) <= 6)
LEMMAS, LEMMAS_USUALLY = 400, 60


@st.composite
def _half_known(draw: st.DrawFn) -> tuple[Job, tuple[str, ...]]:
    job = draw(st.sampled_from(JOBS))
    told = [name for name in job.facts if name in FORGETTABLE and isinstance(job.facts[name], str)]
    return job, tuple(draw(st.lists(st.sampled_from(told), min_size=1, max_size=2, unique=True)))


@pytest.mark.long
def test_a_plan_is_permitted_and_a_caution_owed_as_the_lemmas_say(
    share: Callable[[int, int, int], int], rules: Rules
) -> None:
    """Permitted in what is half known if and only if permitted however it turns out; owed if and only if owed in one of
    the ways in which it may turn out. The ways are gone through here, one word after the other."""
    count = share(LEMMAS, LEMMAS_USUALLY, SEED)
    met: Counter[str] = Counter()

    @seed(SEED)
    @settings(max_examples=count, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    @given(case=_half_known())
    def lemmas(case: tuple[Job, tuple[str, ...]]) -> None:
        job, forgotten = case
        left = {name: value for name, value in job.facts.items() if name not in forgotten}
        half = _situation(left, job, rules)
        ways = [
            _situation({**left, **dict(zip(forgotten, words, strict=True))}, job, rules)
            for words in itertools.product(*(BY_NAME[name].words for name in forgotten))
        ]
        whole = [one for one in ways if one is not None]
        assert half is not None
        clear = [_clear(one, rules) for one in whole]
        together = clear[0]
        for one in clear[1:]:
            together &= one
        assert _clear(half, rules) == together
        tags = {plan: {one.row.tag for one in owed(_rows(half), plan)} for plan in (None, rules.policy.plans[0])}
        for plan, mine in tags.items():
            assert mine == {one.row.tag for way in whole for one in owed(_rows(way), plan)}
        met["permits something"] += bool(together)
        met["permits more in one way"] += any(one != together for one in clear)

    lemmas()
    assert met["permits something"]
    assert met["permits more in one way"]


def _situation(told: Mapping[str, Any], job: Job, rules: Rules) -> Situation | None:
    """What the rules say of it; None where the facts contradict each other."""
    try:
        context = parse_context(told, job.now)
    except InputError:
        return None
    return look(rules, context)


def _clear(situation: Situation, rules: Rules) -> int:
    """The plans, as bits, on which every screen is clear."""
    left = (1 << len(rules.policy.plans)) - 1
    for i, plans in enumerate(rules.screen_plans):
        if situation.status[i] != CLEAR:
            left &= ~plans
    return left


# --- what is run -----------------------------------------------------------------------------------------------------


def test_every_method_has_its_witness_and_a_wrong_one_is_refused(rules: Rules) -> None:
    claim = next(one for one in rules.policy.claims if one.kind == "witness")
    first, second = claim.witnesses[:2]
    assert prove(claim, rules, NOW).verdict == HOLDS
    swapped = replace(claim, witnesses=(replace(first, told=second.told),))
    assert prove(swapped, rules, NOW).verdict == FAILS


def test_a_crew_is_enough_for_each_place_that_it_may_be(rules: Rules) -> None:
    """Common practice, no source: a pit and a span need two persons each, so it is two where it may be either."""
    told: dict[str, object] = {"danger_seen": "none", "fault_seen": "cut", "fibre_mode": "single_mode", "margin_db": 3}
    told.update(spare_near_m=30, spare_far_m=30, crew_place="on_site", crew_count=2)
    advice = advise(parse_context({**told, "place": {"one_of": ["dug_pit", "aerial_span"]}}, NOW), rules)
    assert advice.action == "repair"
    assert advice.crew.persons == 2


def test_a_crew_that_is_too_small_is_found(rules: Rules) -> None:
    """Common practice, no source: one person sent to a pit is one too few."""
    claim = next(one for one in rules.policy.claims if one.id == "two-persons-at-poles-pits-and-deep-chambers")
    assert prove(claim, rules, NOW).verdict == HOLDS
    fewer = replace(rules.policy, crew_by_place={**rules.policy.crew_by_place, "dug_pit": persons_of(1)})
    proof = prove(claim, replace(rules, policy=fewer), NOW)
    assert proof.verdict == FAILS
    assert proof.counterexample is not None
    assert proof.counterexample.told == {"place": "dug_pit"}
