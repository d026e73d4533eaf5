"""What the tests of writing share: a change, each way of writing that loses nothing, and others who write meanwhile."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest
from conftest import REFERENCE, carrier_of
from desk import DeskOverHttp

from repairadvisor.plugin import NoteChange
from repairadvisor.testing import a_note

CHANGE = NoteChange(add=(a_note(part=1, parts=2), a_note(part=2, parts=2)))
OURS = [note.text for note in CHANGE.add]

SAFE: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "merge patch with ETag": ({}, {}),
    "JSON patch with ETag": ({}, {"patch": "json_patch"}),
    "JSON patch without ETag": ({"etag": "none"}, {"patch": "json_patch"}),
}


@pytest.fixture(params=list(SAFE))
def safe(desk: DeskOverHttp, request: pytest.FixtureRequest) -> Any:
    """A carrier for each way of writing that loses nothing, to a desk that has a note already."""
    of_desk, settings = SAFE[request.param]
    for name, value in of_desk.items():
        setattr(desk, name, value)
    desk.append(REFERENCE, "before")
    return carrier_of(desk, **settings)


def at_the(desk: DeskOverHttp, method: str, *times: int) -> Callable[[Callable[[], None]], None]:
    """Have something done right after the n-th request of a kind has been worked on, before it is answered."""
    count = 0

    def arranged(do: Callable[[], None]) -> None:
        def meanwhile(asked: str, path: str) -> None:
            nonlocal count
            if asked == method:
                count += 1
                if count in times:
                    do()

        desk.meanwhile = meanwhile

    return arranged


def sent(desk: DeskOverHttp) -> list[str]:
    return [one.method for one in desk.sent]


def overwrite(desk: DeskOverHttp, notes: list[dict[str, Any]]) -> None:
    """Somebody else's write that was made from an old reading: it takes away what came since."""
    desk.tickets[REFERENCE]["note"] = copy.deepcopy(notes)
    desk._touched(REFERENCE)
