"""Which processes work on a database, and which of them are no more.

Each says every two seconds that it lives, by the clock of the database. Whoever has not been heard of for a while is
taken to be dead, and what it was doing is taken over. A process that was only held up finds out, and writes nothing.
"""

from __future__ import annotations

import fcntl
import hashlib
import platform
import re
import time
import uuid
from collections.abc import Mapping
from datetime import timedelta
from typing import IO

from sqlalchemy import Engine

from repairadvisor.errors import SettingsError
from repairadvisor.settings import WORKER, state_folder
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import RecordsError, clock_of, reading, writing

BEAT_S = 2.0
#: Not heard of for so long: dead. Long enough for a pause of the machine, short enough for somebody who waits.
DEAD_AFTER_S = 15.0
_MOST_SLOTS = 64


class Name:
    """What a process is called among those that share a database, kept when it is started again.

    Unset, it is the machine's name and the lowest number that no living process on this machine holds; a file that the
    system unlocks with the death of whoever locked it says which.
    """

    def __init__(self, given: str, database_url: str, environment: Mapping[str, str]) -> None:
        self._file: IO[bytes] | None = None
        self.text = given or self._free(database_url, environment)

    @property
    def is_certain(self) -> bool:
        """Whether no other process on this machine can hold it."""
        return self._file is not None

    def _free(self, database_url: str, environment: Mapping[str, str]) -> str:
        folder = state_folder(environment) / "workers"
        digest = hashlib.sha256(database_url.encode()).hexdigest()[:16]
        machine = re.sub(r"[^A-Za-z0-9._-]", "-", platform.node())[:50] or "machine"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for slot in range(1, _MOST_SLOTS + 1):
                file = (folder / f"{digest}-{slot}.lock").open("ab")
                try:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    file.close()
                    continue
                self._file = file
                return f"{machine}-{slot}"
        except OSError as error:
            raise SettingsError(WORKER, "not set", f"{folder} cannot be used: {error.strerror}", "a name") from error
        raise SettingsError(WORKER, "not set", f"{_MOST_SLOTS} processes on this machine use this database", "a name")

    def release(self) -> None:
        """Let another process have it."""
        if self._file is not None:
            self._file.close()
            self._file = None


class Pulse:
    """This process among the others."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._held: Name | None = None
        self.name = ""
        self.life = uuid.uuid4().hex
        self._beaten_at = 0.0
        self._steady_since = 0.0
        self._is_replaced = False

    def begin(self, name: Name) -> None:
        """Begin to live under a name. Raises :class:`SettingsError` where another living process has it."""
        self._held, self.name = name, name.text
        if not name.is_certain:
            self._refuse_if_held()
        with writing(self._engine) as connection:
            store.take_name(connection, self.name, self.life, clock_of(connection))
        self._beaten_at = self._steady_since = time.monotonic()

    def _refuse_if_held(self) -> None:
        before = self._seen_at()
        if before is None:
            return
        time.sleep(2 * BEAT_S + 0.5)
        if self._seen_at() not in (before, None):
            raise SettingsError(WORKER, self.name, "another process works under this name", "a name of its own")

    def _seen_at(self) -> object:
        with reading(self._engine) as connection:
            now = clock_of(connection)
            _, seen_at = store.seen(connection).get(self.name, ("", None))
        fresh = seen_at is not None and seen_at > now - timedelta(seconds=DEAD_AFTER_S)
        return seen_at if fresh else None

    def beat(self) -> None:
        """Say that this process lives."""
        before = self._beaten_at
        try:
            with writing(self._engine) as connection:
                life = store.beat(connection, self.name, self.life, clock_of(connection))
        except RecordsError:
            return  # that it was not heard of shows by itself
        self._is_replaced = life != self.life
        self._beaten_at = time.monotonic()
        if self._beaten_at - before > DEAD_AFTER_S / 2:
            self._steady_since = self._beaten_at

    def is_alive(self) -> bool:
        """Whether the others still take this process to live."""
        return not self._is_replaced and time.monotonic() - self._beaten_at < DEAD_AFTER_S - BEAT_S

    def dead(self) -> list[str]:
        """The names of processes that are no more. Nobody, while this one cannot tell: after the database itself was
        away everybody has been silent for long."""
        if not self.is_alive() or time.monotonic() - self._steady_since < DEAD_AFTER_S:
            return []
        with reading(self._engine) as connection:
            since = clock_of(connection) - timedelta(seconds=DEAD_AFTER_S)
            return sorted(name for name, (_, seen_at) in store.seen(connection).items() if seen_at < since)

    def bury(self, name: str) -> None:
        """A dead process whose work was taken over."""
        with writing(self._engine) as connection:
            life, seen_at = store.seen(connection).get(name, ("", None))
            if seen_at is not None and seen_at < clock_of(connection) - timedelta(seconds=DEAD_AFTER_S):
                store.leave(connection, name, life)

    def end(self) -> None:
        """End of one's own accord. What was left undone is taken up under the same name, or by others in a while."""
        if self._held is not None:
            self._held.release()
