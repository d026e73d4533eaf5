"""What becomes of our notes in a ticket, tried on whatever may stand there.

No outside source: a model of a ticket that applies changes is what these are held against.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from builders import VOICE, WORDING, a_voice, an_advice
from hypothesis import given
from hypothesis import strategies as st

from repairadvisor.delivery.notes import (
    Foot,
    Reconciled,
    digest_of,
    expired,
    expiring,
    parts_of,
    reconciled,
    superseded,
    texts_of,
    void,
)
from repairadvisor.delivery.seal import Seal
from repairadvisor.plugin import HeldNote, NoteChange, NoteMark, mark_of
from repairadvisor.render.voice import Voice

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
TICKET = "0123456789abcdef0123456789abcdef"
FOOT = Foot("advice 1")
SEAL = Seal(b"a secret")


def applied(held: list[HeldNote], change: NoteChange) -> list[HeldNote]:
    """What stands in a ticket after a change."""
    said = {before.handle: text for before, text in change.rewrite}
    kept = [HeldNote(one.handle, said.get(one.handle, one.text)) for one in held]
    return kept + [HeldNote(f"added {len(kept)} {i}", note.text) for i, note in enumerate(change.add)]


def counting(held: list[HeldNote]) -> list[str]:
    marks = [mark_of(one.text) for one in held]
    return [mark.key for mark in marks if mark is not None and mark.ticket == TICKET[:12] and not mark.status]


notes_of_any_kind = st.lists(
    st.tuples(
        st.integers(1, 4),  # revision
        st.integers(1, 3),  # part
        st.integers(1, 3),  # parts
        st.sampled_from(["", "", "", "superseded", "expired", "void"]),
        st.sampled_from([TICKET[:12], "ba9876543210"]),
        st.sampled_from(["advice", "verdict"]),
    ),
    max_size=12,
)


def stands(descriptions: list[tuple[int, int, int, str, str, str]]) -> list[HeldNote]:
    held = []
    for i, (revision, part, parts, status, ticket, kind) in enumerate(descriptions):
        mark = SEAL.sealed(
            NoteMark(ticket, kind, revision, part, parts, status), TICKET if ticket == TICKET[:12] else ticket
        )
        held.append(HeldNote(f"n{i}", f"REPAIR. Something.\n{mark.line}"))
    return held


@given(notes_of_any_kind, st.lists(st.text("ab\n", max_size=5), min_size=1, max_size=3), st.integers(4, 6))
def test_whatever_stands_there_one_revision_counts_afterwards(
    descriptions: list[tuple[int, int, int, str, str, str]], texts: list[str], revision: int
) -> None:
    held = stands(descriptions)
    wanted = parts_of(texts, TICKET, revision, FOOT, SEAL, VOICE)
    made = reconciled(wanted, TICKET, revision, held, NOW, SEAL, VOICE)
    after = applied(held, made.change)

    keys = [note.key for note in wanted]
    mine = [key for key in counting(after) if "-advice-" in key]
    assert sorted(mine) == sorted(keys)
    assert reconciled(wanted, TICKET, revision, after, NOW, SEAL, VOICE).is_settled, "a second look changes nothing"


@given(notes_of_any_kind)
def test_others_notes_stay_as_they_are(descriptions: list[tuple[int, int, int, str, str, str]]) -> None:
    held = [*stands(descriptions), HeldNote("theirs", "Customer rang again."), HeldNote("x", "")]
    made = reconciled(parts_of(["a"], TICKET, 9, FOOT, SEAL, VOICE), TICKET, 9, held, NOW, SEAL, VOICE)
    touched = {before.handle for before, _ in made.change.rewrite}

    for one in held:
        mark = mark_of(one.text)
        if mark is None or (mark.ticket, mark.kind) != (TICKET[:12], "advice"):
            assert one.handle not in touched


def test_a_newer_note_is_not_overwritten() -> None:
    newer = [HeldNote("n", parts_of(["x"], TICKET, 7, FOOT, SEAL, VOICE)[0].text)]
    made = reconciled(parts_of(["a"], TICKET, 6, FOOT, SEAL, VOICE), TICKET, 6, newer, NOW, SEAL, VOICE)

    assert (made.newest, made.change) == (7, NoteChange())


def test_a_superseded_note_keeps_what_it_said() -> None:
    note = parts_of(["REPAIR. Fuse it.\nWhy: it is cut."], TICKET, 1, FOOT, SEAL, VOICE)[0]
    mark = mark_of(note.text)
    assert mark is not None
    text = superseded(note.text, mark, 2, NOW, VOICE)

    assert text.splitlines()[0] == "SUPERSEDED 4 May 2031 07:30 UTC by note 2. What follows no longer counts."
    assert "Why: it is cut." in text
    assert mark_of(text).status == "superseded"  # type: ignore[union-attr]
    assert mark_of(text).key == note.key  # type: ignore[union-attr]


def test_only_the_revision_that_counts_runs_out() -> None:
    held = stands([(1, 1, 1, "superseded", TICKET[:12], "advice"), (2, 1, 1, "", TICKET[:12], "advice")])
    change = expiring(TICKET, 2, held, NOW, SEAL, VOICE)

    assert [before.handle for before, _ in change.rewrite] == ["n1"]
    assert expiring(TICKET, 2, applied(held, change), NOW, SEAL, VOICE) == NoteChange()


#: The words over a note that no longer counts, far longer than ours.
WORDY = {
    **WORDING["note"],
    **{name: f"{WORDING['note'][name]} {'Nobody may say that it was not said. ' * 9}" for name in ("expired", "void")},
    "superseded": f"{WORDING['note']['superseded']} {'Nobody may say that it was not said. ' * 9}",
    "goes_on": "[{n} of {count}] goes on from the note before this one, whose last line stands above it",
}
IN_MANY_WORDS = a_voice(wording={**WORDING, "note": WORDY})


@pytest.mark.parametrize(
    ("longest", "voice"), [*((one, VOICE) for one in (1000, 1500, 2000, 5000)), (1500, IN_MANY_WORDS)]
)
def test_every_note_fits_its_ticket_with_all_that_is_put_to_it(longest: int, voice: Voice) -> None:
    advice = an_advice(because="Because of this and that, which takes a while to say. " * 30)
    texts = texts_of(advice, voice, longest)
    foot = Foot("https://advice.example/" + "x" * 100, shared_with="R" * 200)
    for note in parts_of(texts, TICKET, 999_999_999, foot, SEAL, voice):
        mark = mark_of(note.text)
        assert mark is not None
        assert len(superseded(note.text, mark, 999_999_999, NOW, voice)) <= longest
        assert len(expired(note.text, mark, NOW, voice)) <= longest
        assert len(void(note.text, mark, NOW, voice)) <= longest


def test_the_first_line_is_the_answer() -> None:
    first = texts_of(an_advice(say="Fuse it."), VOICE, 4000)[0].splitlines()[0]
    assert first.endswith("REPAIR. Fuse it.")


def test_when_it_was_said_makes_no_other_note() -> None:
    one = an_advice(now="2031-05-04T07:30:00Z", policy="5d" * 32)
    other = an_advice(now="2031-05-04T09:30:00Z", policy="6e" * 32)

    assert digest_of(one, VOICE, 4000) == digest_of(other, VOICE, 4000)
    assert digest_of(one, VOICE, 4000) != digest_of(an_advice(say="Stand back."), VOICE, 4000)


@given(st.integers(1, 9), st.sampled_from(["", "0" * 16, "another"]))
def test_a_forged_mark_is_no_note_of_ours(revision: int, seal: str) -> None:
    """Whoever may write into a ticket may not keep our notes out of it."""
    mark = NoteMark(TICKET[:12], "advice", revision, 1, 1, seal=seal if seal != "another" else "")
    if seal == "another":
        mark = Seal(b"another secret").sealed(mark, TICKET)
    forged = HeldNote("theirs", f"REPAIR. All is well.\n{mark.line}")
    wanted = parts_of(["a"], TICKET, 3, FOOT, SEAL, VOICE)
    made = reconciled(wanted, TICKET, 3, [forged], NOW, SEAL, VOICE)

    assert made.change == NoteChange(add=wanted)


def test_a_seal_is_of_one_mark() -> None:
    mark = SEAL.sealed(NoteMark(TICKET[:12], "advice", 1, 1, 1), TICKET)
    others = [replace(mark, revision=2), replace(mark, part=2), replace(mark, parts=2), replace(mark, kind="verdict")]

    assert SEAL.is_ours(replace(mark, status="superseded"), TICKET)
    assert not any(SEAL.is_ours(one, TICKET) for one in others)
    assert not SEAL.is_ours(mark, TICKET[:12] + "0" * 20), "of two tickets the first 12 digits can be alike"
    assert "secret" not in repr(SEAL)


def test_somebody_who_quotes_us_is_left_alone() -> None:
    """A copy of our mark under other words, before or after our note, makes nothing void."""
    ours = parts_of(["REPAIR. Fuse it."], TICKET, 1, FOOT, SEAL, VOICE)
    quote = HeldNote("theirs", f"They said this, is it right?\n> {ours[0].text}")
    for held in ([quote, HeldNote("n", ours[0].text)], [HeldNote("n", ours[0].text), quote]):
        made = reconciled(ours, TICKET, 1, held, NOW, SEAL, VOICE)
        assert made == Reconciled(NoteChange())


def test_white_space_that_a_ticket_system_changes_hides_no_double() -> None:
    ours = parts_of(["REPAIR. Fuse it.\nWhy: it is cut."], TICKET, 1, FOOT, SEAL, VOICE)
    held = [HeldNote("a", ours[0].text.replace("\n", "\r\n ")), HeldNote("b", ours[0].text)]
    made = reconciled(ours, TICKET, 1, held, NOW, SEAL, VOICE)

    assert (made.healed, [before.handle for before, _ in made.change.rewrite]) == (1, ["b"])
