"""From reference pictures to a station file: black level, cross-talk, flat-fields, and where each light stands."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np

from models.errors import InputError, Problem
from vision.calibration.ball import Ball, find_ball
from vision.calibration.bands import LightSeen, ball_diameter_mm, expected_radius_px, read_lights
from vision.calibration.pictures import CalibrationError, ReferenceFiles, Shot, read_all
from vision.calibration.plane import (
    Field,
    Noise,
    black_level,
    camera_noise,
    cross_talk,
    flat_fields,
    flat_picture,
)
from vision.calibration.reference import FILE_NAME, BoardReference, LightReference, Reference, merged, reference_text
from vision.setup.station import Light, Station, write_station

MOVED_DEG = 8.0  # a band found further than this from the old file's is told
SAME_DEG = 4.0  # a band this near to another light's old one is taken for that
OFF_AXIS_DEG = 3.0
UNEVEN = 0.4  # darkest place over brightest
FLAT_NAME = "flat_{light}.png"


@dataclass(frozen=True)
class BallSeen:
    """One taking of a mirror ball: its pictures, its outline, and the lights in the station's order."""

    shot: Shot
    ball: Ball
    lights: tuple[LightSeen, ...]
    diameter_mm: float  # at the station's scale


@dataclass(frozen=True)
class Calibration:
    """What was measured. `station` is the new one, without new flat-fields' paths; `old` the one it started from.

    lights: the mean over the takings of the ball; scatter_deg: of the bands' edges over the takings, NaN for one.
    """

    old: Station
    station: Station
    balls: tuple[BallSeen, ...]
    lights: tuple[LightSeen, ...]
    scatter_deg: float
    fields: tuple[Field, ...]
    noise: Noise
    bits: int
    kept: tuple[str, ...]  # what was not measured and stays as it was, in words
    cautions: tuple[str, ...]
    scale: float  # measured mm_per_px over the station's, from a ball of known diameter; NaN without
    reflectance: float = 1.0  # of the sheet


def calibrate(station: Station, files: ReferenceFiles, *, ball_mm: float | None = None,
              reflectance: float = 1.0) -> Calibration:
    """Measure a station from its reference pictures; what has no picture keeps its value.

    Raises CalibrationError, PictureError.
    """
    if files.empty:
        raise CalibrationError("no reference picture: wanted a ball, a plane, one without light (dark) or with one "
                               "light on (only-LIGHT)")
    kept, new, dark_noise = [], station, float("nan")
    bits = 8
    if files.dark:
        shots = read_all(files.dark, station, "dark")
        level, dark_noise = black_level(shots)
        new, bits = replace(new, black_level=round(level, 2)), shots[0].bits
    else:
        kept.append(f"black level {station.black_level:g}: no picture without light")
    if files.only:
        single = {light.name: read_all(files.only[light.name], new, f"only-{light.name}", only=light)
                  for light in station.lights if light.name in files.only}
        new = replace(new, cross_talk=cross_talk(single, new))
    elif any(light.channel != "mono" for light in station.lights):
        kept.append("cross-talk: no pictures with one light on at a time")
    fields: list[Field] = []
    noise = Noise(dark_noise, float("nan"), float("nan"))
    if files.plane:
        shots = read_all(files.plane, new, "plane")
        fields, noise, bits = flat_fields(shots, new, reflectance), camera_noise(shots, dark_noise), shots[0].bits
    else:
        kept.append("flat-fields: no picture of a plane")
    balls: list[BallSeen] = []
    if files.ball:
        balls = [_ball(shot, new, ball_mm) for shot in read_all(files.ball, new, "ball")]
        bits = balls[0].shot.bits
        _same_ball(balls, ball_mm)
    else:
        kept.append("where the lights stand: no picture of a ball")
    lights, scatter = _mean_lights(balls)
    scale = ball_mm / float(np.mean([seen.diameter_mm for seen in balls])) if ball_mm and balls else float("nan")
    if lights:
        new = replace(new, lights=tuple(_placed(light, seen) for light, seen in zip(new.lights, lights, strict=True)))
    cautions = [*_light_cautions(station, lights), *_other_cautions(station, new, fields, scale)]
    return Calibration(station, new, tuple(balls), lights, scatter, tuple(fields), noise, bits, tuple(kept),
                       tuple(cautions), scale, reflectance)


def unchanged(station: Station) -> Calibration:
    """Return a calibration that measured nothing: all stays as it was."""
    nan = float("nan")
    kept = ("everything: no reference picture",)
    return Calibration(station, station, (), (), nan, (), Noise(nan, nan, nan), 8, kept, (), nan)


def _ball(shot: Shot, station: Station, ball_mm: float | None) -> BallSeen:
    expected = None if ball_mm is None else expected_radius_px(ball_mm, station)
    ball = find_ball(shot, expected)
    return BallSeen(shot, ball, tuple(read_lights(shot, ball, station)), ball_diameter_mm(ball, shot.size_px, station))


def _same_ball(balls: Sequence[BallSeen], ball_mm: float | None) -> None:
    sizes = [seen.diameter_mm for seen in balls]
    if ball_mm is None and max(sizes) > 1.05 * min(sizes):
        raise CalibrationError(f"the pictures show balls of {min(sizes):.2f} and {max(sizes):.2f} mm; take one ball "
                               "several times, or look at which outline is wrong: run with one picture at a time")


def _mean_lights(balls: Sequence[BallSeen]) -> tuple[tuple[LightSeen, ...], float]:
    """Return each light's mean over the takings and the largest scatter of an edge."""
    if not balls:
        return (), float("nan")
    if len(balls) == 1:
        return balls[0].lights, float("nan")
    means, scatter = [], 0.0
    for takes in zip(*(seen.lights for seen in balls), strict=True):
        edges = np.array([take.zenith_deg for take in takes])
        scatter = max(scatter, float(edges.std(axis=0, ddof=1).max()))
        means.append(replace(
            takes[0], zenith_deg=(float(edges[:, 0].mean()), float(edges[:, 1].mean())),
            azimuth_deg=_mean_sector([take.azimuth_deg for take in takes]),
            uncertainty_deg=float(np.hypot(np.mean([take.uncertainty_deg for take in takes]),
                                           edges.std(axis=0, ddof=1).max()) / np.sqrt(len(takes))),
            level=float(np.mean([take.level for take in takes])),
            full_pct=float(np.max([take.full_pct for take in takes])),
            off_axis_deg=float(np.mean([take.off_axis_deg for take in takes])),
            pieces=max(take.pieces for take in takes)))
    return tuple(means), scatter


def _mean_sector(sectors: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the middle of several sectors; a ring where most are rings."""
    rings = [sector for sector in sectors if sector[1] - sector[0] >= 360.0]
    if len(rings) * 2 >= len(sectors):
        return (0.0, 360.0)
    parts = [sector for sector in sectors if sector not in rings]
    middle = np.exp(1j * np.deg2rad([sum(part) / 2.0 for part in parts])).mean()
    half = float(np.mean([part[1] - part[0] for part in parts])) / 2.0
    centre = float(np.rad2deg(np.angle(middle)))
    return (round(centre - half, 1), round(centre + half, 1))


def _placed(light: Light, seen: LightSeen) -> Light:
    """Return a light at its measured place, to a tenth of a degree."""
    low, high = (float(np.clip(round(edge, 1), 0.0, 90.0)) for edge in seen.zenith_deg)
    return replace(light, zenith_deg=(min(low, 89.9), max(high, low + 0.1)), azimuth_deg=seen.azimuth_deg)


def exchanged_with(place: tuple[float, float], name: str, lights: Sequence[Light]) -> str:
    """Return the name of another light whose band in the file is the one found, where the own is not; else ''."""
    def off(light: Light) -> float:
        return max(abs(place[0] - light.zenith_deg[0]), abs(place[1] - light.zenith_deg[1]))

    own = next(light for light in lights if light.name == name)
    nearest = min(lights, key=off)
    return nearest.name if nearest.name != name and off(nearest) < SAME_DEG and off(own) > 2 * SAME_DEG else ""


def _light_cautions(station: Station, lights: Sequence[LightSeen]) -> list[str]:
    told = []
    for light, seen in zip(station.lights, lights, strict=False):
        other = exchanged_with(seen.zenith_deg, light.name, station.lights)
        moved = max(abs(seen.zenith_deg[0] - light.zenith_deg[0]), abs(seen.zenith_deg[1] - light.zenith_deg[1]))
        if other:
            told.append(f"light {light.name} stands where the old file has {other}: are two exposures, cables or "
                        "colour channels exchanged?")
        elif moved > MOVED_DEG:
            told.append(f"light {light.name} stands {moved:.0f} degrees from where the old file has it")
        if seen.full_pct > 30.0:
            told.append(f"light {light.name}: {seen.full_pct:.0f} % of its highlight is at full scale, so its edges "
                        "are told by their flanks alone; a shorter exposure of the ball is more exact")
        if seen.off_axis_deg > OFF_AXIS_DEG:
            told.append(f"light {light.name}: the ring's middle is {seen.off_axis_deg:.1f} degrees off the camera's "
                        "axis; centre the ring, or slopes will depend on their direction")
        if seen.pieces > 1:
            told.append(f"light {light.name} is lit in {seen.pieces} separate arcs; a station file can name one, so "
                        "the whole circle is written")
    return told


def _other_cautions(old: Station, new: Station, fields: Sequence[Field], scale: float) -> list[str]:
    told = []
    for found in fields:
        if found.falloff < UNEVEN:
            told.append(f"light {found.light}: the darkest place of the sheet has {100.0 * found.falloff:.0f} % of the "
                        "brightest; measurements there are noisier")
    if np.isfinite(scale) and abs(scale - 1.0) > 0.003:
        told.append(f"scale: the ball says {new.mm_per_px * scale:.5g} mm a pixel, the file {new.mm_per_px:g}; check "
                    "the ball's diameter, then set mm_per_px, or give --take-scale")
    moved = abs(old.black_level - new.black_level) > 0.5 or old.cross_talk != new.cross_talk
    if not fields and moved and any(light.flat_field for light in old.lights):
        told.append("black level or cross-talk changed, but the flat-fields are the old ones; take a plane too")
    return told


def reference_of(found: Calibration, *, ball_mm: float | None = None, boards: BoardReference | None = None,
                 before: Reference | None = None) -> Reference:
    """Return the numbers that a later day is compared with."""
    nan = float("nan")
    levels = {field.light: field.level for field in found.fields}
    seen = {light.name: light for light in found.lights}
    lights = []
    for light in found.station.lights:
        ball = seen.get(light.name)
        lights.append(LightReference(
            light.name, levels.get(light.name, nan), ball.level if ball else nan,
            ball.zenith_deg if ball else (nan, nan), ball.azimuth_deg if ball else (nan, nan),
            ball.uncertainty_deg if ball else nan))
    diameter = ball_mm or (float(np.mean([taking.diameter_mm for taking in found.balls])) if found.balls else nan)
    blur = float(np.mean([taking.ball.blur_px for taking in found.balls])) if found.balls else nan
    new = Reference(found.station.name, datetime.now(UTC).isoformat(timespec="seconds"), found.station.mm_per_px,
                    found.station.black_level, found.bits, diameter, blur, found.noise.black, found.noise.sheet,
                    found.noise.electrons_per_level, found.reflectance if found.fields else nan, tuple(lights),
                    () if boards is None else (boards,))
    return merged(new, before)


def station_with_flats(found: Calibration, folder: Path) -> Station:
    """Return the new station with the flat-fields' paths in the folder that they will be written to."""
    names = {field.light: folder / FLAT_NAME.format(light=_file_word(field.light)) for field in found.fields}
    return replace(found.station, lights=tuple(
        replace(light, flat_field=names.get(light.name, light.flat_field)) for light in found.station.lights))


def _file_word(name: str) -> str:
    return "".join(mark if mark.isalnum() or mark in "-_" else "_" for mark in name)


def write_calibration(found: Calibration, reference: Reference, out: Path, *, page: str | None = None,
                      force: bool = False) -> tuple[Station, list[Path]]:
    """Write station.toml, reference.toml, flat-fields and the page; station.toml last, so that it never lacks one.

    Raises InputError where a file is there already and `force` is off.
    """
    folder = out.parent
    station = station_with_flats(found, folder)
    flats = {light.flat_field: field for field in found.fields for light in station.lights
             if light.name == field.light and light.flat_field is not None}
    texts: Mapping[Path, str] = {folder / FILE_NAME: reference_text(reference)} | (
        {} if page is None else {folder / "calibration.html": page})
    there = [path for path in (*flats, *texts, out) if path.exists()]
    if there and not force:
        raise InputError([Problem(str(path), "", "there already", "a new name with --out, or --force to replace it")
                          for path in there])
    folder.mkdir(parents=True, exist_ok=True)
    for path, field in flats.items():
        picture = flat_picture(field.values, found.station.black_level, found.bits)
        done, data = cv2.imencode(".png", picture)
        if not done:
            raise CalibrationError(f"{path}: the flat-field could not be encoded")
        _replace(path, data.tobytes())
    for path, text in texts.items():
        _replace(path, text.encode())
    half = out.with_name(f".{out.name}.part")
    write_station(station, half)
    os.replace(half, out)
    return station, [*flats, *texts, out]


def _replace(path: Path, data: bytes) -> None:
    """Write beside and rename, so that a reader never sees half a file."""
    half = path.with_name(f".{path.name}.part")
    half.write_bytes(data)
    os.replace(half, path)
