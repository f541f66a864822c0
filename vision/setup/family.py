"""A board family: one board design with its joints, fiducials, chips and views (family.toml and CSV files)."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from models.errors import InputError, Problem
from models.toml_text import quoted
from models.uncertainty import UncertaintyModel
from vision.setup._reading import (
    Check,
    FileWord,
    Length,
    Place,
    Text,
    Turn,
    Word,
    doubles,
    numbers,
    read_rows,
    read_toml,
    validated,
)
from vision.setup.pixels import PixelTable, pixels_of, write_pixels
from vision.setup.uncertainty import uncertainty_of, write_uncertainty

LandShape = Literal["round", "oblong", "rect"]
LeadShape = Literal["round", "square", "rect"]
Side = Literal["bottom", "top"]
SIDE_WORDS: dict[str, str] = {"bottom": "solder side", "top": "component side"}


@dataclass(frozen=True)
class Joint:
    """One THT joint. Board coordinates: mm, x right and y up as seen from the component side."""

    ref: str
    pin: str
    x_mm: float
    y_mm: float
    land_shape: LandShape
    land_w_mm: float  # along the land's own x axis
    land_h_mm: float
    land_rotation_deg: float  # counter-clockwise
    hole_mm: float
    lead_shape: LeadShape
    lead_w_mm: float
    lead_h_mm: float
    net: str = ""
    pot: str = ""
    nozzle: str = ""
    step: str = ""

    def __hash__(self) -> int:
        """Hash what tells joints apart: this is asked for at every look-up of what is kept for a family's joints."""
        return hash((self.ref, self.pin, self.x_mm, self.y_mm))

    @property
    def name(self) -> str:
        """`J1.3`: reference designator and pin, the joint's name everywhere."""
        return f"{self.ref}.{self.pin}"

    @property
    def land_kind(self) -> str:
        """Land shape and size in words, equal for joints with equal land: `round 1.8 mm`."""
        if self.land_shape == "round":
            return f"round {self.land_w_mm:g} mm"
        return f"{self.land_shape} {self.land_w_mm:g} x {self.land_h_mm:g} mm"


@dataclass(frozen=True)
class Chip:
    """A surface-mounted chip on the solder side near the joints."""

    ref: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    body_w_mm: float
    body_h_mm: float

    @property
    def long_axis_deg(self) -> float:
        """Return how the body's longer side is turned on the board, degrees."""
        return self.rotation_deg + (90.0 if self.body_h_mm > self.body_w_mm else 0.0)


@dataclass(frozen=True)
class Fiducial:
    """A round copper mark free of solder mask, finished like the lands."""

    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True)
class View:
    """One camera position: board point in the picture's centre and how the board is turned in the picture."""

    name: str
    center_mm: tuple[float, float]
    rotation_deg: float = 0.0


@dataclass(frozen=True)
class Family:
    """One board design, how uncertain what is measured on it is, and its table of slopes (None = not known).

    Two families are equal where the same is measured: the uncertainty may be learned anew, `pixels` may not.
    """

    name: str
    workmanship_class: int
    seen_from: Side
    joints: tuple[Joint, ...]
    chips: tuple[Chip, ...]
    fiducials: tuple[Fiducial, ...]
    views: tuple[View, ...]
    uncertainty: UncertaintyModel | None = field(default=None, compare=False, repr=False)
    pixels: PixelTable | None = field(default=None, repr=False)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Joint(_Strict):
    ref: Word
    pin: Word
    x_mm: Place
    y_mm: Place
    land_shape: LandShape
    land_w_mm: Length
    land_h_mm: Length
    land_rotation_deg: Turn = 0.0
    hole_mm: Length
    lead_shape: LeadShape
    lead_w_mm: Length
    lead_h_mm: Length
    net: Text = ""
    pot: Text = ""
    nozzle: Text = ""
    step: Text = ""


class _Chip(_Strict):
    ref: Word
    x_mm: Place
    y_mm: Place
    rotation_deg: Turn = 0.0
    body_w_mm: Length
    body_h_mm: Length


class _Fiducial(_Strict):
    x_mm: Place
    y_mm: Place
    diameter_mm: Length


class _View(_Strict):
    name: FileWord
    center_mm: tuple[Place, Place]
    rotation_deg: Turn = 0.0


class _Name(_Strict):
    name: Word


class _Family(_Name):
    workmanship_class: Literal[1, 2, 3]
    joints: Word
    chips: Word | None = None
    seen_from: Side
    fiducials: list[_Fiducial] = []
    views: Annotated[list[_View], Field(min_length=1)]


Row = TypeVar("Row", bound=BaseModel)


def _joint_check(joint: _Joint) -> Iterator[tuple[str, str, str]]:
    """Yield what is wrong across the columns of one joint."""
    if joint.hole_mm >= min(joint.land_w_mm, joint.land_h_mm):
        yield ("hole_mm", f"a hole of {joint.hole_mm:g} mm in a land of {joint.land_w_mm:g} x {joint.land_h_mm:g} mm",
               "a hole smaller than the land")
    if joint.land_shape == "round" and joint.land_w_mm != joint.land_h_mm:
        yield ("land_h_mm", f"a round land of {joint.land_w_mm:g} x {joint.land_h_mm:g} mm",
               "land_h_mm equal to land_w_mm, or land_shape oblong")
    if joint.lead_shape != "rect" and joint.lead_w_mm != joint.lead_h_mm:
        yield ("lead_h_mm", f"a {joint.lead_shape} lead of {joint.lead_w_mm:g} x {joint.lead_h_mm:g} mm",
               "lead_h_mm equal to lead_w_mm, or lead_shape rect")
    across = joint.lead_w_mm if joint.lead_shape == "round" else (joint.lead_w_mm**2 + joint.lead_h_mm**2) ** 0.5
    if across > joint.hole_mm * 1.001:  # a lead as wide as its hole is listed by some footprints
        yield ("lead_w_mm", f"a lead {across:.2f} mm across in a hole of {joint.hole_mm:g} mm",
               "a lead that fits the hole")


def read_family(path: Path | str) -> Family:
    """Read family.toml (a file, or a folder that holds one), its tables and, if there, uncertainty.csv and pixels.csv.

    Raises InputError with every problem of every file.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "family.toml"
    data = read_toml(path, "the family.toml of a board family, or the folder that holds it; `meniscope family import` "
                           "makes one")
    found, problems = validated(_Family, data, str(path))
    joints, chips, more = _read_tables(path.parent, data.get("joints"), data.get("chips"))
    uncertainty, faults = uncertainty_of(path.parent)
    pixels, wrong = pixels_of(path.parent)
    problems += more + faults + wrong
    if found is not None:
        problems += doubles(str(path), (view.name for view in found.views), "view")
    if found is None or problems:
        raise InputError(problems)
    return Family(found.name, found.workmanship_class, found.seen_from,
                  tuple(Joint(**j.model_dump()) for j in joints), tuple(Chip(**c.model_dump()) for c in chips),
                  tuple(Fiducial(**f.model_dump()) for f in found.fiducials),
                  tuple(View(v.name, v.center_mm, v.rotation_deg) for v in found.views), uncertainty, pixels)


def _read_tables(folder: Path, joints_file: object, chips_file: object) -> tuple[list[_Joint], list[_Chip],
                                                                                 list[Problem]]:
    """Read the tables that family.toml names, whatever else may be wrong with it."""
    joints: list[_Joint] = []
    chips: list[_Chip] = []
    problems: list[Problem] = []
    if isinstance(joints_file, str) and joints_file:
        place = folder / joints_file
        joints, problems = _read_table(place, _Joint, _joint_check)
        problems += doubles(str(place), (f"{j.ref}.{j.pin}" for j in joints), "joint")
        problems += doubles(str(place), (f"x_mm {j.x_mm:g}, y_mm {j.y_mm:g}" for j in joints), "place")
        if not joints and not problems:
            problems.append(Problem(str(place), "", "no joints", "at least one"))
    if isinstance(chips_file, str) and chips_file:
        chips, more = _read_table(folder / chips_file, _Chip)
        problems += more + doubles(str(folder / chips_file), (c.ref for c in chips), "chip")
    return joints, chips, problems


def _read_table(path: Path, model: type[Row], check: Check | None = None) -> tuple[list[Row], list[Problem]]:
    """Return the checked rows of a CSV file and all its problems."""
    required = tuple(name for name, item in model.model_fields.items() if item.is_required())
    optional = tuple(name for name, item in model.model_fields.items() if not item.is_required())
    try:
        table = read_rows(path, required, optional)
    except InputError as error:
        return [], list(error.problems)
    rows: list[Row] = []
    problems = list(table.problems)
    for number, cells in table.rows:
        item, more = validated(model, cells, str(path), f"row {number}", check, table.lacking)
        problems += more
        if item is not None:
            rows.append(item)
    return rows, problems


def family_name(name: str) -> str:
    """Return a family's name as family.toml may hold it.

    Raises InputError where no command would read a family of that name.
    """
    found, problems = validated(_Name, {"name": name}, "")
    if found is None:
        raise InputError(problems)
    return found.name


def write_family(family: Family, folder: Path | str) -> Path:
    """Write family.toml, its tables and what is known of its uncertainty into a folder; return family.toml's path."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    _write_table(folder / "joints.csv", family.joints, Joint)
    if family.uncertainty is not None:
        write_uncertainty(family.uncertainty.bands, folder)
    if family.pixels is not None:
        write_pixels(family.pixels, folder)
    lines = [f"name = {quoted(family.name)}", f"workmanship_class = {family.workmanship_class}",
             'joints = "joints.csv"']
    if family.chips:
        _write_table(folder / "chips.csv", family.chips, Chip)
        lines.append('chips = "chips.csv"')
    lines.append(f'seen_from = "{family.seen_from}"')
    for fiducial in family.fiducials:
        lines += ["", "[[fiducials]]", f"x_mm = {float(fiducial.x_mm)!r}", f"y_mm = {float(fiducial.y_mm)!r}",
                  f"diameter_mm = {float(fiducial.diameter_mm)!r}"]
    for view in family.views:
        lines += ["", "[[views]]", f"name = {quoted(view.name)}", f"center_mm = {numbers(view.center_mm)}",
                  f"rotation_deg = {float(view.rotation_deg)!r}"]
    path = folder / "family.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _write_table(path: Path, rows: tuple[Any, ...], kind: type) -> None:
    names = [item.name for item in fields(kind)]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        writer.writerows([getattr(row, name) for name in names] for row in rows)
