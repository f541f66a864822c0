"""A database of an older program comes up to this one's schema without loss, and goes down again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from old_database import OLD, make_old, old_rows, rows_of
from sqlalchemy import Engine, inspect

from vision.cli import main
from vision.records.database import schema_version
from vision.records.load import load_inspections
from vision.records.migrate import downgrade, upgrade
from vision.records.queries import Filter, find_keys
from vision.records.schema import SCHEMA_VERSION

#: What the migrations have kept since the first one.
NAMES = [name for name in OLD["tables"] if not name.startswith("review_")]


@pytest.fixture
def old(url: str) -> Iterator[Engine]:
    """Return a database that the program of schema 0001 wrote, not upgraded yet."""
    engine = make_old(url)
    yield engine
    engine.dispose()


def test_nothing_of_an_old_database_is_lost(old: Engine) -> None:
    upgrade(old)
    assert schema_version(old) == SCHEMA_VERSION
    assert rows_of(old, NAMES) == old_rows(NAMES)
    downgrade(old, "0001")
    assert rows_of(old, NAMES) == old_rows(NAMES)
    assert "uncertainty" not in {column["name"] for column in inspect(old).get_columns("chip_result")}


def test_chips_of_an_old_database_state_no_uncertainty(old: Engine) -> None:
    upgrade(old)
    boards = dict(load_inspections(old, find_keys(old, Filter())))
    assert len(boards) == 2
    for board in boards.values():
        assert [(chip.ref, chip.uncertainties) for chip in board.chips] == [("R1", {})]
        assert {tuple(joint.uncertainties.items()) for joint in board.joints} == {
            (("coverage_deg", 2.0), ("toe_radius_mm", 0.012))}


def run(*arguments: object, code: int = 0) -> str:
    done = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert done.exit_code == code, done.output + done.stderr
    return done.stdout + done.stderr


def test_backup_before_the_upgrade(tmp_path: Path) -> None:
    """The message that asks for a backup and an upgrade asks for what can be done."""
    path, copy, back = tmp_path / "r.sqlite", tmp_path / "copy", tmp_path / "back.sqlite"
    make_old(str(path)).dispose()
    told = run("results", "list", "--db", path, code=1)
    assert "its schema 0001 is older than this program's" in told
    assert "make a backup, then run `meniscope results upgrade`" in told
    run("results", "backup", copy, "--db", path)
    assert f"schema 0001 is now {SCHEMA_VERSION}" in run("results", "upgrade", "--db", path)
    run("results", "restore", copy, "--db", back)
    assert "its schema 0001 is older" in run("results", "list", "--db", back, code=1)
    run("results", "upgrade", "--db", back)
    one, two = (json.loads(run("results", "show", "B0002", "--json", "--db", db)) for db in (path, back))
    assert one == two
    assert [chip["uncertainty"] for chip in one["chip_results"]] == [{}]


def test_no_backup_of_what_is_no_database_of_ours(tmp_path: Path) -> None:
    (tmp_path / "r.sqlite").touch()
    told = run("results", "backup", tmp_path / "copy", "--db", tmp_path / "r.sqlite", code=1)
    assert "it holds no inspection results; name the database that `grade` wrote" in told
    assert not (tmp_path / "copy").exists()
