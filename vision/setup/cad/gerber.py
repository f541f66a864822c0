"""Gerber files with attributes (X2, X3): pads of the solder side's copper, mask openings, fiducials, drill layers.

The gerbonara library reads the file, one file at a time. What it leaves out is done here before: attributes
written as structured comments, aperture rotation, mirroring and scaling (LR, LM, LS), refusal of files that are
cut off or broken, and the line of every flash.
"""

from __future__ import annotations

import importlib
import math
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError, missing_extra
from vision.setup.cad.parsed import DrillFile, Faults, Hole, Land, LayerFile, Purpose, Source, Stated, shown
from vision.setup.family import LandShape

WORD = re.compile(r"(G\d+|[XYIJ][+-]?\d+|D\d+|M\d+)")
EXTENDED = re.compile(r"(FS|MO|AD|AM|LP|LM|LR|LS|TF|TA|TO|TD|SR|AB|IP|IN|LN|OF|MI|SF|AS|IR|IF|ICAS|KO|RC|RO)")


@dataclass(frozen=True)
class _Statement:
    text: str
    line: int
    column: int
    extended: bool


@dataclass(frozen=True)
class _FlashMark:
    """Line of a flash, and the turn and scale that LR, LM and LS give its aperture."""

    line: int
    column: int
    turn_deg: float
    mirror: str
    scale: float


def parse_gerber(text: str, file: str) -> LayerFile | DrillFile:
    """Read one Gerber file: a layer's flashed pads, or a drill file where the file function says so.

    Raises InputError naming line, column and what was expected, MeniscopeError where gerbonara is missing.
    """
    faults = Faults(file)
    prepared = _attributes_out_of_comments(text)
    statements = list(_statements(prepared, faults))
    faults.raise_any("Export the Gerber file again, or mend the lines named.")
    _check(statements, faults)
    faults.raise_any("Export the Gerber file again, or mend the lines named.")
    layer = _read_with_library(prepared, file)
    flashes = [item for item in layer.objects if type(item).__name__ == "Flash"]
    marks = _flash_marks(statements, faults, flashes, repeated=any(
        s.extended and re.match(r"SRX|AB", s.text) for s in statements))
    faults.raise_any("Export the Gerber file again without them.")
    function = tuple(layer.file_attrs.get(".FileFunction", ()))
    unit_place = next((s for s in statements if s.extended and s.text.startswith("MO")), None)
    unit = Stated("inch" if unit_place is not None and unit_place.text.startswith("MOIN") else "mm",
                  None if unit_place is None else Source(file, unit_place.line, unit_place.column))
    if function and function[0] in {"Plated", "NonPlated"}:
        holes = [_hole(flash, mark, function, file) for flash, mark in zip(flashes, marks, strict=True)]
        slots = [_slot(item, function, file) for item in layer.objects if type(item).__name__ == "Line"]
        return DrillFile(file, unit, Stated("decimal point", unit.source), tuple(holes + slots))
    lands = []
    shapes: dict[tuple[int, float, str, float], tuple[LandShape, float, float, float]] = {}
    for flash, mark in zip(flashes, marks, strict=True):
        if flash.polarity_dark:
            lands.append(_land(flash, mark, file, shapes))
    return LayerFile(file, function, unit, tuple(lands))


def _attributes_out_of_comments(text: str) -> str:
    """Turn `G04 #@! TF.Name,value*` into `%TF.Name,value*%`; the line stays the same.

    The Gerber layer format specification (section 5.1, structured comments) has them mean the same.
    """
    return re.sub(r"G04 ?#@! ?(T[FAOD][^*\n]*)\*", lambda match: f"%{match[1]}*%", text)


def _statements(text: str, faults: Faults) -> Iterator[_Statement]:
    """Cut a file into its statements: words ending with `*`, extended ones between `%` marks."""
    place, line, start_of_line = 0, 1, 0
    # Some writers leave out the * of a lone G code before a % statement; it is harmless.
    pattern = re.compile(r"\s+|G04[^*]*\*|%[^%]*%|[^*%]*\*|G\d+\s*(?=%)")
    while place < len(text):
        match = pattern.match(text, place)
        column = place - start_of_line + 1
        if match is None:
            rest = text[place:].strip()
            wanted = "a % that ends the statement" if rest.startswith("%") else "a statement that ends with *"
            faults.add(line, column, shown(rest.split("\n")[0]), wanted)
            return
        chunk = match[0]
        lead = len(chunk) - len(chunk.lstrip())
        at_line = line + chunk[:lead].count("\n")
        at_column = column + lead if "\n" not in chunk[:lead] else lead - chunk[:lead].rindex("\n")
        if chunk.strip() and not chunk.lstrip().startswith("G04"):
            body = chunk.strip()
            if body.startswith("%"):
                if not body[1:-1].strip().endswith("*"):
                    faults.add(at_line, at_column, shown(body), "a statement that ends with *%")
                yield _Statement(body.strip("%").strip().rstrip("*"), at_line, at_column + 1, True)
            else:
                yield _Statement(body.rstrip("*").strip(), at_line, at_column, False)
        line += chunk.count("\n")
        if "\n" in chunk:
            start_of_line = place + chunk.rindex("\n") + 1
        place = match.end()


def _check(statements: list[_Statement], faults: Faults) -> None:
    """Refuse what the library would read over in silence: unknown words, undefined apertures, no end, no unit."""
    apertures: set[int] = set()
    ended = unit = form = False
    for statement in statements:
        text = statement.text
        if statement.extended:
            if not EXTENDED.match(text):
                faults.add(statement.line, statement.column, shown(text), "an extended statement (FS, MO, AD, TF ...)")
            unit |= text.startswith("MO")
            form |= text.startswith("FS")
            defined = re.match(r"ADD(\d+)(.*)", text, re.S)
            if defined is not None:
                apertures.add(int(defined[1]))
                _check_aperture(defined[2], statement, faults, len("ADD" + defined[1]))
            continue
        words = list(WORD.finditer(text))
        if "".join(word[0] for word in words) != re.sub(r"\s", "", text):
            end = 0
            for word in words:
                if word.start() != end:
                    break
                end = word.end()
            faults.add(statement.line, statement.column + end, shown(text[end:]),
                       "a word such as X1000Y2000D03, D10, G01 or M02")
            continue
        for word in words:
            code = word[0]
            if code[0] == "D" and int(code[1:]) >= 10 and int(code[1:]) not in apertures:
                faults.add(statement.line, statement.column + word.start(), f"aperture {code}",
                           "an aperture that an AD statement defines before")
                apertures.add(int(code[1:]))
            ended |= code in {"M02", "M2", "M00", "M0"}
            unit |= code in {"G70", "G71"}
    last = statements[-1].line if statements else 1
    if not unit:
        faults.add(1, 1, "no unit", "%MOMM*% or %MOIN*%")
    if not form:
        faults.add(1, 1, "no number format", "a statement such as %FSLAX46Y46*%")
    if not ended:
        faults.add(last, 1, "the end of the file", "M02*: the file may be cut off")


def _check_aperture(definition: str, statement: _Statement, faults: Faults, start: int) -> None:
    """Standard apertures need positive numbers."""
    match = re.fullmatch(r"([CROP]),(.*)", definition.strip(), re.S)
    if match is None:
        return
    column = statement.column + start + 2
    for part in match[2].split("X"):
        if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", part.strip()):
            faults.add(statement.line, column, shown(part), "a number, such as 1.7 in C,1.7 or R,1.7X1.2")
        column += len(part) + 1


def _read_with_library(text: str, file: str) -> Any:
    try:
        reader = importlib.import_module("gerbonara.rs274x").GerberFile
    except ImportError as error:
        raise MeniscopeError(f"{file}: {missing_extra('reading Gerber files', 'cad')}") from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of them was checked before
            return reader.from_string(text, filename=Path(file))
    except (SyntaxError, ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        line = re.search(r":(\d+) \"", str(error))
        said = str(error.__cause__ or error)
        raise Source(file, int(line[1]) if line else 0, 1 if line else 0).error(
            said if len(said) <= 120 else said[:117] + "...", "a valid Gerber statement",
            "Export the Gerber file again.") from error


def _flash_marks(statements: list[_Statement], faults: Faults, flashes: list[Any], *,
                 repeated: bool) -> list[_FlashMark]:
    """Return line, turn, mirroring and scale of every flash, in order."""
    turn, mirror, scale = 0.0, "N", 1.0
    marks: list[_FlashMark] = []
    changed: _Statement | None = None
    for statement in statements:
        text = statement.text
        if statement.extended:
            given = re.match(r"L([RMS])(.+)", text)
            if given is None:
                continue
            try:
                if given[1] == "R":
                    turn = float(given[2])
                elif given[1] == "S":
                    scale = float(given[2])
                else:
                    mirror = given[2]
            except ValueError:
                faults.add(statement.line, statement.column + 2, shown(given[2]), "a number")
            if (turn, mirror, scale) != (0.0, "N", 1.0):
                changed = statement
        elif re.search(r"D0?3$", text):
            marks.append(_FlashMark(statement.line, statement.column, turn, mirror, scale))
    if len(marks) == len(flashes) and not repeated:
        return marks
    if changed is not None:
        faults.add(changed.line, changed.column, shown(changed.text),
                   "no aperture transformation together with step and repeat, blocks or modal flashes")
    return [_FlashMark(0, 0, 0.0, "N", 1.0)] * len(flashes)


def _mm() -> Any:
    """The library's millimetre, which converts lengths and asks for them."""
    return importlib.import_module("gerbonara.utils").MM


def _millimetres(value: float, unit: Any) -> float:
    return float(_mm()(value, unit))


def _hole(flash: Any, mark: _FlashMark, function: tuple[str, ...], file: str) -> Hole:
    attributes = dict(flash.aperture.attrs).get(".AperFunction", ())
    return Hole(_millimetres(flash.x, flash.unit), _millimetres(flash.y, flash.unit),
                _millimetres(flash.aperture.equivalent_width(flash.aperture.unit), flash.aperture.unit) * mark.scale,
                function[0] == "Plated", _purpose(attributes, function),
                Source(file, mark.line, mark.column))


def _purpose(attributes: tuple[str, ...], function: tuple[str, ...]) -> Purpose:
    if "ComponentDrill" in attributes:
        return "component"
    if "ViaDrill" in attributes:
        return "via"
    return "mechanical" if function[0] == "NonPlated" else ""


def _slot(line: Any, function: tuple[str, ...], file: str) -> Hole:
    attributes = dict(line.aperture.attrs).get(".AperFunction", ())
    return Hole(_millimetres(line.x1, line.unit), _millimetres(line.y1, line.unit),
                _millimetres(line.aperture.equivalent_width(line.aperture.unit), line.aperture.unit),
                function[0] == "Plated", _purpose(attributes, function), Source(file),
                (_millimetres(line.x2, line.unit), _millimetres(line.y2, line.unit)))


def _land(flash: Any, mark: _FlashMark, file: str,
          shapes: dict[tuple[int, float, str, float], tuple[LandShape, float, float, float]]) -> Land:
    key = id(flash.aperture), mark.turn_deg, mark.mirror, mark.scale
    if key not in shapes:
        shapes[key] = land_form(_outline(flash), mark.turn_deg, mark.mirror, mark.scale)
    shape, width, height, turn = shapes[key]
    attributes = {name: tuple(value) for name, value in dict(flash.attrs).items()}
    pin = attributes.get(".P", ())
    function = dict(flash.aperture.attrs).get(".AperFunction", ())
    component = attributes.get(".C", ())
    return Land(_millimetres(flash.x, flash.unit), _millimetres(flash.y, flash.unit), shape, width, height, turn,
                str(function[0]) if function else "", pin[0] if pin else component[0] if component else "",
                pin[1] if len(pin) > 1 else "", (attributes.get(".N") or ("",))[0],
                Source(file, mark.line, mark.column))


def _outline(flash: Any) -> NDArray[np.float64]:
    """Return points (n, 2) on the outlines of the aperture's parts in mm, relative to the flash.

    The parts' own conversion to outlines is not used: it turns rectangles wrongly and cannot sample arcs.
    """
    points = [_part_points(part) for part in flash.aperture.flash(0.0, 0.0, _mm(), True) if part.polarity_dark]
    return np.concatenate(points)


def _part_points(part: Any) -> NDArray[np.float64]:
    """Return points (n, 2) round one part: a disc, a rectangle, a line with round ends, or an outline with arcs."""
    kind = type(part).__name__
    circle = np.linspace(0.0, 2.0 * math.pi, 180, endpoint=False)
    ring = np.stack([np.cos(circle), np.sin(circle)], axis=1)
    if kind == "Circle":
        return np.asarray(np.array([part.x, part.y]) + part.r * ring, dtype=np.float64)
    if kind in {"Line", "Arc"}:
        ends = [(part.x1, part.y1), (part.x2, part.y2)]
        return np.concatenate([np.array(end) + part.width / 2.0 * ring for end in ends])
    if kind == "Rectangle":
        half = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * [part.w / 2.0, part.h / 2.0]
        cos, sin = math.cos(part.rotation), math.sin(part.rotation)
        return np.asarray(np.array([part.x, part.y]) + half @ np.array([[cos, sin], [-sin, cos]]), dtype=np.float64)
    points = [np.array(part.outline, dtype=np.float64)]
    for begin, end, (clockwise, center) in part.segments:
        if clockwise is None:
            continue
        first, last = (math.atan2(p[1] - center[1], p[0] - center[0]) for p in (begin, end))
        sweep = -((first - last) % (2.0 * math.pi)) if clockwise else (last - first) % (2.0 * math.pi)
        angles = first + np.linspace(0.0, 1.0, 60) * sweep
        radius = math.dist(begin, center)
        points.append(np.array(center) + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1))
    return np.concatenate(points)


def land_form(points: NDArray[np.float64], turn_deg: float = 0.0, mirror: str = "N",
              scale: float = 1.0) -> tuple[LandShape, float, float, float]:
    """Return shape, width, height (mm) and rotation (degrees) of the land that an outline encloses.

    The smallest rectangle round the points gives the sides; the hull's area against those of a rectangle, an
    oblong and a disc of these sides gives the shape (corners rounded a little stay a rectangle).
    """
    import cv2

    sign = np.array([-1.0 if "X" in mirror else 1.0, -1.0 if "Y" in mirror else 1.0])
    moved = np.asarray(points * sign * scale, dtype=np.float32)
    hull = cv2.convexHull(moved)
    area = float(cv2.contourArea(hull))
    low, high = moved.min(axis=0), moved.max(axis=0)
    straight = float(np.prod(high - low))
    _, (width, height), angle = cv2.minAreaRect(hull)
    if straight <= width * height * 1.01:  # as good as upright: keep the sides as they are
        (width, height), angle = (float(v) for v in high - low), 0.0
    short, long = min(width, height), max(width, height)
    areas: dict[LandShape, float] = {"rect": short * long, "oblong": (long - short) * short + math.pi * short**2 / 4}
    if long - short < 0.02 * long:
        areas["round"] = areas.pop("oblong")
    shape = min(areas, key=lambda name: abs(areas[name] - area))
    if shape == "round":
        width = height = round(long, 4)
        return shape, width, height, 0.0
    return shape, round(float(width), 4), round(float(height), 4), round((float(angle) + turn_deg) % 180.0, 4) % 180.0
