"""Databases for the verification place, on both kinds of database where that matters, and the page over them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import review_boards as boards
from sqlalchemy import Engine

from vision.records import open_database

if TYPE_CHECKING:
    from browser import Open
    from flask import Flask
    from page_client import Visitor


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


@pytest.fixture
def app(engine: Engine, tmp_path: Path) -> Flask:
    """Return the page over two boards with pictures and many findings, for people whose names are taken on trust."""
    pytest.importorskip("flask", reason="the extra `review` is not installed")
    from vision.review.app import create_app
    from vision.review.shop import Settings

    for minute, serial in enumerate(("B1", "B2")):
        boards.save(engine, boards.inspection(serial, boards.MIXED, minute=minute,
                                              pictures=boards.shown(tmp_path / "pictures", serial)))
    return create_app(engine, Settings(passwords=False))


@pytest.fixture
def locked(engine: Engine) -> Flask:
    """Return the page over one board, for Ada, who may settle, and Bo, who may not; both have passwords."""
    pytest.importorskip("flask", reason="the extra `review` is not installed")
    from vision.review.app import create_app
    from vision.review.decisions import Actor
    from vision.review.people import add_person
    from vision.review.shop import Settings

    boards.save(engine, boards.inspection("B1", boards.MIXED))
    add_person(engine, "Ada", "three green boats", may_settle=True, by=Actor("test"))
    add_person(engine, "Bo", "seven tall lamps", may_settle=False, by=Actor("test"))
    return create_app(engine, Settings(passwords=True, loopback=False))


@pytest.fixture
def ada(app: Flask) -> Visitor:
    """Return a person who has logged in."""
    from page_client import Visitor

    visitor = Visitor(app)
    assert visitor.log_in("Ada").status_code == 302
    return visitor


@pytest.fixture
def people(engine: Engine, tmp_path: Path) -> Iterator[Open]:
    """Give a function that opens a browser of its own for each person."""
    from browser import Browser, need_chromium, served

    from vision.review.app import create_app
    from vision.review.shop import Settings

    need_chromium()
    opened: list[Browser] = []
    with served(create_app(engine, Settings(passwords=False))) as base:
        def person(name: str = "", **size: int) -> Browser:
            browser = Browser(tmp_path / f"profile{len(opened)}", base, **size)
            opened.append(browser)
            if name:
                browser.log_in(name)
            return browser

        yield person
        for browser in opened:
            browser.close()
