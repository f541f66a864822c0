"""The data dictionary is complete."""

from __future__ import annotations

import re

from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, MEASURE
from vision.records.dictionary import as_markdown, dictionary, tables
from vision.records.schema import Base

ROWS = {(row["table"], row["column"]): row for row in dictionary()}


def test_every_table_and_column_is_explained() -> None:
    declared = {(table.name, column.name) for table in Base.metadata.sorted_tables for column in table.columns}
    assert set(ROWS) == declared
    for place, row in ROWS.items():
        assert len(row["text"]) >= 3, place
        assert row["type"] in {"text", "whole number", "number", "yes/no", "time"}, place
    for name, words in tables().items():
        assert len(words) > 15, name


def test_every_measurement_has_its_column_and_unit() -> None:
    for part, names in (("joint_result", JOINT_MEASURES), ("chip_result", CHIP_MEASURES)):
        for name in names:
            row = ROWS[part, name]
            assert (row["unit"], row["type"], row["empty"]) == (MEASURE[name].unit, "number", "yes")
            assert MEASURE[name].text in row["text"]


def test_lengths_and_angles_carry_their_unit() -> None:
    for (table, column), row in ROWS.items():
        for suffix, unit in (("_mm", "mm"), ("_deg", "deg"), ("_pct", "%")):
            if column.endswith(suffix):
                assert row["unit"] == unit, (table, column)


def test_keys_name_columns_that_are_there() -> None:
    for row in ROWS.values():
        for key in re.findall(r"(\w+)\.(\w+)", row["key"]):
            assert key in ROWS


def test_markdown_holds_it_all() -> None:
    text = as_markdown()
    for table, column in ROWS:
        section = text.split(f"## {table}\n")[1].split("\n## ")[0]
        assert f"| {column} |" in section
    assert "- unique: job_key, run" in text
    assert "- always: `run >= 1`" in text
