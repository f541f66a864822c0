"""What one CAD file says, in millimetres, every item with the place in the file where it is said."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from models.errors import InputError, Problem
from vision.setup.family import LandShape, Side

Unit = Literal["mm", "inch", "mil"]
#: Length of one unit in mm. An inch is 25.4 mm exactly (international yard and pound agreement, 1959).
MM_PER: dict[str, float] = {"mm": 1.0, "inch": 25.4, "mil": 0.0254}

Access = Literal["both", "primary", "secondary", "inner"]
PointKind = Literal["through", "surface", "via", "tooling"]
Purpose = Literal["", "component", "via", "mechanical"]


@dataclass(frozen=True)
class Source:
    """A place in a file, counted from 1; 0 where line or column are not known."""

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        place = self.where
        return f"{Path(self.file).name} {place}" if place else Path(self.file).name

    @property
    def where(self) -> str:
        """`line 7, column 43`, as far as known."""
        parts = [f"line {self.line}"] if self.line else []
        parts += [f"column {self.column}"] if self.column else []
        return ", ".join(parts)

    def problem(self, got: str, wanted: str) -> Problem:
        """Return a problem at this place."""
        return Problem(self.file, self.where, got, wanted)

    def error(self, got: str, wanted: str, then: str = "") -> InputError:
        """Return an error at this place, ready to be raised."""
        return InputError([self.problem(got, wanted)], then)


@dataclass(frozen=True)
class NetPoint:
    """One feature record of a netlist. Lands and holes that are not stated are None."""

    kind: PointKind
    ref: str
    pin: str
    net: str
    x_mm: float
    y_mm: float
    hole_mm: float | None
    plated: bool | None
    access: Access | None
    land_w_mm: float | None
    land_h_mm: float | None  # equal to the width and `round_land` for a round land
    round_land: bool
    rotation_deg: float
    source: Source


@dataclass(frozen=True)
class Hole:
    """One drilled hole, or a slot when `end_mm` is given. `plated` is None where the file does not say."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    plated: bool | None
    purpose: Purpose
    source: Source
    end_mm: tuple[float, float] | None = None

    @property
    def center_mm(self) -> tuple[float, float]:
        """Middle of the hole or slot."""
        if self.end_mm is None:
            return self.x_mm, self.y_mm
        return (self.x_mm + self.end_mm[0]) / 2.0, (self.y_mm + self.end_mm[1]) / 2.0

    @property
    def length_mm(self) -> float:
        """Longest inner size: the diameter, or a slot's length from end to end."""
        if self.end_mm is None:
            return self.diameter_mm
        across = ((self.end_mm[0] - self.x_mm) ** 2 + (self.end_mm[1] - self.y_mm) ** 2) ** 0.5
        return self.diameter_mm + float(across)


@dataclass(frozen=True)
class Land:
    """One flashed pad of a copper or mask layer, with the attributes that the file attaches to it."""

    x_mm: float
    y_mm: float
    shape: LandShape
    w_mm: float
    h_mm: float
    rotation_deg: float
    function: str  # ComponentPad, SMDPad, ViaPad, FiducialPad, WasherPad ... or empty
    ref: str
    pin: str
    net: str
    source: Source


@dataclass(frozen=True)
class Placement:
    """Where a component lies, as a placement file says."""

    ref: str
    value: str
    footprint: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    side: Side | None
    source: Source


@dataclass(frozen=True)
class Stated:
    """Something a file states, or does not (`source` None: it was assumed)."""

    value: str
    source: Source | None = None


@dataclass(frozen=True)
class NetlistFile:
    """An IPC-D-356A netlist."""

    file: str
    unit: Stated
    points: tuple[NetPoint, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class DrillFile:
    """A drill file, Excellon or Gerber. `zeros` is the number format: `decimal point`, `leading 3.3` ..."""

    file: str
    unit: Stated
    zeros: Stated
    holes: tuple[Hole, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class LayerFile:
    """Flashed pads of a Gerber copper or mask layer. `function` is the file function's fields."""

    file: str
    function: tuple[str, ...]
    unit: Stated
    lands: tuple[Land, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PlacementFile:
    """A placement table."""

    file: str
    unit: Stated
    placements: tuple[Placement, ...]
    notes: tuple[str, ...] = ()


CadFile = NetlistFile | DrillFile | LayerFile | PlacementFile


@dataclass
class Faults:
    """Collects the problems of one file so that all are reported at once."""

    file: str
    problems: list[Problem] = field(default_factory=list)

    def add(self, line: int, column: int, got: str, wanted: str) -> None:
        """Note one problem at a line and column counted from 1 (0: not known)."""
        self.problems.append(Source(self.file, line, column).problem(got, wanted))

    def raise_any(self, then: str = "") -> None:
        """Raise InputError when something was noted."""
        if self.problems:
            raise InputError(self.problems, then)


def shown(text: str) -> str:
    """Return a piece of a file fit for a message: quoted and short."""
    text = text.strip()
    return repr(text if len(text) <= 40 else text[:37] + "...")
