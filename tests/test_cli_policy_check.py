"""``repairadvisor policy check`` at a shell: what it prints, its exit status, and policies that cannot be read."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shipped_policy import shipped_texts

from repairadvisor import cli
from repairadvisor.decision.check_facts import unused_facts
from repairadvisor.decision.check_rules import dead_rules
from repairadvisor.facts.vocabulary import BY_NAME

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(["policy", "check", *arguments])
        said = capsys.readouterr()
        return status, said.out, said.err

    return once


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The files of the policy that ships, to be changed."""
    for name, text in shipped_texts().items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture(autouse=True)
def _quick_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two of the looks: here it counts what is said and how it ends, not what is found."""
    monkeypatch.setattr("repairadvisor.decision.policy_check.LOOKED_FOR", (dead_rules, unused_facts))


def test_of_a_clean_policy_it_says_what_is_meant_so_and_which_plans_were_looked_for(run: Run) -> None:
    status, out, err = run("--weighed", "4")
    assert status == 0
    assert "Found: nothing." in out
    assert "facts.toml: never used: Nothing hangs on fact protected_route" in out
    assert "because: told for the record" in out
    assert "Looked for plans that win: 4 contexts weighed" in out
    assert "searched in 4 weighed contexts" in out
    assert err == ""


def test_as_json_every_finding_has_all_its_parts(run: Run) -> None:
    status, out, _ = run("--weighed", "0", "--json")
    found = json.loads(out)
    assert status == 0
    assert (found["clean"], found["findings"], found["never_won"]) == (True, [], [])
    first = found["accepted"][0]
    assert set(first) == {"kind", "file", "ids", "sentence", "proof", "context", "accepted"}
    assert first["ids"] == ["protected_route"]


def test_what_is_found_ends_with_status_1(run: Run, folder: Path) -> None:
    file = folder / "screens_safety.toml"
    text = file.read_text(encoding="utf-8")
    alone = 'bars_when = { fact = "lightning", is = "within_30_s" }'
    never = 'bars_when = { all = [{ fact = "lightning", is = "within_30_s" }, { fact = "lightning", is = "none" }] }'
    assert alone in text
    file.write_text(text.replace(alone, never, 1), encoding="utf-8")
    status, out, _ = run(str(folder), "--weighed", "0")
    assert status == 1
    assert "screens_safety.toml: never holds: The condition of screen no-height-in-thunder holds in no world" in out


def _too_entangled(folder: Path) -> None:
    names = ("place", "fault_seen", "danger_seen", "network_part", "service_kind", "link_class", "cause")
    every = ", ".join(f'{{ fact = "{name}", is = "{word}" }}' for name, word in _first_words(names))
    file = folder / "steps.toml"
    file.write_text(
        file.read_text(encoding="utf-8")
        + '\n[[step]]\nid = "new"\nfor_action = ["repair"]\norder = 1\ntext = "Look."\nsource = "made up"\n'
        f'known = "assumed"\nwhen = {{ any = [{every}, {_numbers()}] }}\n',
        encoding="utf-8",
    )


def _first_words(names: tuple[str, ...]) -> list[tuple[str, str]]:
    return [(name, BY_NAME[name].words[0]) for name in names]


def _numbers() -> str:
    names = ("spare_near_m", "spare_far_m", "margin_db", "gap_m", "travel_min", "crew_count", "fibres_down_count")
    return ", ".join(
        f'{{ fact = "{name}", below = "{limit}" }}' for name in names for limit in ("one_piece", "nothing")
    )


def _missing_file(folder: Path) -> None:
    (folder / "kit.toml").unlink()


def _no_toml(folder: Path) -> None:
    (folder / "kit.toml").write_text("[[item", encoding="utf-8")


def _no_text(folder: Path) -> None:
    (folder / "kit.toml").write_bytes(b"\xff\xfe")


def _no_folder(folder: Path) -> None:
    for file in folder.iterdir():
        file.unlink()
    folder.rmdir()


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (_missing_file, "kit.toml"),
        (_no_toml, "kit.toml: is not TOML"),
        (_no_text, "cannot be read"),
        (_no_folder, "holds no policy"),
        (_too_entangled, "is too entangled"),
    ],
)
def test_a_policy_that_cannot_be_read_ends_with_status_2(
    run: Run, folder: Path, spoil: Callable[[Path], None], said: str
) -> None:
    spoil(folder)
    status, out, err = run(str(folder), "--weighed", "0")
    assert (status, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1
