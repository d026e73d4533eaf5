"""Two policies compared at the shell and from the records: where policies and faults come from, and what is refused.

The reference for what is counted is tests/decision/test_policy_comparison.py; here it is the doors. No outside source.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from builders import a_database_url
from whole_jobs import whole_jobs

from repairadvisor import cli
from repairadvisor.cli import policy_compare
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.policy_comparison import (
    ChangeCosts,
    Claim,
    Costs,
    Example,
    LoadMoved,
    Moved,
    PolicyComparison,
)
from repairadvisor.decision.proofs import FAILS, HOLDS, UNDECIDED, Proof
from repairadvisor.errors import InputError, NotFoundError, PolicyError
from repairadvisor.methods import PreparedMethod, default_policy, policy_in_folder, prepared_method
from repairadvisor.policy.load import load_canonical
from repairadvisor.policy_change import (
    claims_kept,
    claims_proven,
    compare_policies,
    drawn,
    policy_by_id,
    policy_named,
    recorded,
)
from repairadvisor.render.policy_comparison import render
from repairadvisor.schemas.claims import proofs_bytes
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.records import Records

CLOCK = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
QUICK = ("tail-snapped-in-the-frame", "squirrel-at-the-terminal", "ferry-at-heron-wharf")
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("policies")


@pytest.fixture(scope="module")
def records(home: Path) -> Records:
    return open_records(Settings(database_url=a_database_url(home)))


@pytest.fixture(scope="module")
def method(records: Records) -> PreparedMethod:
    return prepared_method(cache_folder(os.environ), records)


@pytest.fixture(scope="module")
def ids(method: PreparedMethod, records: Records) -> list[str]:
    """Records of three jobs, the last first."""
    advisor = Advisor(method, records)
    found = []
    for i, job in enumerate(job for job in whole_jobs() if job.id in QUICK):
        asked = {"facts": job.facts, "now": job.now.isoformat()}
        found.append(advisor.advise(asked, CLOCK.replace(minute=i)).id or "")
    return found[::-1]


@pytest.fixture(scope="module")
def folder(home: Path) -> Path:
    """The policy that ships, but nobody climbs or stands on a platform in a breeze."""
    found = home / "stricter"
    shutil.copytree(str(resources.files("repairadvisor.policy") / "default"), found)
    file = found / "limits.toml"
    text, count = re.subn(
        r"(\[limit\.(?:platform_wind|climbing_gust)\]\nvalue = )[0-9.]+", r"\g<1>0.5", file.read_text(encoding="utf-8")
    )
    assert count == 2
    file.write_text(text, encoding="utf-8")
    return found


@pytest.fixture
def run(capfdbinary: Any, monkeypatch: pytest.MonkeyPatch, home: Path) -> Run:
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(home))

    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode(), err.decode()

    return once


# --- at the shell -------------------------------------------------------------------------------------------------


@pytest.fixture
def nothing_proven(monkeypatch: pytest.MonkeyPatch) -> None:
    """Proving takes most of a minute for each policy; what becomes of claims is looked at below."""
    monkeypatch.setattr(policy_compare, "claims_proven", lambda *_: ())


@pytest.mark.usefixtures("nothing_proven")
def test_a_folder_against_the_policy_that_ships_on_what_was_recorded(
    run: Run, folder: Path, ids: list[str], records: Records
) -> None:
    policies = records.policy_ids()
    status, out, err = run("policy", "compare", str(folder), "--records", "10", "--json")
    found = json.loads(out)
    assert status == 1
    assert found["faults"] == "what the last 3 advices were asked about"
    assert (found["comparison"]["cases"], found["comparison"]["changed"]) == (3, 1)
    (worst,) = found["comparison"]["worst"]
    assert worst["case"] in ids
    assert worst["old_plan_refused"] is True
    assert "/climbing/" in worst["old_plan"]
    assert err == ""
    assert records.policy_ids() == policies  # one that is only tried is not kept for ever


@pytest.mark.usefixtures("nothing_proven")
def test_the_same_policy_changes_nothing_and_says_how_far_it_is(
    run: Run, method: PreparedMethod, ids: list[str]
) -> None:
    assert ids
    status, out, err = run(
        "policy", "compare", method.policy_id[:12], "--with", method.policy_id, "--contexts", "11", "--seed", "3"
    )
    assert status == 0
    assert out.startswith("The new policy changes none of 11 answers.\nOn 11 faults drawn from what the old policy")
    assert err == "10 of 11 compared\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["0" * 64], "no policy 0000"),
        (["no-such-folder"], "no policy no-such-folder"),
        (["EMPTY"], "holds no policy"),
        (["TORN"], "crew.toml: is not TOML"),
        (["LATIN"], "cannot be read"),
        (["FOLDER", "--with", "abc"], "no policy abc"),
        (["FOLDER", "--records", "0"], "--records = 0: is out of range"),
        (["FOLDER", "--contexts", "-3"], "--contexts = -3: is out of range"),
        (["FOLDER", "--records", "3", "--seed", "1"], "--seed = 1: does not go with --records"),
    ],
)
def test_what_cannot_be_used_is_refused(
    run: Run, folder: Path, tmp_path: Path, arguments: list[str], said: str
) -> None:
    for name, content in (("empty", None), ("torn", b"[least_by_place\n"), ("latin", b"a = '\xff'")):
        (tmp_path / name).mkdir()
        if content is not None:
            (tmp_path / name / "crew.toml").write_bytes(content)
    places = {"FOLDER": str(folder), **{name.upper(): str(tmp_path / name) for name in ("empty", "torn", "latin")}}
    status, out, err = run("policy", "compare", *(places.get(one, one) for one in arguments))
    assert (status, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


# --- where policies and faults come from --------------------------------------------------------------------------


def test_a_kept_policy_is_had_by_its_id_or_the_beginning_of_it(records: Records, method: PreparedMethod) -> None:
    assert policy_named(method.policy_id, records) == method.policy
    assert policy_named(method.policy_id[:8], None).id == method.policy_id
    for name in ("", method.policy_id[:7], "z" * 64):
        with pytest.raises(NotFoundError):
            policy_named(name, records)


def test_a_beginning_of_several_ids_is_refused_with_all_of_them(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "policy_ids", lambda: ["abcdefgh1", "abcdefgh2"])
    with pytest.raises(InputError, match="abcdefgh1, abcdefgh2"):
        policy_by_id("abcdefgh", records)


def test_a_folder_is_the_policy_of_its_files(folder: Path) -> None:
    found = policy_in_folder(folder)
    assert found.limits["climbing_gust"].value == 0.5
    assert load_canonical(found.canonical) == found
    assert policy_named(str(folder), None) == found


def test_a_folder_that_lacks_a_file_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "crew.toml").write_bytes((folder / "crew.toml").read_bytes())
    with pytest.raises(PolicyError, match="is missing"):
        policy_in_folder(tmp_path)


def test_recorded_faults_are_those_that_were_given_last(records: Records, ids: list[str]) -> None:
    found = recorded(records, 2)
    assert found.count == 2
    assert [case.name for case in found.cases()] == ids[:2]
    for case in found.cases():
        assert set(case.context.as_given()) == set(json.loads(records.get(case.name).facts))


def test_drawn_faults_hang_on_seed_and_number_alone() -> None:
    policy = default_policy()
    three, five, other = (list(drawn(policy, *one).cases()) for one in ((3, 1), (5, 1), (3, 2)))
    assert five[:3] == three
    assert other != three


def test_claims_are_asked_for_under_both(method: PreparedMethod, records: Records, folder: Path) -> None:
    limits = []

    def prover(rules: Any) -> list[Claim]:
        limit = rules.policy.limits["climbing_gust"].value
        limits.append(limit)
        return [Claim("breeze", "People climb in a breeze", limit > 3), Claim("sums", "Sums are sums", True)]

    nothing = replace(recorded(records, 1), cases=lambda: iter(()))
    found = compare_policies(method.policy, policy_in_folder(folder), nothing, records=records, prover=prover)
    assert len(limits) == 2
    assert (found.claims, found.claims_ceased) == (2, (Claim("breeze", "People climb in a breeze", False),))


# --- as lines -----------------------------------------------------------------------------------------------------

EXAMPLE = Example(
    case="drawn 3",
    facts={"place": {"value": "pole_top"}, "fault_seen": {"one_of": ["cut", "crushed"]}},
    lets_more=True,
    old_action="stand_off",
    old_plan="",
    old_say="Keep away.",
    new_action="repair",
    new_plan="a/b/c/d/e/f",
    new_say="Fuse it\x1b[31m.",
    old_plan_costs_more=None,
    old_plan_refused=False,
    because=("Then no longer barred.",),
)
FOUND = PolicyComparison(
    old="a" * 64,
    new="b" * 64,
    cases=200,
    changed=17,
    lets_more=2,
    holds_more=3,
    old_plan_refused=4,
    actions=(Moved("stand_off", "repair", 2),),
    plans=(Moved("", "fuse it in a tent", 2),),
    plans_not_told=5,
    change_costs=ChangeCosts(12, 31.4, 120.0, -4.5),
    costs=Costs(150, 212.0, 198.0),
    currency="cu",
    old_currency="crowns",
    load_changed=9,
    load=(LoadMoved("sleeves", 7, 2),),
    claims=3,
    claims_ceased=(Claim("gusts", "Nobody climbs in gusts", None),),
    worst=(EXAMPLE, replace(EXAMPLE, lets_more=False, old_plan_costs_more=-31.0, because=())),
)

SAID = f"""\
The new policy changes 17 of 200 answers (8.5 %).
On some faults.
Old policy {"a" * 64}
New policy {"b" * 64}

How far people go
  2: the new policy lets people go further than the old one
  3: the new policy holds people back more than the old one
  4: the new policy does not allow the repair that the old one advises

What is done
  2: stand off -> repair

Which way it is repaired
  2: no repair now -> fuse it in a tent
  5 more in other ways

Money
  A job is expected to cost 212 crowns on average by the old policy, 198 cu by the new one, each by its own prices \
(150 jobs)
  By the new prices, keeping the old way where it changes would cost 31 cu more on average, from 4.5 cu less to 120 cu \
more (12 jobs in which both can be priced)

Vans loaded otherwise: 9 of 200
  sleeves: more of it for 7, less for 2

Claims: 3 looked at, 1 no longer hold
  Nobody climbs in gusts (not known to hold)

Look at these first
  1. drawn 3: pole top
     Old: Keep away.
     New: Fuse it\N{REPLACEMENT CHARACTER}[31m.
     The new policy lets people go further here.
     Why: Then no longer barred.
  2. drawn 3: pole top
     Old: Keep away.
     New: Fuse it\N{REPLACEMENT CHARACTER}[31m.
     By the new prices the old way costs 31 cu less.
"""


def test_it_is_said_in_words() -> None:
    assert render(FOUND, "some faults") == SAID


def test_without_faults_it_says_so() -> None:
    nothing = replace(FOUND, cases=0, changed=0)
    assert render(nothing, "nothing").startswith("There was nothing to compare the policies on.\n")


def test_claims_are_had_as_they_were_found_where_somebody_has_looked(
    method: PreparedMethod, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert list(claims_kept(records, method.rules)) == []
    verdicts = (HOLDS, FAILS, UNDECIDED)
    kept = [Proof(f"claim-{one}", "permission", "Said.", one, "", None, 1, 1) for one in verdicts]
    records.keep_proofs(method.policy_id, METHOD_VERSION, datetime.now(UTC), proofs_bytes([(one, 0.1) for one in kept]))
    monkeypatch.setattr("repairadvisor.policy_change.prove_claims", None)
    found = claims_proven(records, datetime.now(UTC), method.rules)
    assert [one.holds for one in found] == [True, False, None]
    assert {one.said for one in found} == {"Said."}
