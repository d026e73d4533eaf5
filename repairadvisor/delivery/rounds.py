"""What is done again and again beside the deliveries: live, take over from the dead, find what got stuck, ask sources.

Nothing here may end because something went wrong once: it is said, and done again at the next turn.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy import Engine

from repairadvisor.delivery.attempts import Attempts
from repairadvisor.delivery.pulse import BEAT_S, DEAD_AFTER_S, Pulse
from repairadvisor.delivery.queue import Queue
from repairadvisor.plugin import PolledSource
from repairadvisor.plugin.loading import Plugins
from repairadvisor.render.sentences import one_line
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import RecordsError, clock_of, reading, writing

_TAKE_OVER_EVERY_S, _SWEEP_EVERY_S = 3.0, 10.0
#: A delivery that is due and that nothing has happened to for so long is looked into.
_STUCK_AFTER_S = 30.0
_log = logging.getLogger("repairadvisor.delivery")


class Rounds:
    """The threads of one process."""

    def __init__(
        self,
        engine: Engine,
        queue: Queue,
        attempts: Attempts,
        plugins: Plugins,
        pulse: Pulse,
        clock: Callable[[], datetime],
    ) -> None:
        self._engine = engine
        self._queue = queue
        self._attempts = attempts
        self._plugins = plugins
        self._pulse = pulse
        self._clock = clock
        self._over = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin all rounds."""
        self._again(BEAT_S, self._pulse.beat)
        self._again(_TAKE_OVER_EVERY_S, self._take_over)
        self._again(_SWEEP_EVERY_S, self._sweep)
        for name, configured in self._plugins.sources.items():
            if isinstance(configured.source, PolledSource):
                self._again(configured.source.poll_every_s, partial(self._poll, name, configured.source))

    def stop(self) -> None:
        """End all rounds."""
        self._over.set()
        for thread in self._threads:
            thread.join(timeout=5)

    def _again(self, every_s: float, do: Callable[[], None]) -> None:
        def turn() -> None:
            while not self._over.is_set():
                try:
                    do()
                except Exception as error:  # noqa: BLE001 - see the head of this module
                    _log.warning("%s: %s", type(error).__name__, one_line(str(error)))
                self._over.wait(every_s)

        thread = threading.Thread(target=turn, daemon=True)
        self._threads.append(thread)
        thread.start()

    # --- others' work -----------------------------------------------------------------------------------------

    def _take_over(self) -> None:
        for name in self._pulse.dead():
            pieces = self._queue.taken_over(name)
            self._pulse.bury(name)
            _log.warning("process %s is no more; took over %d of its pieces of work", name, pieces)

    def _sweep(self) -> None:
        """A delivery whose work ended without it, as by a fault of ours or of the engine, is begun again."""
        now = self._clock()
        with reading(self._engine) as connection:
            stuck = store.without_progress(connection, now - timedelta(seconds=_STUCK_AFTER_S))
        states = self._queue.status([one.work_id for one in stuck if one.work_id])
        for one in stuck:
            if states.get(one.work_id or "", "failed") not in ("done", "failed"):
                continue
            with writing(self._engine) as connection:
                current = store.delivery(connection, one.id, lock=True)
                if current is None or not current.is_open or current.work_id != one.work_id:
                    continue
                self._attempts.stumbled(connection, current, now)
            _log.warning("delivery %s had come to a standstill and was begun again", one.id)

    # --- sources that have to be asked ------------------------------------------------------------------------

    def _poll(self, name: str, source: PolledSource) -> None:
        cursor = self._turn_to_ask(name, source.poll_every_s)
        if cursor is None:
            return
        try:
            fetched = source.fetch(cursor)
            now = self._clock()
            with writing(self._engine) as connection:
                for key, event in fetched.events:
                    self._attempts.add_event(connection, name, key, event, now)
                store.set_poll(connection, name, cursor=fetched.cursor)
            source.settle([key for key, _ in fetched.events])
            problem = ""
        except RecordsError:
            raise
        except Exception as error:  # noqa: BLE001 - whatever a stranger's plugin raises
            problem = one_line(f"{type(error).__name__}: {error}")
        with writing(self._engine) as connection:
            store.set_poll(connection, name, problem=problem)

    def _turn_to_ask(self, name: str, every_s: float) -> str | None:
        """From where to ask, if it is this process's turn: one of them asks, until it is no more."""
        with writing(self._engine) as connection:
            now = clock_of(connection)
            cursor, poller, polled_at = store.poll(connection, name)
            lasting = timedelta(seconds=every_s + DEAD_AFTER_S)
            if poller not in (None, self._pulse.name) and polled_at is not None and now - polled_at < lasting:
                return None
            store.set_poll(connection, name, poller=self._pulse.name, polled_at=now)
        return cursor
