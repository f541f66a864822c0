"""Databases for the verification place, on both kinds of database where that matters."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from vision.records import open_database


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an empty SQLite database with this room's tables, to be copied: making one takes longer."""
    path = tmp_path_factory.mktemp("empty") / "results.sqlite"
    opened = open_database(path)
    opened.dispose()
    return path


@pytest.fixture
def engine(tmp_path: Path, empty_database: Path) -> Iterator[Engine]:
    """Return an opened SQLite database with this room's tables."""
    opened = open_database(shutil.copy(empty_database, tmp_path / "results.sqlite"))
    yield opened
    opened.dispose()


@pytest.fixture(scope="session")
def postgres() -> Iterator[object]:
    """Start a private PostgreSQL server."""
    server = pytest.importorskip("records.postgres_server")
    if server.programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra `postgres` is not installed")
    running = server.PostgresServer()
    try:
        yield running
    finally:
        running.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def both(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    """Return an opened database of either kind, with this room's tables."""
    if request.param == "sqlite":
        url = str(tmp_path / "results.sqlite")
    else:
        url = request.getfixturevalue("postgres").new_database()
    opened = open_database(url)
    yield opened
    opened.dispose()
