"""The table of parts that CAD does not know: lead shape and size by footprint or part, chip body sizes.

One CSV file serves all families. Rows marked in the column `guess` were made by rule and wait for a person.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from models.errors import InputError
from vision.setup._reading import read_rows, validated
from vision.setup.family import LeadShape

#: hole = lead + 0.20 to 0.45 mm is usual design practice (a trade handbook, not a standard); the middle is taken.
HOLE_CLEARANCE_MM = 0.30
GUESSED_LEAD = f"hole - {HOLE_CLEARANCE_MM:.2f} mm"
#: Body sizes by the inch code of rectangular chips; the metric code states the same in tenths of a millimetre
#: (0805 = 2012 metric = 2.0 mm x 1.2 mm). Common practice.
INCH_CODES = {"0201": "0603", "0402": "1005", "0603": "1608", "0805": "2012", "1206": "3216", "1210": "3225",
              "1806": "4516", "1812": "4532", "2010": "5025", "2512": "6332"}

Length = Annotated[float, Field(gt=0.0, le=50.0, allow_inf_nan=False)]


@dataclass(frozen=True)
class Part:
    """One row. `part` is matched against footprint, value and reference; both patterns may hold * and ?.

    `pins` are patterns divided by semicolons. Lead or body are None where the row does not speak of them.
    """

    part: str
    pins: str = "*"
    lead_shape: LeadShape | None = None
    lead_w_mm: float | None = None
    lead_h_mm: float | None = None
    body_w_mm: float | None = None
    body_h_mm: float | None = None
    guess: str = ""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid")
    part: Annotated[str, Field(min_length=1, max_length=120)]
    pins: Annotated[str, Field(min_length=1, max_length=2000)] = "*"
    lead_shape: LeadShape | None = None
    lead_w_mm: Length | None = None
    lead_h_mm: Length | None = None
    body_w_mm: Length | None = None
    body_h_mm: Length | None = None
    guess: Annotated[str, Field(max_length=120)] = ""

    @model_validator(mode="after")
    def _whole(self) -> _Part:
        if (self.lead_shape is None) != (self.lead_w_mm is None):
            raise ValueError("lead_shape and lead_w_mm together, or neither")
        if (self.body_w_mm is None) != (self.body_h_mm is None):
            raise ValueError("body_w_mm and body_h_mm together, or neither")
        if self.lead_shape is None and self.body_w_mm is None:
            raise ValueError("a lead or a body size")
        if self.lead_shape == "rect" and self.lead_h_mm is None:
            raise ValueError("lead_h_mm for a rect lead")
        return self


def read_parts(path: Path | None) -> tuple[Part, ...]:
    """Read the table; a path of None or of a file that is not there yet means an empty table."""
    if path is None or not path.exists():
        return ()
    names = [field.name for field in fields(Part)]
    table = read_rows(path, ("part",), tuple(names[1:]))
    rows, problems = [], list(table.problems)
    for number, row in table.rows if "part" not in table.lacking else ():
        item, more = validated(_Part, row, str(path), f"row {number}")
        problems += more
        if item is not None:
            rows.append(Part(**item.model_dump()))
    if problems:
        raise InputError(problems, "Mend the rows named in the parts table.")
    return tuple(rows)


def write_parts(parts: Sequence[Part], path: Path) -> None:
    """Write the table of parts as CSV, lengths in mm; the folder is made where it is not there."""
    names = [field.name for field in fields(Part)]
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        writer.writerows([_cell(getattr(part, name)) for name in names] for part in parts)


def _cell(value: object) -> object:
    return "" if value is None else value


def find_lead(parts: Iterable[Part], names: Sequence[str], pin: str) -> Part | None:
    """Return the row with the lead of a pin; `names` are footprint, value and reference of its component.

    Plain names win over patterns, what a person entered over guesses, a listed pin over `*`, the first over the
    later.
    """
    return _best((part for part in parts if part.lead_shape is not None), names, pin)


def find_body(parts: Iterable[Part], names: Sequence[str]) -> Part | None:
    """Return the row with the body size of a chip that fits one of its names best; None where no row does."""
    return _best((part for part in parts if part.body_w_mm is not None), names, None)


def _best(parts: Iterable[Part], names: Sequence[str], pin: str | None) -> Part | None:
    best: tuple[tuple[bool, bool, bool, int], Part] | None = None
    for part in parts:
        ranks = [rank for rank, name in enumerate(names) if name and fnmatchcase(name, part.part)]
        patterns = part.pins.split(";")
        if not ranks or (pin is not None and not any(fnmatchcase(pin, pattern.strip()) for pattern in patterns)):
            continue
        key = bool(part.guess), part.part not in names, part.pins == "*", ranks[0]
        if best is None or key < best[0]:
            best = key, part
    return None if best is None else best[1]


def guessed_lead(part: str, pins: str, hole_mm: float) -> Part:
    """Return a marked guess: a round lead that leaves the usual clearance in its hole."""
    width = round(max(hole_mm - HOLE_CLEARANCE_MM, 0.4 * hole_mm), 3)
    return Part(part, pins, "round", width, width, guess=GUESSED_LEAD)


def lead_across(shape: LeadShape, width_mm: float, height_mm: float) -> float:
    """Return the widest extent of a lead: a disc's diameter, else the diagonal."""
    return max(width_mm, height_mm) if shape == "round" else (width_mm**2 + height_mm**2) ** 0.5


def body_from_name(footprint: str) -> Part | None:
    """Return a chip's body size where its footprint's name carries a metric or an inch size code."""
    metric = re.search(r"(?<!\d)(\d{4})[ _-]?Metric", footprint, re.I)
    code = metric[1] if metric is not None else None
    if code is None:
        inch = re.search(r"(?:^|[A-Za-z_-])(" + "|".join(INCH_CODES) + r")(?!\d)", footprint)
        code = INCH_CODES[inch[1]] if inch is not None else None
    if code is None:
        return None
    return Part(footprint, body_w_mm=int(code[:2]) / 10.0, body_h_mm=int(code[2:]) / 10.0,
                guess="size code in the name")


def parse_lead(text: str) -> tuple[LeadShape, float, float] | None:
    """Understand a lead as a person types it: `round 0.7`, `square 0.64`, `rect 1.0x0.5`; None otherwise."""
    match = re.fullmatch(r"\s*(round|square|rect)\s+(\d*\.?\d+)(?:\s*x\s*(\d*\.?\d+))?\s*(?:mm)?\s*", text.lower())
    if match is None or (match[1] == "rect") != (match[3] is not None):
        return None
    width = float(match[2])
    height = float(match[3]) if match[3] else width
    if not 0.0 < min(width, height) <= max(width, height) <= 50.0:
        return None
    shape: LeadShape = "round" if match[1] == "round" else "square" if match[1] == "square" else "rect"
    return shape, width, height
