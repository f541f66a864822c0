"""The data dictionary: every table and column of the schema with type, unit, meaning and keys."""

from __future__ import annotations

from typing import Any

from sqlalchemy import CheckConstraint, Table, UniqueConstraint

from models.vocabulary import MEASURE
from vision.records.columns import Moment
from vision.records.schema import Base

SUFFIXES = {"_mm": "mm", "_deg": "deg", "_pct": "%"}


def dictionary() -> list[dict[str, Any]]:
    """Return one row a column: table, column, type, unit, empty (may it be), key, text."""
    return [
        {"table": table.name, "column": column.name, "type": _type(column), "unit": _unit(column.name),
         "empty": "yes" if column.nullable else "no", "key": _key(column), "text": column.comment or ""}
        for table in Base.metadata.sorted_tables for column in table.columns]


def tables() -> dict[str, str]:
    """Return every table's name and what it holds, in an order in which they could be filled."""
    return {table.name: table.comment or "" for table in Base.metadata.sorted_tables}


def as_markdown() -> str:
    """Return the dictionary as a Markdown text: a section a table, with its columns, unique keys and checks."""
    parts = ["# Data dictionary of the defect database", ""]
    rows = dictionary()
    for table in Base.metadata.sorted_tables:
        parts += [f"## {table.name}", "", table.comment or "", "",
                  "| column | type | unit | may be empty | key | text |", "| --- | --- | --- | --- | --- | --- |"]
        parts += ["| {column} | {type} | {unit} | {empty} | {key} | {text} |".format(
            **{name: str(value).replace("|", "\\|") for name, value in row.items()})
            for row in rows if row["table"] == table.name]
        parts += ["", *_rules(table)]
    return "\n".join(parts)


def _rules(table: Table) -> list[str]:
    unique = sorted(", ".join(column.name for column in item.columns) for item in table.constraints
                    if isinstance(item, UniqueConstraint))
    checks = sorted(str(item.sqltext) for item in table.constraints if isinstance(item, CheckConstraint))
    lines = [f"- unique: {columns}" for columns in unique] + [f"- always: `{check}`" for check in checks]
    return [*lines, ""] if lines else []


def _type(column: Any) -> str:
    if isinstance(column.type, Moment):
        return "time"
    return {str: "text", int: "whole number", float: "number", bool: "yes/no"}[column.type.python_type]


def _unit(name: str) -> str:
    if name in MEASURE:
        return MEASURE[name].unit
    if name == "seconds":
        return "s"
    return next((unit for suffix, unit in SUFFIXES.items() if name.endswith(suffix)), "")


def _key(column: Any) -> str:
    parts = ["primary"] if column.primary_key else []
    parts += sorted({str(key.target_fullname) for key in column.foreign_keys})
    return ", ".join(parts)
