"""Folders that cannot be read, written to or brought to disk."""

from __future__ import annotations

import errno
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import Put, names, references, settle_all, told
from repairadvisor_spool import SpoolSource
from repairadvisor_spool.folder import Folder

from repairadvisor.plugin import EventUnreadableError, RemoteUnavailableError


def test_a_share_that_is_not_mounted_is_told_and_nothing_is_made(tmp_path: Path) -> None:
    source = SpoolSource(folder=str(tmp_path), ready_by="rename")

    with pytest.raises(RemoteUnavailableError, match="incoming: No such file or directory"):
        source.fetch("")
    assert names(tmp_path) == []


@pytest.fixture
def as_a_stranger() -> Iterator[Path]:
    """A spool folder, and rights like anybody's: the system lets its administrator do anything."""
    with tempfile.TemporaryDirectory() as made:
        root = Path(made)
        root.chmod(0o755)
        for name in ("incoming", "taken"):
            (root / name).mkdir()
        user = os.geteuid()
        if user == 0:
            for folder in (root, root / "incoming", root / "taken"):
                os.chown(folder, 65534, 65534)
            os.seteuid(65534)
        try:
            yield root
        finally:
            os.seteuid(user)
            for name in ("incoming", "taken"):
                (root / name).chmod(0o755)


@pytest.mark.parametrize("read_only", ["incoming", "taken"])
def test_a_folder_that_cannot_be_written_to_is_told_and_nothing_comes_twice(
    as_a_stranger: Path, read_only: str
) -> None:
    (as_a_stranger / "incoming" / "T-1.json").write_text('{"ticket": "T-1", "facts": {}}', encoding="utf-8")
    source = SpoolSource(folder=str(as_a_stranger), ready_by="rename")
    (as_a_stranger / read_only).chmod(0o555)
    ((key, _),) = source.fetch("").events

    with pytest.raises(RemoteUnavailableError, match=r"T-1\.json: Permission denied"):
        source.settle([key])
    assert source.fetch("").events == ()
    (as_a_stranger / "incoming").chmod(0o755)
    (as_a_stranger / "incoming" / "T-2.json").write_text('{"ticket": "T-2", "facts": {}}', encoding="utf-8")
    assert references(source) == ["T-2"]
    (as_a_stranger / "taken").chmod(0o755)
    source.fetch("")
    assert names(as_a_stranger / "incoming") == ["T-2.json"]
    assert SpoolSource(folder=str(as_a_stranger), ready_by="rename").fetch("").events


def test_a_file_that_may_not_be_read_holds_up_no_other(as_a_stranger: Path) -> None:
    for name in ("T-1.json", "T-2.json"):
        (as_a_stranger / "incoming" / name).write_text('{"ticket": "T", "facts": {}}', encoding="utf-8")
    (as_a_stranger / "incoming" / "T-1.json").chmod(0)
    source = SpoolSource(folder=str(as_a_stranger), ready_by="rename")

    assert len(settle_all(source)) == 1
    with pytest.raises(RemoteUnavailableError, match=r"T-1\.json: Permission denied"):
        source.fetch("")


def test_names_are_brought_to_disk(source: SpoolSource, put: Put, spool: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put("T-1.json", told("T-1"))
    ((key, _),) = source.fetch("").events
    synced: list[str] = []
    monkeypatch.setattr(Folder, "sync", lambda folder: synced.append(folder.shown))
    source.settle([key])

    assert synced == [f"{spool}/taken", f"{spool}/incoming"]


def test_a_file_system_that_cannot_sync_folders_is_borne_with(
    source: SpoolSource, put: Put, monkeypatch: pytest.MonkeyPatch
) -> None:
    put("T-1.json", told("T-1"))

    def cannot(number: int) -> None:
        raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))

    monkeypatch.setattr("repairadvisor_spool.folder.os.fsync", cannot)
    settle_all(source)


def test_looks_leave_no_descriptors_open(source: SpoolSource, put: Put) -> None:
    put("T-1.json", told("T-1"))
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    for _ in range(20):
        source.fetch("")
    settle_all(source)

    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208


def test_a_time_ahead_of_the_clock_is_told_from_a_real_file(source: SpoolSource, put: Put) -> None:
    put("T-1.txt", b"ticket: T-1\n", time.time_ns() + 3600 * 1_000_000_000)
    ((_, event),) = source.fetch("").events

    with pytest.raises(EventUnreadableError, match="time of modification"):
        source.read(event)
