"""pixels.csv beside family.toml: what the lights' mean slope means on this family's boards, as rendered boards told.

One row a point of a curve from the lights' mean slope (moment_deg) to the surface's slope (slope_deg), by station and
class of roughness; `n` is how many samples the point rests on. Between the points it runs straight. The file is
optional: without it, or for a station it does not name, the physics of the station's lights is used alone. What is
measured depends on it, so it is part of what a family is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from models.errors import InputError, Problem
from vision.setup._reading import Number, Word, if_there, validated_rows, write_rows

FILE = "pixels.csv"
COLUMNS = ("station", "roughness", "moment_deg", "slope_deg", "n")
#: A table with more rows than this is no table of slopes.
MOST_ROWS = 5_000
Angle = Annotated[Number, Field(ge=0.0, le=90.0)]


@dataclass(frozen=True)
class PixelPoint:
    """One point of a curve; the curve of a station and roughness never falls."""

    station: str
    roughness: float  # GGX alpha, as the pipeline estimates it
    moment_deg: float  # radiance-weighted mean of the lights' slopes
    slope_deg: float
    n: int


@dataclass(frozen=True)
class PixelTable:
    """Points of all stations' curves, in order of station, roughness and moment."""

    points: tuple[PixelPoint, ...]

    def of_station(self, station: str) -> tuple[PixelPoint, ...]:
        """Return a station's points; none where nothing was learned for it."""
        return tuple(point for point in self.points if point.station == station)

    def without_station(self, station: str) -> tuple[PixelPoint, ...]:
        """Return the points of all other stations."""
        return tuple(point for point in self.points if point.station != station)


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid")

    station: Word
    roughness: Annotated[Number, Field(gt=0.0, le=1.0)]
    moment_deg: Angle
    slope_deg: Angle
    n: Annotated[int, Field(ge=1)]


def pixel_table(points: tuple[PixelPoint, ...]) -> PixelTable:
    """Return a table with its points in order."""
    return PixelTable(tuple(sorted(points, key=lambda point: (point.station, point.roughness, point.moment_deg))))


def pixels_of(folder: Path) -> tuple[PixelTable | None, list[Problem]]:
    """Return what a family's folder holds about pixels, None where the file is not there, and all problems of it."""
    return if_there(folder / FILE, read_pixels)


def read_pixels(path: Path | str) -> PixelTable:
    """Read pixels.csv; raise InputError with every problem."""
    path = Path(path)
    rows, problems = validated_rows(path, _Row, COLUMNS, (), MOST_ROWS)
    found = [(number, PixelPoint(**row.model_dump())) for number, row in rows]
    if not found and not problems:
        problems.append(Problem(str(path), "", "no rows", "at least two points, or no file"))
    problems += [Problem(str(path), where, got, wanted) for where, got, wanted in _faults(found)]
    if problems:
        raise InputError(problems, "`meniscope family pixels` writes this file anew.")
    return pixel_table(tuple(point for _, point in found))


def _faults(rows: list[tuple[int, PixelPoint]]) -> Iterator[tuple[str, str, str]]:
    """Yield what is wrong with the curves as wholes."""
    curves: dict[tuple[str, float], list[tuple[int, PixelPoint]]] = {}
    for number, point in rows:
        curves.setdefault((point.station, point.roughness), []).append((number, point))
    for (station, roughness), points in curves.items():
        if len(points) < 2:
            yield (f"row {points[0][0]}", f"one point alone for {station} at roughness {roughness:g}", "at least two")
        points.sort(key=lambda item: item[1].moment_deg)
        for (earlier, one), (number, other) in pairwise(points):
            if other.moment_deg == one.moment_deg:
                yield (f"row {number}, moment_deg", f"{other.moment_deg:g} as in row {earlier}",
                       "each once by station and roughness")
            elif other.slope_deg < one.slope_deg:
                yield (f"row {number}, slope_deg", f"{other.slope_deg:g}",
                       f"at least {one.slope_deg:g}, as row {earlier} has at a smaller moment_deg")


def write_pixels(table: PixelTable, folder: Path | str) -> Path:
    """Write pixels.csv into a family's folder, whole or not at all, and return its path."""
    return write_rows(Path(folder) / FILE, COLUMNS,
                      ([row[name] for name in COLUMNS] for row in point_rows(table.points)))


def point_rows(points: tuple[PixelPoint, ...]) -> list[dict[str, str | int | float]]:
    """Return points as rows with the file's columns."""
    return [asdict(point) for point in points]
