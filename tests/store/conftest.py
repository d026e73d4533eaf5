"""Both databases for every test of the store: SQLite always, PostgreSQL when there is a server.

``REPAIRADVISOR_TEST_POSTGRESQL`` is the URL of a server in which databases may be made and dropped. With
``REPAIRADVISOR_REQUIRE_ALL=1`` a test that would be skipped fails instead.
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, make_url, text

from repairadvisor.settings import Settings
from repairadvisor.store.database import migrate, open_database


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("REPAIRADVISOR_REQUIRE_ALL") == "1":
        report.outcome = "failed"
        report.longrepr = f"skipped where every test must run: {call.excinfo.value if call.excinfo else ''}"
    return report


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of a new database without tables, of each kind in turn."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'new folder' / 'records.db'}"
        return
    server = os.environ.get("REPAIRADVISOR_TEST_POSTGRESQL")
    if not server:
        pytest.skip("REPAIRADVISOR_TEST_POSTGRESQL names no PostgreSQL server")
    yield from _new_postgresql_database(Settings(database_url=server).database_url)


def _new_postgresql_database(server: str) -> Iterator[str]:
    name = f"test_{uuid.uuid4().hex}"
    maintenance = create_engine(server, isolation_level="AUTOCOMMIT")
    try:
        with maintenance.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        yield make_url(server).set(database=name).render_as_string(hide_password=False)
        with maintenance.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    finally:
        maintenance.dispose()


@pytest.fixture
def empty(database_url: str) -> Iterator[Engine]:
    """A database without tables."""
    engine = open_database(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def engine(empty: Engine) -> Engine:
    """A database with all its tables."""
    migrate(empty)
    return empty
