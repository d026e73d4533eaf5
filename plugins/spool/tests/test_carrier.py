"""Notes and follow-up tickets as files, whatever the other side does with them."""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path

import pytest
from conftest import REFERENCE, add, files, names, superseded, superseded_text, texts
from repairadvisor_spool import SpoolCarrier

from repairadvisor.plugin import HeldNote, Note, NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import a_note

# --- where the other side moves what it takes to "seen" -----------------------------------------------------------


def test_a_note_is_a_file_in_the_folder_of_its_ticket(carrier: SpoolCarrier, spool: Path, ticket: Path) -> None:
    note = a_note()
    carrier.change(REFERENCE, add(note))

    assert files(spool / "outgoing") == {f"{REFERENCE}/{note.key}.txt": f"{note.text}\n"}
    assert (ticket / "reference.txt").read_text(encoding="utf-8") == f"{REFERENCE}\n"
    assert names(ticket) == sorted([f"{note.key}.txt", "reference.txt", "seen"])


def test_a_note_that_was_taken_is_found_and_not_written_again(carrier: SpoolCarrier, ticket: Path) -> None:
    note = a_note()
    carrier.change(REFERENCE, add(note))
    (ticket / f"{note.key}.txt").rename(ticket / "seen" / f"{note.key}.txt")
    carrier.change(REFERENCE, add(note))

    assert texts(carrier) == [note.text]
    assert list(files(ticket)) == [f"seen/{note.key}.txt"]


def test_a_changed_note_that_was_taken_is_there_to_be_taken_again(carrier: SpoolCarrier, ticket: Path) -> None:
    note = a_note()
    carrier.change(REFERENCE, add(note))
    (ticket / f"{note.key}.txt").rename(ticket / "seen" / f"{note.key}.txt")
    carrier.change(REFERENCE, superseded(note))

    assert texts(carrier) == [superseded_text(note)]
    assert (ticket / f"{note.key}.txt").read_text(encoding="utf-8") == f"{superseded_text(note)}\n"
    (ticket / f"{note.key}.txt").replace(ticket / "seen" / f"{note.key}.txt")
    carrier.change(REFERENCE, superseded(note))
    assert texts(carrier) == [superseded_text(note)]
    assert list(files(ticket)) == [f"seen/{note.key}.txt"]


def test_what_others_put_there_stays_and_is_not_ours(carrier: SpoolCarrier, spool: Path, ticket: Path) -> None:
    note = a_note()
    carrier.change(REFERENCE, add(note))
    others = {
        "remark.txt": "Called the owner.\n",
        "0123456789ab-advice-7-1-1.txt": f"{note.text}\n",  # its text bears another mark than its name
        "0123456789ab-advice-8-1-1.txt": "",
        "0123456789ab-advice-9-1-1.txt": "[repairadvisor 0123456789ab advice 9 1/1]",  # not whole: no line break
    }
    for name, content in others.items():
        (ticket / name).write_text(content, encoding="utf-8")
    (spool / "secret.txt").write_text("[repairadvisor 0123456789ab advice 6 1/1]\n", encoding="utf-8")
    (ticket / "0123456789ab-advice-6-1-1.txt").symlink_to(spool / "secret.txt")
    before = files(ticket)

    assert texts(carrier) == [note.text]
    carrier.change(REFERENCE, superseded(note))
    assert {**before, f"{note.key}.txt": f"{superseded_text(note)}\n"} == files(ticket)


def test_a_note_that_a_crash_left_empty_is_written_anew(carrier: SpoolCarrier, ticket: Path) -> None:
    """As file systems may leave it that bring names to disk before contents."""
    note = a_note()
    carrier.change(REFERENCE, add(note))
    (ticket / f"{note.key}.txt").write_bytes(b"")

    assert texts(carrier) == []
    carrier.change(REFERENCE, add(note))
    assert texts(carrier) == [note.text]


def test_notes_are_in_order_of_revision_and_part(carrier: SpoolCarrier) -> None:
    notes = [a_note(revision, part, 11) for revision in (1, 2, 10) for part in (1, 2, 10, 11)]
    for note in reversed(notes):
        carrier.change(REFERENCE, add(note))

    assert texts(carrier) == [note.text for note in notes]


@pytest.mark.parametrize(
    "change",
    [
        NoteChange(add=(Note("../../x", "y"),)),
        NoteChange(add=(Note(a_note().key, "no mark"),)),
        NoteChange(rewrite=((HeldNote("../../../x", "y"), "z"),)),
        NoteChange(rewrite=((HeldNote(a_note().key, "y"), "no mark"),)),
    ],
)
@pytest.mark.parametrize("consumed", ["kept", "removed"])
def test_keys_that_are_none_reach_no_file(spool: Path, change: NoteChange, consumed: str) -> None:
    with pytest.raises(RemoteRefusedError, match="mark"):
        SpoolCarrier(folder=str(spool), consumed=consumed).change(REFERENCE, change)
    assert files(spool) == {}


def test_hostile_references_stay_inside(carrier: SpoolCarrier, spool: Path) -> None:
    references = ["../../x", "..", "...", "/etc", "a\nb", "x" * 200, "X" * 200, "µ" * 200, "~", "NUL", "seen"]
    for reference in references:
        carrier.change(reference, add(a_note(text=f"For {reference!r}.")))

    assert names(spool) == ["follow_up", "incoming", "outgoing", "taken"]
    assert len(names(spool / "outgoing")) == len(references)
    for reference in references:
        assert [held.text for held in carrier.look(reference) or ()] == [a_note(text=f"For {reference!r}.").text]


def test_a_ticket_folder_that_is_a_link_is_not_followed(carrier: SpoolCarrier, spool: Path, ticket: Path) -> None:
    (spool / "elsewhere").mkdir()
    ticket.symlink_to(spool / "elsewhere")

    with pytest.raises(RemoteUnavailableError, match=REFERENCE):
        carrier.change(REFERENCE, add(a_note()))
    assert names(spool / "elsewhere") == []


def test_a_folder_of_another_ticket_is_not_written_to(carrier: SpoolCarrier, ticket: Path) -> None:
    ticket.mkdir()
    (ticket / "reference.txt").write_text("LF-18\n", encoding="utf-8")

    with pytest.raises(RemoteRefusedError, match="names another ticket"):
        carrier.change(REFERENCE, add(a_note()))
    with pytest.raises(RemoteRefusedError, match="names another ticket"):
        carrier.look(REFERENCE)


def test_somebody_elses_temporary_link_is_not_written_through(carrier: SpoolCarrier, spool: Path, ticket: Path) -> None:
    note = a_note()
    ticket.mkdir()
    (spool / "precious").write_text("as it was", encoding="utf-8")
    (ticket / f".{note.key}.txt.tmp").symlink_to(spool / "precious")
    carrier.change(REFERENCE, add(note))

    assert (spool / "precious").read_text(encoding="utf-8") == "as it was"
    assert texts(carrier) == [note.text]


def test_whoever_reads_meanwhile_sees_old_or_new_and_whole(carrier: SpoolCarrier, ticket: Path) -> None:
    note = a_note(text="A" * 9000)
    carrier.change(REFERENCE, add(note))
    other = NoteChange(rewrite=((HeldNote(note.key, ""), a_note(text="B" * 9000).text),))
    back = NoteChange(rewrite=((HeldNote(note.key, ""), note.text),))
    seen: set[bytes] = set()
    stop = threading.Event()

    def read() -> None:
        while not stop.is_set():
            seen.add((ticket / f"{note.key}.txt").read_bytes())

    reader = threading.Thread(target=read)
    reader.start()
    for turn in range(2000):
        carrier.change(REFERENCE, other)
        carrier.change(REFERENCE, back)
        if turn >= 60 and len(seen) == 2:
            break
    stop.set()
    reader.join()

    assert seen <= {f"{one.text}\n".encode() for one in (note, a_note(text="B" * 9000))}
    assert len(seen) == 2


# --- where the other side removes what it takes -------------------------------------------------------------------


def test_where_files_are_removed_nothing_can_be_looked_at(removing: SpoolCarrier, ticket: Path) -> None:
    removing.change(REFERENCE, add(a_note()))

    assert removing.look(REFERENCE) is None
    assert names(ticket) == sorted([f"{a_note().key}.txt", "reference.txt"])


@pytest.mark.parametrize("taken", [False, True])
def test_a_changed_text_is_a_file_of_its_own(removing: SpoolCarrier, ticket: Path, taken: bool) -> None:
    """Also while the first is there: it may just be read, and be removed afterwards.

    Said again a minute later, as after a crash, it is no other file.
    """
    note = a_note()
    removing.change(REFERENCE, add(note))
    if taken:
        (ticket / f"{note.key}.txt").unlink()
    removing.change(REFERENCE, superseded(note))
    removing.change(REFERENCE, superseded(note, at="07:31"))

    changed = {name: text for name, text in files(ticket).items() if name != f"{note.key}.txt"}
    assert list(changed.values()) == [f"{superseded_text(note)}\n"]
    assert list(changed) == [f"{note.key}_superseded.txt"]
    assert (ticket / f"{note.key}.txt").exists() is not taken
    assert sorted(files(ticket)) == ([f"{note.key}.txt"] if not taken else []) + list(changed)


def test_other_texts_of_a_note_that_counts_are_other_files(removing: SpoolCarrier, ticket: Path) -> None:
    note = a_note()
    for said in ("One.", "Two.", "One."):
        change = NoteChange(rewrite=((HeldNote(note.key, note.text), f"{said}\n{note.text}"),))
        removing.change(REFERENCE, change)

    assert sorted(files(ticket).values()) == [f"One.\n{note.text}\n", f"Two.\n{note.text}\n"]
    assert all(re.fullmatch(rf"{note.key}_[0-9a-f]{{24}}\.txt", name) for name in files(ticket))


def test_a_removed_folder_is_made_again(removing: SpoolCarrier, ticket: Path) -> None:
    removing.change(REFERENCE, add(a_note()))
    for file in ticket.iterdir():
        file.unlink()
    ticket.rmdir()
    removing.change(REFERENCE, add(a_note(2)))

    assert names(ticket) == sorted([f"{a_note(2).key}.txt", "reference.txt"])


# --- follow-up tickets --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("taken", [False, True])
def test_a_follow_up_is_asked_for_once(carrier: SpoolCarrier, spool: Path, taken: bool) -> None:
    key = "0123456789ab-follow-up-1"
    opened = carrier.open_follow_up(REFERENCE, key, "Permanent repair owed", "µ, °\nand so on")
    (file,) = (file for file in (spool / "follow_up").iterdir() if file.is_file())
    if taken:
        file.rename(spool / "follow_up" / "seen" / file.name)
    assert carrier.open_follow_up(REFERENCE, key, "Permanent repair owed", "in other words") == opened

    (there,) = (file for file in (spool / "follow_up").rglob("*") if file.is_file())
    assert json.loads(there.read_text(encoding="utf-8")) == {
        "reference": f"spool-{key}",
        "follows": REFERENCE,
        "key": key,
        "title": "Permanent repair owed",
        "text": "µ, °\nand so on",
    }


@pytest.mark.parametrize("key", ["", "a\nb", "x" * 195])
def test_a_key_that_makes_no_reference_is_refused(carrier: SpoolCarrier, spool: Path, key: str) -> None:
    with pytest.raises(RemoteRefusedError, match="1 to 194"):
        carrier.open_follow_up(REFERENCE, key, "t", "x")
    assert files(spool) == {}


def test_a_hostile_key_stays_inside(carrier: SpoolCarrier, spool: Path) -> None:
    carrier.open_follow_up(REFERENCE, "../../X", "t", "x")

    assert list(files(spool)) == ["follow_up/%2E%2E%2F%2E%2E%2FX.json"]
    assert names(spool) == ["follow_up", "incoming", "outgoing", "taken"]
