"""The camera station: its scale, its files and its lights (station.toml)."""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, overload

from pydantic import BaseModel, ConfigDict, Field, field_validator

from models.errors import InputError, Problem
from models.toml_text import quoted
from vision.setup._reading import FilePart, Number, Word, numbers, read_toml, validated

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Channel = Literal["red", "green", "blue", "mono"]
Angle = Annotated[Number, Field(ge=0.0, le=90.0)]
Azimuth = Annotated[Number, Field(ge=-360.0, le=720.0)]
Share = Annotated[Number, Field(ge=-0.5, le=2.0)]
Pixels = Annotated[int, Field(ge=16, le=40_000, strict=True)]

PLACEHOLDERS = ("serial", "view", "exposure")
ALIKE = 0.5  # lights that share so much of the narrower one's zenith band light the same slopes
PICTURE_ENDINGS = (".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp")


@dataclass(frozen=True)
class Light:
    """One ring (or sector) of light as one colour plane of one exposure sees it.

    `zenith_deg` is the band of angles from the camera axis, seen from the board: 0 beside the lens, 90 level
    with the board. `azimuth_deg` runs counter-clockwise in the picture from its right-hand side. `distance_mm` is that
    from the middle of the view on the board to the ring's LEDs, None where they count as infinitely far; the zenith
    band is that in the middle of the view.
    """

    name: str
    exposure: str
    channel: Channel
    zenith_deg: tuple[float, float]
    azimuth_deg: tuple[float, float] = (0.0, 360.0)
    flat_field: Path | None = None
    distance_mm: float | None = None

    @overload
    def shines_from(self, azimuth_deg: float) -> bool: ...

    @overload
    def shines_from(self, azimuth_deg: NDArray[np.float64]) -> NDArray[np.bool_]: ...

    def shines_from(self, azimuth_deg: float | NDArray[np.float64]) -> bool | NDArray[np.bool_]:
        """Say whether it shines from an azimuth of the picture, or from each of an array of them."""
        start, end = self.azimuth_deg
        return (azimuth_deg - start) % 360.0 < end - start


@dataclass(frozen=True)
class Station:
    """A camera station. Lengths in millimetres, grey levels in those of the picture files.

    `working_distance_mm` None means telecentric. `cross_talk` rows are the seen red, green, blue for lit
    red, green, blue. `picture_px` (width, height) is None where any size is taken.
    """

    name: str
    mm_per_px: float
    files: str
    lights: tuple[Light, ...]
    black_level: float = 0.0
    cross_talk: tuple[tuple[float, float, float], ...] | None = None
    working_distance_mm: float | None = None
    picture_px: tuple[int, int] | None = None

    @property
    def exposures(self) -> tuple[str, ...]:
        """Names of the exposures in the order in which the lights first use them."""
        return tuple(dict.fromkeys(light.exposure for light in self.lights))


def light_bands(lights: Sequence[Light]) -> tuple[tuple[int, ...], ...]:
    """Return the lights in groups that light the same slopes, as sectors of one ring do; flattest first."""
    groups: list[list[int]] = []
    for index in sorted(range(len(lights)), key=lambda light: sum(lights[light].zenith_deg)):
        low, high = lights[index].zenith_deg
        for group in groups:
            first, last = lights[group[0]].zenith_deg
            if min(high, last) - max(low, first) > ALIKE * min(high - low, last - first):
                group.append(index)
                break
        else:
            groups.append([index])
    return tuple(tuple(group) for group in groups)


def picture_names(files: str, choices: Mapping[str, str]) -> re.Pattern[str]:
    """Return the expression of picture names after a pattern such as `{serial}_{view}.png`.

    `choices` are the expressions of serial, view and exposure; letter case of the ending is free.
    """
    expression = ""
    for text, name, _, _ in string.Formatter().parse(files):
        stem, dot, ending = text.rpartition(".")
        is_ending = dot and f".{ending}".lower() in PICTURE_ENDINGS
        expression += re.escape(stem) + rf"\.(?i:{re.escape(ending)})" if is_ending else re.escape(text)
        if name:
            expression += f"(?P<{name}>{choices[name]})"
    return re.compile(expression)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=False)


class _Light(_Strict):
    name: Word
    exposure: FilePart = ""
    channel: Channel
    zenith_deg: tuple[Angle, Angle]
    azimuth_deg: tuple[Azimuth, Azimuth] = (0.0, 360.0)
    flat_field: str | None = None
    distance_mm: Annotated[Number, Field(ge=5.0, lt=10_000.0)] | None = None

    @field_validator("zenith_deg")
    @classmethod
    def _band(cls, value: tuple[float, float]) -> tuple[float, float]:
        if value[1] <= value[0]:
            raise ValueError("two angles, the smaller first")
        return value

    @field_validator("azimuth_deg")
    @classmethod
    def _sector(cls, value: tuple[float, float]) -> tuple[float, float]:
        if not 0.0 < value[1] - value[0] <= 360.0:
            raise ValueError("two angles, the smaller first, at most 360 apart")
        return value


class _Station(_Strict):
    name: Word
    mm_per_px: Annotated[Number, Field(gt=0.0005, lt=1.0)]
    files: Annotated[str, Field(min_length=1, max_length=200)]
    black_level: Annotated[Number, Field(ge=0.0, lt=65536.0)] = 0.0
    cross_talk: tuple[tuple[Share, Share, Share], tuple[Share, Share, Share], tuple[Share, Share, Share]] | None = None
    working_distance_mm: Annotated[Number, Field(gt=1.0, lt=10_000.0)] | None = None
    picture_px: tuple[Pixels, Pixels] | None = None
    lights: Annotated[list[_Light], Field(min_length=2, max_length=12)]

    @field_validator("files")
    @classmethod
    def _pattern(cls, value: str) -> str:
        try:
            fields = [(name, spec, conv) for _, name, spec, conv in string.Formatter().parse(value) if name is not None]
        except ValueError as error:
            raise ValueError("a file name with {serial}, {view} and {exposure} in braces") from error
        names = [name for name, _, _ in fields]
        if any(name not in PLACEHOLDERS or spec or conv for name, spec, conv in fields):
            raise ValueError("only {serial}, {view} and {exposure} in braces")
        if "serial" not in names or len(set(names)) != len(names):
            raise ValueError("{serial} once, {view} and {exposure} at most once")
        if "/" in value or "\\" in value or not value.isprintable():
            raise ValueError("a file name without folders")
        if not value.lower().endswith(PICTURE_ENDINGS):
            raise ValueError(f"a name that ends in one of {' '.join(PICTURE_ENDINGS)}")
        return value


def _station_check(station: _Station) -> Iterator[tuple[str, str, str]]:
    """Yield what is wrong across the keys of a station."""
    names = [light.name for light in station.lights]
    places = [(light.exposure, light.channel) for light in station.lights]
    exposures = list(dict.fromkeys(light.exposure for light in station.lights))
    for number, light in enumerate(station.lights, start=1):
        if light.name in names[:number - 1]:
            yield f"lights.{number}.name", f"{light.name!r} again", "light names that differ"
        if places[number - 1] in places[:number - 1]:
            yield (f"lights.{number}.channel", f"{light.channel} of exposure {light.exposure!r} again",
                   "each channel of an exposure used by one light")
    for exposure in exposures:
        channels = {light.channel for light in station.lights if light.exposure == exposure}
        if "mono" in channels and len(channels) > 1:
            yield "lights", f"exposure {exposure!r} mono and coloured", "either mono or coloured"
    if len(exposures) > 1 and "{exposure}" not in station.files:
        yield ("files", repr(station.files),
               f"{{exposure}} in the name, since the lights use exposures {', '.join(map(repr, exposures))}")
    if station.cross_talk is not None and abs(_determinant(station.cross_talk)) < 0.05:
        yield "cross_talk", "rows that hardly differ", "a table that can be undone: the largest number on its diagonal"


def _determinant(m: tuple[tuple[float, float, float], ...]) -> float:
    return (m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]))


def read_station(path: Path | str) -> Station:
    """Read station.toml (a file, or a folder that holds one).

    Raises InputError with every problem found.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "station.toml"
    data = read_toml(path, "the station.toml of a camera station, or the folder that holds it")
    found, problems = validated(_Station, data, str(path), check=_station_check)
    if found is None:
        raise InputError(problems)
    lights = []
    for number, light in enumerate(found.lights, start=1):
        flat = None if light.flat_field is None else path.parent / light.flat_field
        if flat is not None and not flat.is_file():
            problems.append(Problem(str(path), f"lights.{number}.flat_field", f"no file {flat}", "a picture"))
        lights.append(Light(light.name, light.exposure, light.channel, light.zenith_deg, light.azimuth_deg, flat,
                            light.distance_mm))
    if problems:
        raise InputError(problems)
    return Station(found.name, found.mm_per_px, found.files, tuple(lights), found.black_level, found.cross_talk,
                   found.working_distance_mm, found.picture_px)


def write_station(station: Station, path: Path | str) -> None:
    """Write station.toml; flat-field paths are written relative to the file's folder."""
    path = Path(path)
    lines = [f"name = {quoted(station.name)}", f"mm_per_px = {float(station.mm_per_px)!r}",
             f"files = {quoted(station.files)}", f"black_level = {float(station.black_level)!r}"]
    if station.cross_talk is not None:
        lines.append(f"cross_talk = [{', '.join(numbers(row) for row in station.cross_talk)}]")
    if station.working_distance_mm is not None:
        lines.append(f"working_distance_mm = {float(station.working_distance_mm)!r}")
    if station.picture_px is not None:
        lines.append(f"picture_px = {list(station.picture_px)}")
    for light in station.lights:
        lines += ["", "[[lights]]", f"name = {quoted(light.name)}", f"exposure = {quoted(light.exposure)}",
                  f'channel = "{light.channel}"', f"zenith_deg = {numbers(light.zenith_deg)}",
                  f"azimuth_deg = {numbers(light.azimuth_deg)}"]
        if light.flat_field is not None:
            lines.append(f"flat_field = {quoted(str(_relative(light.flat_field, path.parent)))}")
        if light.distance_mm is not None:
            lines.append(f"distance_mm = {float(light.distance_mm)!r}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _relative(path: Path, folder: Path) -> Path:
    try:
        return path.resolve().relative_to(folder.resolve())
    except ValueError:
        return path.resolve()
