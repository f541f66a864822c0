"""One SQL statement of the user's, on a connection that can only read.

It keeps mistakes from changing results; it is no barrier against somebody who holds the database's password.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import Engine

from vision.records.columns import moment_text
from vision.records.database import open_database
from vision.records.errors import RecordsError

CHUNK = 1000


def run_sql(where: str, statement: str) -> tuple[list[str], list[dict[str, Any]]]:
    """Return the column names and rows that one SQL statement gives.

    Raises RecordsError for a statement that is wrong, that would write, or that is more than one.
    """
    if not statement.strip():
        raise RecordsError("sql: got an empty statement, wanted for example \"SELECT * FROM inspection LIMIT 5\"")
    engine = open_database(where, create=False, read_only=True)
    try:
        return _run(engine, statement)
    finally:
        engine.dispose()


def _run(engine: Engine, statement: str) -> tuple[list[str], list[dict[str, Any]]]:
    connection = engine.raw_connection()
    try:
        cursor: Any = connection.cursor()
        driver: Any = engine.dialect.loaded_dbapi
        try:
            if engine.dialect.name == "postgresql":
                # A prepared statement is one statement: what ends the read-only transaction cannot ride along.
                cursor.execute(statement, None, prepare=True)
            else:
                cursor.execute(statement)
            if cursor.description is None:
                raise RecordsError("sql: the statement gives no rows; only reading is allowed here")
            names = _different([item[0] for item in cursor.description])
            return names, [dict(zip(names, row, strict=True)) for row in _rows(cursor)]
        except driver.Error as error:
            told = " ".join(str(error).split())
            if "readonly" in told or "read-only" in told or "not authorized" in told:
                told += "; only reading is allowed here"
            raise RecordsError(f"sql: {told[:300]}") from error
        finally:
            cursor.close()
    finally:
        connection.rollback()
        connection.close()


def _rows(cursor: Any) -> Iterator[list[Any]]:
    while rows := cursor.fetchmany(CHUNK):
        for row in rows:
            yield [_plain(value) for value in row]


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return moment_text(value) if value.tzinfo else value.isoformat()
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    return value


def _different(names: list[str]) -> list[str]:
    """Number columns of equal name, so that none hides another."""
    seen: dict[str, int] = {}
    given = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        given.append(name if seen[name] == 1 else f"{name}_{seen[name]}")
    return given
