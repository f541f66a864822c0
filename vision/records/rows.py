"""The rows of one inspection, written as fast as the driver takes them.

Joint results are many and wide: they go to the driver as tuples, past SQLAlchemy's per-row work, and into PostgreSQL
by COPY.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from models.limits import INDICATOR
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES
from vision.pipeline.inspection import FoundFinding, Inspection
from vision.records.errors import RecordsError
from vision.records.keys import clean_text
from vision.records.schema.base import Base

Rows = list[tuple[Any, ...]]

PICTURE = ("inspection_id", "view", "exposure", "path", "sha256")
REGISTRATION = ("inspection_id", "view", "offset_x_mm", "offset_y_mm", "rotation_deg", "scale", "residual_mm", "marks",
                "method")
JOINT = ("inspection_id", "joint_id", "view", "verdict", *JOINT_MEASURES, "uncertainty", "reason")
CHIP = ("inspection_id", "chip_id", "view", "verdict", *CHIP_MEASURES, "uncertainty", "reason")
FINDING = ("inspection_id", "joint_id", "chip_id", "finding", "verdict", "measure", "value", "limit_value", "side",
           "guard", "unit", "source", "rule", "x_mm", "y_mm", "other")
#: Tables in the order in which rows refer to each other.
COLUMNS: dict[str, tuple[str, ...]] = {"picture": PICTURE, "registration": REGISTRATION, "joint_result": JOINT,
                                       "chip_result": CHIP, "finding": FINDING}
#: Fewer rows than this are not worth a COPY.
COPY_ROWS = 8


def collect_rows(key: int, inspection: Inspection, joint_ids: Mapping[tuple[str, str], int],
                 chip_ids: Mapping[str, int], waiting: dict[str, Rows]) -> None:
    """Add everything that belongs to the inspection with this key to the rows that wait, by table.

    Raises RecordsError where the family has no such joint or chip.
    """
    findings = waiting.setdefault("finding", [])
    waiting.setdefault("joint_result", []).extend(joint_rows(key, inspection, joint_ids, findings))
    waiting.setdefault("chip_result", []).extend(chip_rows(key, inspection, chip_ids, findings))
    waiting.setdefault("picture", []).extend(
        (key, p.view, p.exposure, clean_text(p.path), p.sha256) for p in inspection.pictures)
    waiting.setdefault("registration", []).extend(
        (key, r.view, r.offset_x_mm, r.offset_y_mm, r.rotation_deg, r.scale, number(r.residual_mm), r.marks, r.method)
        for r in inspection.registrations)


def flush_rows(connection: Connection, waiting: dict[str, Rows]) -> None:
    """Insert the rows that wait, and forget them."""
    for table, columns in COLUMNS.items():
        insert_rows(connection, table, columns, waiting.pop(table, []))


def joint_rows(key: int, inspection: Inspection, ids: Mapping[tuple[str, str], int], findings: Rows) -> Rows:
    """Return the rows of joint results; add those of their findings to `findings`."""
    rows: Rows = []
    for joint in inspection.joints:
        place = ids.get((joint.ref, joint.pin))
        if place is None:
            raise RecordsError(f"joint {joint.name}: family {inspection.family} has no such joint")
        rows.append((key, place, joint.view, joint.verdict, *measured(joint.measurements, JOINT_MEASURES),
                     uncertainty_text(joint.uncertainties), clean_text(joint.reason) if joint.reason else ""))
        findings += [_finding(key, place, None, found) for found in joint.findings]
    return rows


def chip_rows(key: int, inspection: Inspection, ids: Mapping[str, int], findings: Rows) -> Rows:
    """Return the rows of chip results; add those of their findings to `findings`."""
    rows: Rows = []
    for chip in inspection.chips:
        place = ids.get(chip.ref)
        if place is None:
            raise RecordsError(f"chip {chip.ref}: family {inspection.family} has no such chip")
        rows.append((key, place, chip.view, chip.verdict, *measured(chip.measurements, CHIP_MEASURES),
                     uncertainty_text(chip.uncertainties), clean_text(chip.reason)))
        findings += [_finding(key, None, place, found) for found in chip.findings]
    return rows


def _finding(key: int, joint_id: int | None, chip_id: int | None, found: FoundFinding) -> tuple[Any, ...]:
    return (key, joint_id, chip_id, found.finding, found.verdict, found.measure, found.value, found.limit, found.side,
            found.guard, found.unit, clean_text(found.source), found.rule, found.x_mm, found.y_mm, found.other)


def measured(values: Mapping[str, float], names: tuple[str, ...]) -> list[float | None]:
    """Return measurements in the order of `names`; NaN, and what is missing, becomes None."""
    get, nan = values.get, math.isnan
    return [None if value is None or nan(value) else value for value in map(get, names)]


def number(value: float) -> float | None:
    """Return a number, or None for NaN."""
    return None if math.isnan(value) else float(value)


def uncertainty_text(values: Mapping[str, float]) -> str:
    """Return standard uncertainties as a compact JSON object with three significant digits; empty where none."""
    kept = ",".join([f'"{name}":{value:.3g}' for name, value in values.items() if math.isfinite(value)])
    return f"{{{kept}}}" if kept else ""


def insert_rows(connection: Connection, table: str, columns: tuple[str, ...], rows: Rows) -> None:
    """Insert rows given as tuples in the order of `columns`."""
    if not rows:
        return
    if connection.dialect.name == "postgresql" and len(rows) >= COPY_ROWS:
        _copy(connection, table, columns, rows)
        return
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    connection.exec_driver_sql(_statement(table, columns, mark), rows)


@lru_cache(maxsize=64)
def _statement(table: str, columns: tuple[str, ...], mark: str) -> str:
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join([mark] * len(columns))})"


@lru_cache(maxsize=64)
def _types(table: str, columns: tuple[str, ...]) -> tuple[str, ...]:
    """Return PostgreSQL's names of the columns' types: numbers go over as they are, not as text and back."""
    names: dict[type, str] = {int: "int4", float: "float8", str: "text"}
    return tuple(names[Base.metadata.tables[table].c[column].type.python_type] for column in columns)


def _copy(connection: Connection, table: str, columns: tuple[str, ...], rows: Sequence[tuple[Any, ...]]) -> None:
    statement = f"COPY {table} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)"
    driver: Any = connection.dialect.loaded_dbapi
    cursor: Any = connection.connection.cursor()
    try:
        with cursor, cursor.copy(statement) as copy:
            copy.set_types(_types(table, columns))
            for row in rows:
                copy.write_row(row)
    except driver.Error as error:
        # SQLAlchemy did not see the statement, so its kind of error is made here.
        raise DBAPIError.instance(statement, None, error, driver.Error, dialect=connection.dialect) from error


def disposition_line(inspection: Inspection, uid: str) -> str:
    """Return what the handling system is told of one board, as one line of JSON.

    Keys: id (UUID of the inspection, to drop doubles), serial, family, verdict, at, reason, findings (place, finding,
    verdict, measure, value, limit, unit, x_mm, y_mm).
    """
    results: list[tuple[str, tuple[FoundFinding, ...]]] = [
        (joint.name, joint.findings) for joint in inspection.joints]
    results += ((chip.ref, chip.findings) for chip in inspection.chips)
    findings = [
        {"place": place, "finding": item.finding, "verdict": item.verdict, "measure": item.measure,
         "value": number(item.value), "limit": number(item.limit), "unit": item.unit, "x_mm": item.x_mm,
         "y_mm": item.y_mm}
        for place, found in results for item in found if item.verdict != INDICATOR]
    return json.dumps({"id": uid, "serial": clean_text(inspection.serial), "family": inspection.family,
                       "verdict": inspection.verdict, "at": inspection.started_at,
                       "reason": clean_text(inspection.reason), "findings": findings}, separators=(",", ":"))
