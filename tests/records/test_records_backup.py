"""Backups while boards are being written; nothing is ever overwritten."""

from __future__ import annotations

import subprocess
import threading
from pathlib import Path

import invented_boards as invented
import pytest
from postgres_server import PostgresServer
from sqlalchemy import Engine

from vision.records import Filter, RecordsError, list_inspections, open_database
from vision.records.backup import backup, restore
from vision.records.verify import Tally, verify


def test_backup_while_boards_are_written(file_engine: Engine, tmp_path: Path) -> None:
    stop = threading.Event()
    errors: list[BaseException] = []

    def write() -> None:
        try:
            number = 0
            while not stop.is_set():
                invented.save(file_engine, invented.inspection(f"B{number:04d}", bad=number % 2 == 0))
                number += 1
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        invented.wait_until(lambda: len(list_inspections(file_engine)) > 10)
        backup(file_engine, tmp_path / "copy.sqlite")
    finally:
        stop.set()
        thread.join()
    assert errors == []
    assert {path.name for path in tmp_path.iterdir() if path.name.startswith("copy")} == {"copy.sqlite"}
    restore(tmp_path / "copy.sqlite", str(tmp_path / "new.sqlite"))
    again = open_database(tmp_path / "new.sqlite")
    copied = {row["serial"] for row in list_inspections(again)}
    assert 10 < len(copied) <= len(list_inspections(file_engine))
    assert list(verify(again, Filter(superseded=True), Tally())) == []
    assert invented.save(again, invented.inspection("new one")).fresh
    again.dispose()


def test_nothing_is_overwritten(file_engine: Engine, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    backup(file_engine, copy)
    with pytest.raises(RecordsError) as caught:
        backup(file_engine, copy)
    assert str(caught.value) == f"backup {copy}: the file is there already; name a new one"
    existing = str(file_engine.url.database)
    with pytest.raises(RecordsError) as caught:
        restore(copy, existing)
    assert str(caught.value) == f"restore: {existing} is there already; move it away first"


def test_a_stray_log_is_not_applied_to_a_restored_file(file_engine: Engine, tmp_path: Path) -> None:
    """An old write-ahead log beside the new file would be replayed into it by SQLite."""
    backup(file_engine, tmp_path / "copy.sqlite")
    (tmp_path / "new.sqlite-wal").write_bytes(b"old log")
    with pytest.raises(RecordsError, match=r"^restore: .*new\.sqlite-wal is there already; move it away first$"):
        restore(tmp_path / "copy.sqlite", str(tmp_path / "new.sqlite"))


@pytest.mark.parametrize("content", [b"", b"no database at all, but longer than a hundred bytes " * 4])
def test_what_is_no_backup(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "copy.sqlite"
    path.write_bytes(content)
    with pytest.raises(RecordsError, match=r"^database .*copy\.sqlite: (it holds no inspection|the file is no SQLite)"):
        restore(path, str(tmp_path / "new.sqlite"))
    assert not (tmp_path / "new.sqlite").exists()


def test_a_damaged_backup_is_refused(file_engine: Engine, tmp_path: Path) -> None:
    for number in range(30):
        invented.save(file_engine, invented.inspection(f"B{number}"))
    copy = tmp_path / "copy.sqlite"
    backup(file_engine, copy)
    content = bytearray(copy.read_bytes())
    middle = len(content) // 2
    content[middle:middle + 8192] = b"\x55" * 8192
    copy.write_bytes(content)
    with pytest.raises(RecordsError, match=r"damaged|malformed"):
        restore(copy, str(tmp_path / "new.sqlite"))
    assert not (tmp_path / "new.sqlite").exists()


def test_postgresql_has_its_own_programs(server: PostgresServer, tmp_path: Path) -> None:
    """pg_dump and pg_restore bring everything over, checked by verification."""
    url = server.new_database()
    engine = open_database(url)
    for number in range(6):
        invented.save(engine, invented.inspection(f"B{number}", bad=number % 2 == 0))
    with pytest.raises(RecordsError, match=r"^backup: this is a PostgreSQL database; use pg_dump --format=custom URL"):
        backup(engine, tmp_path / "copy")
    with pytest.raises(RecordsError, match=r"^restore: this is for SQLite files; use pg_restore --dbname=URL FILE$"):
        restore(tmp_path / "copy", url)
    with (tmp_path / "dump").open("wb") as file:
        subprocess.run([server.programs / "pg_dump", "--format=custom", url], stdout=file, check=True)
    other = server.new_database()
    with (tmp_path / "dump").open("rb") as file:
        subprocess.run([server.programs / "pg_restore", f"--dbname={other}"], stdin=file, check=True)
    again = open_database(other)
    assert list_inspections(again) == list_inspections(engine)
    assert list(verify(again, Filter(superseded=True), Tally())) == []
    assert invented.save(again, invented.inspection("new one")).fresh
    again.dispose()
    engine.dispose()
