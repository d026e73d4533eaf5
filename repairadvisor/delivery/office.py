"""The whole of delivery in one process: opened, started, stopped."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime

from sqlalchemy import Engine

from repairadvisor.delivery.afterwards import Afterwards
from repairadvisor.delivery.attempts import Attempts, lane_of
from repairadvisor.delivery.bringing import Bringing
from repairadvisor.delivery.durable import DurableQueue
from repairadvisor.delivery.intake import Intake
from repairadvisor.delivery.ledger import Ledger
from repairadvisor.delivery.pulse import Name, Pulse
from repairadvisor.delivery.queue import EVENTS_LANE, Queue, Step
from repairadvisor.delivery.rounds import Rounds
from repairadvisor.delivery.seal import Seal
from repairadvisor.delivery.work_notes import WorkNotes
from repairadvisor.errors import NotFoundError
from repairadvisor.plugin import RawEvent
from repairadvisor.plugin.loading import Plugins, open_plugins
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import migrate, open_database, writing

#: Headers that say who somebody is; a source names others in ``secret_headers``.
_NEVER_KEPT = frozenset({"authorization", "cookie", "proxy-authorization"})


class Office:
    """Takes events in and brings notes out; its ``ledger`` tells what became of each."""

    def __init__(self, engine: Engine, queue: Queue, advisor: Advisor, plugins: Plugins, public_url: str) -> None:
        self._engine = engine
        self._queue = queue
        self.plugins = plugins
        self._pulse = pulse = Pulse(engine)
        self._attempts = Attempts(engine, queue, plugins, clock)
        self.intake = Intake(engine, self._attempts, advisor, plugins, clock)
        seal = Seal(store.secret_of(engine))
        self.bringing = Bringing(
            engine, self._attempts, advisor, plugins, clock, pulse.life, pulse.is_alive, seal, public_url
        )
        self.work_notes = WorkNotes(
            engine, self._attempts, advisor, plugins, clock, pulse.life, pulse.is_alive, seal, public_url
        )
        self._afterwards = Afterwards(engine, self._attempts, advisor, plugins, clock, pulse.is_alive, seal)
        self._rounds = Rounds(engine, queue, self._attempts, plugins, pulse, clock)
        self.ledger = Ledger(engine, queue, self._attempts, clock)

    def start(self, name: Name) -> None:
        """Begin to work. Raises :class:`SettingsError` where another process works under the same name."""
        self._pulse.begin(name)
        lanes = [EVENTS_LANE, *(lane_of(carrier) for carrier in self.plugins.carriers)]
        self._queue.start(self, lanes, name.text)
        self._rounds.start()

    def stop(self) -> None:
        """Begin nothing more. What is left undone is taken up again under this name, or by others in a while."""
        self._rounds.stop()
        self._queue.stop()
        self._pulse.end()
        self._engine.dispose()

    def may_begin(self, delivery_id: str, work_id: str) -> bool:
        """Asked by the queue before each piece of work."""
        return self._attempts.may_begin(delivery_id, work_id)

    def take_in(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Work of the queue: see :class:`Intake`."""
        self.intake.take_in(delivery_id, work_id, step)

    def bring(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Work of the queue: see :class:`Bringing` and :class:`WorkNotes`."""
        if self.work_notes.brings(delivery_id):
            self.work_notes.bring(delivery_id, work_id, step)
        else:
            self.bringing.bring(delivery_id, work_id, step)

    def come_back(self, delivery_id: str, work_id: str, step: Step) -> None:
        """Work of the queue: see :class:`Afterwards`."""
        self._afterwards.come_back(delivery_id, work_id, step)

    # --- what is asked of it ----------------------------------------------------------------------------------

    def accept(self, source: str, event: RawEvent) -> tuple[str, bool]:
        """Keep an event that came over HTTP: its delivery's id, and whether it is new. On disk when this returns.

        Raises :class:`NotFoundError` for a source that is not set up, :class:`EventRefusedError` where its sender
        cannot be shown to be the one we know.
        """
        configured = self.plugins.sources.get(source)
        if configured is None:
            raise NotFoundError("source", source)
        now = clock()
        key = configured.source.authenticate(event, now)
        secret = _NEVER_KEPT | getattr(configured.source, "secret_headers", frozenset())
        event = RawEvent({name: value for name, value in event.headers.items() if name not in secret}, event.body)
        with writing(self._engine) as connection:
            return self._attempts.add_event(connection, source, key, event, now)


def clock() -> datetime:
    """The time it is."""
    return datetime.now(UTC)


def open_office(settings: Settings, advisor: Advisor, environment: Mapping[str, str]) -> Office | None:
    """Delivery as ``settings`` say; None where no ticket source is used. Every installed plugin is loaded all the same.

    Raises :class:`SettingsError` for what cannot be used.
    """
    plugins = open_plugins(settings.plugins, environment)
    if not plugins.sources:
        return None
    engine = open_database(settings.database_url)
    return Office(engine, DurableQueue(settings.database_url), advisor, plugins, settings.public_url)


def open_ledger(settings: Settings, environment: Mapping[str, str]) -> Ledger:
    """The deliveries that ``settings`` lead to, for a process that does none of their work."""
    engine = open_database(settings.database_url)
    migrate(engine)
    queue = DurableQueue(settings.database_url)
    plugins = open_plugins(settings.plugins, environment)
    return Ledger(engine, queue, Attempts(engine, queue, plugins, clock), clock)


@contextmanager
def work_notes_from_outside(
    settings: Settings, advisor: Advisor, environment: Mapping[str, str]
) -> Iterator[WorkNotes | None]:
    """What sees to it that tickets are told of work, for a process that brings no notes itself; None where no ticket
    source is used, or no advice is kept."""
    plugins = open_plugins(settings.plugins, environment)
    if not plugins.sources or advisor.records is None:
        yield None
        return
    engine, queue = advisor.records.engine, DurableQueue(settings.database_url)
    attempts, seal = Attempts(engine, queue, plugins, clock), Seal(store.secret_of(engine))
    try:
        yield WorkNotes(engine, attempts, advisor, plugins, clock, "", lambda: False, seal, settings.public_url)
    finally:
        queue.stop()
