"""Overlays that ship are named by their bare names; anything else is a path."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from repairadvisor.errors import PolicyError
from repairadvisor.methods import policy_in_force
from repairadvisor.policy.overlay import SHIPPED_OVERLAYS
from repairadvisor.policy_change import policy_named
from repairadvisor.policy_learning import PolicyLearning
from repairadvisor.settings import overlay_folder, policy_folder, shipped_name
from repairadvisor.store.policy_files import read_overlays

PACKAGE = Path(str(resources.files("repairadvisor.policy")))


def test_every_folder_of_the_package_that_holds_an_overlay_is_named() -> None:
    assert sorted(SHIPPED_OVERLAYS) == sorted(head.parent.name for head in PACKAGE.glob("*/overlay.toml"))


@pytest.mark.parametrize("name", SHIPPED_OVERLAYS)
def test_a_bare_name_is_the_overlay_in_the_package(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path)
    assert policy_folder({"REPAIRADVISOR_POLICY": name}) == PACKAGE / name
    assert shipped_name(PACKAGE / name) == name
    assert policy_named(name, None).id == policy_in_force(PACKAGE / name).id


@pytest.mark.parametrize("given", ["./spanish", "spanish/", "depot", "../spanish"])
def test_a_path_stays_a_path(given: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    folder = policy_folder({"REPAIRADVISOR_POLICY": given})
    assert folder is not None
    assert folder.resolve() == (tmp_path / given).resolve()
    assert shipped_name(folder) is None


def _overlay(folder: Path, parent: str) -> Path:
    folder.mkdir(parents=True)
    head = f'name = "depot"\nparent = "{parent}"\nfiles = ["wording.toml"]\n'
    (folder / "overlay.toml").write_text(head, encoding="utf-8")
    (folder / "wording.toml").write_text('[contact]\ncontrol_room = "mesa de Lanternfield"\n', encoding="utf-8")
    return folder


def test_an_operators_overlay_lies_on_one_that_ships(tmp_path: Path) -> None:
    found = read_overlays(_overlay(tmp_path / "depot", "spanish"))
    assert [one.name for one in found] == ["español", "depot"]
    assert found[0].words_only


def test_a_parent_that_is_a_path_is_no_name(tmp_path: Path) -> None:
    with pytest.raises(PolicyError, match="is no folder to be read"):
        read_overlays(_overlay(tmp_path / "depot", "./spanish"))


def test_a_proposed_overlay_names_a_parent_that_ships(tmp_path: Path) -> None:
    learning = PolicyLearning(None, None, overlay_folder("lanternfield"), None)  # type: ignore[arg-type]
    assert learning.parent_of(tmp_path / "proposed") == "lanternfield"
    assert PolicyLearning(None, None, tmp_path / "mine", None).parent_of(tmp_path / "proposed") == "../mine"  # type: ignore[arg-type]
