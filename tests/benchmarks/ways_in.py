"""The ways in that are measured: over HTTP to a service in a process of its own, and straight into its database."""

from __future__ import annotations

import itertools
import os
import sqlite3
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import orjson
from delivery.desk import an_event
from sqlalchemy import Engine, create_engine, make_url, select, text

from repairadvisor.schemas.delivery import OPEN_STATES
from repairadvisor.settings import Settings
from repairadvisor.store.database import open_database, reading, writing
from repairadvisor.store.deliveries import deliveries

from .desk_service import DESK, serving

#: Where a PostgreSQL server is named in which databases may be made and dropped, as for the tests.
SERVER = "REPAIRADVISOR_TEST_POSTGRESQL"
_ANSWERED_WITHIN_S, _AT_REST_WITHIN_S, _LOOKS_EVERY_S = 60.0, 300.0, 0.2
#: Every reference is told once: the second event of a ticket would be another case.
_NUMBERS = itertools.count(1)
_ID = 32

#: Opens what one thread works with; what that gives is called once for each thing that is timed.
Opening = Callable[[ExitStack], Callable[[], object]]


def passed_by(opening: Opening, threads: int, each: int) -> tuple[list[float], float]:
    """How long each of ``threads * each`` calls took (ms), and all of them together (s).

    Each thread calls once before the clock starts, so that nobody pays for a connection.
    """
    together = threading.Barrier(threads + 1, timeout=_ANSWERED_WITHIN_S)
    taken: list[list[float]] = [[] for _ in range(threads)]
    faults: list[Exception] = []

    def work(mine: list[float]) -> None:
        try:
            with ExitStack() as opened:
                call = opening(opened)
                call()
                together.wait()
                for _ in range(each):
                    begin = time.perf_counter()
                    call()
                    mine.append((time.perf_counter() - begin) * 1000)
        except Exception as error:  # noqa: BLE001 - raised again below, in the thread that asked
            faults.append(error)
            together.abort()

    crew = [threading.Thread(target=work, args=(mine,), daemon=True) for mine in taken]
    for thread in crew:
        thread.start()
    with suppress(threading.BrokenBarrierError):  # what broke it is raised below
        together.wait()
    begin = time.perf_counter()
    for thread in crew:
        thread.join()
    if faults:
        raise next((one for one in faults if not isinstance(one, threading.BrokenBarrierError)), faults[0])
    return [one for mine in taken for one in mine], time.perf_counter() - begin


@dataclass
class Service:
    """A service that runs, and the database under it. ``row`` is the size of a delivery there, bytes, once measured."""

    address: str
    engine: Engine
    works: bool
    row: int = 0

    def connection(self, opened: ExitStack) -> HTTPConnection:
        """A connection that is kept open from one request to the next."""
        parts = urlsplit(self.address)
        connection = HTTPConnection(parts.hostname or "", parts.port, timeout=_ANSWERED_WITHIN_S)
        opened.callback(connection.close)
        return connection

    def sending(self, source: str, expected: int, opened: ExitStack) -> Callable[[], bytes]:
        """What sends one new event. Raises :class:`RuntimeError` for any answer but the expected."""
        connection = self.connection(opened)

        def send() -> bytes:
            event = an_event(f"LF-{next(_NUMBERS)}")
            headers = {**event.headers, "Content-Type": "application/json"}
            connection.request("POST", f"/v1/events/{source}", event.body, headers)
            answer = connection.getresponse()
            content = answer.read()
            if answer.status != expected:
                raise RuntimeError(f"{source} answered {answer.status}: {content[:500]!r}")
            return content

        return send

    def inserting(self, opened: ExitStack) -> Callable[[], None]:
        """What inserts one row as large as a delivery's and commits, on a connection opened as the product does."""
        connection = opened.enter_context(_driver_connection(self.engine))
        mark = "?" if isinstance(connection, sqlite3.Connection) else "%s"
        statement = f"INSERT INTO bare_rows (id, content) VALUES ({mark}, {mark})"
        content = os.urandom(self.row - _ID)

        def insert() -> None:
            connection.execute(statement, (uuid.uuid4().hex, content))
            connection.commit()

        return insert

    def measure_a_row(self) -> None:
        """Have one event kept, see how large its row is, and make a table for rows of that size."""
        with ExitStack() as opened:
            kept_as = orjson.loads(self.sending(DESK, 202, opened)())["delivery"]
        with reading(self.engine) as connection:
            row = connection.execute(select(deliveries).where(deliveries.c.id == kept_as)).one()
        self.row = sum(len(value if isinstance(value, bytes) else str(value).encode()) for value in row)
        binary = "BLOB" if self.engine.dialect.name == "sqlite" else "BYTEA"
        with writing(self.engine) as connection:
            connection.execute(text(f"CREATE TABLE bare_rows (id VARCHAR(32) PRIMARY KEY, content {binary} NOT NULL)"))

    def rest(self) -> None:
        """Wait until nothing is left to do. Raises :class:`TimeoutError`."""
        if self.works:
            wait_for(lambda: not any(self.asked(limit=1)["counts"].get(state) for state in OPEN_STATES))

    def asked(self, **query: Any) -> Any:
        """What the service tells of its deliveries."""
        with ExitStack() as opened:
            connection = self.connection(opened)
            connection.request("GET", f"/v1/deliveries?{urlencode(query)}")
            return orjson.loads(connection.getresponse().read())


@contextmanager
def _driver_connection(engine: Engine) -> Iterator[Any]:
    """A connection of the driver itself, prepared as the product prepares its own."""
    pooled = engine.raw_connection()
    connection = pooled.driver_connection
    if isinstance(connection, sqlite3.Connection):
        connection.isolation_level = "IMMEDIATE"  # as the product begins what writes
    try:
        yield connection
    finally:
        pooled.invalidate()


def wait_for(is_so: Callable[[], bool]) -> None:
    """Wait until something is so. Raises :class:`TimeoutError`."""
    until = time.monotonic() + _AT_REST_WITHIN_S
    while not is_so():
        if time.monotonic() > until:
            raise TimeoutError(f"the service did not come to rest within {_AT_REST_WITHIN_S:g} s")
        time.sleep(_LOOKS_EVERY_S)


def kinds() -> tuple[str, ...]:
    """The kinds of database that can be measured here."""
    return ("sqlite", "postgresql") if os.environ.get(SERVER) else ("sqlite",)


@contextmanager
def new_database(kind: str, folder: Path) -> Iterator[str]:
    """The URL of a database without tables, gone at the end."""
    name = f"benchmark_{uuid.uuid4().hex}"
    if kind == "sqlite":
        yield f"sqlite:///{folder / name}.db"
        return
    server = Settings(database_url=os.environ[SERVER]).database_url
    maintenance = create_engine(server, isolation_level="AUTOCOMMIT")
    try:
        with maintenance.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        yield make_url(server).set(database=name).render_as_string(hide_password=False)
        with maintenance.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    finally:
        maintenance.dispose()


@contextmanager
def running(kind: str, *given: str) -> Iterator[Service]:
    """A new service on a new database, both gone at the end; ``given`` as for the process."""
    with ExitStack() as opened:
        folder = Path(opened.enter_context(tempfile.TemporaryDirectory(prefix="repairadvisor-benchmark-")))
        url = opened.enter_context(new_database(kind, folder))
        address = opened.enter_context(serving(folder / "service", url, *given))
        engine = open_database(url)
        opened.callback(engine.dispose)
        yield Service(address, engine, "--door-only" not in given)
