"""Exports: CSV, JSON Lines and Parquet of inspections, joints, chips or findings, in bounded memory."""

from __future__ import annotations

import csv
import importlib
import io
import itertools
import json
import math
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from models.errors import missing_extra
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES
from vision.records.errors import RecordsError
from vision.records.queries import (
    CHIP_FIELDS,
    FINDING_FIELDS,
    INSPECTION_FIELDS,
    JOINT_FIELDS,
    Filter,
    Row,
    iterate_chips,
    iterate_findings,
    iterate_inspections,
    iterate_joints,
)

#: What can be exported: rows and their columns in order.
KINDS: dict[str, tuple[Callable[[Engine, Filter], Iterator[Row]], tuple[str, ...]]] = {
    "inspections": (iterate_inspections, INSPECTION_FIELDS),
    "joints": (iterate_joints, JOINT_FIELDS),
    "chips": (iterate_chips, CHIP_FIELDS),
    "findings": (iterate_findings, FINDING_FIELDS),
}
WHOLE = frozenset({"id", "inspection_id", "finding_id", "revision", "joints", "reject", "review", "ungraded", "open",
                   "rule"})
NUMBERS = frozenset({*JOINT_MEASURES, *CHIP_MEASURES, "x_mm", "y_mm", "value", "limit", "guard", "seconds"})
PARQUET_ROWS = 20_000


def export_rows(engine: Engine, kind: str, wanted: Filter) -> tuple[Iterator[Row], tuple[str, ...]]:
    """Return the rows of a kind (inspections, joints, chips, findings) and the names of their columns."""
    iterate, fields = KINDS[kind]
    return ({name: row[name] for name in fields} for row in iterate(engine, wanted)), fields


def csv_lines(rows: Iterable[Row], fields: tuple[str, ...]) -> Iterator[str]:
    """Yield CSV text, header first, a line at a time; what is not there is an empty cell."""
    file = io.StringIO()
    # With this line end the writer also puts quotes around cells that hold a carriage return.
    writer = csv.DictWriter(file, fields, lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        yield _taken(file)
        writer.writerow({name: guarded(value) for name, value in row.items()})
    yield _taken(file)


def _taken(file: io.StringIO) -> str:
    """Return the line written last, ended as usual on this project's files, and empty the buffer."""
    line = file.getvalue().removesuffix("\r\n") + "\n"
    file.seek(0)
    file.truncate()
    return line


def guarded(value: Any) -> Any:
    """Return a CSV cell that a spreadsheet does not take for a formula: texts with = + - @ at the front get a quote.

    Serials come from file names, so that anybody may have written them (OWASP, "CSV Injection").
    """
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def json_lines(rows: Iterable[Row]) -> Iterator[str]:
    """Yield one JSON object a line; what is not there is null."""
    for row in rows:
        yield json.dumps({name: finite(value) for name, value in row.items()}, ensure_ascii=False) + "\n"


def finite(value: Any) -> Any:
    """Return a number that JSON can hold: what is not finite becomes None."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def write_parquet(rows: Iterator[Row], fields: tuple[str, ...], path: Path) -> int:
    """Write a Parquet file and return the number of rows; needs the extra `parquet`."""
    try:
        arrow = importlib.import_module("pyarrow")
        parquet = importlib.import_module("pyarrow.parquet")
    except ModuleNotFoundError as error:
        raise RecordsError(missing_extra("Parquet", "parquet")) from error

    def column_type(name: str) -> Any:
        return arrow.int64() if name in WHOLE else arrow.float64() if name in NUMBERS else arrow.string()

    schema = arrow.schema([(name, column_type(name)) for name in fields])
    count = 0
    with parquet.ParquetWriter(path, schema) as writer:
        while chunk := list(itertools.islice(rows, PARQUET_ROWS)):
            writer.write_table(arrow.Table.from_pylist(chunk, schema=schema))
            count += len(chunk)
    return count


def write_lines(path: Path, lines: Iterable[str]) -> int:
    """Write a text file whole or not at all, and return the number of lines: a cut-off export leaves no half file."""
    partial, count = path.with_name(path.name + ".part"), 0
    try:
        with partial.open("w", encoding="utf-8", newline="") as file:
            for count, line in enumerate(lines, start=1):  # noqa: B007 - wanted after the loop
                file.write(line)
        partial.replace(path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
    return count
