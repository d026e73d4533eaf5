"""Any order of others' steps and ours: nothing of theirs is lost once it is quiet, and each of our notes stands once.

The model: the counterpart's own logic without HTTP, each of its answers one step that nothing interrupts. Between any
two of our steps others may append, take a note of ours away by writing from an old reading of their own, or the way may
fail before or after the work. After a failure the change is made again from the start, as the core does.
"""

from __future__ import annotations

import copy
from typing import Any

import pytest
from conftest import REFERENCE
from desk import Desk
from hypothesis import given, settings
from hypothesis import strategies as st
from repairadvisor_tmf621.note_array import held_notes
from repairadvisor_tmf621.note_writer import NoteWriter
from repairadvisor_tmf621.outcome import ChangedMeanwhileError

from repairadvisor.plugin import NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import a_note

#: What happens before each of our steps: others append so many notes, and how the way fails.
STEPS = st.lists(st.tuples(st.integers(0, 2), st.sampled_from(("", "", "", "before", "after"))), max_size=25)


class Way:
    """From the writer to the desk, step by step."""

    def __init__(self, desk: Desk, steps: list[tuple[int, str]]) -> None:
        self._desk = desk
        self._steps = list(steps)
        self.theirs: list[str] = []

    def _step(self) -> str:
        appended, fails = self._steps.pop(0) if self._steps else (0, "")
        for _ in range(appended):
            self.theirs.append(f"theirs {len(self.theirs)}")
            self._desk.append(REFERENCE, self.theirs[-1])
        if fails == "before":
            raise RemoteUnavailableError("lost on the way there")
        return fails

    def ticket(self, reference: str) -> tuple[dict[str, Any], str]:
        fails = self._step()
        found = copy.deepcopy(self._desk.tickets[reference]), self._desk.etag_of(reference)
        if fails:
            raise RemoteUnavailableError("lost on the way back")
        return found

    def patch(self, reference: str, content: Any, content_type: str, etag: str, *, has_test: bool = False) -> bool:
        fails = self._step()
        status = self._desk.patch(reference, content_type, copy.deepcopy(content), etag)
        if fails:
            raise RemoteUnavailableError("lost on the way back")
        if status in (409, 412) or (has_test and status in (400, 422)):
            raise ChangedMeanwhileError("changed", status)
        if status >= 400:
            raise RemoteRefusedError(f"{status}")
        return status != 202


def bring(writer: NoteWriter, change: NoteChange) -> None:
    """As the core does: again until it is done."""
    for _ in range(40):
        try:
            writer.write(REFERENCE, change)
        except RemoteUnavailableError:
            continue
        return
    raise AssertionError("it is quiet, and still not done")


@pytest.mark.parametrize(
    ("etag", "is_merge"), [("strong", True), ("strong", False), ("none", False)], ids=["merge", "JSON", "JSON, no ETag"]
)
@settings(deadline=None)
@given(steps=STEPS, revisions=st.integers(1, 3))
def test_nothing_of_theirs_is_lost_and_ours_stand_once(
    etag: str, is_merge: bool, steps: list[tuple[int, str]], revisions: int
) -> None:
    desk = Desk()
    desk.etag = etag
    desk.open(REFERENCE, note=[])
    way = Way(desk, steps)
    writer = NoteWriter(way, author="repairadvisor", is_merge=is_merge, write_without_etag=False)  # type: ignore[arg-type]
    expected: list[str] = []
    for revision in range(1, revisions + 1):
        notes = tuple(a_note(revision, part=part, parts=2) for part in (1, 2))
        bring(writer, NoteChange(add=notes))
        held = _held(desk)
        old = [one for one in held if f"advice {revision} " not in one.text and "SUPERSEDED" not in one.text]
        rewrite = tuple((one, f"SUPERSEDED by revision {revision}.\n{one.text}") for one in old)
        bring(writer, NoteChange(rewrite=rewrite)) if rewrite else None
        expected = [
            f"SUPERSEDED by revision {revision}.\n{text}" if "SUPERSEDED" not in text else text for text in expected
        ]
        expected += [note.text for note in notes]
    texts = desk.texts(REFERENCE)
    assert [text for text in texts if text.startswith("theirs")] == way.theirs
    assert sorted(text for text in texts if not text.startswith("theirs")) == sorted(expected)


def _held(desk: Desk) -> Any:
    return held_notes(desk.tickets[REFERENCE]["note"], "repairadvisor")


@settings(deadline=None)
@given(steps=STEPS)
def test_where_others_write_from_old_readings_ours_still_stand_once(steps: list[tuple[int, str]]) -> None:
    """Each note of theirs wipes out what was written since their own reading; ours are written again."""
    desk = Desk()
    desk.open(REFERENCE, note=[])
    way = Way(desk, steps)
    stale = copy.deepcopy(desk.tickets[REFERENCE]["note"])
    append = desk.append

    def overwrite(id_: str, text: str, author: str = "control room") -> None:
        nonlocal stale
        now = copy.deepcopy(desk.tickets[id_]["note"])
        desk.tickets[id_]["note"] = stale
        append(id_, text, author)
        stale = now

    desk.append = overwrite  # type: ignore[method-assign]
    writer = NoteWriter(way, author="repairadvisor", is_merge=True, write_without_etag=False)  # type: ignore[arg-type]
    change = NoteChange(add=(a_note(part=1, parts=2), a_note(part=2, parts=2)))
    bring(writer, change)
    way._steps.clear()
    bring(writer, change)
    ours = [note.text for note in change.add]
    assert [text for text in desk.texts(REFERENCE) if text in ours] == ours
