"""A folder from which tickets are fetched.

An event is known by its file's name, modification time and content. So a name used again for something new is a new
event, also where an earlier content comes back; and a file put back with its old time is the event it was. The same
content under another name is another event that says the same of the same ticket, which does no harm.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from repairadvisor.plugin import EventRefusedError, Fetched, RawEvent, RemoteUnavailableError, Ticket
from repairadvisor_spool import event_file
from repairadvisor_spool.folder import FileMark, Folder, open_folder, told
from repairadvisor_spool.ready import DONE, Readiness
from repairadvisor_spool.settings import DONE_FILE, MAX_BYTES, POLL_EVERY_S, QUIET, SETTLE_S, SourceSettings

INCOMING, TAKEN = "incoming", "taken"
#: No look fetches more, files and bytes: what is left comes with the next.
MOST_AT_ONCE = 200
MOST_BYTES_AT_ONCE = 32 * 1024 * 1024
_LONGEST_FILE_NAME = 255  # bytes


@dataclass(frozen=True, slots=True)
class _Held:
    """A file that was fetched: its name, how it was then, and so its marker that it is whole."""

    name: str
    mark: FileMark
    done: FileMark | None


class SpoolSource:
    """Event files in ``incoming``, moved to ``taken`` once they are safe. Takes nothing over HTTP."""

    settings = SourceSettings

    def __init__(
        self,
        *,
        folder: str,
        ready_by: str = QUIET,
        settle_s: float = SETTLE_S,
        poll_every_s: float = POLL_EVERY_S,
        max_bytes: int = MAX_BYTES,
    ) -> None:
        self.poll_every_s = poll_every_s
        self._folder = Path(folder)
        self._ready_by = ready_by
        self._max_bytes = max_bytes
        self._readiness = Readiness(ready_by, settle_s)
        self._fetched: dict[str, _Held] = {}
        #: Settled, and not moved yet: not fetched again, however long a folder cannot be written to.
        self._settled: dict[str, _Held] = {}

    def authenticate(self, event: RawEvent, now: datetime) -> str:  # noqa: ARG002
        """Refuses."""
        raise EventRefusedError("this source takes files from a folder and nothing over HTTP")

    def read(self, event: RawEvent) -> Ticket:
        """The ticket that a file tells of. Raises :class:`~repairadvisor.errors.EventUnreadableError`."""
        return event_file.read(event)

    def fetch(self, cursor: str) -> Fetched:  # noqa: ARG002
        """The whole files, oldest first by modification time, then by name. The folder is its own cursor.

        A single file that cannot be read holds up no other: it is told of once there is nothing else.
        """
        self._tidy_up()
        events: list[tuple[str, RawEvent]] = []
        fetched: dict[str, _Held] = {}
        problems: list[str] = []
        size_bytes = 0
        with open_folder(self._folder) as folder, folder.inside(INCOMING) as incoming:
            for name, done in self._waiting(incoming):
                try:
                    found = self._event(incoming, name)
                except OSError as error:
                    problems.append(_problem(incoming, name, error))
                    continue
                if found is None:
                    continue
                key, mark, event = found
                size_bytes += len(event.body)
                if events and (len(events) == MOST_AT_ONCE or size_bytes > MOST_BYTES_AT_ONCE):
                    break
                events.append((key, event))
                fetched[key] = _Held(name, mark, done)
        if problems and not events:
            raise RemoteUnavailableError("; ".join(problems[:5]))
        self._fetched = fetched
        return Fetched(tuple(events), "")

    def _waiting(self, incoming: Folder) -> Iterator[tuple[str, FileMark | None]]:
        """The names of whole files that are not settled, each with its marker."""
        with told(incoming.shown):
            files = incoming.files()
        settled = {one.name: one.mark for one in self._settled.values()}
        for name in self._readiness.ready(files):
            if settled.get(name) != files[name]:
                yield name, files.get(name + DONE)

    def _event(self, incoming: Folder, name: str) -> tuple[str, FileMark, RawEvent] | None:
        found = incoming.read(name, self._max_bytes)
        if found is None or found[1].size_bytes == 0:
            return None
        body, mark = found
        headers = event_file.headers(
            name=name,
            mark=mark,
            looked_us=time.time_ns() // 1000,
            ready_by=self._ready_by,
            too_large_for_bytes=self._max_bytes if mark.size_bytes > self._max_bytes else None,
        )
        return _key(name, mark, body), mark, RawEvent(headers, body)

    def settle(self, keys: Sequence[str]) -> None:
        """Move those files to ``taken``, each with its key in its name.

        A file that is gone or was changed since it was fetched stays where it is. What cannot be moved now is told of,
        is not fetched again, and is moved with a later look.
        """
        self._settled.update((key, self._fetched.pop(key)) for key in keys if key in self._fetched)
        problems = self._tidy_up()
        if problems:
            raise RemoteUnavailableError("; ".join(problems[:5]))

    def _tidy_up(self) -> list[str]:
        """Move what is settled; tells what cannot be moved."""
        if not self._settled:
            return []
        problems = []
        with ExitStack() as stack:
            try:
                folder = stack.enter_context(open_folder(self._folder))
                incoming, taken = (stack.enter_context(folder.inside(name)) for name in (INCOMING, TAKEN))
            except RemoteUnavailableError as error:
                return [str(error)]
            for key, held in list(self._settled.items()):
                try:
                    self._take(key, held, incoming, taken)
                except OSError as error:
                    problems.append(_problem(incoming, held.name, error))
                else:
                    del self._settled[key]
            # The new name first: a crash in between may show a file twice, never not at all.
            with told(folder.shown):
                taken.sync()
                incoming.sync()
        return problems

    def _take(self, key: str, held: _Held, incoming: Folder, taken: Folder) -> None:
        if incoming.mark(held.name) != held.mark:
            return
        new_name = _with_key(held.name, key)
        incoming.move(held.name, taken, new_name)
        # The file may have been replaced between the look at its mark and the move: then it is an event of its own.
        found = taken.read(new_name, self._max_bytes)
        if found is None or _key(held.name, found[1], found[0]) != key:
            self._put_back(key, held, incoming, taken)
        elif held.done is not None and incoming.mark(held.name + DONE) == held.done:
            incoming.remove(held.name + DONE)

    def _put_back(self, key: str, held: _Held, incoming: Folder, taken: Folder) -> None:
        moved = _with_key(held.name, key)
        try:
            taken.move_to_free_name(moved, incoming, held.name)
        except OSError:  # there is a new file of that name by now, so that its writer is done with this one
            taken.move(moved, incoming, moved)
            if self._ready_by == DONE_FILE:
                incoming.write(moved + DONE, b"")


def _problem(folder: Folder, name: str, error: OSError) -> str:
    return f"{folder.shown}/{event_file.shown(name)}: {os.strerror(error.errno or 0)}"


def _key(name: str, mark: FileMark, body: bytes) -> str:
    """Of a file that is too large and therefore not read, the size stands for the content."""
    digest = hashlib.sha256()
    for part in (os.fsencode(name), b"%d" % mark.modified_ns, b"%d" % mark.size_bytes, body):
        digest.update(b"%d:" % len(part) + part)
    return f"spool-{digest.hexdigest()}"


def _with_key(name: str, key: str) -> str:
    """``T-1.json`` as ``T-1-<32 digits>.json``; of a long name the end is cut off."""
    stem, dot, ending = os.fsencode(name).rpartition(b".")
    tail = b"-" + key.removeprefix("spool-")[:32].encode() + dot + ending
    # Room for the marker that may go beside it, and for the name under which that is written.
    room = _LONGEST_FILE_NAME - len(tail) - len(f".{DONE}.tmp")
    return os.fsdecode(stem[:room] + tail)
