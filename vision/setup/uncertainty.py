"""uncertainty.csv beside family.toml: how uncertain every measurement of a family is, as training found it.

One row a band of measured values; see `models.uncertainty.Band`. Columns: station (empty: any), measure, land_kind
(empty: every land), condition (empty: all together, the rows that grading uses), from, to, n, bias, repeatability,
standard_uncertainty, low_95, high_95; all but `n` in the measurement's own unit. The file is optional: without it no
uncertainty is stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from models.errors import InputError, Problem
from models.uncertainty import Band, UncertaintyModel, model_problems
from vision.setup._reading import Number, Text, Word, if_there, validated_rows, write_rows

FILE = "uncertainty.csv"
REQUIRED = ("measure", "from", "to", "n", "bias", "standard_uncertainty", "low_95", "high_95")
COLUMNS = ("station", "measure", "land_kind", "condition", "from", "to", "n", "bias", "repeatability",
           "standard_uncertainty", "low_95", "high_95")
#: A table with more rows than this is no table of uncertainties.
MOST_ROWS = 20_000
Spread = Annotated[Number, Field(ge=0.0)]


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid")

    station: Text = ""
    measure: Word
    land_kind: Text = ""
    condition: Text = ""
    low: Annotated[Number, Field(alias="from")]
    high: Annotated[Number, Field(alias="to")]
    n: Annotated[int, Field(ge=1)]
    bias: Number
    repeatability: Spread | None = None
    standard_uncertainty: Spread
    low_95: Number
    high_95: Number


def uncertainty_of(folder: Path) -> tuple[UncertaintyModel | None, list[Problem]]:
    """Return the uncertainties of the family in a folder, None where the file is not there, and all problems of it."""
    return if_there(folder / FILE, read_uncertainty)


def read_uncertainty(path: Path | str) -> UncertaintyModel:
    """Read uncertainty.csv; raise InputError with every problem."""
    path = Path(path)
    rows, problems = validated_rows(path, _Row, REQUIRED, tuple(name for name in COLUMNS if name not in REQUIRED),
                                    MOST_ROWS)
    bands = [(f"row {number}", Band(
        row.station, row.measure, row.land_kind, row.condition, row.low, row.high, row.n, row.bias,
        math.nan if row.repeatability is None else row.repeatability, row.standard_uncertainty,
        row.low_95, row.high_95)) for number, row in rows]
    problems += [Problem(str(path), where, got, wanted) for where, got, wanted in model_problems(bands)]
    if problems:
        raise InputError(problems, "`meniscope train` writes this file anew.")
    return UncertaintyModel(tuple(band for _, band in bands))


def write_uncertainty(bands: Sequence[Band], folder: Path | str) -> Path:
    """Write uncertainty.csv into a family's folder, whole or not at all, and return its path."""
    return write_rows(Path(folder) / FILE, COLUMNS, (
        ["" if row[name] is None else repr(row[name]).removesuffix(".0") if isinstance(row[name], float)
         else row[name] for name in COLUMNS] for row in band_rows(bands)))


def band_rows(bands: Sequence[Band]) -> list[dict[str, str | int | float | None]]:
    """Return bands as rows with the file's columns; None where a value is not known."""
    return [dict(zip(COLUMNS, (
        band.station, band.measure, band.land_kind, band.condition, float(band.low), float(band.high), band.count,
        float(band.bias), None if math.isnan(band.repeatability) else float(band.repeatability),
        float(band.standard_uncertainty), float(band.low_95), float(band.high_95)), strict=True)) for band in bands]
