"""Files fetched and settled, whatever writers, folders and file systems do meanwhile."""

from __future__ import annotations

import errno
import os
import socket
from datetime import UTC, datetime
from pathlib import Path

import pytest
from conftest import LONG_AGO_NS, Put, names, references, settle_all, told
from repairadvisor_spool import SpoolSource
from repairadvisor_spool import source as source_module
from repairadvisor_spool.folder import Folder

from repairadvisor.plugin import EventRefusedError, EventUnreadableError, RawEvent, RemoteUnavailableError


def test_nothing_comes_over_http(source: SpoolSource) -> None:
    with pytest.raises(EventRefusedError):
        source.authenticate(RawEvent({}, b'{"ticket": "T-1"}'), datetime(2031, 5, 4, tzinfo=UTC))


# --- keys -----------------------------------------------------------------------------------------------------


def test_a_name_used_again_for_something_new_is_a_new_event(source: SpoolSource, put: Put) -> None:
    """Also where an earlier content comes back: a ticket that is opened again."""
    keys = []
    for number, ended in enumerate([False, True, False]):
        put("T-1.json", told("T-1", ended=ended), LONG_AGO_NS + number * 1_000_000_000)
        keys += settle_all(source)

    assert len(set(keys)) == 3


def test_a_file_put_back_as_it_was_is_the_same_event(source: SpoolSource, put: Put) -> None:
    put("T-1.json", told("T-1"))
    first = settle_all(source)
    put("T-1.json", told("T-1"))

    assert settle_all(source) == first


def test_after_a_restart_without_settling_the_keys_are_the_same(source: SpoolSource, put: Put, spool: Path) -> None:
    for number in range(5):
        put(f"T-{number}.json", told(f"T-{number}"))
    before = source.fetch("")

    assert SpoolSource(folder=str(spool), ready_by="rename").fetch(before.cursor).events[0][0] == before.events[0][0]
    assert [key for key, _ in SpoolSource(folder=str(spool), ready_by="rename").fetch("").events] == [
        key for key, _ in before.events
    ]


def test_the_order_is_by_time_then_by_name(source: SpoolSource, put: Put) -> None:
    put("c.json", told("third"), LONG_AGO_NS + 1)
    put("b.json", told("second"))
    put("a.json", told("last"), LONG_AGO_NS + 2)
    put("B.json", told("first"))

    assert references(source) == ["first", "second", "third", "last"]


def test_many_files_come_in_order_and_each_once(source: SpoolSource, put: Put, spool: Path) -> None:
    for number in reversed(range(450)):
        put(f"T-{number:04d}.json", told(f"T-{number:04d}"), LONG_AGO_NS + number // 10)
    seen: list[str] = []
    looks = 0
    while fetched := source.fetch("").events:
        assert len(fetched) <= source_module.MOST_AT_ONCE
        seen += [source.read(event).reference for _, event in fetched]
        source.settle([key for key, _ in fetched])
        looks += 1

    assert seen == [f"T-{number:04d}" for number in range(450)]
    assert looks == 3
    assert names(spool / "incoming") == []
    assert len(names(spool / "taken")) == 450


def test_one_look_holds_no_more_than_so_many_bytes(
    source: SpoolSource, put: Put, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source_module, "MOST_BYTES_AT_ONCE", 1000)
    for number in range(4):
        put(f"T-{number}.json", told(f"T-{number}", title="x" * 400))

    assert references(source) == ["T-0", "T-1"]


# --- what counts ----------------------------------------------------------------------------------------------


def test_what_is_no_event_file_is_left_alone(source: SpoolSource, put: Put, spool: Path) -> None:
    incoming = spool / "incoming"
    for name in (".T.json", "~T.json", "T.json.tmp", "T.json.part", "T.csv", "json", "T.json.done", "T.txt~"):
        put(name, told("no"))
    (incoming / "empty.json").touch()
    (incoming / "folder.json").mkdir()
    os.mkfifo(incoming / "pipe.json")
    (spool / "secret").write_text('{"ticket": "secret", "facts": {}}', encoding="utf-8")
    (incoming / "link.json").symlink_to(spool / "secret")
    (incoming / "dangling.json").symlink_to("/nowhere/at/all")
    put("T.JSON", told("yes"))
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(incoming / "s.json"))
        before = names(incoming)

        assert references(source) == ["yes"]
        settle_all(source)

    assert set(before) - set(names(incoming)) == {"T.JSON"}
    assert len(names(spool / "taken")) == 1


def test_a_file_that_becomes_a_link_while_it_is_opened_is_not_followed(
    source: SpoolSource, put: Put, spool: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = put("T-1.json", told("T-1"))
    (spool / "secret").write_text('{"ticket": "secret", "facts": {}}', encoding="utf-8")
    opened = os.open

    def swapping_open(path: str, *more: int, **named: int) -> int:
        if path == "T-1.json" and not file.is_symlink():
            file.unlink()
            file.symlink_to(spool / "secret")
        return opened(path, *more, **named)

    monkeypatch.setattr("repairadvisor_spool.folder.os.open", swapping_open)
    assert source.fetch("").events == ()


@pytest.mark.parametrize("name", ["incoming", "taken"])
def test_a_folder_that_is_a_link_is_not_followed(source: SpoolSource, put: Put, spool: Path, name: str) -> None:
    put("T-1.json", told("T-1"))
    (spool / name).rename(spool / "elsewhere")
    (spool / name).symlink_to(spool / "elsewhere")

    with pytest.raises(RemoteUnavailableError, match=f"/{name}: "):
        settle_all(source)


def test_a_file_that_is_too_large_is_set_aside_and_moved(put: Put, spool: Path) -> None:
    source = SpoolSource(folder=str(spool), ready_by="rename", max_bytes=1024)
    put("large.json", told("large", title="x" * 1024))
    put("small.json", told("small"))
    events = source.fetch("").events

    assert events[0][1].body == b""
    with pytest.raises(EventUnreadableError, match=r"large\.json: holds 10\d\d bytes; allowed: up to 1024"):
        source.read(events[0][1])
    assert source.read(events[1][1]).reference == "small"
    settle_all(source)
    assert names(spool / "incoming") == []
    assert len(names(spool / "taken")) == 2


@pytest.mark.parametrize(
    "name", [b"a\nb.json", b"\xff\xfe.json", b"\xc2\xb5\xe2\x80\xae.txt", b"x" * 250 + b".json", b" .json", b"%2e.json"]
)
def test_hostile_names_are_fetched_and_moved(source: SpoolSource, spool: Path, name: bytes) -> None:
    content = b"ticket: T-1\n" if name.endswith(b".txt") else b'{"ticket": "T-1", "facts": {}}'
    (spool / "incoming" / os.fsdecode(name)).write_bytes(content)
    ((key, event),) = source.fetch("").events

    assert key.isprintable()
    assert all(value.isprintable() and value.isascii() for value in event.headers.values())
    assert source.read(event).reference == "T-1"
    source.settle([key])
    assert names(spool / "incoming") == []
    assert len(names(spool / "taken")) == 1


# --- files that are still being written ---------------------------------------------------------------------------


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    now = [1000.0]
    monkeypatch.setattr("repairadvisor_spool.ready.time.monotonic", lambda: now[0])
    return now


def test_a_file_counts_once_it_has_been_quiet(put: Put, spool: Path, clock: list[float]) -> None:
    source = SpoolSource(folder=str(spool), ready_by="quiet", settle_s=2)
    file = put("T-1.json", b'{"ticket": "T-1", ')

    assert references(source) == []
    clock[0] += 1.9
    assert references(source) == []
    with file.open("ab") as more:
        more.write(b'"facts": {}}')
    clock[0] += 1.9
    assert references(source) == []
    clock[0] += 1.9
    assert references(source) == []
    clock[0] += 0.2
    assert references(source) == ["T-1"]


def test_quiet_is_counted_anew_for_a_name_that_went_and_came(put: Put, spool: Path, clock: list[float]) -> None:
    source = SpoolSource(folder=str(spool), ready_by="quiet", settle_s=2)
    file = put("T-1.json", told("T-1"))
    source.fetch("")
    file.unlink()
    clock[0] += 2
    source.fetch("")
    put("T-1.json", told("T-1"))

    assert references(source) == []


def test_a_file_counts_with_its_marker(put: Put, spool: Path) -> None:
    source = SpoolSource(folder=str(spool), ready_by="done_file")
    put("T-1.json", told("T-1"))

    assert references(source) == []
    put("T-1.json.done", b"")
    assert references(source) == ["T-1"]
    settle_all(source)
    assert names(spool / "incoming") == []


def test_a_marker_older_than_its_file_is_for_an_earlier_one(put: Put, spool: Path) -> None:
    source = SpoolSource(folder=str(spool), ready_by="done_file")
    put("T-1.json.done", b"")
    put("T-1.json", b'{"ticket": "T-', LONG_AGO_NS + 1)

    assert references(source) == []


def test_a_marker_made_anew_is_not_removed_with_the_file_before(put: Put, spool: Path) -> None:
    source = SpoolSource(folder=str(spool), ready_by="done_file")
    put("T-1.json", told("T-1"))
    put("T-1.json.done", b"")
    ((key, _),) = source.fetch("").events
    put("T-1.json.done", b"", LONG_AGO_NS + 5)
    source.settle([key])

    assert names(spool / "incoming") == ["T-1.json.done"]


def test_a_file_written_to_while_it_is_read_is_left_for_later(
    source: SpoolSource, put: Put, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = put("T-1.json", told("T-1"))
    stats = os.fstat

    def appending_fstat(number: int) -> os.stat_result:
        found = stats(number)
        if file.exists() and file.stat().st_size < 100:
            with file.open("ab") as more:
                more.write(b" " * 100)
        return found

    monkeypatch.setattr("repairadvisor_spool.folder.os.fstat", appending_fstat)
    assert references(source) == []
    assert references(source) == ["T-1"]


def test_a_file_that_vanishes_during_the_look_is_no_fault(
    source: SpoolSource, put: Put, monkeypatch: pytest.MonkeyPatch
) -> None:
    put("T-1.json", told("T-1"))
    file = put("T-2.json", told("T-2"))
    read = Folder.read

    def renaming_read(folder: Folder, name: str, most_bytes: int) -> object:
        if name == "T-2.json":
            file.rename(file.with_name("T-3.json"))
        return read(folder, name, most_bytes)

    monkeypatch.setattr(Folder, "read", renaming_read)
    assert references(source) == ["T-1"]
    monkeypatch.undo()
    assert references(source) == ["T-1", "T-2"]


# --- settling -------------------------------------------------------------------------------------------------


def test_taken_files_overwrite_nothing(source: SpoolSource, put: Put, spool: Path) -> None:
    for number in range(3):
        put("T-1.json", told("T-1", sequence=number))
        settle_all(source)

    assert len(names(spool / "taken")) == 3
    assert all(name.startswith("T-1-") and name.endswith(".json") for name in names(spool / "taken"))


def test_a_file_changed_since_it_was_fetched_stays(source: SpoolSource, put: Put, spool: Path) -> None:
    put("T-1.json", told("T-1", sequence=1))
    ((key, _),) = source.fetch("").events
    put("T-1.json", told("T-1", sequence=2))
    source.settle([key])

    assert names(spool / "taken") == []
    ((other, event),) = source.fetch("").events
    assert other != key
    assert source.read(event).sequence == 2


def test_a_file_that_is_gone_is_no_fault(source: SpoolSource, put: Put) -> None:
    file = put("T-1.json", told("T-1"))
    ((key, _),) = source.fetch("").events
    file.unlink()

    source.settle([key])
    source.settle([key, "spool-nobody-knows"])


@pytest.mark.parametrize("ready_by", ["rename", "done_file"])
@pytest.mark.parametrize("name_taken_again", [False, True])
@pytest.mark.parametrize("can_link", [False, True])
def test_a_file_replaced_just_before_it_is_moved_is_not_lost(
    put: Put, spool: Path, monkeypatch: pytest.MonkeyPatch, ready_by: str, name_taken_again: bool, can_link: bool
) -> None:
    source = SpoolSource(folder=str(spool), ready_by=ready_by)
    put("T-1.json", told("T-1", sequence=1))
    put("T-1.json.done", b"")
    ((key, _),) = source.fetch("").events
    move = Folder.move
    raced = []

    def racing_move(folder: Folder, name: str, to: Folder, new_name: str) -> None:
        if not raced:
            raced.append(name)
            put("T-1.json", told("T-1", sequence=2))
        move(folder, name, to, new_name)
        if name_taken_again and name == "T-1.json":
            put("T-1.json", told("T-1", sequence=3))

    def no_link(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "this file system has no links")

    monkeypatch.setattr(Folder, "move", racing_move)
    if not can_link:
        monkeypatch.setattr("repairadvisor_spool.folder.os.link", no_link)
    source.settle([key])
    monkeypatch.undo()

    sequences = {source.read(event).sequence for _, event in source.fetch("").events}
    assert sequences == ({2, 3} if name_taken_again else {2})
    assert names(spool / "taken") == []
