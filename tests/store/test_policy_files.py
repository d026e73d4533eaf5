"""Folders of overlays: read whole or refused with one line, whatever stands in them."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import pytest

from repairadvisor.errors import PolicyError
from repairadvisor.policy.load import LONGEST_FILE
from repairadvisor.store.policy_files import MOST_PARENTS, read_overlays

CURRENCY = '[cost]\ncurrency = "crowns"\n'


def _folder(at: Path, files: dict[str, str], parent: str = "", listed: list[str] | None = None) -> Path:
    at.mkdir(parents=True, exist_ok=True)
    names = ", ".join(f'"{name}"' for name in (files if listed is None else listed))
    lies_on = f'parent = "{parent}"\n' if parent else ""
    (at / "overlay.toml").write_text(f'name = "{at.name}"\nfiles = [{names}]\n{lies_on}', encoding="utf-8")
    for name, text in files.items():
        (at / name).write_text(text, encoding="utf-8")
    return at


def _refused(folder: Path, *said: str) -> None:
    with pytest.raises(PolicyError) as caught:
        read_overlays(folder)
    for one in said:
        assert one in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_folder_is_read(tmp_path: Path) -> None:
    (one,) = read_overlays(_folder(tmp_path / "depot", {"wording.toml": CURRENCY}))
    assert (one.name, one.raw["wording.toml"]) == ("depot", {"cost": {"currency": "crowns"}})


def test_parents_come_first(tmp_path: Path) -> None:
    _folder(tmp_path / "group", {"wording.toml": CURRENCY})
    _folder(tmp_path / "region", {}, parent="../group")
    found = read_overlays(_folder(tmp_path / "depot", {}, parent="../region"))
    assert [one.name for one in found] == ["group", "region", "depot"]


def test_a_circle_of_parents_is_refused(tmp_path: Path) -> None:
    _folder(tmp_path / "group", {}, parent="../depot")
    _folder(tmp_path / "region", {}, parent="../group")
    _refused(_folder(tmp_path / "depot", {}, parent="../region"), "circle", "depot lies on region lies on group")


def test_a_folder_that_lies_on_itself_is_refused(tmp_path: Path) -> None:
    _refused(_folder(tmp_path / "depot", {}, parent="."), "circle: depot lies on depot")


def test_more_parents_than_anybody_could_follow_are_refused(tmp_path: Path) -> None:
    for i in range(MOST_PARENTS + 3):
        _folder(tmp_path / f"n{i}", {}, parent=f"../n{i + 1}")
    _refused(tmp_path / "n0", f"more than {MOST_PARENTS}")


def test_a_parent_that_is_not_there_is_refused(tmp_path: Path) -> None:
    _refused(_folder(tmp_path / "depot", {}, parent="../group"), "group", "is no folder to be read")


def test_a_folder_that_is_not_there_and_a_file_in_its_place_are_refused(tmp_path: Path) -> None:
    _refused(tmp_path / "nowhere", "nowhere", "is no folder")
    (tmp_path / "file").write_text("")
    _refused(tmp_path / "file", "is no folder")


def test_a_folder_without_its_head_is_refused(tmp_path: Path) -> None:
    _refused(tmp_path, "overlay.toml: is not there")


def test_a_folder_half_written_is_refused(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY}, listed=["prices.toml", "wording.toml"])
    _refused(folder, "prices.toml: is not there, though overlay.toml names it")


def test_a_file_half_written_is_refused(tmp_path: Path) -> None:
    _refused(_folder(tmp_path / "depot", {"wording.toml": '[cost]\ncurrency = "cro'}), "wording.toml: is not TOML")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("price.toml", "'price.toml' is no file of an overlay; did you mean prices.toml?"),
        ("prices.toml.old", "is no file of an overlay"),
        ("notes.txt", "is no file of an overlay"),
        ("limits.toml", "files: does not name limits.toml, which is there"),
    ],
)
def test_a_file_that_is_not_named_is_refused(tmp_path: Path, name: str, said: str) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY})
    (folder / name).write_text("")
    _refused(folder, said)


def test_what_begins_with_a_dot_is_somebody_elses(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY})
    (folder / ".git").mkdir()
    assert len(read_overlays(folder)) == 1


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    outside = tmp_path / "outside.toml"
    outside.write_text(CURRENCY)
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY})
    (folder / "wording.toml").unlink()
    (folder / "wording.toml").symlink_to(outside)
    _refused(folder, "wording.toml: is a link that leads out of the folder")


def test_a_link_within_the_folder_is_followed(tmp_path: Path) -> None:
    """As where a folder is put in place by changing one link."""
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY})
    (folder / ".data").mkdir()
    (folder / "wording.toml").rename(folder / ".data" / "wording.toml")
    (folder / "wording.toml").symlink_to(".data/wording.toml")
    assert len(read_overlays(folder)) == 1


def test_links_in_a_circle_are_refused(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY})
    (folder / "wording.toml").unlink()
    (folder / "wording.toml").symlink_to("wording.toml")
    _refused(folder, "wording.toml")


def test_a_pipe_is_no_file_and_nobody_waits_for_it(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": CURRENCY})
    (folder / "wording.toml").unlink()
    os.mkfifo(folder / "wording.toml")
    _refused(folder, "wording.toml: is no file")


def test_a_folder_in_the_place_of_a_file_is_refused(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {}, listed=["wording.toml"])
    (folder / "wording.toml").mkdir()
    _refused(folder, "wording.toml")


def test_a_file_of_fifty_megabytes_is_not_read(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": ""})
    with (folder / "wording.toml").open("wb") as file:
        file.truncate(50_000_000)
    tracemalloc.start()
    try:
        _refused(folder, f"wording.toml: is longer than {LONGEST_FILE} bytes")
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < 10_000_000


def test_what_is_no_text_is_refused(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {"wording.toml": ""})
    (folder / "wording.toml").write_bytes(b'[cost]\ncurrency = "\xff"\n')
    _refused(folder, "wording.toml: is not UTF-8")


def test_a_folder_of_thousands_is_refused(tmp_path: Path) -> None:
    folder = _folder(tmp_path / "depot", {})
    for i in range(300):
        (folder / f"{i}.toml").touch()
    _refused(folder, "holds more than 200 files")
