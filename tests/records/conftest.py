"""Databases, and invented boards to put into them."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import invented_boards as invented
import pytest
from sqlalchemy import Engine

from vision.records import open_database


@pytest.fixture(scope="session")
def postgres() -> Iterator[Callable[[], str]]:
    """Start a private PostgreSQL server; gives a function that makes an empty database and returns its URL."""
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[4]))
    if not programs:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra `postgres` is not installed")
    server = PostgresServer(programs[-1].parent)
    try:
        yield server.new_database
    finally:
        server.stop()


class PostgresServer:
    """A server of its own in a temporary folder, reached by a socket there."""

    def __init__(self, programs: Path) -> None:
        self.programs = programs
        self.folder = Path(tempfile.mkdtemp(prefix="meniscope-pg-"))
        # PostgreSQL refuses to run as root.
        self.user: str | None = None
        if os.geteuid() == 0:
            self.user = "postgres" if "postgres" in {item.pw_name for item in pwd.getpwall()} else "nobody"
            shutil.chown(self.folder, self.user)
        self.count = 0
        self._run("initdb", "-D", str(self.folder / "data"), "-U", "tester", "-A", "trust", "-E", "UTF8",
                  "--no-sync", "--locale=C.UTF-8")
        self.start()

    def start(self) -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-l", str(self.folder / "log"), "-o",
                  f"-k {self.folder} -c listen_addresses='' -c fsync=off -c max_connections=60", "start")

    def stop(self, mode: str = "immediate") -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", mode, "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def halt(self) -> None:
        """Stop the server but keep its data."""
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", "immediate", "stop")

    def new_database(self) -> str:
        self.count += 1
        name = f"results{self.count}"
        self._run("createdb", "-h", str(self.folder), "-U", "tester", name)
        return f"postgresql://tester@/{name}?host={self.folder}"

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run([str(self.programs / program), *arguments], user=self.user, cwd=self.folder,
                              stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, timeout=120, check=False)
        if done.returncode:
            raise RuntimeError(f"{program}: {done.stderr.decode(errors='replace')}")


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return where an empty database may be made: every test runs on both kinds."""
    if request.param == "sqlite":
        return str(tmp_path / "results.sqlite")
    make: Callable[[], str] = request.getfixturevalue("postgres")
    return make()


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    """Return an opened database with all its tables."""
    opened = open_database(url)
    yield opened
    opened.dispose()


@pytest.fixture
def filled(engine: Engine) -> Engine:
    """Return a database that holds twelve boards of one family, every third one with findings."""
    for number in range(12):
        invented.save(engine, invented.inspection(f"B{number:04d}", bad=number % 3 == 0, minute=number))
    return engine
