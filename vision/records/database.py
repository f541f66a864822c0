"""Opening the defect database: SQLite file or PostgreSQL by URL, its settings, and the check of its schema."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, NoSuchModuleError, ProgrammingError

from models.errors import missing_extra
from vision.records.errors import RecordsError, checked_url, explain, reported, shown
from vision.records.schema import SCHEMA_VERSION

#: How long a writer waits for another one, s.
BUSY_SECONDS = 30.0

#: File systems whose locks SQLite cannot rely on.
SHARES: tuple[str, ...] = ("nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "fuse.sshfs", "afs", "ncpfs", "9p",
                           "fuse.glusterfs", "ceph", "lustre")

READ, WRITE = "read", "write"


def open_database(where: str | Path, *, create: bool = True, read_only: bool = False,
                  busy_seconds: float = BUSY_SECONDS, check: bool = True) -> Engine:
    """Open a defect database and return the engine to work with.

    `where` is the path of an SQLite file, or a URL (sqlite:///FILE, postgresql://USER@HOST/NAME). A database without
    tables gets them unless `create` is off. With `read_only` nothing can be written through the engine.
    `check` off takes an older or newer schema too (for upgrading and for backups before that).

    Raises RecordsError with one line: no such file, not a database, locked, read-only, unreachable server, a schema
    that is older or newer than this program.
    """
    url = checked_url(str(where))
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite:
        _check_file(url, create=create and not read_only)
    try:
        engine = _sqlite_engine(url, read_only, busy_seconds) if sqlite else _postgres_engine(url, read_only)
    except (ModuleNotFoundError, NoSuchModuleError) as error:
        raise RecordsError(missing_extra("PostgreSQL", "postgres")) from error
    try:
        with reported(url):
            found = schema_version(engine)
            if found is None and create and not read_only:
                _create(engine)
                found = schema_version(engine)
        if check or (found is None and not create):
            _check_version(url, found)
    except BaseException:
        engine.dispose()
        raise
    return engine


@contextmanager
def opened(where: str | Path, *, read_only: bool = True) -> Iterator[Engine]:
    """Open a database that is there already, and close it at the end; RecordsError as of `open_database`."""
    engine = open_database(where, create=False, read_only=read_only)
    try:
        yield engine
    finally:
        engine.dispose()


def _check_file(url: URL, *, create: bool) -> None:
    if not url.database or url.database == ":memory:":
        raise RecordsError("database: got a database in memory, wanted a file: several processes work on it")
    path = Path(url.database)
    if path.is_dir():
        raise RecordsError(f"database {path}: got a folder, wanted a file")
    if not path.exists():
        if not create:
            raise RecordsError(f"database {path}: no such file; `meniscope grade ... --db {path}` makes one")
        if not path.parent.is_dir():
            raise RecordsError(f"database {path}: no folder {path.parent}; make it first")


def _sqlite_engine(url: URL, read_only: bool, busy_seconds: float) -> Engine:
    path = Path(str(url.database)).absolute()

    def connect() -> sqlite3.Connection:
        mode = "ro" if read_only else "rwc"
        if read_only and not _may_write(path.parent) and not path.with_name(path.name + "-wal").exists():
            mode = "ro&immutable=1"  # on a read-only disk the write-ahead log's helper files cannot be made
        return sqlite3.connect(f"{path.as_uri()}?mode={mode}", uri=True, timeout=busy_seconds,
                               check_same_thread=False)

    engine = create_engine(url, creator=connect)

    @event.listens_for(engine, "connect")
    def _settings(connection: sqlite3.Connection, _record: Any) -> None:
        # The driver would begin transactions on its own, and not before DDL: this module begins them instead.
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {int(busy_seconds * 1000)}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA cache_size = -65536")
        if read_only:
            connection.execute("PRAGMA query_only = ON")
        elif connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            connection.execute("PRAGMA journal_mode = WAL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A writer takes its place at once: two that read first and write later would both be refused.
        writes = connection.get_execution_options().get("purpose") == WRITE
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _may_write(folder: Path) -> bool:
    return os.access(folder, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def _postgres_engine(url: URL, read_only: bool) -> Engine:
    options: dict[str, Any] = {"connect_timeout": 10, "application_name": "meniscope"}
    if read_only:
        options["options"] = "-c default_transaction_read_only=on"
    return create_engine(url, connect_args=options, pool_pre_ping=True)


@contextmanager
def transaction(engine: Engine, purpose: str = WRITE) -> Iterator[Connection]:
    """Begin a transaction, commit it at the end of the block, roll it back on an error.

    Driver errors become RecordsError, except broken constraints (IntegrityError), which the caller must know.
    """
    with reported(engine.url), engine.connect() as connection:
        connection.execution_options(purpose=purpose)  # changes this connection, in place
        with connection.begin():
            yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Begin a transaction that only reads."""
    with transaction(engine, READ) as connection:
        yield connection


def schema_version(engine: Engine) -> str | None:
    """Return the schema's version, or None where there are no tables of this project."""
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def _check_version(url: URL, found: str | None) -> None:
    if found == SCHEMA_VERSION:
        return
    if found is None:
        raise RecordsError(f"{shown(url)}: it holds no inspection results; name the database that `grade` wrote")
    if found < SCHEMA_VERSION:
        raise RecordsError(f"{shown(url)}: its schema {found} is older than this program's {SCHEMA_VERSION}; "
                           "make a backup, then run `meniscope results upgrade`")
    raise RecordsError(f"{shown(url)}: its schema {found} is newer than this program's {SCHEMA_VERSION}; "
                       "install the newer meniscope")


def _create(engine: Engine) -> None:
    """Make the tables in an empty database; several programs may do so at once, one of them will."""
    from vision.records.migrate import upgrade

    with transaction(engine) as connection:
        others = [name for name in inspect(connection).get_table_names() if name != "alembic_version"]
    if others and schema_version(engine) is None:
        raise RecordsError(f"{shown(engine.url)}: it holds other tables ({', '.join(sorted(others)[:3])}); "
                           "name an empty database or a new file")
    upgrade(engine)


def network_share(where: str | Path) -> str | None:
    """Return the kind of network file system that an SQLite file lies on, or None.

    SQLite's write-ahead log needs shared memory and locks that network shares do not give reliably
    (SQLite documentation, "Write-Ahead Logging", section 1).
    """
    url = checked_url(str(where))
    if url.get_backend_name() != "sqlite" or not url.database:
        return None
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    return share_kind(mounts, os.path.realpath(url.database))


def share_kind(mounts: str, path: str) -> str | None:
    """Return the network file system's name from a mount table for an absolute path, or None for a local disk."""
    best, kind = "", ""
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        point = fields[1].replace("\\040", " ")
        inside = path == point or path.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, kind = point, fields[2]
    return kind if kind in SHARES else None


__all__ = ["READ", "WRITE", "DBAPIError", "ProgrammingError", "explain", "network_share", "open_database", "reading",
           "schema_version", "share_kind", "transaction"]
