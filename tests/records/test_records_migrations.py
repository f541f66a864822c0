"""A database of an older program comes up to this one's schema without loss, and goes down again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from click.testing import CliRunner
from old_database import OLD, make_old, old_rows, rows_of
from sqlalchemy import CheckConstraint, Engine, inspect, select, text
from sqlalchemy.exc import IntegrityError

from vision.cli import main
from vision.records import RecordsError
from vision.records.columns import Moment
from vision.records.database import reading, schema_version, transaction
from vision.records.load import load_inspections
from vision.records.migrate import MIGRATIONS, downgrade, upgrade
from vision.records.queries import Filter, find_keys
from vision.records.schema import AUDIT, SCHEMA_VERSION, Base
from vision.review.agreement import disputes, opinions
from vision.review.decisions import Actor, Decision, finding_version, settle
from vision.review.people import check_password

NAMES = [name for name in OLD["tables"] if name != "process_record"]  # alarms move out of it, see their own tests
#: The tables of the reviewer's page: older programs made them beside the migrations.
PAGE = [name for name in NAMES if name.startswith("review_")]


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


def test_every_step_down_and_up_again_keeps_the_rows(old: Engine) -> None:
    versions = sorted(script.revision for script in ScriptDirectory(str(MIGRATIONS)).walk_revisions())
    assert versions[0] == "0001" and versions[-1] == SCHEMA_VERSION
    for version in (*versions[1:], *reversed(versions[:-1]), *versions[1:]):
        if version > str(schema_version(old)):
            upgrade(old, version)
        else:
            downgrade(old, version)
        assert schema_version(old) == version
        assert rows_of(old, PAGE) == old_rows(PAGE)
    assert declared(old) == []


def declared(engine: Engine) -> list[object]:
    """Return where the database differs from the schema that the code declares."""
    def same_type(_c: object, _i: object, _m: object, _found: object, wanted: object) -> bool | None:
        return False if isinstance(wanted, Moment) else None

    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": same_type})
        found = list(compare_metadata(context, Base.metadata))
        for table in Base.metadata.sorted_tables:
            checks = {str(c.name) for c in table.constraints if isinstance(c, CheckConstraint)}
            there = {str(c["name"]) for c in inspect(connection).get_check_constraints(table.name)}
            found += [(table.name, checks ^ there)] if checks != there else []
    return found


@pytest.mark.parametrize("reviewed", [True, False])
def test_an_upgraded_database_is_like_a_new_one(url: str, reviewed: bool) -> None:
    engine = make_old(url, reviewed=reviewed)
    upgrade(engine)
    assert declared(engine) == []
    assert rows_of(engine, PAGE) == (old_rows(PAGE) if reviewed else {name: [] for name in PAGE})
    downgrade(engine, "base")
    with engine.connect() as connection:
        assert inspect(connection).get_table_names() == ["alembic_version"]
    engine.dispose()


def test_the_reviewers_page_goes_on_with_what_it_had(old: Engine) -> None:
    upgrade(old)
    anna = check_password(old, "anna", "several plain words")
    assert anna is not None and not anna.may_settle
    finding, review = old_rows(["review_settlement"])["review_settlement"][0][:2]
    assert disputes(old) == []  # the one that there was has been settled
    with reading(old) as connection:
        assert [item.call for item in opinions(connection, finding)] == ["false_call"]
        version = finding_version(connection, finding)
    assert settle(old, finding, Decision("real"), Actor("ben"), version=version) > review
    with reading(old) as connection:
        ids = list(connection.execute(select(AUDIT.c.id).order_by(AUDIT.c.id)).scalars())
    assert len(ids) == len(OLD["tables"]["review_audit"]["rows"]) + 1
    assert max(ids) == ids[-1] > OLD["tables"]["review_audit"]["rows"][-1][0]


@pytest.mark.parametrize("statement", [
    "INSERT INTO review_settlement VALUES (9999, 1, 'x', '2026-03-02T06:00:00.000Z')",
    "UPDATE review_settlement SET review_id = 9999",
    "UPDATE review_audit SET finding_id = 9999", "UPDATE review_audit SET review_id = 9999",
    "UPDATE review_audit SET inspection_id = 9999", "UPDATE review_control SET joint_id = 9999",
    "DELETE FROM review WHERE id = (SELECT review_id FROM review_settlement)"])
def test_the_page_refers_to_what_is_there(old: Engine, statement: str) -> None:
    upgrade(old)
    with pytest.raises(IntegrityError), transaction(old) as connection:
        connection.execute(text(statement))


def test_rows_that_refer_to_nothing_stop_the_upgrade(old: Engine) -> None:
    """Without foreign keys somebody could delete what the page speaks of: said in one line, and nothing is changed."""
    with transaction(old) as connection:
        connection.execute(text("UPDATE review_settlement SET review_id = 77"))
    with pytest.raises(RecordsError) as caught:
        upgrade(old)
    assert str(caught.value) == (
        "upgrade to schema 0003: 1 rows of review_settlement have a review_id that review does not hold (77); get a "
        "whole backup back, or delete these rows, then upgrade again. Nothing was changed")
    assert schema_version(old) == "0001"
    assert rows_of(old, NAMES) == old_rows([*NAMES]) | {"review_settlement": [
        [77 if column == 1 else value for column, value in enumerate(row)]
        for row in old_rows(["review_settlement"])["review_settlement"]]}


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
