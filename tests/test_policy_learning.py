"""Learning at the shell: from kept attempts to an overlay in a folder, that nothing else reads or adopts.

What is learnt is looked at in tests/outcome; here it is the doors. No outside source.
"""

from __future__ import annotations

import functools
import json
import os
import tomllib
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import a_database_url
from outcome.kept_work import keep
from outcome.recorded_work import fused, made

from repairadvisor import cli, policy_learning
from repairadvisor.cli import policy_learn
from repairadvisor.decision.policy_comparison import Claim
from repairadvisor.decision.proofs import FAILS, HOLDS, Proof
from repairadvisor.made_joints import made_joints
from repairadvisor.methods import PreparedMethod, policy_in_folder, prepared_method
from repairadvisor.outcome.learning import COUNTED_ALREADY, learn
from repairadvisor.service import open_records
from repairadvisor.settings import Settings, cache_folder, overlay_folder
from repairadvisor.store.records import Records

LANTERNFIELD = Path(str(resources.files("repairadvisor.policy") / "lanternfield"))
Run = Callable[..., tuple[int, str, str]]
SEED = 20310504


def kept(home: Path) -> Records:
    records = open_records(Settings(database_url=a_database_url(home)))
    shipped = compiled(None).policy
    records.keep_policy(shipped.id, shipped.canonical)
    return records


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database that holds five hundred fused joints of a crew somewhat worse than the policy says."""
    found = tmp_path_factory.mktemp("learning")
    keep(kept(found), fused(np.random.default_rng(SEED), 500, 1.15), compiled(None).policy.id)
    return found


@functools.cache
def compiled(overlay: Path | None) -> PreparedMethod:
    return prepared_method(cache_folder(os.environ), overlay=overlay)


@pytest.fixture
def run(capfdbinary: Any, monkeypatch: pytest.MonkeyPatch, home: Path) -> Run:
    """One command; policies are compiled once for all of them."""
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(home))
    monkeypatch.setattr(policy_learn, "prepared_method", lambda _cache, _records, overlay: compiled(overlay))

    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(["policy", "learn", *arguments])
        out, err = capfdbinary.readouterr()
        return status, out.decode(), err.decode()

    return once


def test_an_overlay_is_proposed_that_says_what_it_was_and_what_stands_behind_it(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "learnt"
    status, out, err = run("--into", str(folder), "--only-learn")
    assert (status, err) == (0, "")
    assert "500 attempts at 500 joints, 2031-03-03 to 2031-03-08 (both ways 500; of 0 only a bound)" in out
    assert "offset:    0.25 µm before" in out
    assert "Nothing is adopted by that." in out
    assert "Nobody has looked whether the policy's claims hold with it" in out
    assert sorted(one.name for one in folder.iterdir()) == ["joints.toml", "overlay.toml"]
    (row,) = tomllib.loads((folder / "joints.toml").read_text(encoding="utf-8"))["joint"]
    offset = row["sigma_offset_um"]
    assert 0.265 < offset["value"] < 0.31
    assert (offset["known"], offset["since"]) == ("operator's records", "2031-03-08")
    assert offset["source"].startswith("500 recorded attempts, 2031-03-03 to 2031-03-08; ")
    text = (folder / "overlay.toml").read_text(encoding="utf-8")
    assert text.startswith("# Proposed, and adopted by nobody: ")
    assert "Nobody has looked" in text
    its_policy_is_the_one_in_force_with_other_spreads_and_nothing_else(folder)


def its_policy_is_the_one_in_force_with_other_spreads_and_nothing_else(folder: Path) -> None:
    found, shipped = policy_in_folder(folder), compiled(None).policy
    changed = {key: one for key, one in found.joints.items() if one != shipped.joints[key]}
    (one,) = changed.values()
    old = shipped.joints[one.method, one.mode]
    ratio = one.sigma_offset_um / old.sigma_offset_um
    assert one.sigma_tilt_deg / old.sigma_tilt_deg == pytest.approx(ratio, abs=1e-3)
    same = ("sigma_offset_um", "sigma_tilt_deg", "source", "known", "since")
    assert replace(one, **{name: getattr(old, name) for name in same}) == old
    assert replace(found, id="", canonical=b"", joints={}) == replace(shipped, id="", canonical=b"", joints={})


def test_what_was_learnt_lies_on_what_the_operator_has_and_teaches_nothing_twice(
    run: Run, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("REPAIRADVISOR_POLICY", str(LANTERNFIELD))
    folder = tmp_path / "learnt"
    assert run("--into", str(folder), "--only-learn")[0] == 0
    head = tomllib.loads((folder / "overlay.toml").read_text(encoding="utf-8"))
    assert overlay_folder(head["parent"], folder).resolve() == LANTERNFIELD.resolve()
    found, before = policy_in_folder(folder), compiled(LANTERNFIELD)
    assert found.limits == before.policy.limits != compiled(None).policy.limits
    assert found.joints != before.policy.joints
    again = learn(made_joints(kept(home)), replace(before.rules.light, policy=found))
    assert (again.left_out, again.sets) == ({COUNTED_ALREADY: 500}, ())


def test_without_a_folder_nothing_is_written(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, _ = run("--only-learn", "--json", "--since", "2031-03-08T00:00:00Z")
    found = json.loads(out)
    assert status == 0
    assert found["learnt"]["attempts"] == 52  # of the last thirteen hours
    (one,) = found["learnt"]["sets"]
    low, high = one["interval"]
    assert low < one["scale"] < high
    assert one["how"] == {"both ways": 52}
    assert (found["comparison"], found["claims"], found["folder"], found["files"]) == (None, [], None, [])
    assert len(found["policy_id"]) == 64
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def proven(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Proving takes a minute for each policy: here one claim fails under the proposed one, as told; the rest holds."""
    asked: list[str] = []

    def proofs(method: Any, wanted: Any, clock: Any, progress: Any) -> list[Proof]:
        asked.append(method.policy_id)
        progress("kept-dry", 3)
        said = [("kept-dry", FAILS), ("answered", HOLDS)]
        return [Proof(claim, "answered", f"{claim} holds", verdict, "as told", None, 1, 1) for claim, verdict in said]

    held = [Claim("kept-dry", "kept-dry holds", holds=True), Claim("answered", "answered holds", holds=True)]
    monkeypatch.setattr(policy_learning, "prove_claims", proofs)
    monkeypatch.setattr(policy_learning, "claims_proven", lambda *_: held)
    return asked


def test_what_prove_and_compare_say_of_it_is_told_and_written(run: Run, tmp_path: Path, proven: list[str]) -> None:
    folder = tmp_path / "learnt"
    status, out, err = run("--into", str(folder), "--contexts", "1", "--seed", "2")
    assert status == 1  # a claim does not hold
    assert "2 claims: 1 hold, 1 do not, 0 not decided. Not held: kept-dry." in out
    assert "On one fault drawn from what the old policy assumes (seed 2): The new policy changes" in out
    assert "Claims: 2 looked at, 1 no longer hold" in out
    assert "kept-dry: 3 branches" in err
    text = " ".join(line.lstrip("# ") for line in (folder / "overlay.toml").read_text(encoding="utf-8").splitlines())
    assert "Not held: kept-dry." in text
    assert "On one fault drawn" in text
    assert proven == [policy_in_folder(folder).id]  # what was written is what was looked at


# --- what cannot be used ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("there", ["folder", "file", "dangling link"])
def test_nothing_is_written_over(run: Run, tmp_path: Path, there: str) -> None:
    into = tmp_path / "learnt"
    if there == "folder":
        into.mkdir()
    elif there == "file":
        into.write_text("mine", encoding="utf-8")
    else:
        into.symlink_to(tmp_path / "nowhere")
    status, out, err = run("--into", str(into), "--only-learn")
    assert (status, out) == (2, "")
    assert "is there already, and nothing is written over" in err
    assert not (tmp_path / "nowhere").exists()
    assert there != "folder" or list(into.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--into", "NOWHERE/learnt"], "stands in no folder that is there"),
        (["--since", "yesterday"], "--since = yesterday: is no moment"),
        (["--since", "2031-05-04T07:30:00"], "--since = 2031-05-04T07:30:00: is no moment"),
        (["--contexts", "0"], "--contexts = 0: is out of range"),
        (["--records", "3", "--seed", "1"], "--seed = 1: does not go with --records"),
    ],
)
def test_what_cannot_be_used_is_refused(run: Run, tmp_path: Path, arguments: list[str], said: str) -> None:
    arguments = [one.replace("NOWHERE", str(tmp_path / "nowhere")) for one in arguments]
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_a_folder_that_cannot_be_written_is_told(run: Run, tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    if os.access(closed, os.W_OK):  # whoever may do anything is not held back by it
        closed = Path("/proc")
    status, _, err = run("--into", str(closed / "learnt"), "--only-learn")
    assert status == 2
    assert "cannot be written" in err


def test_without_records_nothing_is_learnt(tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(tmp_path))
    status, out, _ = run("--only-learn", "--into", str(tmp_path / "learnt"))
    assert status == 0
    assert out.startswith("0 attempts on record.")
    assert "Nothing is proposed" in out
    assert not (tmp_path / "learnt").exists()


# --- joints as they are kept --------------------------------------------------------------------------------------


def test_joints_come_with_their_plan_and_the_facts_of_their_advice(tmp_path: Path) -> None:
    records = kept(tmp_path)
    told = [made(0, 0.05, machine="m-1"), made(13, 0.07, plan="")]
    keep(records, told, compiled(None).policy.id, {"fibre_type_near": "g652d", "fibre_type_far": "g657b3"})
    found = list(made_joints(records))
    assert [one.plan for one in found] == [one.plan for one in told]
    assert [one.attempt.readings for one in found] == [one.attempt.readings for one in told]
    assert all(one.context is not None and "fibre_type_far" in one.context.held for one in found)
    assert [one.attempt.machine for one in found] == ["m-1", ""]
