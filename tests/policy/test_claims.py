"""Claims: what they are refused for, what the command says of them, and with which exit status."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from builders import NOW

from repairadvisor import cli
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.proofs import HOLDS, Proof
from repairadvisor.decision.rules import Rules
from repairadvisor.errors import PolicyError
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import PreparedMethod
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy
from repairadvisor.service import open_records
from repairadvisor.settings import Settings

Run = Callable[..., tuple[int, str, str]]

#: Makes no claim that is true: nobody may climb only where it rains.
FALSE_CLAIM = """
[[claim]]
id = "made-up"
kind = "permission"
says = "Nobody climbs unless it rains."
plans = { access = ["climbing"] }
only_where = { fact = "precipitation", is = "rain" }
source = "common practice, no source"
known = "common practice"
"""
#: Of cautions likewise: nobody is warned of a pit wherever frost may be.
FALSE_CAUTION = """
[[claim]]
id = "made-up"
kind = "caution"
says = "Where it may rain everybody is warned of buried services."
caution = "buried_services"
any_action = true
wherever = { fact = "precipitation", is = "rain" }
source = "common practice, no source"
known = "common practice"
"""
FIGURE = """
[limit.claim_made_up]
value = 8
unit = "{unit}"
source = "common practice, no source"
known = "common practice"
since = "2026-11-26"
"""
WINDY = 'only_where = { fact = "wind_gust_mps", below = "claim_made_up" }'
RAINY = 'only_where = { fact = "precipitation", is = "rain" }'


@pytest.fixture(scope="module")
def few_texts(texts: dict[str, str]) -> dict[str, str]:
    """The files with fewer rows, so that they are read sooner; claims speak of none of these rows."""
    heads = {"minutes.toml": "[[minutes]]", "kit.toml": "[[item]]", "steps.toml": "[[step]]"}
    return {**texts, **{name: head.join(texts[name].split(head)[:5]) for name, head in heads.items()}}


def _refused(texts: Mapping[str, str], claims: str, *said: str) -> None:
    with pytest.raises(PolicyError) as caught:
        load_policy({**texts, "claims.toml": claims})
    for one in said:
        assert one in str(caught.value)


def _figure(unit: str) -> str:
    return FIGURE.format(unit=unit)


def test_the_shipped_claims_are_twenty_or_more_and_have_figures_of_their_own(policy: Policy) -> None:
    assert len(policy.claims) >= 20
    assert not {limit.name for claim in policy.claims for limit in claim.limits} & set(policy.limits)


@pytest.mark.parametrize(
    ("claims", "said"),
    [
        (FALSE_CLAIM.replace("says", "sais"), ("made-up", "says")),
        (FALSE_CLAIM + 'colour = "any"\n', ("made-up", "'colour' is not known")),
        (FALSE_CLAIM.replace("permission", "promise"), ("made-up: kind", "permission")),
        (FALSE_CLAIM.replace("climbing", "climing"), ("made-up: plans.access", "did you mean climbing?")),
        (FALSE_CLAIM.replace('"rain"', '"rein"'), ("precipitation", "did you mean rain?")),
        (FALSE_CLAIM.replace("only_where", "wherever"), ("made-up", "'wherever' is not known")),
        (FALSE_CLAIM * 2, ("claim made-up", "named twice")),
        (FALSE_CLAIM.replace('known = "common practice"', 'known = "hearsay"'), ("made-up: known",)),
        (
            FALSE_CAUTION.replace("buried_services", "burried_services"),
            ("made-up", "burried_services", "buried_services"),
        ),
        (_figure("km/h") + FALSE_CLAIM.replace(RAINY, WINDY), ("wind_gust_mps", "claim_made_up in km/h", "m/s")),
        (_figure("m/s") + FALSE_CLAIM, ("limit.claim_made_up", "is used by no claim")),
        (FALSE_CLAIM.replace(RAINY, WINDY.replace("claim_made_up", "climbing_gust")), ("climbing_gust",)),
        (
            _figure("m/s").replace("claim_made_up", "climbing_gust")
            + FALSE_CLAIM.replace(RAINY, WINDY.replace("claim_made_up", "climbing_gust")),
            ("limit.climbing_gust", "is a figure of the rules too"),
        ),
        (
            _figure("minutes") + FALSE_CLAIM.replace("permission", "crew").replace(RAINY, 'least = "claim_made_up"'),
            ("made-up: least", "claim_made_up is in minutes", "persons"),
        ),
        (FALSE_CLAIM.replace("permission", "witness").replace(RAINY, ""), ("made-up",)),
    ],
)
def test_a_claim_that_cannot_be_used_is_refused_by_name(
    few_texts: dict[str, str], claims: str, said: tuple[str, ...]
) -> None:
    _refused(few_texts, claims, *said)


def test_a_rule_cannot_use_the_figure_of_a_claim(texts: dict[str, str]) -> None:
    changed = texts["screens_safety.toml"].replace('at_least = "climbing_gust"', 'at_least = "claim_wind_aloft"')
    assert changed != texts["screens_safety.toml"]
    with pytest.raises(PolicyError, match="claim_wind_aloft"):
        load_policy({**texts, "screens_safety.toml": changed})


# --- the command -----------------------------------------------------------------------------------------------------


@pytest.fixture
def run(capfdbinary: Any, monkeypatch: pytest.MonkeyPatch, texts: dict[str, str], rules: Rules) -> Callable[[str], Run]:
    """Runs the command under the policy with other claims; only the claims differ, so nothing is compiled anew."""

    def under(claims: str) -> Run:
        policy = rules.policy
        if claims:
            policy = replace(policy, claims=load_policy({**texts, "claims.toml": claims}).claims)
        method = PreparedMethod(policy, replace(rules, policy=policy))
        monkeypatch.setattr(cli.policy_prove, "prepared_method", lambda *_, **__: method)

        def once(*arguments: str) -> tuple[int, str, str]:
            status = cli.main(["policy", "prove", "--no-record", *arguments])
            out, err = capfdbinary.readouterr()
            return status, out.decode(), err.decode()

        return once

    return under


def test_a_claim_that_holds_is_said_to_hold(run: Callable[[str], Run]) -> None:
    status, out, err = run("")("--claim", "no-gel-in-analogue-video", "--claim", "water-in-chambers-is-warned-of")
    assert status == 0
    assert "It holds: proven for every context, world by world." in out
    assert "2 claims: 2 hold, 0 do not, 0 not decided." in out
    assert "no-gel-in-analogue-video …" in err


@pytest.mark.parametrize("claims", [FALSE_CLAIM, FALSE_CAUTION])
def test_a_claim_that_is_false_gives_one_and_the_context(run: Callable[[str], Run], claims: str) -> None:
    status, out, _ = run(claims)()
    assert status == 1
    assert "made-up: " in out
    assert "It does NOT hold" in out
    assert "Told at " in out
    assert "Not held: made-up." in out


def test_the_context_of_a_false_claim_is_one_under_which_it_is_false(run: Callable[[str], Run]) -> None:
    """Nobody climbs unless it rains: there is a place to climb, and rain is not known to fall."""
    status, out, _ = run(FALSE_CLAIM)("--json")
    said = json.loads(out)
    assert status == 1
    assert said["verdict"] == "fails"
    context = parse_context(said["counterexample"]["told"], NOW)
    assert set(context.possible["place"].words) <= {"pole_top", "aerial_span"}
    assert set(context.possible["precipitation"].words) != {"rain"}
    assert "/climbing/" in said["counterexample"]["plan"]
    assert said["seconds"] > 0


def test_a_claim_that_is_not_there_is_refused(run: Callable[[str], Run]) -> None:
    status, out, err = run("")("--claim", "made-up")
    assert status == 2
    assert out == ""
    assert "made-up" in err
    assert "the policy has no such claim" in err


def test_a_search_that_is_given_up_is_not_read_as_holding(
    run: Callable[[str], Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("repairadvisor.decision.proofs.MOST_BRANCHES", 1)
    status, out, _ = run("")("--claim", "no-arc-where-gas-is-not-clear-and-fresh")
    assert status == 1
    assert "NOT DECIDED, which is not to be read as that it holds" in out


def test_what_became_of_all_claims_is_kept_and_of_single_ones_is_not(
    rules: Rules, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = f"sqlite:///{tmp_path}/records.db"
    records = open_records(Settings(database_url=url))
    records.keep_policy(rules.policy_id, rules.policy.canonical)
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", url)
    method = PreparedMethod(rules.policy, rules)
    monkeypatch.setattr(cli.policy_prove, "prepared_method", lambda *_, **__: method)
    found = [Proof(claim.id, claim.kind, claim.says, HOLDS, "", None, 1, 1) for claim in rules.policy.claims]
    monkeypatch.setattr(cli.policy_prove, "prove_claims", lambda *_: iter(found))
    assert cli.main(["policy", "prove", "--claim", found[0].claim]) == 0
    assert records.proofs(rules.policy_id, METHOD_VERSION) is None
    assert cli.main(["policy", "prove"]) == 0
    kept = records.proofs(rules.policy_id, METHOD_VERSION)
    assert kept is not None
    assert len(json.loads(kept[1])) == len(found)
