"""Reference pictures of a station: found by name, read into one plane a light, in grey levels above black."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError, MeniscopeError, Problem
from vision.pipeline.view.capture import PictureError, decode
from vision.setup.station import PICTURE_ENDINGS, Light, Station, picture_names

KINDS = ("ball", "plane", "dark", "only")
_PLANES = {"blue": 0, "green": 1, "red": 2, "mono": 0}
FULL_SHARE = 0.996  # of full scale: from here a pixel may have been brighter than it says


class CalibrationError(MeniscopeError):
    """Reference pictures that cannot be used; the text says which, what was found and what to do."""


@dataclass(frozen=True)
class Shot:
    """All exposures of one reference target.

    planes: float32 [light, row, col] grey levels above black, cross-talk undone. raw: the same before cross-talk was
    undone. clipped: bool [light, row, col] where the light's own channel is at full scale. NaN planes belong to
    lights whose exposure was not taken.
    """

    name: str
    planes: NDArray[np.float32]
    raw: NDArray[np.float32]
    clipped: NDArray[np.bool_]
    full: float
    pictures: Mapping[str, NDArray[np.uint8] | NDArray[np.uint16]]

    @property
    def size_px(self) -> tuple[int, int]:
        """Picture size as (width, height)."""
        return self.planes.shape[2], self.planes.shape[1]

    @property
    def bits(self) -> int:
        """Bits of a pixel in the file, 8 or 16."""
        return 8 if self.full < 256 else 16


@dataclass(frozen=True)
class ReferenceFiles:
    """Reference pictures by target; each entry is one taking: exposure -> file. `only` is by light name."""

    ball: tuple[Mapping[str, Path], ...] = ()
    plane: tuple[Mapping[str, Path], ...] = ()
    dark: tuple[Mapping[str, Path], ...] = ()
    only: Mapping[str, tuple[Mapping[str, Path], ...]] = field(default_factory=dict)
    strangers: tuple[Path, ...] = ()

    @property
    def empty(self) -> bool:
        """Say whether there is nothing at all."""
        return not (self.ball or self.plane or self.dark or self.only)


def find_references(folder: Path, station: Station) -> ReferenceFiles:
    """Sort a folder of reference pictures by the serial in their names, which says what they show.

    `ball...`, `plane...`, `dark...` and `only-LIGHT...`; the view's name is free. Raises InputError.
    """
    if not folder.is_dir():
        raise InputError([Problem(str(folder), "", "no such folder", "a folder with reference pictures")])
    pattern = _pattern(station)
    found: dict[str, dict[str, Path]] = {}
    strangers = []
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in PICTURE_ENDINGS or not path.is_file():
            continue
        match = pattern.fullmatch(path.name)
        if match is None:
            strangers.append(path)
            continue
        parts = match.groupdict()
        taking = f"{parts['serial']} {parts.get('view') or ''}".strip()
        found.setdefault(taking, {})[parts.get("exposure") or station.exposures[0]] = path
    by_kind: dict[str, list[Mapping[str, Path]]] = {kind: [] for kind in KINDS[:3]}
    only: dict[str, tuple[Mapping[str, Path], ...]] = {}
    for taking, pictures in found.items():
        kind = next(kind for kind in KINDS if taking.startswith(kind))
        if kind == "only":
            light = light_called(taking.split()[0].removeprefix("only-"), station, taking)
            only[light.name] = (*only.get(light.name, ()), pictures)
        else:
            by_kind[kind].append(pictures)
    return ReferenceFiles(tuple(by_kind["ball"]), tuple(by_kind["plane"]), tuple(by_kind["dark"]), only,
                          tuple(strangers))


def light_called(name: str, station: Station, where: str) -> Light:
    """Return the light whose name `name` begins with (longest first). Raises InputError."""
    for light in sorted(station.lights, key=lambda light: -len(light.name)):
        if name.startswith(light.name):
            return light
    raise InputError([Problem(where, "", f"light {name!r}",
                              f"a light of the station: {', '.join(light.name for light in station.lights)}")])


def _pattern(station: Station) -> re.Pattern[str]:
    choices = {"serial": f"(?:{'|'.join(KINDS)}).*?", "view": ".+?",
               "exposure": "|".join(re.escape(exposure) for exposure in station.exposures)}
    return picture_names(station.files, choices)


def read_shot(pictures: Mapping[str, Path], station: Station, name: str, *, only: Light | None = None) -> Shot:
    """Read all exposures of one taking (or, with `only`, that of one light).

    Raises CalibrationError or PictureError.
    """
    wanted = station.exposures if only is None else (only.exposure,)
    missing = [exposure for exposure in wanted if exposure not in pictures]
    if missing:
        raise CalibrationError(f"{name}: no picture of exposure {', '.join(map(repr, missing))}; the lights need "
                               f"exposures {', '.join(map(repr, wanted))}, so take one picture of each")
    decoded: dict[str, NDArray[np.uint8] | NDArray[np.uint16]] = {}
    bytes_of: dict[bytes, str] = {}
    for exposure in wanted:
        path = pictures[exposure]
        data = _bytes(path)
        if data in bytes_of:
            raise CalibrationError(f"{name}: exposures {bytes_of[data]!r} and {exposure!r} are the same picture twice "
                                   f"({path.name}); take each exposure with its own lights")
        bytes_of[data] = exposure
        decoded[exposure] = decode(data, path.name)
    first = next(iter(decoded.values()))
    for exposure, picture in decoded.items():
        _check(picture, first, exposure, pictures[exposure].name, station)
    return _shot(name, decoded, station)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise CalibrationError(f"{path}: {(error.strerror or str(error)).lower()}") from error


def _check(picture: NDArray[np.generic], first: NDArray[np.generic], exposure: str, name: str,
           station: Station) -> None:
    mono = any(light.channel == "mono" for light in station.lights if light.exposure == exposure)
    if mono != (picture.ndim == 2):
        got, want = ("colour", "grey (mono)") if mono else ("grey", "colour")
        raise PictureError(f"{name}: got a {got} picture, wanted {want}; check the camera's pixel format")
    size = (picture.shape[1], picture.shape[0])
    wanted = station.picture_px or (first.shape[1], first.shape[0])
    if size != wanted:
        raise PictureError(f"{name}: got {size[0]} x {size[1]} px, wanted {wanted[0]} x {wanted[1]} px")
    if picture.dtype != first.dtype:
        raise PictureError(f"{name}: got {picture.dtype} pixels, wanted {first.dtype} as in the other exposures")
    if min(size) < 64:
        raise PictureError(f"{name}: got {size[0]} x {size[1]} px, wanted at least 64 px each way")


def _shot(name: str, pictures: Mapping[str, NDArray[np.uint8] | NDArray[np.uint16]], station: Station) -> Shot:
    first = next(iter(pictures.values()))
    full = float(np.iinfo(first.dtype).max)
    shape = (len(station.lights), *first.shape[:2])
    planes, raw = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
    clipped = np.zeros(shape, dtype=bool)
    for exposure, picture in pictures.items():
        linear = picture.astype(np.float32) - np.float32(station.black_level)
        undone = unmixed(linear, station) if picture.ndim == 3 else linear
        for row, light in enumerate(station.lights):
            if light.exposure == exposure:
                own = (..., _PLANES[light.channel]) if picture.ndim == 3 else (...,)
                planes[row], raw[row] = undone[own], linear[own]
                clipped[row] = picture[own] >= full * FULL_SHARE
    return Shot(name, planes, raw, clipped, full, pictures)


def unmixed(bgr: NDArray[np.float32], station: Station) -> NDArray[np.float32]:
    """Undo the station's cross-talk in a blue-green-red picture above black."""
    if station.cross_talk is None:
        return bgr
    undo = np.linalg.inv(np.asarray(station.cross_talk))[::-1, ::-1]
    return np.asarray(bgr @ undo.T.astype(np.float32), dtype=np.float32)


def read_all(takings: Sequence[Mapping[str, Path]], station: Station, kind: str, *,
             only: Light | None = None) -> list[Shot]:
    """Read several takings of one target; all must have the same size."""
    shots = [read_shot(pictures, station, _name(kind, pictures), only=only) for pictures in takings]
    for shot in shots[1:]:
        if shot.size_px != shots[0].size_px:
            raise CalibrationError(f"{shot.name}: got {shot.size_px[0]} x {shot.size_px[1]} px, "
                                   f"wanted {shots[0].size_px[0]} x {shots[0].size_px[1]} px as the others")
    return shots


def _name(kind: str, pictures: Mapping[str, Path]) -> str:
    return f"{kind} ({next(iter(pictures.values())).name})" if pictures else kind
