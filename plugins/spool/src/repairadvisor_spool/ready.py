"""Which files in ``incoming`` are event files, and which of them are whole."""

from __future__ import annotations

import time
from collections.abc import Mapping

from repairadvisor_spool.folder import FileMark
from repairadvisor_spool.settings import DONE_FILE, QUIET

ENDINGS = (".json", ".txt")
DONE = ".done"


def is_event_name(name: str) -> bool:
    """Whether a file of this name may be an event. Names that begin with ``.`` or ``~`` are temporary."""
    return name.lower().endswith(ENDINGS) and not name.startswith((".", "~"))


class Readiness:
    """Remembers what it saw at earlier looks; knows nothing after a restart, and then waits once more."""

    def __init__(self, ready_by: str, settle_s: float) -> None:
        self._ready_by = ready_by
        self._settle_s = settle_s
        self._seen: dict[str, tuple[FileMark, float]] = {}

    def ready(self, files: Mapping[str, FileMark]) -> list[str]:
        """The names of whole event files among all that are in the folder, oldest first.

        An empty file is not written yet.
        """
        events = {name: mark for name, mark in files.items() if is_event_name(name) and mark.size_bytes > 0}
        if self._ready_by == QUIET:
            whole = self._quiet(events)
        elif self._ready_by == DONE_FILE:
            whole = [name for name, mark in events.items() if _is_done(mark, files.get(name + DONE))]
        else:
            whole = list(events)
        return sorted(whole, key=lambda name: (events[name].modified_ns, name))

    def _quiet(self, events: Mapping[str, FileMark]) -> list[str]:
        """Those that are as they were ``settle_s`` ago. By our own clock: that of a share may be off."""
        now = time.monotonic()
        earlier, self._seen = self._seen, {}
        for name, mark in events.items():
            known = earlier.get(name)
            self._seen[name] = known if known is not None and known[0] == mark else (mark, now)
        return [name for name, (_, since) in self._seen.items() if now - since >= self._settle_s]


def _is_done(mark: FileMark, done: FileMark | None) -> bool:
    """A marker that is older than its file was made for an earlier file of the same name."""
    return done is not None and done.modified_ns >= mark.modified_ns
