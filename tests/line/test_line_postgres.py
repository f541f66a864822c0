"""The line's questions mean the same in PostgreSQL as in SQLite."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from invented_line import record, write_log
from sqlalchemy import Engine

from synthetic_images.line_lot import Drift, line_family, simulate_line
from vision.line.alarm_store import answer_alarm, list_alarms, save_alarm
from vision.line.load import Scope
from vision.line.log_file import read_log
from vision.line.log_store import import_entries
from vision.line.report import build_report
from vision.line.watching import look
from vision.records.database import open_database

FAMILY = line_family(4)
LOT = simulate_line(FAMILY, boards=100, seed=1, drifts=(Drift("flux_jet_clogging", 60, place="S5", strength=1.5),))


@pytest.fixture
def postgres() -> Iterator[Engine]:
    """An empty database on a private server."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "records"))
    server_module = pytest.importorskip("postgres_server")
    if server_module.programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra `postgres` is not installed")
    server = server_module.PostgresServer()
    try:
        engine = open_database(server.new_database())
        yield engine
        engine.dispose()
    finally:
        server.stop()


def test_both_databases_give_the_same_report_and_alarms(postgres: Engine, tmp_path: Path) -> None:
    sqlite = open_database(tmp_path / "line.sqlite")
    log = read_log(write_log(LOT, tmp_path / "log.csv"))
    told = []
    for engine in (sqlite, postgres):
        record(engine, LOT)
        imported = import_entries(engine, log, "log.csv")
        again = import_entries(engine, log, "log.csv")
        alarms = look(engine, FAMILY.name)
        assert look(engine, FAMILY.name) == []
        assert save_alarm(engine, alarms[0]) is False
        answered = answer_alarm(engine, alarms[0].id, "fixed", "R. Example")
        assert list_alarms(engine) == [answered]
        report = build_report(engine, Scope(family=FAMILY.name, step="S5"))
        told.append((imported, again.new, [replace(alarm, examples=()) for alarm in alarms], report.calls,
                     report.first_pass, report.places, report.joints, report.findings))
    assert told[0] == told[1]
    sqlite.dispose()
