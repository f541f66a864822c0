"""Bare-board netlists in IPC-D-356A: 80-column records, one a feature.

Columns (counted from 1), as the published layout has them: 1-3 operation code, 4-17 net, 21-26 reference
designator (VIA for vias), 27 a dash, 28-31 pin, 32 M for a midpoint, 33 D 34-37 hole diameter 38 P or U,
39 A 40-41 access, 42 X 43 sign 44-49, 50 Y 51 sign 52-57, 58 X 59-62 land width, 63 Y 64-67 land height
(0000: round), 68 R 69-71 rotation counter-clockwise, then S and the mask code in columns 73-74 or 72-73.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from vision.setup.cad.parsed import MM_PER, Access, Faults, NetlistFile, NetPoint, PointKind, Source, Stated, shown

#: Feature records by operation code. 017 and 027 continue the record before them.
FEATURES: dict[str, PointKind] = {"317": "through", "327": "surface", "307": "via", "367": "tooling",
                                  "337": "tooling", "347": "tooling"}
CONTINUED = {"017", "027", "007", "067", "037", "047"}
#: Conductors, adjacency and outlines and their continuations: read over, a board family needs none of them.
READ_OVER = {"378", "078", "379", "079", "389", "089"}
PREFIXED = re.compile(r"[CP](\s|$)")


@dataclass(frozen=True)
class _Units:
    """Size of one count in mm, and whether angles are radians."""

    name: str
    count_mm: float
    radians: bool


UNITS: dict[str, _Units] = {"0": _Units("inch", 1e-4 * MM_PER["inch"], False), "1": _Units("mm", 1e-3, False),
                            "2": _Units("inch", 1e-4 * MM_PER["inch"], True)}


@dataclass(frozen=True)
class _Record:
    """The fields of one record as counts; None where the record leaves them out."""

    net: str
    ref: str
    pin: str
    hole: int | None
    plated: bool | None
    access: int | None
    x: int | None
    y: int | None
    width: int | None
    height: int | None
    turn: int


def parse_netlist(text: str, file: str, unit: str | None = None) -> NetlistFile:
    """Read an IPC-D-356A netlist.

    `unit` ("mm" or "inch") stands in where the file has no UNITS record. Raises InputError naming line,
    column and what was expected, for every fault found.
    """
    faults = Faults(file)
    lines = text.split("\n")
    units, stated = _units(lines, faults, unit)
    names = _long_names(lines)
    records: list[tuple[PointKind, _Record, Source]] = []
    skipped: dict[str, int] = {}
    ended = False
    for number, line in enumerate(lines, start=1):
        if not line.strip() or PREFIXED.match(line):
            continue
        code = line[:3]
        if code == "999":
            ended = True
            break
        if code in FEATURES:
            records.append((FEATURES[code], _record(line, number, faults, names), Source(file, number, 1)))
        elif code in CONTINUED:
            if not records:
                faults.add(number, 1, f"continuation {code}", "a feature record (317, 327 ...) before it")
                continue
            kind, before, _ = records[-1]
            more = _record(line, number, faults, names)
            records.append((kind, _continue(before, more), Source(file, number, 1)))
        elif code in READ_OVER:
            skipped[code] = skipped.get(code, 0) + 1
        else:
            faults.add(number, 1, f"record {shown(line[:3])}",
                       "an operation code (317, 327, 307, 367, 017, 027, 378, 379, 389, 999), C or P")
    if not ended:
        faults.add(len(lines), 1, "the end of the file", "an end record 999: the file may be cut off")
    if not records and not faults.problems:
        faults.add(0, 0, "no feature records", "317 and 327 records")
    faults.raise_any("Export the netlist again, or mend the lines named.")
    radians = units.radians and any(record.turn % 90 for _, record, _ in records)
    points = tuple(point for kind, record, source in records
                   if (point := _point(kind, record, source, units, radians)) is not None)
    notes = [f"{count} records {code} read over" for code, count in sorted(skipped.items())]
    if radians:
        notes.append("rotations taken as hundredths of a radian (UNITS CUST 2)")
    return NetlistFile(file, stated, points, tuple(notes))


def _units(lines: list[str], faults: Faults, unit: str | None) -> tuple[_Units, Stated]:
    found: tuple[_Units, Stated] | None = None
    for number, line in enumerate(lines, start=1):
        match = re.match(r"P\s+UNITS\s*(.*?)\s*$", line)
        if match is None:
            continue
        value = match[1]
        code = re.fullmatch(r"CUST(?:\s+([012]))?", value)
        if code is not None:
            units = UNITS[code[1] or "0"]
        elif value.upper() in {"SI", "METRIC"}:
            units = UNITS["1"]
        else:
            faults.add(number, match.start(1) + 1, f"units {shown(value)}", "CUST 0, CUST 1 or CUST 2")
            continue
        if found is not None and found[0] != units:
            faults.add(number, match.start(1) + 1, f"units {value}", f"one unit in the file ({found[1].source} has "
                                                                     f"{found[0].name})")
        found = units, Stated(units.name, Source(faults.file, number, match.start(1) + 1))
    if found is not None:
        return found
    name = unit or "inch"
    return UNITS["1" if name == "mm" else "0"], Stated(name)


def _long_names(lines: list[str]) -> dict[str, str]:
    """Return the table of long net names: `P  NNAME1  A_LONG_NAME`."""
    found = (re.match(r"P\s+(NNAME\d+)\s+(\S.*?)\s*$", line) for line in lines)
    return {match[1]: match[2] for match in found if match is not None}


def _record(line: str, number: int, faults: Faults, names: dict[str, str]) -> _Record:
    """Read the fixed columns of a feature record or of a continuation."""
    text = line.ljust(80)

    def digits(mark: str, column: int, first: int, last: int, *, signed: bool = False) -> int | None:
        """Return the number in columns first..last when `mark` stands in `column`."""
        if text[column - 1] == " " and not text[first - 1:last].strip():
            return None
        if text[column - 1] != mark:
            faults.add(number, column, shown(text[column - 1]), f"{mark} or a blank")
            return None
        cells = text[first - 1:last]
        sign = -1 if signed and cells[0] == "-" else 1
        number_text = cells[1:] if signed and cells[0] in "+- " else cells
        if not re.fullmatch(r"\s*\d+\s*", number_text):
            faults.add(number, first, shown(cells), f"digits in columns {first} to {last}")
            return None
        return sign * int(number_text)

    hole = digits("D", 33, 34, 37)
    plated_mark = text[37]
    if plated_mark not in "PU ":
        faults.add(number, 38, shown(plated_mark), "P (plated), U (unplated) or a blank")
    if text[26] not in "- ":
        faults.add(number, 27, shown(text[26]), "a dash between reference and pin")
    net = text[3:17].strip()
    x, y = digits("X", 42, 43, 49, signed=True), digits("Y", 50, 51, 57, signed=True)
    if line[0] == "3" and (x is None or y is None) and not any(p.where.startswith(f"line {number},")
                                                               for p in faults.problems):
        faults.add(number, 42 if x is None else 50, "no coordinate", "X and Y coordinates")
    return _Record("" if net == "N/C" else names.get(net, net), text[20:26].strip(), text[27:31].strip(), hole,
                   {"P": True, "U": False}.get(plated_mark), digits("A", 39, 40, 41), x, y,
                   digits("X", 58, 59, 62), digits("Y", 63, 64, 67), digits("R", 68, 69, 71) or 0)


def _continue(before: _Record, more: _Record) -> _Record:
    """Return the record that a continuation makes: what it states, and the rest from the record before."""
    given = {name: value for name in ("net", "ref", "pin", "hole", "plated", "access", "x", "y", "width", "height")
             if (value := getattr(more, name)) not in (None, "")}
    return replace(before, turn=more.turn or before.turn, **given)


def _point(kind: PointKind, record: _Record, source: Source, units: _Units, radians: bool) -> NetPoint | None:
    if record.x is None or record.y is None:
        return None
    if record.ref == "VIA" or kind == "via":
        kind = "via"
    elif kind == "through" and record.plated is False:
        kind = "tooling"
    count = units.count_mm
    width = record.width * count if record.width else None
    height = record.height * count if record.height else width
    turn = math.degrees(record.turn / 100.0) if radians else float(record.turn)
    return NetPoint(kind, record.ref, record.pin, record.net, record.x * count, record.y * count,
                    record.hole * count if record.hole else None, record.plated, _access(record.access), width, height,
                    bool(record.width) and not record.height, turn, source)


def _access(code: int | None) -> Access | None:
    """00: both sides; 01: primary (component) side; 02 and more: by convention the last layer, the secondary side."""
    if code is None:
        return None
    return {0: "both", 1: "primary"}.get(code, "secondary")  # type: ignore[return-value]
