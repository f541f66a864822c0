"""The user's own SQL reads, and only reads, on both kinds of database."""

from __future__ import annotations

import invented_boards as invented
import pytest
from sqlalchemy import Engine

from vision.records import RecordsError, list_inspections
from vision.records.sql import run_sql


def test_reading(url: str, filled: Engine) -> None:
    names, rows = run_sql(url, "SELECT serial, verdict, started_at FROM inspection i JOIN unit u ON u.id = i.unit_id "
                               "WHERE verdict = 'reject' AND serial LIKE 'B%' ORDER BY serial")
    assert names == ["serial", "verdict", "started_at"]
    assert [row["serial"] for row in rows] == ["B0000", "B0003", "B0006", "B0009"]
    assert rows[0]["started_at"] == "2026-03-02T06:00:00.000Z"
    _, rows = run_sql(url, "SELECT count(*) AS joints, avg(coverage_deg) AS mean, max(wetting_angle_deg) AS angle "
                           "FROM joint_result WHERE verdict <> 'reject'")
    assert rows[0]["joints"] == 88
    assert isinstance(rows[0]["mean"], float)
    assert rows[0]["angle"] is None  # NaN is stored as NULL, so that it takes part in no sum


@pytest.mark.parametrize("statement", [
    "DELETE FROM finding", "UPDATE inspection SET verdict = 'accept'", "DROP TABLE finding", "CREATE TABLE x (a int)",
    "INSERT INTO unit (serial, family_name, added_at) VALUES ('x', 'y', '2026-01-01')",
    "SELECT 1; DELETE FROM finding", "COMMIT; DELETE FROM finding", "ROLLBACK; BEGIN; DELETE FROM finding",
    "WITH gone AS (DELETE FROM finding RETURNING id) SELECT * FROM gone", "BEGIN", "VACUUM",
])
def test_nothing_else(url: str, filled: Engine, statement: str) -> None:
    before = list_inspections(filled)
    with pytest.raises(RecordsError) as caught:
        run_sql(url, statement)
    assert str(caught.value).startswith("sql: ")
    assert "\n" not in str(caught.value)
    assert list_inspections(filled) == before
    assert invented.save(filled, invented.inspection("B9999")).fresh  # and nothing stays locked


@pytest.mark.parametrize("statement", ["", "  \n"])
def test_an_empty_statement(url: str, filled: Engine, statement: str) -> None:
    with pytest.raises(RecordsError, match=r"^sql: got an empty statement, wanted for example "):
        run_sql(url, statement)


def test_a_mistake_is_told_in_one_line(url: str, filled: Engine) -> None:
    with pytest.raises(RecordsError, match=r"^sql: [^\n]*nosuch[^\n]*$"):
        run_sql(url, "SELECT nosuch FROM unit")


def test_a_percent_sign_is_no_placeholder(url: str, filled: Engine) -> None:
    assert run_sql(url, "SELECT 7 % 4 AS rest, '%s' AS text")[1] == [{"rest": 3, "text": "%s"}]
