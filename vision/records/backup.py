"""Backups of SQLite files while they are in use, and getting them back. PostgreSQL has pg_dump for that."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Engine

from vision.records.database import open_database
from vision.records.errors import RecordsError, checked_url

PAGES = 4096  # pages copied in one step, between which writers get their turn


def backup(engine: Engine, to: Path, progress: Callable[[int, int], None] | None = None) -> None:
    """Copy an SQLite database, as it is at one moment, into a new file while others read and write it.

    The copy is checked and appears under its name only when it is whole. Raises RecordsError for PostgreSQL, where
    pg_dump does this, and where the file is there already.
    """
    if engine.dialect.name != "sqlite":
        raise RecordsError("backup: this is a PostgreSQL database; use pg_dump --format=custom URL > FILE")
    if to.exists():
        raise RecordsError(f"backup {to}: the file is there already; name a new one")
    partial = to.with_name(to.name + ".part")
    partial.unlink(missing_ok=True)
    source = engine.raw_connection()
    try:
        try:
            target = sqlite3.connect(partial)
            try:
                driver = source.driver_connection
                if not isinstance(driver, sqlite3.Connection):
                    raise RecordsError("backup: this database driver cannot copy")
                driver.backup(target, pages=PAGES, progress=None if progress is None else (
                    lambda status, remaining, total: progress(total - remaining, total)))
                # One file that needs no write-ahead log beside it.
                target.execute("PRAGMA journal_mode = DELETE")
                _check(target, partial)
            finally:
                target.close()
            _flush(partial)
            partial.replace(to)
        except sqlite3.Error as error:
            raise RecordsError(f"backup {to}: {error}") from error
        finally:
            partial.unlink(missing_ok=True)
    finally:
        source.close()


def restore(backup_file: Path, where: str) -> None:
    """Put a backup in place as a new SQLite database. The file must not be there: what is there is never overwritten.

    A backup of an older program comes back as it is; `meniscope results upgrade` brings it up.
    Raises RecordsError where the backup is damaged or no database of this program.
    """
    url = checked_url(where)
    if url.get_backend_name() != "sqlite" or not url.database:
        raise RecordsError("restore: this is for SQLite files; use pg_restore --dbname=URL FILE")
    to = Path(url.database)
    if not backup_file.is_file():
        raise RecordsError(f"restore {backup_file}: no such file")
    for path in (to, to.with_name(to.name + "-wal"), to.with_name(to.name + "-shm")):
        if path.exists():
            raise RecordsError(f"restore: {path} is there already; move it away first")
    open_database(backup_file, create=False, read_only=True, check=False).dispose()
    partial = to.with_name(to.name + ".part")
    try:
        source = sqlite3.connect(f"{backup_file.absolute().as_uri()}?mode=ro", uri=True)
        target = sqlite3.connect(partial)
        try:
            source.backup(target)
            _check(target, backup_file)
        finally:
            source.close()
            target.close()
        _flush(partial)
        partial.replace(to)
    except sqlite3.Error as error:
        raise RecordsError(f"restore {backup_file}: {error}") from error
    finally:
        partial.unlink(missing_ok=True)


def _check(connection: sqlite3.Connection, path: Path) -> None:
    told = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if told != "ok":
        raise RecordsError(f"backup {path}: the copy is damaged ({told})")


def _flush(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
