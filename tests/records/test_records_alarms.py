"""Alarms of the line in tables of their own: moved there from an older database and back, tied to what they name."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, replace
from typing import Any

import pytest
from old_database import OLD, make_old, old_rows, rows_of
from sqlalchemy import Engine, event, inspect, text
from sqlalchemy.exc import IntegrityError

from vision.line.alarm import Alarm, Change, Example
from vision.line.alarm_store import answer_alarm, list_alarms, save_alarm
from vision.line.causes import Hint
from vision.line.errors import LineError
from vision.records import open_database
from vision.records.database import transaction
from vision.records.migrate import downgrade, upgrade

#: How the last program of schema 0001 listed its alarms.
LISTED: list[dict[str, Any]] = OLD["alarms"]
COLUMNS: list[str] = OLD["tables"]["process_record"]["columns"]


@pytest.fixture
def old(url: str) -> Iterator[Engine]:
    """Return a database of schema 0001 with a process log and alarms in it."""
    engine = make_old(url)
    yield engine
    engine.dispose()


def told(alarms: list[Alarm]) -> list[dict[str, Any]]:
    """Return alarms as JSON gives them, under the names that an old database's program gave them."""
    return [{name: value for name, value in json.loads(json.dumps(asdict(alarm))).items() if name != "answers"}
            for alarm in alarms]


def log(engine: Engine) -> list[dict[str, Any]]:
    """Return the process records without their keys, notes read as JSON where they are."""
    return plain(rows_of(engine, ["process_record"])["process_record"])


def plain(rows: list[list[Any]]) -> list[dict[str, Any]]:
    found = [dict(zip(COLUMNS, row, strict=True)) for row in rows]
    for row in found:
        del row["id"]
        row["note"] = json.loads(row["note"]) if row["note"].startswith("{") else row["note"]
    return sorted(found, key=lambda row: (str(row["quantity"]), str(row["recorded_at"]), str(row["pot"])))


def by_time(rows: list[dict[str, Any]]) -> list[str]:
    return sorted(json.dumps(row, sort_keys=True) for row in rows)


def test_alarms_of_an_old_database_are_all_there(old: Engine) -> None:
    upgrade(old)
    assert told(list_alarms(old)) == LISTED
    assert [[(item.answer, item.by, item.note) for item in alarm.answers] for alarm in list_alarms(old)] == [
        [("fixed", "ben", "jet changed"), ("normal", "anna", "new flux")], []]
    assert [alarm.id for alarm in list_alarms(old, only_open=True)] == ["4e5f6071"]
    assert [row["quantity"] for row in log(old)] == ["pot_temperature_c"]
    answered = answer_alarm(old, "4e", "normal", "R. Example")
    assert list_alarms(old)[1] == answered
    assert list_alarms(old, only_open=True) == []


def test_and_go_back_as_they_were(old: Engine) -> None:
    before = plain(old_rows(["process_record"])["process_record"])
    upgrade(old)
    downgrade(old, "0003")
    assert by_time(log(old)) == by_time(before)
    with old.connect() as connection:
        assert not [name for name in inspect(connection).get_table_names() if name.startswith("alarm")]
    upgrade(old)
    assert told(list_alarms(old)) == LISTED


def test_every_answer_is_moved(old: Engine) -> None:
    upgrade(old)
    with old.connect() as connection:
        rows = connection.execute(text(
            "SELECT a.code, w.answer, w.answered_by, w.note FROM alarm_answer w JOIN alarm a ON a.id = w.alarm_id "
            "ORDER BY w.answered_at")).all()
        joints = connection.execute(text(
            "SELECT u.serial, e.joint, e.shows FROM alarm_example e JOIN inspection i ON i.id = e.inspection_id "
            "JOIN unit u ON u.id = i.unit_id ORDER BY e.position")).all()
    assert [tuple(row) for row in rows] == [("0a1b2c3d", "normal", "anna", "new flux"),
                                            ("0a1b2c3d", "fixed", "ben", "jet changed")]
    assert [tuple(row) for row in joints] == [("B0002", "J1.2", "drift"), ("B0001", "J1.2", "before")]


def test_what_is_no_alarm_stays_and_no_alarm_is_lost(old: Engine) -> None:
    """A board that the records lack, an inspection that is gone, notes that no program wrote."""
    with transaction(old) as connection:
        connection.execute(text(
            "UPDATE process_record SET note = replace(replace(note, '\"B0001\"', '\"B0000\"'), '\"key\": 2',"
            " '\"key\": 99') WHERE quantity = 'drift_alarm'"))
        for number, note in enumerate(("by hand", '{"id": "x"}', "[]", "")):
            connection.execute(text(
                "INSERT INTO process_record (recorded_at, serial, pot, nozzle, step, quantity, note, source) VALUES "
                "('2026-03-02T06:00:00.000Z', :serial, '', '', '', 'drift_alarm', :note, 'hand')"),
                {"serial": f"X{number}", "note": note})
    upgrade(old)
    assert sum(row["quantity"] == "drift_alarm" for row in log(old)) == 4
    first, second = list_alarms(old)
    assert (first.id, first.since_serial, first.status) == ("0a1b2c3d", "B0000", "fixed")
    assert [(example.serial, example.key) for example in first.examples] == [("B0002", 0), ("B0000", 1)]
    assert second.id == "4e5f6071"


def invented(code: str, **more: Any) -> Alarm:
    """Return an alarm on the boards of that database."""
    return replace(Alarm(
        code, "rendered-8", "coverage fell at pot P1", "coverage_deg", "-", "pot", "P1", ("nozzle N3",),
        ("J1.1", "J1.2"), "2026-03-02T06:01:00.000Z", "B0002", "2026-03-02T06:00:00.000Z", "B0001", "B0001", "B0002", 2,
        10_000.0, 1.0 / 3.0, 0.1, "", 0.0, "",
        (Change("coverage_deg", "-", 359.5, 331.25, -28.25, -35.0, -20.5, 1e-17, "fell"),),
        (Example("B0002", "J1.2", "coverage 350 deg", "drift", 2, ("/pictures/ü \"1\".png",)),
         Example("B0001", "J1.2", "coverage 360 deg", "before")),
        (Hint("flux_short", "Too little flux", "likely", "drops fell", "common practice", "look", 0.75),)), **more)


def test_what_is_saved_comes_back(old: Engine) -> None:
    upgrade(old)
    alarm = invented("aaaa0001")
    assert save_alarm(old, alarm) is True
    assert save_alarm(old, replace(alarm, title="another watch")) is False
    assert list_alarms(old, "rendered-8")[-1] == alarm
    assert list_alarms(old, "another") == []


def test_two_alarms_at_one_board_and_place(old: Engine) -> None:
    """As process records the second was taken for the first one again; on the way back both find room."""
    upgrade(old)
    both = [invented("aaaa0001"), invented("aaaa0002", quantity="convexity", side="+")]
    assert [save_alarm(old, alarm) for alarm in both] == [True, True]
    downgrade(old, "0003")
    upgrade(old)
    assert list_alarms(old)[-2:] == both


def test_a_beginning_that_fits_several_is_refused(old: Engine) -> None:
    upgrade(old)
    for code in ("aaaa0001", "aaaa0002"):
        save_alarm(old, invented(code))
    with pytest.raises(LineError, match="fits several alarms"):
        answer_alarm(old, "aaaa", "fixed", "R. Example")
    for pattern in ("%", "_aaa0001", "AAAA0001"):
        with pytest.raises(LineError, match="fits no alarm"):
            answer_alarm(old, pattern, "fixed", "R. Example")
    assert answer_alarm(old, "aaaa0002", "fixed", "R. Example").id == "aaaa0002"


def test_an_alarm_on_a_board_of_nobody_is_refused(old: Engine) -> None:
    upgrade(old)
    with pytest.raises(LineError, match="got board B7777, wanted a board of family rendered-8 in the records"):
        save_alarm(old, invented("aaaa0001", since_low="B7777"))
    assert len(list_alarms(old)) == 2


@pytest.mark.parametrize("statement", [
    "UPDATE alarm SET seen_unit_id = 999", "UPDATE alarm SET since_low_unit_id = 999", "UPDATE alarm SET side = '?'",
    "UPDATE alarm SET boards = 0", "UPDATE alarm SET false_alarm_boards = 0", "UPDATE alarm SET code = 'same'",
    "UPDATE alarm SET since_at = '2027-01-01T00:00:00.000Z'", "DELETE FROM alarm",
    "UPDATE alarm_answer SET answer = 'maybe'", "UPDATE alarm_answer SET answered_by = ''",
    "UPDATE alarm_answer SET alarm_id = 999", "UPDATE alarm_example SET inspection_id = 999",
    "UPDATE alarm_example SET shows = 'x'", "DELETE FROM unit WHERE serial = 'B0001'"])
def test_the_database_refuses_what_cannot_be(old: Engine, statement: str) -> None:
    upgrade(old)
    with pytest.raises(IntegrityError), transaction(old) as connection:
        connection.execute(text(statement))


def test_questions_are_answered_by_an_index(tmp_path: Any) -> None:
    """SQLite's own account of how it answers (EXPLAIN QUERY PLAN): no walk through a whole table."""
    engine = open_database(tmp_path / "r.sqlite")
    asked: list[tuple[str, Any]] = []
    event.listen(engine, "before_cursor_execute",
                 lambda _c, _k, statement, values, _x, _m: asked.append((statement, values)))
    list_alarms(engine, "rendered-8", only_open=True)
    plans = []
    with engine.connect() as connection:
        for statement, values in [item for item in asked if item[0].startswith("SELECT")]:
            plans.append([row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values)])
    engine.dispose()
    assert len(plans) == 3
    for plan in plans:
        assert not [step for step in plan if step.startswith("SCAN")], plan
    told = "\n".join(step for plan in plans for step in plan)
    assert "alarm USING INDEX ix_alarm_family_name_seen_at" in told
    assert "USING COVERING INDEX ix_alarm_answer_alarm_id_answered_at" in told
