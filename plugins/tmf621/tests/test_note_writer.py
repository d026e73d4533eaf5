"""Writing notes where others write too: nothing of theirs is lost, and ours stand once."""

from __future__ import annotations

import copy
import json
import threading
from typing import Any

import json_merge_patch
import pytest
from between import CHANGE, OURS, at_the, overwrite, safe, sent
from conftest import REFERENCE, carrier_of
from desk import DeskOverHttp, Fault

from repairadvisor.plugin import NoteChange, RemoteRefusedError, RemoteUnavailableError
from repairadvisor.testing import HOSTILE_TEXTS, a_note

__all__ = ["safe"]  # a fixture, which pytest finds by its name here

# --- the trap, and that it is real here ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "patch", "after"),
    [
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ],
)
def test_the_counterpart_merges_as_rfc_7396_says(before: Any, patch: Any, after: Any) -> None:
    """Cases of RFC 7396, appendix A (from memory): an array is replaced, never merged."""
    assert json_merge_patch.merge(copy.deepcopy(before), patch) == after


def test_the_trap_is_real(desk: DeskOverHttp) -> None:
    """A client that sends its own note alone wipes out the others here; so the tests below can fail."""
    desk.append(REFERENCE, "theirs")
    mine = {"@type": "TroubleTicket", "note": [{"@type": "Note", "text": "mine"}]}
    desk.patch(REFERENCE, "application/merge-patch+json", mine)
    assert desk.texts(REFERENCE) == ["mine"]


# --- nobody in between --------------------------------------------------------------------------------------------


def test_it_reads_writes_and_reads_again(safe: Any, desk: DeskOverHttp) -> None:
    safe.change(REFERENCE, CHANGE)
    assert sent(desk) == ["GET", "PATCH", "GET"]
    assert desk.texts(REFERENCE) == ["before", *OURS]


def test_what_is_there_already_is_not_written(safe: Any, desk: DeskOverHttp) -> None:
    safe.change(REFERENCE, CHANGE)
    desk.sent.clear()
    safe.change(REFERENCE, CHANGE)
    assert sent(desk) == ["GET"]


def test_no_change_asks_nobody(safe: Any, desk: DeskOverHttp) -> None:
    safe.change(REFERENCE, NoteChange())
    assert desk.sent == []


def test_notes_of_others_go_along_to_the_last_letter(safe: Any, desk: DeskOverHttp) -> None:
    """With whatever their system holds of them, and whatever they say."""
    strange = [
        {"@type": "Note", "id": f"x-{i}", "text": text, "seen": [1, {"a": 0.25, "b": None}], "é": "\ud83d"}
        for i, text in enumerate((*HOSTILE_TEXTS, "null", ""))
    ]
    desk.tickets[REFERENCE]["note"] = copy.deepcopy(strange)
    safe.change(REFERENCE, CHANGE)
    assert desk.tickets[REFERENCE]["note"][: len(strange)] == strange
    assert desk.texts(REFERENCE)[len(strange) :] == OURS


def test_nothing_but_the_notes_is_changed(safe: Any, desk: DeskOverHttp) -> None:
    desk.tickets[REFERENCE]["extra"] = {"a": [1, None], "b": None}
    before = copy.deepcopy(desk.tickets[REFERENCE])
    safe.change(REFERENCE, CHANGE)
    after = desk.tickets[REFERENCE]
    for name in before.keys() - {"note", "lastUpdate"}:
        assert after[name] == before[name]
    assert after.keys() == before.keys()


def test_our_notes_have_what_the_schema_wants(safe: Any, desk: DeskOverHttp) -> None:
    safe.change(REFERENCE, CHANGE)
    note = desk.tickets[REFERENCE]["note"][-1]
    assert note["@type"] == "Note"
    assert note["author"] == "repairadvisor"
    assert note["date"].endswith("Z")


def test_the_first_note_of_a_ticket_makes_the_list(desk: DeskOverHttp) -> None:
    for settings in ({}, {"patch": "json_patch"}):
        desk.open("LF-1")
        carrier_of(desk, **settings).change("LF-1", CHANGE)
        assert desk.texts("LF-1") == OURS


def test_without_an_etag_the_list_is_not_made_for_it_may_have_been_made_meanwhile(desk: DeskOverHttp) -> None:
    """``add`` to a place that is taken replaces what is there (RFC 6902 section 4.1): the trap again."""
    desk.etag = "none"
    at_the(desk, "GET", 1)(lambda: desk.append(REFERENCE, "theirs"))
    carrier_of(desk, patch="json_patch").change(REFERENCE, CHANGE)
    assert desk.texts(REFERENCE) == ["theirs", *OURS]

    desk.open("LF-1")
    with pytest.raises(RemoteRefusedError, match="422"):
        carrier_of(desk, patch="json_patch").change("LF-1", CHANGE)
    carrier_of(desk, patch="json_patch", write_without_etag=True).change("LF-1", CHANGE)
    assert desk.texts("LF-1") == OURS


# --- somebody in between ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("times", [(1,), (1, 2), (1, 2, 3), (2,)])
def test_a_note_written_between_reading_and_writing_is_not_lost(
    safe: Any, desk: DeskOverHttp, times: tuple[int, ...]
) -> None:
    at_the(desk, "GET", *times)(lambda: desk.append(REFERENCE, "in between"))
    safe.change(REFERENCE, CHANGE)
    texts = desk.texts(REFERENCE)
    assert sorted(texts) == sorted(
        ["before", *OURS, *["in between"] * sum(t <= sent(desk).count("GET") for t in times)]
    )
    assert [text for text in texts if text in OURS] == OURS


def test_one_who_writes_without_end_is_given_up_for_now(desk: DeskOverHttp) -> None:
    """With every note of theirs in place, and none of ours half there."""
    at_the(desk, "GET", *range(1, 100))(lambda: desk.append(REFERENCE, "again"))
    with pytest.raises(RemoteUnavailableError, match="6 times"):
        carrier_of(desk).change(REFERENCE, CHANGE)
    assert desk.texts(REFERENCE) == ["again"] * 6


def test_without_an_etag_a_merge_patch_loses_what_is_written_in_between(desk: DeskOverHttp) -> None:
    """Plainly: this is what ``write_without_etag`` allows, and why it is off. Nothing shows it afterwards."""
    desk.etag = "none"
    at_the(desk, "GET", 1)(lambda: desk.append(REFERENCE, "in between"))
    carrier_of(desk, write_without_etag=True).change(REFERENCE, CHANGE)
    assert desk.texts(REFERENCE) == OURS


def test_so_it_is_not_sent_unless_the_operator_allows_it(desk: DeskOverHttp) -> None:
    for etag in ("none", "weak"):
        desk.etag = etag
        desk.sent.clear()
        with pytest.raises(RemoteRefusedError, match="write_without_etag"):
            carrier_of(desk).change(REFERENCE, CHANGE)
        assert sent(desk) == ["GET"]


def test_what_somebody_else_wiped_out_is_put_back(safe: Any, desk: DeskOverHttp) -> None:
    """A stale write of theirs after ours: ours are written again, and the note of others that was seen comes back."""
    old = [{"@type": "Note", "id": "o-1", "author": "night desk", "date": desk.now(), "text": "stale"}]
    at_the(desk, "PATCH", 1)(lambda: overwrite(desk, old))
    safe.change(REFERENCE, CHANGE)
    assert sorted(desk.texts(REFERENCE)) == sorted(["before", "stale", *OURS])


@pytest.mark.parametrize("other", [{"id": "changed"}, {"author": "api user", "date": "2031-05-04T08:00:00Z"}])
def test_what_is_put_back_is_put_back_once(safe: Any, desk: DeskOverHttp, other: dict[str, str]) -> None:
    """Also where its system gives it another number, author and date."""
    wiped = threading.Event()
    keep = desk._keep

    def rename(id_: str, after: dict[str, Any]) -> None:
        if wiped.is_set():
            for note in after["note"]:
                if note["text"] == "before":
                    note.update(id="n-new", **{k: v for k, v in other.items() if k != "id"})
        keep(id_, after)

    desk._keep = rename  # type: ignore[method-assign]
    at_the(desk, "PATCH", 1)(lambda: (overwrite(desk, []), wiped.set()))  # type: ignore[func-returns-value]
    safe.change(REFERENCE, CHANGE)
    assert sorted(desk.texts(REFERENCE)) == sorted(["before", *OURS])


def test_two_who_wipe_out_each_other_are_given_up_for_now(safe: Any, desk: DeskOverHttp) -> None:
    at_the(desk, "PATCH", *range(1, 100))(lambda: overwrite(desk, []))
    with pytest.raises(RemoteUnavailableError, match="6 times"):
        safe.change(REFERENCE, CHANGE)
    assert sent(desk).count("PATCH") == 6


# --- faults -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("when", ["before", "after"])
@pytest.mark.parametrize(
    "fault",
    [
        {"status": 503},
        {"status": 429, "headers": {"Retry-After": "30"}},
        {"how": "hang"},
        {"how": "reset"},
        {"status": 200, "body": b"<html>done</html>"},
        {"status": 200, "body": b""},
    ],
    ids=["503", "429", "timeout", "reset", "no JSON", "nothing"],
)
def test_a_fault_before_or_after_writing_leaves_each_note_once(
    safe: Any, desk: DeskOverHttp, when: str, fault: dict[str, Any]
) -> None:
    desk.faults.append(Fault("PATCH", when=when, **fault))
    settings = {"timeout_s": 0.3} if fault.get("how") == "hang" else {}
    carrier = carrier_of(desk, patch="json_patch" if not safe._writer._is_merge else "merge_patch", **settings)
    with pytest.raises(RemoteUnavailableError) as later:
        carrier.change(REFERENCE, CHANGE)
    assert later.value.retry_after_s == (30 if fault.get("status") == 429 else None)
    safe.change(REFERENCE, CHANGE)
    assert desk.texts(REFERENCE) == ["before", *OURS]


def test_a_change_that_is_accepted_and_made_later_is_not_sent_twice(safe: Any, desk: DeskOverHttp) -> None:
    desk.accepts_only = True
    with pytest.raises(RemoteUnavailableError, match="accepted and not made yet") as later:
        safe.change(REFERENCE, CHANGE)
    assert later.value.retry_after_s
    assert sent(desk).count("PATCH") == 1
    desk.finish()
    safe.change(REFERENCE, CHANGE)
    assert desk.texts(REFERENCE) == ["before", *OURS]


def test_a_conflict_that_never_ends_is_refused(desk: DeskOverHttp) -> None:
    """409 may be for good, as on a ticket that is closed; 412 is not."""
    for status, error in ((409, RemoteRefusedError), (412, RemoteUnavailableError)):
        desk.faults = [Fault("PATCH", status=status) for _ in range(6)]
        with pytest.raises(error):
            carrier_of(desk).change(REFERENCE, CHANGE)
        assert desk.faults == []


@pytest.mark.parametrize("status", [400, 403, 404, 415, 422])
def test_what_is_refused_is_refused_at_once(safe: Any, desk: DeskOverHttp, status: int) -> None:
    desk.faults.append(Fault("PATCH", status=status, body=json.dumps({"reason": "ticket is locked"}).encode()))
    with pytest.raises(RemoteRefusedError, match=f"{status} .ticket is locked"):
        safe.change(REFERENCE, CHANGE)
    assert sent(desk) == ["GET", "PATCH"]


def test_a_desk_that_knows_no_json_patch_is_said_to(desk: DeskOverHttp) -> None:
    desk.knows_json_patch = False
    with pytest.raises(RemoteRefusedError, match="415"):
        carrier_of(desk, patch="json_patch").change(REFERENCE, CHANGE)


def test_a_ticket_that_is_not_there_is_refused(safe: Any) -> None:
    with pytest.raises(RemoteRefusedError, match="404"):
        safe.change("LF-0", CHANGE)
    with pytest.raises(RemoteRefusedError, match="404"):
        safe.look("LF-0")


def test_a_writer_of_flesh_and_blood_beside_ours_loses_nothing(safe: Any, desk: DeskOverHttp) -> None:
    """Two threads over real HTTP, neither waiting for the other."""
    stop = threading.Event()
    written = []

    def write() -> None:
        for number in range(15):
            if stop.wait(0.004):
                return
            desk.append(REFERENCE, f"theirs {number}")
            written.append(f"theirs {number}")

    other = threading.Thread(target=write)
    other.start()
    for part in range(1, 6):
        for _ in range(20):
            try:
                safe.change(REFERENCE, NoteChange(add=(a_note(part=part, parts=5),)))
            except RemoteUnavailableError:
                continue
            break
    other.join()
    stop.set()
    ours = [a_note(part=part, parts=5).text for part in range(1, 6)]
    assert sorted(desk.texts(REFERENCE)) == sorted(["before", *written, *ours])
