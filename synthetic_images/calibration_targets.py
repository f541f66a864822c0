"""What a station's reference pictures would look like: a polished steel ball on paper, a white sheet, no light.

The ball follows the law of reflection: at distance d from the middle of a ball of radius R the slope is asin(d / R),
and a camera above sees the sky at twice that angle from its axis (handbook optics). Beyond 45 degrees of slope it shows
the paper, which the ball shades near its foot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.camera import Picture, expose
from synthetic_images.light import mirror_response
from synthetic_images.recipe import Recipe, default_recipe
from vision.setup import InputError, Problem, Station

PAPER = 0.75
STEEL = 0.6  # of a mirror's light; polished steel, from memory
FINE = 3  # fine samples per pixel side
HIGHLIGHT = 0.8  # of full scale
WHITE = 0.3  # of full scale, what a white sheet gives
LEDS = 36  # a ring


def ball_pictures(station: Station, size_px: tuple[int, int], diameter_mm: float, seed: int
                  ) -> Mapping[str, Picture]:
    """Return exposure -> picture of a ball on paper, near the middle, exposed so that highlights stay below full scale.

    Raises InputError where the ball does not fit.
    """
    radius = diameter_mm / 2.0 / station.mm_per_px
    if not 40.0 <= radius <= 0.42 * min(size_px):
        raise InputError([Problem("ball", "diameter_mm", f"{diameter_mm:g} mm, {2 * radius:.0f} px across",
                                  f"80 to {0.84 * min(size_px):.0f} px in pictures of {size_px[0]} x {size_px[1]} px")])
    rng = np.random.default_rng([seed, 11])
    centre = np.asarray(size_px) / 2.0 + rng.uniform(-0.06, 0.06, 2) * min(size_px)
    y, x = (np.mgrid[:size_px[1] * FINE, :size_px[0] * FINE].astype(np.float32) + 0.5) / FINE
    x, y = (x - np.float32(centre[0])) / np.float32(radius), (np.float32(centre[1]) - y) / np.float32(radius)
    away = np.hypot(x, y)
    zenith = 2.0 * np.arcsin(np.clip(away, 0.0, 1.0))
    azimuth = np.arctan2(y, x)
    planes, brightest = [], 0.0
    for light in station.lights:
        low, high = np.deg2rad(light.zenith_deg)
        start, end = np.deg2rad(light.azimuth_deg)
        lit = (zenith >= low) & (zenith < high) & ((azimuth - start) % (2 * np.pi) <= end - start)
        # Single LEDs behind a thin diffuser: bright and less bright in turn.
        leds = 1.0 + 0.5 * np.cos(LEDS * azimuth + rng.uniform(0, 2 * np.pi))
        mirror = mirror_response("tin", light) * STEEL
        brightest = max(brightest, 1.5 * mirror)
        shade = np.clip((away - 1.0) / 0.8, 0.0, 1.0) * 0.5 + 0.5
        below = STEEL * PAPER * np.clip(0.5 + 0.5 * np.cos(zenith), 0.35, 1.0)
        ball = np.where(zenith < np.pi / 2, 0.01, below) + mirror * leds * lit
        fine = np.where(away < 1.0, ball, PAPER * shade).astype(np.float32)
        planes.append(cv2.resize(fine, size_px, interpolation=cv2.INTER_AREA))
    exposure = min(HIGHLIGHT / (WHITE * brightest), 1.0)
    return expose(np.stack(planes) * np.float32(exposure), station, _plain(), rng)


def sheet_pictures(station: Station, size_px: tuple[int, int], seed: int, only: str = "",
                   level: float = 1.0) -> Mapping[str, Picture]:
    """Return exposure -> picture of a white sheet, with all lights on or one alone; `level` 0 = lights off."""
    planes: NDArray[np.float32] = np.ones((len(station.lights), size_px[1], size_px[0]), np.float32) * np.float32(level)
    for row, light in enumerate(station.lights):
        if only not in ("", light.name):
            planes[row] = 0.0
    if only:
        exposure = next(light.exposure for light in station.lights if light.name == only)
        taken = expose(planes, station, _plain(), np.random.default_rng([seed, 12]))
        return {exposure: taken[exposure]}
    return expose(planes, station, _plain(), np.random.default_rng([seed, 12]))


def _plain() -> Recipe:
    """Return the recipe of a well kept station: no room light, no drift."""
    entries = dict(default_recipe().entries)
    for name in ("light.leak", "camera.black_drift"):
        entries[name] = replace(entries[name], kind="fixed", low=0.0, high=0.0)
    return Recipe(entries)
