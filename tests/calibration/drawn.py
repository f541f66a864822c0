"""Reference targets drawn from the law of reflection alone: no code of the measuring rooms is used here.

A mirror ball under a telecentric camera shows at distance d from its centre the sky at zenith 2 asin(d / R) (handbook
optics); below the horizon it shows the plane that it lies on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.setup import Light, Station, write_station

FULL = {8: 255.0, 16: 65535.0}


@dataclass(frozen=True)
class Drawing:
    """How reference pictures are drawn. Levels are shares of full scale."""

    size_px: tuple[int, int] = (640, 480)
    radius_px: float = 150.0
    centre_px: tuple[float, float] = (322.3, 241.7)
    blur_px: float = 1.0
    noise: float = 0.004
    highlight: float = 0.6
    paper: float = 0.25
    leds: int = 0  # single LEDs a ring, 0 = even
    led_share: float = 0.5  # of the pitch that an LED lights
    bits: int = 8
    seed: int = 1


def sky_of(drawing: Drawing, fine: int = 3) -> tuple[NDArray, NDArray, NDArray]:
    """Return distance over radius, zenith and azimuth (rad) on a grid `fine` times finer than the pixels."""
    width, height = drawing.size_px
    y, x = (np.mgrid[:height * fine, :width * fine] + 0.5) / fine
    dx, dy = (x - drawing.centre_px[0]) / drawing.radius_px, (drawing.centre_px[1] - y) / drawing.radius_px
    away = np.hypot(dx, dy)
    return away, 2.0 * np.arcsin(np.clip(away, 0.0, 1.0)), np.arctan2(dy, dx)


def lit(light: Light, zenith: NDArray, azimuth: NDArray, drawing: Drawing) -> NDArray:
    """Say where in the sky a light shines, with the dark gaps between its LEDs."""
    low, high = np.deg2rad(light.zenith_deg)
    start, end = np.deg2rad(light.azimuth_deg)
    on = (zenith >= low) & (zenith < high) & ((azimuth - start) % (2 * np.pi) < end - start + 1e-9)
    if drawing.leds:
        on &= (azimuth / (2 * np.pi) * drawing.leds) % 1.0 < drawing.led_share
    return on


def ball_levels(station: Station, drawing: Drawing) -> dict[str, NDArray]:
    """Return each light's plane (shares of full scale, before blur and noise) of a ball on matt paper."""
    away, zenith, azimuth = sky_of(drawing)
    ball = away < 1.0
    planes = {}
    for light in station.lights:
        plane = np.where(ball, 0.6 * drawing.paper, drawing.paper).astype(np.float32)
        plane[ball & (zenith < np.pi / 2)] = 0.002
        plane[ball & lit(light, zenith, azimuth, drawing)] = drawing.highlight
        planes[light.name] = cv2.resize(plane, drawing.size_px, interpolation=cv2.INTER_AREA)
    return planes


def pictures(station: Station, planes: Mapping[str, NDArray], drawing: Drawing) -> dict[str, NDArray]:
    """Return exposure -> picture: colours mixed by the station's cross-talk, blurred, noisy, in whole grey levels."""
    rng = np.random.default_rng(drawing.seed)
    full = FULL[drawing.bits]
    taken = {}
    for exposure in station.exposures:
        lights = [light for light in station.lights if light.exposure == exposure]
        if lights[0].channel == "mono":
            stack = planes[lights[0].name][None]
        else:
            stack = np.zeros((3, *next(iter(planes.values())).shape), np.float32)
            for light in lights:
                stack[("red", "green", "blue").index(light.channel)] = planes[light.name]
            if station.cross_talk is not None:
                stack = np.einsum("ij,jyx->iyx", np.asarray(station.cross_talk, np.float32), stack)
        stack = np.stack([cv2.GaussianBlur(plane, (0, 0), drawing.blur_px) if drawing.blur_px else plane
                          for plane in stack])
        stack = stack + rng.normal(0.0, drawing.noise, stack.shape)
        grey = station.black_level + stack * (full - station.black_level)
        whole = np.clip(np.round(grey), 0, full).astype(np.uint8 if drawing.bits == 8 else np.uint16)
        taken[exposure] = np.ascontiguousarray(whole[0] if len(whole) == 1 else np.moveaxis(whole[::-1], 0, -1))
    return taken


def write(folder: Path, station: Station, serial: str, taken: Mapping[str, NDArray]) -> dict[str, Path]:
    """Write pictures named after the station's pattern; returns exposure -> path."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = {}
    for exposure, picture in taken.items():
        paths[exposure] = folder / station.files.format(serial=serial, view="v1", exposure=exposure)
        assert cv2.imwrite(str(paths[exposure]), picture)
    return paths


def draw_ball(folder: Path, station: Station, drawing: Drawing | None = None, serial: str = "ball") -> dict[str, Path]:
    """Draw and write a ball."""
    drawing = drawing or Drawing()
    return write(folder, station, serial, pictures(station, ball_levels(station, drawing), drawing))


def draw_plane(folder: Path, station: Station, drawing: Drawing | None = None, serial: str = "plane",
               level: float = 0.3, falls: Sequence[float] = (), only: str = "") -> dict[str, Path]:
    """Draw and write an even sheet under lights that fall off towards the corners by `falls`, one a light."""
    drawing = drawing or Drawing()
    width, height = drawing.size_px
    y, x = np.mgrid[:height, :width]
    away = ((x + 0.5) / width - 0.5) ** 2 + ((y + 0.5) / height - 0.5) ** 2
    falls = falls or [0.2] * len(station.lights)
    planes = {light.name: (level * (1.0 - fall * away / 0.5)).astype(np.float32) * (only in ("", light.name))
              for light, fall in zip(station.lights, falls, strict=True)}
    taken = pictures(station, planes, drawing)
    if only:
        exposure = next(light.exposure for light in station.lights if light.name == only)
        taken = {exposure: taken[exposure]}
    return write(folder, station, serial, taken)


def draw_dark(folder: Path, station: Station, level: float, drawing: Drawing | None = None) -> dict[str, Path]:
    """Draw and write pictures taken with the lens cap on; `level` in grey levels."""
    drawing = drawing or Drawing()
    planes = {light.name: np.zeros(drawing.size_px[::-1], np.float32) for light in station.lights}
    return write(folder, station, "dark", pictures(replace(station, black_level=level), planes, drawing))


def three_rings(**changes: object) -> Station:
    """A station of three coloured rings in one exposure."""
    lights = (Light("high", "a", "blue", (8.0, 26.0)), Light("middle", "a", "red", (30.0, 50.0)),
              Light("low", "a", "green", (54.0, 78.0)))
    station = Station("drawn", 0.02, "{serial}_{view}_{exposure}.png", lights, black_level=6.0)
    return replace(station, **changes)  # type: ignore[arg-type]


def three_exposures() -> Station:
    """The same rings one at a time before a mono camera."""
    lights = tuple(replace(light, exposure=exposure, channel="mono")
                   for light, exposure in zip(three_rings().lights, "abc", strict=True))
    return three_rings(lights=lights)


def written_station(folder: Path, station: Station) -> Path:
    """Write station.toml into a folder and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    write_station(station, folder / "station.toml")
    return folder / "station.toml"
