"""Pot, nozzle and step of every joint, from a table that the solder programme exports as CSV.

A row names its joints (`joint` J1.3, or `ref` and `pin` with patterns and ranges such as 1-8) or the place where
the nozzle works (`x_mm`, `y_mm`, and `x2_mm`, `y2_mm` for a drag), in millimetres.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np

from vision.setup.cad.evidence import Points, Transform, fit_points
from vision.setup.cad.parsed import Faults, Source, shown
from vision.setup.cad.text import read_cad_text
from vision.setup.family import Joint

HEADINGS: dict[str, tuple[str, ...]] = {
    "joint": ("joint", "joints", "jointname"), "ref": ("ref", "refdes", "component", "reference", "designator"),
    "pin": ("pin", "pins"), "x": ("x", "xmm", "x1", "x1mm", "posx", "startx"),
    "y": ("y", "ymm", "y1", "y1mm", "posy", "starty"), "x2": ("x2", "x2mm", "endx"), "y2": ("y2", "y2mm", "endy"),
    "pot": ("pot", "bath", "solderpot"), "nozzle": ("nozzle", "nozzleid", "nozzletype"),
    "step": ("step", "stepno", "line", "sequence", "operation", "no", "nr"),
    "diameter": ("diameter", "diametermm", "nozzlediameter", "nozzlediametermm"),
}
#: A nozzle reaches joints this far from its middle when the table has no nozzle diameter (common practice: wetted
#: nozzle tips of 4 to 6 mm).
REACH_MM = 2.5


@dataclass(frozen=True)
class Move:
    """One row: which joints, or which place, gets which pot, nozzle and step."""

    ref: str
    pin: str
    start_mm: tuple[float, float] | None
    end_mm: tuple[float, float] | None
    reach_mm: float
    pot: str
    nozzle: str
    step: str
    source: Source


@dataclass(frozen=True)
class Assigned:
    """Joints with pot, nozzle and step; names of those that no row reaches; what was understood."""

    joints: tuple[Joint, ...]
    without: tuple[str, ...]
    idle: tuple[Move, ...]  # rows that reach no joint
    notes: tuple[str, ...]


def read_programme(path: Path) -> tuple[Move, ...]:
    """Read the table. Raises InputError naming line, column and what was expected."""
    return parse_programme(read_cad_text(path), str(path))


def parse_programme(text: str, file: str) -> tuple[Move, ...]:
    """Read the table from its text; comma, semicolon or tab between the cells."""
    faults = Faults(file)
    lines = text.split("\n")
    delimiter = max(",;\t", key=lines[0].count)
    heading = next(csv.reader([lines[0]], delimiter=delimiter), [])
    columns: dict[str, int] = {}
    for index, cell in enumerate(heading):
        word = re.sub(r"[^a-z0-9]", "", cell.lower())
        columns.update({meaning: index for meaning, names in HEADINGS.items()
                        if word in names and meaning not in columns})
    if not ({"joint"} <= set(columns) or {"ref"} <= set(columns) or {"x", "y"} <= set(columns)):
        faults.add(1, 1, shown(lines[0]), "a heading with joint, or ref and pin, or x_mm and y_mm")
    if not {"pot", "nozzle", "step"} & set(columns):
        faults.add(1, 1, shown(lines[0]), "a heading with pot, nozzle or step")
    faults.raise_any("Export the table again with these columns.")
    moves: list[Move] = []
    reader = csv.reader(io.StringIO("\n".join(lines[1:]), newline=""), delimiter=delimiter)
    for cells in reader:
        if any(cell.strip() for cell in cells):
            moves += _moves(cells, reader.line_num + 1, columns, delimiter, faults)
    if not moves and not faults.problems:
        faults.add(2, 1, "no rows", "a row for each step")
    faults.raise_any("Mend the lines named.")
    return tuple(moves)


def _moves(cells: list[str], number: int, columns: dict[str, int], delimiter: str, faults: Faults) -> list[Move]:
    def cell(meaning: str) -> str:
        index = columns.get(meaning)
        return cells[index].strip() if index is not None and index < len(cells) else ""

    def length(meaning: str) -> float | None:
        text = cell(meaning) if delimiter == "," else cell(meaning).replace(",", ".")
        if not text:
            return None
        if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", text):
            column = sum(len(c) + 1 for c in cells[:columns[meaning]]) + 1
            faults.add(number, column, shown(text), "a length in mm")
            return None
        return float(text)

    x, y, x2, y2, diameter = (length(name) for name in ("x", "y", "x2", "y2", "diameter"))
    reach = diameter / 2.0 if diameter else REACH_MM
    start = (x, y) if x is not None and y is not None else None
    end = (x2, y2) if x2 is not None and y2 is not None else None
    pairs = [(cell("ref"), cell("pin") or "*")] if cell("ref") else []
    for name in re.split(r"[;\s]+", cell("joint")):
        ref, _, pin = name.partition(".")
        if ref:
            pairs.append((ref, pin or "*"))
    if not pairs and start is None:
        faults.add(number, 1, "neither joint nor place", "a joint (J1.3), ref and pin, or x_mm and y_mm")
    labels = cell("pot"), cell("nozzle"), cell("step")
    source = Source(faults.file, number)
    if pairs:
        return [Move(ref, pin, None, None, reach, *labels, source) for ref, pin in pairs]
    return [Move("", "", start, end, reach, *labels, source)]


def assign(joints: Sequence[Joint], moves: Sequence[Move]) -> Assigned:
    """Give every joint pot, nozzle and step of the rows that reach it; several steps are joined by `+`."""
    transform, notes = _machine_frame(joints, moves)
    hits: dict[str, list[Move]] = {joint.name: [] for joint in joints}
    idle: list[Move] = []
    places = np.array([(joint.x_mm, joint.y_mm) for joint in joints], dtype=np.float64).reshape(-1, 2)
    for move in moves:
        reached = _reached(joints, places, move, transform)
        for index in reached:
            hits[joints[index].name].append(move)
        if not reached:
            idle.append(move)
    given = tuple(replace(joint, pot=_joined(hits[joint.name], "pot") or joint.pot,
                          nozzle=_joined(hits[joint.name], "nozzle") or joint.nozzle,
                          step=_joined(hits[joint.name], "step") or joint.step) for joint in joints)
    return Assigned(given, tuple(name for name, found in hits.items() if not found), tuple(idle), notes)


def _joined(moves: Sequence[Move], name: str) -> str:
    return "+".join(dict.fromkeys(getattr(move, name) for move in moves if getattr(move, name)))


def _machine_frame(joints: Sequence[Joint], moves: Sequence[Move]) -> tuple[Transform, tuple[str, ...]]:
    """Settle the machine's origin and sense of x by where its places fall."""
    points = np.array([move.start_mm for move in moves if move.start_mm is not None], dtype=np.float64)
    if not len(points):
        return Transform(), ()
    places = np.array([(joint.x_mm, joint.y_mm) for joint in joints], dtype=np.float64)
    fit = fit_points(places, points)
    if fit.matched >= 3 and fit.share >= 0.5 and not fit.rivals:
        return fit.transform, (f"programme: {fit.transform.words()}; {fit.matched} of {len(points)} places lie on "
                               "joints",)
    return Transform(), ("programme: too few places lie exactly on joints to settle its origin; taken as board "
                         "coordinates",)


def _reached(joints: Sequence[Joint], places: Points, move: Move, transform: Transform) -> list[int]:
    if move.start_mm is None:
        return [k for k, joint in enumerate(joints)
                if fnmatchcase(joint.ref, move.ref) and _pin_in(joint.pin, move.pin)]
    ends = transform.apply(np.array([move.start_mm, move.end_mm or move.start_mm], dtype=np.float64))
    along = ends[1] - ends[0]
    length = float(along @ along)
    share = np.clip((places - ends[0]) @ along / length, 0.0, 1.0) if length > 0.0 else np.zeros(len(places))
    distance = np.hypot(*(places - ends[0] - share[:, None] * along).T)
    return [int(k) for k in np.nonzero(distance <= move.reach_mm)[0]]


def _pin_in(pin: str, wanted: str) -> bool:
    """`3`, `*`, `A?`, `1-8` and lists of them divided by semicolons or blanks."""
    for part in re.split(r"[;\s]+", wanted):
        span = re.fullmatch(r"(\d+)-(\d+)", part)
        if span is not None and pin.isdigit() and int(span[1]) <= int(pin) <= int(span[2]):
            return True
        if fnmatchcase(pin, part):
            return True
    return False
