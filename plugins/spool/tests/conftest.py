"""A spool folder as an operator makes it, and how files come into it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from repairadvisor_spool import SpoolCarrier, SpoolSource

from repairadvisor.plugin import HeldNote, Note, NoteChange

# How long an example takes depends on what else the machine does.
hypothesis.settings.register_profile("any_time", deadline=None)
hypothesis.settings.load_profile("any_time")

EXAMPLES = Path(__file__).parent.parent / "examples"
#: 2031-05-04T07:30:00Z would lie ahead of the clock, and files that do are not believed.
LONG_AGO_NS = 1_700_000_000_000_000_000

REFERENCE = "LF-17"
Put = Callable[..., Path]


@pytest.fixture
def spool(tmp_path: Path) -> Path:
    for name in ("incoming", "taken", "outgoing", "follow_up"):
        (tmp_path / name).mkdir()
    return tmp_path


@pytest.fixture
def put(spool: Path) -> Put:
    """Write a file into ``incoming``, with its time of modification."""

    def put_file(name: str, content: Any, modified_ns: int = LONG_AGO_NS) -> Path:
        file = spool / "incoming" / name
        raw = content if isinstance(content, bytes) else json.dumps(content).encode()
        file.write_bytes(raw)
        os.utime(file, ns=(modified_ns, modified_ns))
        return file

    return put_file


def told(reference: str, **more: Any) -> dict[str, Any]:
    return {"ticket": reference, "facts": {"place": "pole_top"}, **more}


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


# --- sources ---


@pytest.fixture
def source(spool: Path) -> SpoolSource:
    return SpoolSource(folder=str(spool), ready_by="rename")


def references(source: SpoolSource) -> list[str]:
    return [source.read(event).reference for _, event in source.fetch("").events]


def settle_all(source: SpoolSource) -> list[str]:
    keys = [key for key, _ in source.fetch("").events]
    source.settle(keys)
    return keys


# --- carriers ---


@pytest.fixture
def carrier(spool: Path) -> SpoolCarrier:
    return SpoolCarrier(folder=str(spool))


@pytest.fixture
def removing(spool: Path) -> SpoolCarrier:
    return SpoolCarrier(folder=str(spool), consumed="removed")


@pytest.fixture
def ticket(spool: Path) -> Path:
    return spool / "outgoing" / REFERENCE


def add(*notes: Note) -> NoteChange:
    return NoteChange(add=notes)


def superseded_text(note: Note, at: str = "07:30") -> str:
    """As deliveries write it: the mark says it as well, and the key stays."""
    return f"SUPERSEDED {at}.\n{note.text.replace(']', ' superseded]')}"


def superseded(note: Note, at: str = "07:30") -> NoteChange:
    return NoteChange(rewrite=((HeldNote(note.key, note.text), superseded_text(note, at)),))


def texts(carrier: SpoolCarrier) -> list[str]:
    return [held.text for held in carrier.look(REFERENCE) or ()]


def files(folder: Path) -> dict[str, str]:
    return {
        file.relative_to(folder).as_posix(): file.read_bytes().decode()
        for file in sorted(folder.rglob("*"))
        if file.is_file() and file.name != "reference.txt"
    }
