"""A process killed in the middle: what it leaves is nothing or the whole, and the next one ends it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import REFERENCE, Put, told
from repairadvisor_spool import SpoolCarrier, SpoolSource

from repairadvisor.plugin import HeldNote, NoteChange
from repairadvisor.testing import a_note


def kill_in_the_middle(folder: Path, do: str, call: str, number: int) -> None:
    program = [sys.executable, str(Path(__file__).with_name("killed.py")), str(folder), do, call, str(number)]
    with subprocess.Popen(program, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        said = child.stdout.readline()
        os.kill(child.pid, signal.SIGKILL)
        assert child.wait() == -signal.SIGKILL
    assert said == "stopped\n"


def whole_files(spool: Path) -> set[str]:
    return {file.read_bytes().decode() for file in (spool / "outgoing").glob("*/*-*.txt")}


# The first write and replace are those of reference.txt, "LF-17\n".
@pytest.mark.parametrize(
    ("call", "number"),
    [("mkdir", 1), ("write", 3), ("replace", 1), ("write", 40), ("replace", 2), ("fsync", 6)],
)
def test_killed_while_a_note_is_added(spool: Path, call: str, number: int) -> None:
    kill_in_the_middle(spool, "add", call, number)
    carrier = SpoolCarrier(folder=str(spool))
    note = a_note()

    assert whole_files(spool) <= {f"{note.text}\n"}
    assert [held.text for held in carrier.look(REFERENCE) or ()] in ([], [note.text])
    carrier.change(REFERENCE, NoteChange(add=(note,)))
    assert [held.text for held in carrier.look(REFERENCE) or ()] == [note.text]
    assert not list(spool.rglob("*.tmp"))


@pytest.mark.parametrize(("call", "number"), [("write", 30), ("fsync", 2)])
def test_killed_while_a_note_is_rewritten(spool: Path, call: str, number: int) -> None:
    carrier = SpoolCarrier(folder=str(spool))
    note = a_note()
    carrier.change(REFERENCE, NoteChange(add=(note,)))
    kill_in_the_middle(spool, "rewrite", call, number)
    changed = f"SUPERSEDED.\n{note.text}"

    assert whole_files(spool) in ({f"{note.text}\n"}, {f"{changed}\n"})
    carrier.change(REFERENCE, NoteChange(rewrite=((HeldNote(note.key, note.text), changed),)))
    assert [held.text for held in carrier.look(REFERENCE) or ()] == [changed]
    assert not list(spool.rglob("*.tmp"))


@pytest.mark.parametrize(("call", "number"), [("replace", 1), ("replace", 2), ("fsync", 2)])
def test_killed_while_files_are_settled(spool: Path, put: Put, call: str, number: int) -> None:
    for one in range(3):
        put(f"T-{one}.json", told(f"T-{one}"))
    before = [key for key, _ in SpoolSource(folder=str(spool), ready_by="rename").fetch("").events]
    kill_in_the_middle(spool, "settle", call, number)
    source = SpoolSource(folder=str(spool), ready_by="rename")
    left = [key for key, _ in source.fetch("").events]

    assert set(left) <= set(before)
    assert len(left) + len(list((spool / "taken").iterdir())) == 3
    source.settle(left)
    assert len(list((spool / "taken").iterdir())) == 3
    assert not list((spool / "incoming").iterdir())
