"""The application over a service that always gives the same advice."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from builders import FixedMethod, a_database_url, an_advice
from delivery.office import Delivering, advised, delivering, desk, facts_sources, holds_min
from flask import Flask
from flask.testing import FlaskClient
from playwright.sync_api import Browser
from sqlalchemy import Engine

from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from web.looking import Watch, a_browser

__all__ = ["advised", "delivering", "desk", "facts_sources", "holds_min"]


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with its tables, to be copied: making one anew for each test would take most of the time."""
    folder = tmp_path_factory.mktemp("empty")
    opened = open_database(a_database_url(folder))
    migrate(opened)
    opened.dispose()
    return folder / "records.db"


@pytest.fixture
def engine(tmp_path: Path, empty_database: Path) -> Iterator[Engine]:
    shutil.copy(empty_database, tmp_path / "records.db")
    opened = open_database(a_database_url(tmp_path))
    yield opened
    opened.dispose()


@pytest.fixture
def records(engine: Engine) -> Records:
    return Records(engine)


@pytest.fixture
def app(tmp_path: Path, records: Records) -> Flask:
    return create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(FixedMethod(an_advice()), records))


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def with_office(delivering: Delivering, tmp_path: Path) -> FlaskClient:
    """An application whose office works when the test says so."""
    settings = Settings(database_url=a_database_url(tmp_path))
    return create_app(settings, Advisor(FixedMethod(an_advice()), delivering.records), delivering.office).test_client()


@pytest.fixture(scope="module")
def method() -> PreparedMethod:
    """The method of this program, with the default policy."""
    return prepared_method(cache_folder(os.environ))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    yield from a_browser()


@pytest.fixture
def watch() -> Watch:
    return Watch()
