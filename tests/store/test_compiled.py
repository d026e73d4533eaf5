"""What compiling came to, in a file: read whole or not at all, and only where nobody else could have written it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from repairadvisor import methods
from repairadvisor.store.compiled import Compiled

PLAIN = {"tables": [[0.1, [1.0, 2.5]]], "laws": []}


def _written(folder: Path) -> Path:
    Compiled(folder, "a policy").write(PLAIN)
    (file,) = folder.iterdir()
    return file


def test_what_was_written_is_read(tmp_path: Path) -> None:
    _written(tmp_path / "cache")
    assert Compiled(tmp_path / "cache", "a policy").read() == PLAIN


def test_another_policy_method_or_program_finds_nothing(tmp_path: Path) -> None:
    _written(tmp_path)
    assert Compiled(tmp_path, "another policy").read() is None


@pytest.mark.parametrize("cut", [0, 10, 64, 65, 70, -1])
def test_a_torn_file_is_not_read(tmp_path: Path, cut: int) -> None:
    file = _written(tmp_path)
    file.write_bytes(file.read_bytes()[:cut])
    assert Compiled(tmp_path, "a policy").read() is None


def test_a_file_that_was_changed_is_not_read(tmp_path: Path) -> None:
    file = _written(tmp_path)
    file.write_bytes(file.read_bytes().replace(b"2.5", b"2.4"))
    assert Compiled(tmp_path, "a policy").read() is None


@pytest.mark.parametrize("mode", [0o620, 0o602, 0o666])
def test_a_file_that_others_may_write_is_not_read(tmp_path: Path, mode: int) -> None:
    file = _written(tmp_path)
    assert file.stat().st_mode & 0o077 == 0
    file.chmod(mode)
    assert Compiled(tmp_path, "a policy").read() is None


def test_without_a_place_nothing_is_written_and_nothing_fails(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    Compiled(in_the_way / "cache", "a policy").write(PLAIN)
    assert Compiled(in_the_way / "cache", "a policy").read() is None
    assert in_the_way.read_text() == ""


def test_nothing_half_written_is_left_where_the_disk_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(os, "replace", full)
    Compiled(tmp_path, "a policy").write(PLAIN)
    assert list(tmp_path.iterdir()) == []


def test_the_second_start_compiles_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = methods.prepared_method(tmp_path)
    monkeypatch.setattr("repairadvisor.decision.rules.compile_light", None)
    second = methods.prepared_method(tmp_path)
    assert second.rules.light == first.rules.light
    assert second.rules.screens == first.rules.screens
    (file,) = tmp_path.iterdir()
    file.write_bytes(b"")
    with pytest.raises(TypeError):  # nothing to read: it would be compiled
        methods.prepared_method(tmp_path)
