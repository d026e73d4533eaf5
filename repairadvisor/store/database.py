"""The database: opening it, its transactions, and bringing it to the shape this program needs.

One SQLite file serves one machine; one PostgreSQL server serves many. Both go through the same tables
and the same migrations. A caller disposes of an engine it opened (``engine.dispose()``).
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy import (
    URL,
    Connection,
    DateTime,
    Dialect,
    Engine,
    MetaData,
    TypeDecorator,
    create_engine,
    event,
    make_url,
    text,
)
from sqlalchemy.exc import DataError, DBAPIError, DisconnectionError, IntegrityError
from sqlalchemy.exc import TimeoutError as NoFreeConnectionError
from sqlalchemy.pool import ConnectionPoolEntry, PoolProxiedConnection

from repairadvisor.errors import RepairAdvisorError, SettingsError
from repairadvisor.settings import DATABASE_URL

MIGRATIONS = Path(__file__).parent / "migrations"

# How long a writer waits for another one before it gives up.
BUSY_TIMEOUT_MS = 30_000

# Any number will do as long as no other program takes the same one in the same PostgreSQL database; this
# one is the word "repairad" read as eight bytes.
_MIGRATION_LOCK = int.from_bytes(b"repairad")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class RecordsError(RepairAdvisorError):
    """The records cannot be read or written now: nothing was kept. What it says is for whoever runs the program."""

    slug = "records"


class UtcDateTime(TypeDecorator[datetime]):
    """A moment. Goes in with any time zone, is kept in UTC, comes out in UTC; precise to the microsecond.

    SQLite has no type for it and would drop the zone; PostgreSQL would answer in the zone of its session.
    A datetime without a zone is nobody's moment and raises :class:`ValueError`.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Python to database."""
        if value is None:
            return None
        if value.utcoffset() is None:
            raise ValueError(f"{value.isoformat()} has no time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Database to Python."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def open_database(database_url: str) -> Engine:
    """An engine for ``database_url`` as :class:`~repairadvisor.settings.Settings` gives it.

    Makes the folder of an SQLite file. Raises :class:`SettingsError` when that cannot be done or when the
    driver is not installed; whether a server answers shows only with the first transaction.
    """
    url = make_url(database_url)
    if url.get_backend_name() == "sqlite":
        return _open_sqlite(url)
    try:
        # A server that was restarted has dropped our connections: look before each use.
        return create_engine(url, pool_pre_ping=True, hide_parameters=True)
    except ModuleNotFoundError as error:
        raise SettingsError(
            DATABASE_URL,
            _shown(url),
            f"needs the Python module {error.name}: pip install 'repairadvisor[postgresql]'",
        ) from error


def _open_sqlite(url: URL) -> Engine:
    folder = Path(url.database or "").parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError(DATABASE_URL, _shown(url), f"the folder {folder} cannot be made: {error}") from error
    engine = create_engine(url, hide_parameters=True)
    event.listen(engine, "connect", _prepare_sqlite_connection)
    event.listen(engine, "checkout", _refuse_a_file_that_is_gone)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite_connection(connection: sqlite3.Connection, entry: ConnectionPoolEntry) -> None:
    """Durable at every commit (synchronous=FULL), readers beside one writer (WAL), foreign keys checked."""
    connection.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    _turn_on_wal(connection)
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")
    file = Path(connection.execute("PRAGMA database_list").fetchone()[2])
    entry.info["file"] = (file, _identity(file))


def _refuse_a_file_that_is_gone(
    _connection: sqlite3.Connection, entry: ConnectionPoolEntry, _proxy: PoolProxiedConnection
) -> None:
    """Open the file anew when another one, or none, stands under its name.

    An open file outlives its name, so all that is written to it after that would be lost when this program ends.
    """
    file, identity = entry.info["file"]
    if _identity(file) != identity:
        raise DisconnectionError


def _identity(file: Path) -> tuple[int, int] | None:
    try:
        stat = file.stat()
    except OSError:
        return None
    return stat.st_dev, stat.st_ino


def _turn_on_wal(connection: sqlite3.Connection) -> None:
    """WAL is kept in the file, so this changes something once in the life of a database.

    When several processes open a new file together SQLite refuses all but one at once, without regard to
    the busy timeout, so the waiting is done here.
    """
    give_up_at = time.monotonic() + BUSY_TIMEOUT_MS / 1000
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > give_up_at:
                raise
            time.sleep(0.01)
        else:
            return


def _begin_sqlite(connection: Connection) -> None:
    """A writing transaction takes the write lock at its start, and so waits its turn.

    The driver alone would begin at the first write only. If a transaction began by reading, SQLite would
    refuse its first write outright when another writer came between.
    """
    read_only = connection.get_execution_options().get("read_only", False)
    connection.exec_driver_sql("BEGIN" if read_only else "BEGIN IMMEDIATE")


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that only reads: on SQLite it waits for no writer and holds none up.

    Raises :class:`RecordsError` when the database fails.
    """
    with _failing_as_one_kind(), engine.connect().execution_options(read_only=True) as connection:
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that is kept whole when the block ends, and not at all when the block raises.

    Raises :class:`RecordsError` when the database fails; what breaks its rules stays SQLAlchemy's IntegrityError,
    what it cannot hold its DataError.
    """
    with _failing_as_one_kind(), engine.begin() as connection:
        yield connection


def clock_of(connection: Connection) -> datetime:
    """The time it is by the database's own clock: the same for all that share it."""
    if connection.dialect.name == "sqlite":
        return datetime.now(UTC)  # a file is on one machine
    now: datetime = connection.execute(text("SELECT clock_timestamp()")).scalar_one()
    return now.astimezone(UTC)


@contextmanager
def _failing_as_one_kind() -> Iterator[None]:
    try:
        yield
    except (IntegrityError, DataError):
        raise  # what was to be written is wrong: no waiting makes it right
    except DBAPIError as error:
        raise RecordsError(f"the records cannot be used now: {_in_one_line(error.orig)}") from error
    except NoFreeConnectionError as error:
        raise RecordsError("the records cannot be used now: too many at once") from error


def _in_one_line(error: object) -> str:
    return " ".join(str(error).split())


def migrate(engine: Engine, revision: str = "head") -> None:
    """Bring the database to ``revision``, by default the newest this program knows; harmless to repeat.

    Several processes may do so at once: they take turns, and each migration runs whole or not at all.
    Raises :class:`SettingsError` when the database cannot be opened, or was migrated by a newer program.
    """
    with _migrating(engine) as config:
        command.upgrade(config, revision)


def migrate_back(engine: Engine, revision: str) -> None:
    """Take the database back to ``revision``, ``"base"`` for nothing at all. What later ones held is lost."""
    with _migrating(engine) as config:
        command.downgrade(config, revision)


@contextmanager
def _migrating(engine: Engine) -> Iterator[Config]:
    try:
        with engine.connect() as connection, connection.begin():  # on SQLite this alone keeps others out
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _MIGRATION_LOCK})
            config = Config(attributes={"connection": connection})
            config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
            yield config
    except DBAPIError as error:
        problem = f"cannot be opened: {_in_one_line(error.orig)}"
        raise SettingsError(DATABASE_URL, _shown(engine.url), problem) from error
    except CommandError as error:
        raise SettingsError(
            DATABASE_URL,
            _shown(engine.url),
            f"is not a database this version of the program knows: {error}",
        ) from error


def _shown(url: URL) -> str:
    return url.set(query={}).render_as_string(hide_password=True)
