"""Placement tables (CSV) in the common column sets: reference, place, rotation, side, footprint."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

from vision.setup.cad.parsed import MM_PER, Faults, Placement, PlacementFile, Source, Stated, shown
from vision.setup.family import Side

#: Headings that mean the same, lower case, without blanks, marks and units.
HEADINGS: dict[str, tuple[str, ...]] = {
    "ref": ("ref", "refdes", "reference", "designator", "refdesignator", "referencedesignator", "component", "name"),
    "x": ("posx", "x", "midx", "centerx", "centrex", "locationx", "xpos", "xcenter", "xlocation"),
    "y": ("posy", "y", "midy", "centery", "centrey", "locationy", "ypos", "ycenter", "ylocation"),
    "rotation": ("rot", "rotation", "angle", "orientation", "theta"),
    "side": ("side", "layer", "tb", "mountside", "boardside"),
    "value": ("val", "value", "comment", "partnumber", "part"),
    "footprint": ("package", "footprint", "pattern", "case", "decal"),
}
SIDES: dict[str, Side] = {"t": "top", "top": "top", "toplayer": "top", "fcu": "top", "componentside": "top",
                          "b": "bottom", "bottom": "bottom", "bot": "bottom", "bottomlayer": "bottom",
                          "bcu": "bottom", "solderside": "bottom"}
UNIT_WORDS = {"mm": "mm", "millimeter": "mm", "millimeters": "mm", "millimetre": "mm", "metric": "mm", "mil": "mil",
              "mils": "mil", "thou": "mil", "in": "inch", "inch": "inch", "inches": "inch"}
NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(mm|mils?|inch|in)?", re.I)


@dataclass(frozen=True)
class Header:
    """Where a table's header stands and which column holds what."""

    line: int  # counted from 1
    delimiter: str
    columns: dict[str, int]
    units: dict[str, str]  # unit in the heading of x or y


def find_header(lines: Sequence[str]) -> Header | None:
    """Find the heading line: the first that names a reference, x and y."""
    for number, line in enumerate(lines, start=1):
        for delimiter in (",", ";", "\t"):
            if delimiter not in line:
                continue
            try:
                cells = next(csv.reader([line.lstrip("#").strip()], delimiter=delimiter))
            except (csv.Error, StopIteration):
                continue
            columns: dict[str, int] = {}
            units: dict[str, str] = {}
            for index, cell in enumerate(cells):
                word, unit = _heading(cell)
                for meaning, names in HEADINGS.items():
                    if word in names and meaning not in columns:
                        columns[meaning] = index
                        if unit:
                            units[meaning] = unit
            if {"ref", "x", "y"} <= set(columns):
                return Header(number, delimiter, columns, units)
    return None


def _heading(cell: str) -> tuple[str, str]:
    """Split `Center-X(mm)` into `centerx` and `mm`."""
    match = re.fullmatch(r"(.*?)[\s(\[_]*\b(mm|mils?|inch|in)\)?\]?", cell.strip(), re.I)
    word, unit = (match[1], UNIT_WORDS[match[2].lower()]) if match is not None and match[1] else (cell, "")
    return re.sub(r"[^a-z0-9]", "", word.lower()), unit


def parse_placement(text: str, file: str, unit: str | None = None) -> PlacementFile:
    """Read a placement table with comma, semicolon or tab between the cells.

    The unit comes from the values, the headings or a line such as `Units used: mil` above them; `unit` stands
    in where none of them says it. Raises InputError naming line, column and what was expected.
    """
    lines = text.split("\n")
    faults = Faults(file)
    header = find_header(lines)
    if header is None:
        faults.add(1, 1, shown(lines[0]), "a heading line with a reference, an x and a y column "
                                          "(such as Ref,Val,Package,PosX,PosY,Rot,Side)")
        faults.raise_any()
    assert header is not None
    stated = _stated_unit(lines, header, file)
    fallback = stated.value if stated is not None else unit
    placements: list[Placement] = []
    value_units: dict[str, Source] = {}
    first_seen: dict[str, Source] = {}
    reader = csv.reader(io.StringIO("\n".join(lines[header.line:]), newline=""), delimiter=header.delimiter)
    widest = max(header.columns.values())
    for cells in reader:
        number = header.line + reader.line_num
        if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
            continue
        if len(cells) <= widest:
            faults.add(number, 0, f"{len(cells)} cells", f"at least {widest + 1} cells, as the heading has")
            continue
        found = _placement(cells, number, header, fallback, faults, value_units)
        if found is None:
            continue
        if found.ref in first_seen:
            faults.add(number, _column(cells, header, "ref"), f"{found.ref} again",
                       f"each component once ({first_seen[found.ref]} has it)")
        first_seen.setdefault(found.ref, found.source)
        placements.append(found)
    if stated is None and value_units:
        name = next(iter(value_units))
        stated = Stated(name, value_units[name])
    if len(value_units) > 1:
        (one, first), (two, second) = list(value_units.items())[:2]
        faults.problems.append(second.problem(f"values in {two}", f"one unit in the file ({first} has {one})"))
    if not placements and not faults.problems:
        faults.add(header.line + 1, 1, "no rows", "a row for each component")
    faults.raise_any("Export the placement file again, or mend the lines named.")
    return PlacementFile(file, stated if stated is not None else Stated(unit or "mm"), tuple(placements))


def _column(cells: list[str], header: Header, meaning: str) -> int:
    """Column (counted from 1) at which a cell begins; quotes are not counted."""
    return sum(len(cell) + 1 for cell in cells[:header.columns[meaning]]) + 1


def _stated_unit(lines: Sequence[str], header: Header, file: str) -> Stated | None:
    if "x" in header.units:
        return Stated(header.units["x"], Source(file, header.line))
    for number, line in enumerate(lines[:header.line - 1], start=1):
        match = re.search(r"units?(?:\s+used)?\s*[:=]\s*\"?([a-z]+)", line, re.I)
        if match is not None and match[1].lower() in UNIT_WORDS:
            return Stated(UNIT_WORDS[match[1].lower()], Source(file, number, match.start(1) + 1))
    return None


def _placement(cells: list[str], number: int, header: Header, fallback: str | None, faults: Faults,
               value_units: dict[str, Source]) -> Placement | None:
    def cell(meaning: str) -> str:
        index = header.columns.get(meaning)
        return cells[index].strip() if index is not None and index < len(cells) else ""

    def number_of(meaning: str, *, length: bool) -> float | None:
        text = cell(meaning)
        if header.delimiter != ",":
            text = text.replace(",", ".")
        match = NUMBER.fullmatch(text)
        column = _column(cells, header, meaning)
        if match is None or (match[2] and not length):
            faults.add(number, column, shown(text) if text else "nothing",
                       "a length such as 12.7, 12.7mm or 500mil" if length else "an angle in degrees")
            return None
        if not length:
            return float(match[1])
        unit = UNIT_WORDS[match[2].lower()] if match[2] else None
        if unit is not None:
            value_units.setdefault(unit, Source(faults.file, number, column))
        return float(match[1]) * MM_PER[unit or fallback or "mm"]

    ref = cell("ref")
    if not ref:
        faults.add(number, _column(cells, header, "ref"), "nothing", "a reference designator")
        return None
    x, y = number_of("x", length=True), number_of("y", length=True)
    turn = number_of("rotation", length=False) if cell("rotation") else 0.0
    word = re.sub(r"[^a-z]", "", cell("side").lower())
    side = SIDES.get(word)
    if word and side is None:
        faults.add(number, _column(cells, header, "side"), shown(cell("side")), "top or bottom (T or B)")
    if x is None or y is None or turn is None:
        return None
    return Placement(ref, cell("value"), cell("footprint"), x, y, turn % 360.0, side, Source(faults.file, number))
