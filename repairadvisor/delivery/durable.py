"""The queue, on DBOS: the only module that imports it.

Its tables lie in the same database as ours. Set on purpose: a fixed application version (with a computed one, work that
was begun by yesterday's code would lie still for ever), JSON for what it stores (its own form would let whoever writes
the database run code here), and no connection to anybody's service.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from dbos import DBOS, DBOSClient, DBOSConfig, DBOSPortableJSONSerializer
from dbos import error as dbos_error
from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from repairadvisor.delivery.queue import BRING, COME_BACK, TAKE_IN, Work, Worker
from repairadvisor.store.database import BUSY_TIMEOUT_MS, RecordsError

_NAME, _VERSION = "repairadvisor", "1"
_POLL_S = 0.2
#: Pieces of work of one lane at a time in one process. Advice is reckoned by one of them at a time anyway.
_AT_ONCE = 8
#: While the database is away a step that needs it waits this long in all, about two minutes.
_FIRST_WAIT_S, _WAITS, _SLOWER = 0.25, 12, 1.7
#: Restarts a piece of work survives; far more than a machine that keeps crashing would reach unnoticed.
_RECOVERIES = 10_000

_STATES = {
    "ENQUEUED": "waiting",
    "DELAYED": "waiting",
    "PENDING": "running",
    "SUCCESS": "done",
}


class DurableQueue:
    """A :class:`~repairadvisor.delivery.queue.Queue`. There is one in a process."""

    def __init__(self, database_url: str) -> None:
        self._url = database_url
        self._engine: Engine | None = None
        self._client: DBOSClient | None = None
        self._works = False

    def start(self, worker: Worker, lanes: Sequence[str], name: str) -> None:
        logging.getLogger("dbos").setLevel(logging.ERROR)
        _Work.worker = worker
        self._engine = _engine(self._url)
        self._works = True
        try:
            DBOS(config=self._config(self._engine, name))
            DBOS.launch()
            for lane in lanes:
                DBOS.register_queue(
                    lane,
                    partition_concurrency=1,
                    worker_concurrency=_AT_ONCE,
                    polling_interval_sec=_POLL_S,
                    on_conflict="always_update",
                )
        except (SQLAlchemyError, dbos_error.DBOSInitializationError) as error:
            raise RecordsError(f"the queue cannot be opened now: {' '.join(str(error).split())}") from error

    def _config(self, engine: Engine, name: str) -> DBOSConfig:
        return DBOSConfig(
            name=_NAME,
            system_database_url=self._url,
            system_database_engine=engine,
            application_version=_VERSION,
            executor_id=name,
            serializer=DBOSPortableJSONSerializer(),
            enable_otlp=False,
            log_level="ERROR",
            notification_listener_polling_interval_sec=_POLL_S,
            scheduler_polling_interval_sec=3600.0,
            use_listen_notify=False,
        )

    def submit(self, connection: Connection, work: Work) -> None:
        options: Any = {
            "workflow_name": work.kind,
            "queue_name": work.lane,
            "workflow_id": work.id,
            "app_version": _VERSION,
            "queue_partition_key": work.one_at_a_time,
        }
        if work.after_s > 0:
            options["delay_seconds"] = work.after_s
        self._started.enqueue_in_transaction(connection, options, work.delivery_id, work.id)

    def status(self, work_ids: Sequence[str]) -> Mapping[str, str]:
        if not work_ids:
            return {}
        found = self._started.list_workflows(workflow_ids=list(work_ids), load_input=False, load_output=False)
        return {one.workflow_id: _STATES.get(one.status, "failed") for one in found}

    def cancel(self, work_id: str) -> None:
        self._started.cancel_workflow(work_id)

    def taken_over(self, worker: str) -> int:
        left = self._started.list_workflows(
            status="PENDING", executor_id=worker, load_input=False, load_output=False, limit=1000
        )
        for one in left:
            # Without the name of its lane it would go to a lane of the engine's own, past the order of its ticket.
            self._started.resume_workflow(one.workflow_id, queue_name=one.queue_name)
        return len(left)

    def stop(self) -> None:
        if self._works:
            DBOS.destroy(workflow_completion_timeout_sec=5)
        if self._client is not None:
            self._client.destroy()
        if self._engine is not None:
            self._engine.dispose()

    @property
    def _started(self) -> DBOSClient:
        """A client of the engine's tables; without a start it can submit and ask, and works on nothing itself."""
        if self._client is None:
            self._engine = self._engine or _engine(self._url)
            self._client = DBOSClient(
                system_database_engine=self._engine,
                serializer=DBOSPortableJSONSerializer(),
                application_name=_NAME,
            )
        return self._client


class _Work:
    """Who does the work in this process: the engine calls functions that exist before anybody is there to do it."""

    worker: Worker


@DBOS.workflow(name=TAKE_IN, max_recovery_attempts=_RECOVERIES)
def _take_in(delivery_id: str, work_id: str) -> None:
    if _may_begin(delivery_id, work_id):
        _Work.worker.take_in(delivery_id, work_id, _step)


@DBOS.workflow(name=BRING, max_recovery_attempts=_RECOVERIES)
def _bring(delivery_id: str, work_id: str) -> None:
    if _may_begin(delivery_id, work_id):
        _Work.worker.bring(delivery_id, work_id, _step)


@DBOS.workflow(name=COME_BACK, max_recovery_attempts=_RECOVERIES)
def _come_back(delivery_id: str, work_id: str) -> None:
    if _may_begin(delivery_id, work_id):
        _Work.worker.come_back(delivery_id, work_id, _step)


def _may_begin(delivery_id: str, work_id: str) -> bool:
    """Asked anew each time, so it is no step."""
    return bool(_patiently(lambda: _Work.worker.may_begin(delivery_id, work_id)))


def _step(name: str, run: Callable[[], object]) -> object:
    return DBOS.run_step({"name": name}, _patiently, run)


def _patiently(run: Callable[[], object]) -> object:
    """Run a step, and again while the database is away: it comes back, and nothing else is wrong."""
    wait_s = _FIRST_WAIT_S
    for _ in range(_WAITS):
        try:
            return run()
        except RecordsError:
            time.sleep(wait_s)
            wait_s *= _SLOWER
        except Exception:
            raise
        except BaseException as error:
            # As SystemExit out of a stranger's plugin: the engine would take the work to be running for ever.
            raise RuntimeError(f"{type(error).__name__}: {error}") from error
    return run()


def _engine(database_url: str) -> Engine:
    url = make_url(database_url)
    if url.get_backend_name() != "sqlite":
        return create_engine(url, pool_pre_ping=True, pool_size=12, max_overflow=8, hide_parameters=True)
    engine = create_engine(url, pool_size=12, max_overflow=8, hide_parameters=True)
    event.listen(engine, "connect", _prepare_sqlite_connection)
    return engine


def _prepare_sqlite_connection(connection: sqlite3.Connection, _entry: ConnectionPoolEntry) -> None:
    """As durable as our own tables; transactions that write take the lock at their start and wait their turn."""
    connection.isolation_level = "IMMEDIATE"
    connection.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")
