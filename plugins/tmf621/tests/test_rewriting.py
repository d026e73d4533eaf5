"""Rewriting our notes, telling them from others', and systems that change what they are sent."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from between import CHANGE, OURS, at_the, overwrite, safe, sent
from conftest import REFERENCE, carrier_of
from desk import DeskOverHttp
from hypothesis import given
from hypothesis import strategies as st
from repairadvisor_tmf621.note_array import our_places

from repairadvisor.plugin import HeldNote, NoteChange, RemoteRefusedError, mark_of
from repairadvisor.testing import a_note

__all__ = ["safe"]  # a fixture, which pytest finds by its name here


# --- rewriting ----------------------------------------------------------------------------------------------------


def rewriting(carrier: Any, text: str = "SUPERSEDED.") -> NoteChange:
    held = carrier.look(REFERENCE)[0]
    return NoteChange(rewrite=((held, f"{text}\n{held.text}"),))


def test_a_note_is_rewritten_where_it_stands_now(safe: Any, desk: DeskOverHttp) -> None:
    """Somebody takes a note away in front of it, so it is no longer where it was read."""
    safe.change(REFERENCE, CHANGE)
    change = rewriting(safe)

    def take_away() -> None:
        overwrite(desk, desk.tickets[REFERENCE]["note"][1:])

    at_the(desk, "GET", 1)(take_away)
    safe.change(REFERENCE, change)
    # The one that was taken away had been seen, and comes back: a removal looks like a write that lost it.
    assert sorted(desk.texts(REFERENCE)) in (
        sorted(["before", change.rewrite[0][1], OURS[1]]),
        sorted([change.rewrite[0][1], OURS[1]]),
    )


def test_rewriting_twice_changes_nothing_more(safe: Any, desk: DeskOverHttp) -> None:
    safe.change(REFERENCE, CHANGE)
    change = rewriting(safe)
    safe.change(REFERENCE, change)
    texts = desk.texts(REFERENCE)
    desk.sent.clear()
    safe.change(REFERENCE, change)
    assert desk.texts(REFERENCE) == texts
    assert sent(desk) == ["GET"]


def test_a_note_that_was_taken_away_is_not_rewritten(safe: Any, desk: DeskOverHttp) -> None:
    safe.change(REFERENCE, CHANGE)
    change = rewriting(safe)
    overwrite(desk, desk.tickets[REFERENCE]["note"][:1])
    safe.change(REFERENCE, change)
    assert desk.texts(REFERENCE) == ["before"]


def test_where_notes_stay_as_they_are_the_new_text_is_a_note_of_its_own(safe: Any, desk: DeskOverHttp) -> None:
    desk.fixed_notes = True
    safe.change(REFERENCE, CHANGE)
    change = rewriting(safe)
    safe.change(REFERENCE, change)
    safe.change(REFERENCE, change)
    assert desk.texts(REFERENCE) == ["before", *OURS, change.rewrite[0][1]]


def test_an_answer_that_quotes_our_note_is_not_ours(safe: Any, desk: DeskOverHttp) -> None:
    """It has our mark in it; it is neither told of nor rewritten."""
    safe.change(REFERENCE, CHANGE)
    quote = f"Is this still right?\n> {OURS[0]}"
    desk.append(REFERENCE, quote, author="crew")
    assert [one.text for one in safe.look(REFERENCE)] == OURS
    change = rewriting(safe)
    safe.change(REFERENCE, change)
    assert desk.texts(REFERENCE) == ["before", change.rewrite[0][1], OURS[1], quote]


def test_our_notes_are_known_also_where_the_desk_names_their_author(desk: DeskOverHttp) -> None:
    keep = desk._keep

    def as_user(id_: str, after: dict[str, Any]) -> None:
        for note in after["note"]:
            note["author"] = "api user"
        keep(id_, after)

    desk._keep = as_user  # type: ignore[method-assign]
    carrier = carrier_of(desk)
    carrier.change(REFERENCE, CHANGE)
    desk.append(REFERENCE, f"> {OURS[0]}", author="crew")
    desk.tickets[REFERENCE]["note"][-1]["date"] = "2099-01-01T00:00:00Z"  # whoever quotes writes later
    assert [one.text for one in carrier.look(REFERENCE)] == OURS


def test_notes_without_a_number_are_told_apart_by_their_mark(desk: DeskOverHttp) -> None:
    desk.tickets[REFERENCE]["note"] = [{"@type": "Note", "text": text} for text in ("theirs", *OURS)]
    carrier = carrier_of(desk)
    held = carrier.look(REFERENCE)
    assert [one.handle for one in held] == [note.key for note in CHANGE.add]
    carrier.change(REFERENCE, NoteChange(rewrite=((held[1], f"SUPERSEDED.\n{held[1].text}"),)))
    assert desk.texts(REFERENCE) == ["theirs", OURS[0], f"SUPERSEDED.\n{OURS[1]}"]


def test_our_notes_come_oldest_first_whatever_order_the_desk_keeps(desk: DeskOverHttp) -> None:
    carrier = carrier_of(desk)
    carrier.change(REFERENCE, CHANGE)
    carrier.change(REFERENCE, NoteChange(add=(a_note(2),)))
    desk.tickets[REFERENCE]["note"].reverse()
    assert [one.text for one in carrier.look(REFERENCE)] == [*OURS, a_note(2).text]


# --- systems that change what they are sent ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changed",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("&", "&amp;").replace("<", "&lt;"),
        lambda text: f"  {text}\n\n",
        lambda text: " ".join(text.split()),
    ],
    ids=["line ends", "escaped", "white space around", "one line"],
)
def test_a_text_that_is_kept_a_little_differently_is_known(
    safe: Any, desk: DeskOverHttp, changed: Callable[[str], str]
) -> None:
    keep: set[str] = set()

    def once(text: str) -> str:
        made = text if text in keep else changed(text)
        keep.add(made)
        return made

    desk.changed_text = once
    note = a_note(text="REPAIR. 2 < 3 & so on.")
    safe.change(REFERENCE, NoteChange(add=(note,)))
    safe.change(REFERENCE, NoteChange(add=(note,)))
    change = rewriting(safe)
    safe.change(REFERENCE, change)
    safe.change(REFERENCE, change)
    marked = [text for text in desk.texts(REFERENCE) if mark_of(text)]
    assert len(marked) == 1
    assert "SUPERSEDED" in marked[0]


def test_a_desk_that_cuts_notes_off_is_said_to_and_gets_no_second_one(safe: Any, desk: DeskOverHttp) -> None:
    """Without its mark the note would not be known as ours, and be written again and again."""
    desk.longest_kept = 120
    note = a_note(text="REPAIR. " + "Fuse it, and fuse it well. " * 20)
    with pytest.raises(RemoteRefusedError, match="longest_note"):
        safe.change(REFERENCE, NoteChange(add=(note,)))
    assert sent(desk).count("PATCH") == 1


@given(st.lists(st.tuples(st.sampled_from(("ours", "quote", "theirs")), st.integers(1, 3)), max_size=6))
def test_ours_are_never_somebody_elses(what: list[tuple[str, int]]) -> None:
    """As long as the desk keeps our name: whatever stands beside, only what we wrote is ours."""
    notes = []
    for kind, part in what:
        text = a_note(part=part, parts=3).text if kind != "theirs" else "theirs"
        notes.append({"author": "repairadvisor" if kind == "ours" else "crew", "text": text})
    ours = our_places(notes, "repairadvisor")
    written = {part for kind, part in what if kind == "ours"}
    for place, (kind, part) in enumerate(what):
        if kind == "ours":
            assert place in ours
        elif kind == "theirs" or part in written:
            assert place not in ours


def test_a_held_note_without_a_mark_is_not_rewritten(safe: Any, desk: DeskOverHttp) -> None:
    """It is none of ours."""
    safe.change(REFERENCE, NoteChange(rewrite=((HeldNote("f-1", "before"), "after"),)))
    assert desk.texts(REFERENCE) == ["before"]
