"""A process that does one thing with a spool folder and stops dead at a given call, to be killed there.

``python killed.py FOLDER DO CALL N``: before the N-th call of os.CALL of the plugin it says so and waits.
"""

from __future__ import annotations

import os
import sys
import threading
from types import SimpleNamespace
from typing import Any

from repairadvisor_spool import SpoolCarrier, SpoolSource
from repairadvisor_spool import folder as folder_module

from repairadvisor.plugin import HeldNote, Note, NoteChange, NoteMark

FOLDER, DO, CALL, NUMBER = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
REFERENCE = "LF-17"


def stopping(real: Any) -> Any:
    calls = [0]

    def call(*given: Any, **named: Any) -> Any:
        calls[0] += 1
        if CALL == "write":
            # Byte by byte, so that it can be stopped within a file.
            given = (given[0], bytes(given[1])[:1])
        if calls[0] == NUMBER:
            sys.stdout.write("stopped\n")
            sys.stdout.flush()
            threading.Event().wait()
        return real(*given, **named)

    return call


def main() -> None:
    watched = {name: getattr(os, name) for name in dir(os)}
    watched[CALL] = stopping(watched[CALL])
    folder_module.os = SimpleNamespace(**watched)  # type: ignore[attr-defined]
    mark = NoteMark("0123456789ab", "advice", 1, 1, 1, seal="fedcba9876543210")  # as a_note seals it
    note = Note(mark.key, f"STAND OFF. Ring the owner.\n{mark.line}")
    if DO == "add":
        SpoolCarrier(folder=FOLDER).change(REFERENCE, NoteChange(add=(note,)))
    elif DO == "rewrite":
        change = NoteChange(rewrite=((HeldNote(note.key, note.text), f"SUPERSEDED.\n{note.text}"),))
        SpoolCarrier(folder=FOLDER).change(REFERENCE, change)
    else:
        source = SpoolSource(folder=FOLDER, ready_by="rename")
        source.settle([key for key, _ in source.fetch("").events])
    sys.stdout.write("done\n")


main()
