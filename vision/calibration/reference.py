"""The reference file beside station.toml: what the station gave when calibrated, and the limits of change."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from models.errors import InputError, Problem
from models.toml_text import quoted
from vision.setup._reading import Number, Word, numbers, read_toml, validated

FILE_NAME = "reference.toml"


@dataclass(frozen=True)
class Limits:
    """How far a day may lie from the reference: beyond the first number `caution`, beyond the second `fault`."""

    level_pct: tuple[float, float] = (15.0, 45.0)
    dead_pct: float = 5.0
    even_pct: tuple[float, float] = (4.0, 12.0)
    zenith_deg: tuple[float, float] = (1.5, 4.0)
    azimuth_deg: tuple[float, float] = (5.0, 15.0)
    blur_px: tuple[float, float] = (0.3, 0.8)
    scale_pct: tuple[float, float] = (0.3, 1.0)
    black_levels: tuple[float, float] = (2.0, 8.0)
    saturated_pct: tuple[float, float] = (2.0, 10.0)


@dataclass(frozen=True)
class LightReference:
    """One light on the day of calibration; NaN where its target was not taken.

    sheet_level (of a white sheet) and ball_level in grey levels above black.
    """

    name: str
    sheet_level: float = float("nan")
    ball_level: float = float("nan")
    zenith_deg: tuple[float, float] = (float("nan"), float("nan"))
    azimuth_deg: tuple[float, float] = (float("nan"), float("nan"))
    zenith_uncertainty_deg: float = float("nan")


@dataclass(frozen=True)
class BoardReference:
    """What boards of one family gave: medians over the boards of fiducial and mask responses by light."""

    family: str
    boards: int
    scale: float  # 1 = the station's mm_per_px
    blur_px: float
    fiducial: tuple[float, ...]
    mask: tuple[float, ...]


@dataclass(frozen=True)
class Reference:
    """What the station gave when it was calibrated."""

    station: str
    made: str
    mm_per_px: float
    black_level: float
    bits: int
    ball_diameter_mm: float = float("nan")
    ball_blur_px: float = float("nan")
    black_noise: float = float("nan")
    sheet_noise: float = float("nan")
    electrons_per_level: float = float("nan")
    sheet_reflectance: float = float("nan")
    lights: tuple[LightReference, ...] = ()
    boards: tuple[BoardReference, ...] = ()
    limits: Limits = field(default_factory=Limits)

    def light(self, name: str) -> LightReference:
        """Return a light's numbers, all unknown where it was not there."""
        return next((light for light in self.lights if light.name == name), LightReference(name))

    def board(self, family: str) -> BoardReference | None:
        """Return what boards of a family gave, or None."""
        return next((board for board in self.boards if board.family == family), None)


_Pair = tuple[Number, Number]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=False)


class _Light(_Strict):
    name: Word
    sheet_level: Number | None = None
    ball_level: Number | None = None
    zenith_deg: _Pair | None = None
    azimuth_deg: _Pair | None = None
    zenith_uncertainty_deg: Number | None = None


class _Board(_Strict):
    family: Word
    boards: Annotated[int, Field(ge=1)]
    scale: Number
    blur_px: Number
    fiducial: list[Number]
    mask: list[Number]


class _Limits(_Strict):
    level_pct: _Pair = Limits.level_pct
    dead_pct: Number = Limits.dead_pct
    even_pct: _Pair = Limits.even_pct
    zenith_deg: _Pair = Limits.zenith_deg
    azimuth_deg: _Pair = Limits.azimuth_deg
    blur_px: _Pair = Limits.blur_px
    scale_pct: _Pair = Limits.scale_pct
    black_levels: _Pair = Limits.black_levels
    saturated_pct: _Pair = Limits.saturated_pct


class _Reference(_Strict):
    station: Word
    made: str
    mm_per_px: Number
    black_level: Number
    bits: Annotated[int, Field(ge=8, le=16)]
    ball_diameter_mm: Number | None = None
    ball_blur_px: Number | None = None
    black_noise: Number | None = None
    sheet_noise: Number | None = None
    electrons_per_level: Number | None = None
    sheet_reflectance: Number | None = None
    limits: _Limits = _Limits()
    lights: list[_Light] = []
    boards: list[_Board] = []


def reference_beside(station: Path) -> Path:
    """Return where a station's reference file lies: beside station.toml."""
    return (station if station.is_dir() else station.parent) / FILE_NAME


def read_reference(path: Path) -> Reference:
    """Read reference.toml. Raises InputError with every problem found."""
    found, problems = validated(_Reference, read_toml(path), str(path))
    if found is None:
        raise InputError(problems)
    for name, value in found.limits:
        if isinstance(value, tuple) and not 0.0 <= value[0] <= value[1]:
            problems.append(Problem(str(path), f"limits.{name}", str(list(value)),
                                    "two numbers of at least 0: of caution, then of fault"))
    if problems:
        raise InputError(problems)
    lights = tuple(LightReference(**_known(light)) for light in found.lights)
    boards = tuple(BoardReference(board.family, board.boards, board.scale, board.blur_px, tuple(board.fiducial),
                                  tuple(board.mask)) for board in found.boards)
    known = {name: value for name, value in _known(found).items() if name not in ("lights", "boards", "limits")}
    return Reference(**known, lights=lights, boards=boards, limits=Limits(**dict(found.limits)))


def _known(model: BaseModel) -> dict[str, Any]:
    return {name: value for name, value in model if value is not None}


def reference_text(reference: Reference) -> str:
    """Return reference.toml's text; numbers that are not known are left out."""
    lines = ["# What the station gave when it was calibrated; `meniscope station check` compares a day with it.",
             f"station = {quoted(reference.station)}", f"made = {quoted(reference.made)}", f"bits = {reference.bits}"]
    lines += _lines({name: getattr(reference, name) for name in (
        "mm_per_px", "black_level", "ball_diameter_mm", "ball_blur_px", "black_noise", "sheet_noise",
        "electrons_per_level", "sheet_reflectance")})
    lines += ["", "# How far a day may lie from it: beyond the first number caution, beyond the second fault.",
              "[limits]", *_lines({item.name: getattr(reference.limits, item.name) for item in fields(Limits)})]
    for light in reference.lights:
        values = asdict(light)
        lines += ["", "[[lights]]", f"name = {quoted(values.pop('name'))}", *_lines(values)]
    for board in reference.boards:
        lines += ["", "[[boards]]", f"family = {quoted(board.family)}", f"boards = {board.boards}",
                  *_lines({name: getattr(board, name) for name in ("scale", "blur_px", "fiducial", "mask")})]
    return "\n".join(lines) + "\n"


def _lines(values: Mapping[str, object]) -> list[str]:
    lines = []
    for name, value in values.items():
        if isinstance(value, tuple):
            if _is_known(value):
                lines.append(f"{name} = {numbers([round(float(number), 4) for number in value])}")
        elif isinstance(value, float) and not math.isnan(value):
            lines.append(f"{name} = {round(value, 6)!r}")
    return lines


def merged(new: Reference, old: Reference | None) -> Reference:
    """Return the new reference with the old one's numbers where nothing was measured this time."""
    if old is None:
        return new
    lights = []
    for light in new.lights:
        before = old.light(light.name)
        values = {item.name: getattr(light, item.name) if _is_known(getattr(light, item.name))
                  else getattr(before, item.name) for item in fields(LightReference)}
        lights.append(LightReference(**values))
    kept = {item.name: getattr(old, item.name) for item in fields(Reference)
            if not _is_known(getattr(new, item.name))}
    families = {board.family for board in new.boards}
    boards = (*new.boards, *(board for board in old.boards if board.family not in families))
    return replace(new, **kept, lights=tuple(lights), boards=boards, limits=old.limits)


def _is_known(value: object) -> bool:
    if isinstance(value, tuple):
        return all(_is_known(item) for item in value)
    return not (isinstance(value, float) and math.isnan(value))
