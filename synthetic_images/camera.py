"""From responses to picture files: lamps, lens, cross-talk, sensor and quantisation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.near import falloff_map
from synthetic_images.recipe import Recipe, default_recipe
from vision.setup import InputError, Light, Problem, Station

F32 = NDArray[np.float32]
Picture = NDArray[Any]  # uint8 or uint16, (row, col) or (row, col, blue green red)
_PLANE = {"red": 0, "green": 1, "blue": 2}


def expose(responses: F32, station: Station, recipe: Recipe, rng: np.random.Generator) -> Mapping[str, Picture]:
    """Return one picture per exposure from responses (light, row, col).

    8 bit pictures are uint8; 12 and 16 bit are uint16, 12 bit left-aligned. Colour pictures have OpenCV's order.
    """
    pictures: dict[str, Picture] = {}
    bits = round(recipe.one("camera.bits", rng))
    if bits not in (8, 12, 16):
        raise ValueError(f"camera.bits: got {bits}, wanted 8, 12 or 16")
    blur = recipe.one("camera.blur", rng)
    white = recipe.one("camera.white_share", rng)
    well, read = recipe.one("camera.full_well", rng), recipe.one("camera.read_noise", rng)
    drift = recipe.one("camera.black_drift", rng)
    leak, falloff = recipe.one("light.leak", rng), recipe.one("light.falloff", rng)
    lamp = [_lamp(responses.shape[1:], falloff, recipe.one("light.ripple", rng), recipe.one("light.level", rng), rng)
            for _ in station.lights]
    lamp = [field * _white_level(light, responses.shape[1:], station, white)
            for field, light in zip(lamp, station.lights, strict=True)]
    for exposure in station.exposures:
        lights = [i for i, light in enumerate(station.lights) if light.exposure == exposure]
        if station.lights[lights[0]].channel == "mono":
            planes = (responses[lights[0]] * lamp[lights[0]])[None]
        else:
            planes = np.zeros((3, *responses.shape[1:]), np.float32)
            for i in lights:
                planes[_PLANE[station.lights[i].channel]] = responses[i] * lamp[i]
            if station.cross_talk is not None:
                mixed = np.asarray(station.cross_talk, dtype=np.float32) @ planes.reshape(3, -1)
                planes = mixed.reshape(planes.shape)
        planes = np.stack([_sensor(_lens(plane, blur, leak), white, well, read, rng) for plane in planes])
        pictures[exposure] = _quantise(planes, station.black_level, drift, bits)
    return pictures


def _lamp(shape: tuple[int, ...], falloff: float, ripple: float, level: float, rng: np.random.Generator) -> F32:
    """Return a light's brightness over the picture: level, fall towards a corner, waves of its single LEDs."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    cx, cy = rng.normal(0.0, 0.15, 2).astype(np.float32)
    field = 1.0 - np.float32(falloff / 2.0) * ((x - cx) ** 2 + (y - cy) ** 2)
    angle = rng.uniform(0, 2 * np.pi)
    waves, phase = np.pi * rng.uniform(0.7, 1.6), rng.uniform(0, 2 * np.pi)
    across, down = x * np.float32(waves * np.cos(angle)) + np.float32(phase), y * np.float32(waves * np.sin(angle))
    # The cosine of a sum, so that no cosine is taken per pixel.
    wave = np.cos(across) * (np.float32(ripple) * np.cos(down)) - np.sin(across) * (np.float32(ripple) * np.sin(down))
    wave += 1.0
    field *= np.float32(level)
    field *= wave
    return np.asarray(field, dtype=np.float32)


def _white_level(light: Light, shape: tuple[int, ...], station: Station, white: float) -> F32 | float:
    """Return what a white sheet gives against that in the middle, or as the flat-field of the station has it."""
    if light.flat_field is not None:
        return _flat_share(light, shape, station) / np.float32(white)
    return 1.0 if light.distance_mm is None else falloff_map(light, (shape[1], shape[0]), station.mm_per_px)


def _flat_share(light: Light, shape: tuple[int, ...], station: Station) -> F32:
    """Return what a white sheet gives, as a share of full scale (row, col), from the station's flat-field picture.

    Raises InputError where the picture cannot be read.
    """
    picture = cv2.imread(str(light.flat_field), cv2.IMREAD_UNCHANGED)
    if picture is None:
        raise InputError([Problem(str(light.flat_field), "", "no readable picture", "the flat-field of the station")])
    full = 255.0 if picture.dtype == np.uint8 else 65535.0
    plane = picture[:, :, 2 - _PLANE[light.channel]] if picture.ndim == 3 and light.channel != "mono" else picture
    share = np.maximum(plane.astype(np.float32) - np.float32(station.black_level), 0.0) / (full - station.black_level)
    return np.asarray(cv2.resize(share.astype(np.float32), (shape[1], shape[0])), dtype=np.float32)


def white_sheet(station: Station, size_px: tuple[int, int], seed: int, recipe: Recipe | None = None
                ) -> Mapping[str, Picture]:
    """Return pictures of an even white sheet of (width, height) px, as taken to calibrate a station."""
    white = np.ones((len(station.lights), size_px[1], size_px[0]), np.float32)
    return expose(white, station, recipe or default_recipe(), np.random.default_rng([seed, 9]))


def _lens(plane: F32, blur: float, leak: float) -> F32:
    """Blur by the lens and add glare: one per cent of the light spread widely, plus stray light."""
    sharp = cv2.GaussianBlur(plane, (0, 0), blur)
    small = cv2.resize(np.minimum(plane, 12.0), (max(plane.shape[1] // 16, 1), max(plane.shape[0] // 16, 1)),
                       interpolation=cv2.INTER_AREA)
    glare = cv2.resize(cv2.GaussianBlur(small, (0, 0), 4.0), (plane.shape[1], plane.shape[0]))
    return np.asarray(cv2.addWeighted(sharp, 0.99, glare, 0.01, leak), dtype=np.float32)


def _sensor(plane: F32, white: float, well: float, read: float, rng: np.random.Generator) -> F32:
    """Return the signal as a share of full scale, with shot and read noise; above 1 it will be clipped."""
    signal = plane * np.float32(white)
    spread = np.clip(signal, 0.0, 1.3)
    spread *= np.float32(1.0 / well)  # variance in shares of full scale: electrons / well^2
    spread += np.float32((read / well) ** 2)
    np.sqrt(spread, out=spread)
    spread *= rng.standard_normal(plane.shape, dtype=np.float32)
    signal += spread
    return signal


def _quantise(planes: F32, black_level: float, drift: float, bits: int) -> Picture:
    full = 255.0 if bits == 8 else 65535.0
    offset = black_level + drift * full / 255.0
    step = 16.0 if bits == 12 else 1.0
    grey = planes * np.float32((full - black_level) / step)
    grey += np.float32(offset / step)
    np.rint(grey, out=grey)
    np.clip(grey, 0.0, 4095.0 if bits == 12 else full, out=grey)
    levels = grey.astype(np.uint8) if bits == 8 else grey.astype(np.uint16) * np.uint16(step)
    return levels[0] if len(levels) == 1 else np.asarray(cv2.merge([*levels[::-1]]))
