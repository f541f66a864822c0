"""Databases, and invented boards to put into them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import invented_boards as invented
import pytest
from postgres_server import PostgresServer, programs
from sqlalchemy import Engine

from vision.records import open_database


@pytest.fixture(scope="session")
def server() -> Iterator[PostgresServer]:
    """Start a private PostgreSQL server."""
    if programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra `postgres` is not installed")
    running = PostgresServer()
    try:
        yield running
    finally:
        running.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return where an empty database may be made: every test runs on both kinds."""
    if request.param == "sqlite":
        return str(tmp_path / "results.sqlite")
    running: PostgresServer = request.getfixturevalue("server")
    if "engine" not in request.fixturenames:
        return running.new_database()
    # Tests that want the tables too get a copy of a database that has them.
    if not running.template:
        made = running.new_database()
        open_database(made).dispose()
        running.template = made.split("@/")[1].split("?")[0]
    return running.new_database(running.template)


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    """Return an opened database with all its tables; it is at `url`."""
    opened = open_database(url)
    yield opened
    opened.dispose()


@pytest.fixture
def file_engine(tmp_path: Path) -> Iterator[Engine]:
    """Return an SQLite database, for what does not depend on the kind and takes long."""
    opened = open_database(tmp_path / "results.sqlite")
    yield opened
    opened.dispose()


@pytest.fixture
def filled(engine: Engine) -> Engine:
    """Return a database that holds twelve boards of one family, every third one with findings."""
    for number in range(12):
        invented.save(engine, invented.inspection(f"B{number:04d}", bad=number % 3 == 0, minute=number))
    return engine
