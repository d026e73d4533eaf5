"""Disks that are full, broken, read-only or not there, and what is on them when."""

from __future__ import annotations

import errno
import os
import resource
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import REFERENCE, add, files, names, superseded, texts
from repairadvisor_spool import SpoolCarrier
from repairadvisor_spool.folder import Folder

from repairadvisor.plugin import RemoteUnavailableError
from repairadvisor.testing import a_note


def full_after(bytes_left: int) -> Callable[[int, bytes], int]:
    write = os.write
    left = [bytes_left]

    def full_write(number: int, content: bytes) -> int:
        if left[0] == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = write(number, bytes(content)[: min(left[0], 7)])
        left[0] -= written
        return written

    return full_write


@pytest.mark.parametrize("bytes_left", [0, 3, 6, 20, 60])
def test_a_full_disk_leaves_nothing_half_written(
    carrier: SpoolCarrier, spool: Path, monkeypatch: pytest.MonkeyPatch, bytes_left: int
) -> None:
    old = a_note()
    carrier.change("LF-16", add(old))
    monkeypatch.setattr("repairadvisor_spool.folder.os.write", full_after(bytes_left))
    with pytest.raises(RemoteUnavailableError, match="No space left on device"):
        carrier.change(REFERENCE, add(a_note(2)))
    with pytest.raises(RemoteUnavailableError, match="No space left on device"):
        carrier.change("LF-16", superseded(old))
    monkeypatch.undo()

    assert files(spool / "outgoing") == {f"LF-16/{old.key}.txt": f"{old.text}\n"}
    carrier.change(REFERENCE, add(a_note(2)))
    assert texts(carrier) == [a_note(2).text]


def test_a_limit_of_the_system_itself_leaves_nothing_half_written(
    carrier: SpoolCarrier, spool: Path, ticket: Path
) -> None:
    """Not simulated: the kernel takes the first 4096 bytes and refuses the rest (setrlimit(2), RLIMIT_FSIZE)."""
    carrier.change(REFERENCE, add(a_note()))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        with pytest.raises(RemoteUnavailableError, match="File too large"):
            carrier.change(REFERENCE, add(a_note(2, text="x" * 9000)))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    assert texts(carrier) == [a_note().text]
    assert list(files(ticket)) == [f"{a_note().key}.txt"]


@pytest.mark.parametrize("call", ["fsync", "replace", "mkdir"])
@pytest.mark.parametrize("number", [errno.EIO, errno.EROFS, errno.EDQUOT])
def test_whatever_the_system_refuses_is_told(
    carrier: SpoolCarrier, spool: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int
) -> None:
    def refusing(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(f"repairadvisor_spool.folder.os.{call}", refusing)
    with pytest.raises(RemoteUnavailableError, match=os.strerror(number)):
        carrier.change(REFERENCE, add(a_note()))
    assert files(spool) == {}


def test_a_share_that_is_not_mounted_is_told_and_nothing_is_made(tmp_path: Path) -> None:
    carrier = SpoolCarrier(folder=str(tmp_path))

    for act in (lambda: carrier.look(REFERENCE), lambda: carrier.change(REFERENCE, add(a_note()))):
        with pytest.raises(RemoteUnavailableError, match="outgoing: No such file"):
            act()
    with pytest.raises(RemoteUnavailableError, match="follow_up: No such file"):
        carrier.open_follow_up(REFERENCE, "k", "t", "x")
    assert names(tmp_path) == []


def test_contents_are_on_disk_before_names(
    carrier: SpoolCarrier, monkeypatch: pytest.MonkeyPatch, ticket: Path
) -> None:
    """write, fsync of the file, rename, fsync of the folder. Common practice, no source."""
    carrier.change(REFERENCE, add(a_note()))
    done: list[str] = []
    for call in ("write", "fsync", "replace"):
        real = getattr(os, call)
        monkeypatch.setattr(
            f"repairadvisor_spool.folder.os.{call}",
            lambda *given, _call=call, _real=real, **named: (done.append(_call), _real(*given, **named))[1],
        )
    carrier.change(REFERENCE, add(a_note(2)))

    assert done == ["write", "fsync", "replace", "fsync"]


def test_the_folder_that_is_synced_is_that_of_the_note(
    carrier: SpoolCarrier, monkeypatch: pytest.MonkeyPatch, ticket: Path
) -> None:
    synced: list[str] = []
    monkeypatch.setattr(Folder, "sync", lambda folder: synced.append(folder.shown))
    carrier.change(REFERENCE, add(a_note()))

    assert synced == [str(ticket.parent), str(ticket), str(ticket), str(ticket)]
