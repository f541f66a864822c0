"""What a board's surfaces look like under the station's lights: one table of responses per kind of surface."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.light import METALS, NODES, ROUGHNESS, LightTables, light_tables, mirror_response, node_slopes
from synthetic_images.plan import BoardPlan
from vision.setup import Station

F32 = NDArray[np.float32]
Array = NDArray[np.float64]

#: Diffuse albedo (red, green, blue) of mask over laminate and over copper; from memory of common boards.
MASK_COLOURS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "green": ((0.035, 0.105, 0.050), (0.055, 0.185, 0.080)),
    "dark green": ((0.015, 0.050, 0.030), (0.026, 0.085, 0.046)),
    "blue": ((0.020, 0.050, 0.165), (0.030, 0.085, 0.280)),
    "red": ((0.190, 0.025, 0.030), (0.330, 0.040, 0.045)),
    "black": ((0.016, 0.016, 0.018), (0.027, 0.025, 0.026)),
    "white": ((0.660, 0.680, 0.670), (0.740, 0.740, 0.720)),
    "purple": ((0.085, 0.030, 0.125), (0.150, 0.050, 0.210)),
    "yellow green": ((0.140, 0.240, 0.040), (0.220, 0.360, 0.070)),
}
_CHANNELS = ("red", "green", "blue")


@dataclass(frozen=True)
class Look:
    """Tables over surface numbers.

    response (light, surface * azimuth * NODES) float32 and down (light, surface, NODES) float32 as in
    `LightTables`; grain and waviness (surface,) tangents of random slope; mask (light,) response of flat mask over
    laminate, track (light,) over copper, silk (light,); led_contrast 0..1: how much of single LEDs the solder shows;
    distances (light,) of the LEDs in mm or None; blunt (light, surface) 0..1: how far a metal's lobe is wider than the
    light's band, 0 for resins and where all lights are infinitely far.
    """

    response: F32
    down: F32
    sectors: int
    grain: F32
    waviness: F32
    mask: F32
    track: F32
    silk: F32
    led_contrast: float
    distances: tuple[float | None, ...]
    blunt: F32


@dataclass
class Surfaces:
    """Optical properties of all surface kinds, filled in one by one."""

    metal: NDArray[np.int64]
    rough: Array
    shine: Array
    albedo: Array  # (surface, 3)
    grain: Array
    wave: Array

    def put(self, number: int, metal: str, rough: float, shine: float, albedo: tuple[float, ...] | Array,
            grain: float = 0.0, wave: float = 0.0) -> None:
        """Set one kind of surface; `shine` scales the metal's reflectance, `albedo` is red, green, blue."""
        self.metal[number] = METALS.index(metal)
        self.rough[number] = np.clip(rough, ROUGHNESS[0], ROUGHNESS[-1])
        self.shine[number], self.grain[number], self.wave[number] = shine, grain, wave
        self.albedo[number] = albedo


def board_look(plan: BoardPlan, station: Station, surfaces: Surfaces | None = None) -> Look:
    """Make the tables of a board's surfaces for the station's lights; `surfaces` overrides what the plan draws."""
    surfaces = surfaces or board_surfaces(plan)
    rng = np.random.default_rng([plan.look_seed, 8])
    tables = light_tables(tuple(replace(light, distance_mm=None, flat_field=None) for light in station.lights))
    shift = plan.recipe.draw("light.band_shift", rng, len(station.lights))
    response, down = _tables(surfaces, tables, [light.channel for light in station.lights], shift)
    sectors = tables.specular.shape[2]
    shaped = response.reshape(len(station.lights), -1, sectors, NODES)
    flat = shaped[:, :, :, 0].mean(axis=2)
    return Look(response, down, sectors, surfaces.grain.astype(np.float32), surfaces.wave.astype(np.float32),
                flat[:, cv.MASK], flat[:, cv.TRACK], flat[:, cv.SILK],
                float(np.exp(-((surfaces.rough[cv.BALL] / 0.08) ** 2))),
                tuple(light.distance_mm for light in station.lights), _bluntness(surfaces, station, shaped))


def _bluntness(surfaces: Surfaces, station: Station, shaped: F32) -> F32:
    """Return (light, surface) 1 - peak of the response / response of a mirror, of metals."""
    blunt = np.zeros(shaped.shape[:2], np.float32)
    if any(light.distance_mm is not None for light in station.lights):
        metal = surfaces.metal != METALS.index("resin")
        for i, light in enumerate(station.lights):
            peak = shaped[i].max(axis=(1, 2)) / np.maximum(surfaces.shine, 0.1)
            full = np.array([mirror_response(METALS[m], light) for m in surfaces.metal])
            blunt[i] = np.where(metal, np.clip(1.0 - peak / full, 0.0, 1.0), 0.0)
    return blunt


def board_surfaces(plan: BoardPlan) -> Surfaces:
    """Draw the optical properties of every kind of surface on a board."""
    rng = np.random.default_rng([plan.look_seed, 4])
    own = np.random.default_rng([plan.seed, 4])
    recipe, joints = plan.recipe, plan.family.joints
    count = cv.FIRST_JOINT + 3 * len(joints) + 4 * len(plan.family.chips)
    table = Surfaces(np.zeros(count, np.int64), np.full(count, 0.3), np.ones(count), np.zeros((count, 3)),
                      np.zeros(count), np.zeros(count))
    colour = recipe.pick("board.mask_colour", rng)[0]
    gloss = recipe.one("board.mask_gloss", rng)
    tint = rng.uniform(0.8, 1.25, 3)
    over_laminate, over_copper = (np.clip(np.asarray(a) * tint, 0.0, 0.85) for a in MASK_COLOURS[colour])
    table.put(cv.MASK, "resin", gloss, 1.0, over_laminate)
    table.put(cv.TRACK, "resin", gloss, 1.0, over_copper)
    table.put(cv.LAMINATE, "resin", 0.45, 0.8, np.array([0.30, 0.28, 0.16]) * rng.uniform(0.5, 1.3))
    table.put(cv.SILK, "resin", 0.5, 0.8, np.full(3, rng.uniform(0.5, 0.8)))
    table.put(cv.HOLE, "resin", 0.6, 0.3, np.full(3, rng.uniform(0.005, 0.09)), 0.2)
    _put_metals(table, rng, own, plan)
    for index in range(len(plan.family.chips)):
        _put_chip(table, cv.FIRST_JOINT + 3 * len(joints) + 4 * index, own)
    return table


def _put_metals(table: Surfaces, rng: np.random.Generator, own: np.random.Generator, plan: BoardPlan) -> None:
    recipe, count = plan.recipe, len(plan.family.joints)
    land_rough, land_shine = recipe.one("land.roughness", rng), rng.uniform(0.7, 1.0)
    haze = {"tin": (0.07, 0.07, 0.07), "gold": (0.09, 0.07, 0.03), "copper": (0.10, 0.05, 0.035)}[plan.finish]
    rough, grain = recipe.one("solder.roughness", rng), recipe.one("solder.grain", rng)
    wave, shade, veil = (recipe.one(f"solder.{name}", rng) for name in ("waviness", "shade", "haze"))
    core = ("copper", "tin", "copper", "gold")[int(rng.integers(4))]  # what a cut or a chamfered pin shows
    spread = np.exp(own.normal(0.0, 0.22, (count, 4)))
    for j in range(count):
        table.put(cv.solder_of(j), "tin", rough * spread[j, 0], shade * own.uniform(0.93, 1.03),
                  np.full(3, veil * own.uniform(0.5, 1.5)), grain * spread[j, 1], wave * spread[j, 2])
        table.put(cv.land_of(j), plan.finish, land_rough * spread[j, 3] ** 0.6, land_shine * own.uniform(0.92, 1.05),
                  np.array(haze) * own.uniform(0.6, 1.4), 0.02, 0.015)
        end = plan.joints.lead_end[j]
        metal = core if end in (0, 3) else "tin"
        table.put(cv.lead_of(j), metal, own.uniform(0.22, 0.6) if end == 0 else own.uniform(0.08, 0.35),
                  own.uniform(0.55, 0.95), np.full(3, own.uniform(0.02, 0.10)), own.uniform(0.02, 0.16),
                  own.uniform(0.0, 0.05))
    table.put(cv.FIDUCIAL, plan.finish, land_rough, land_shine, haze, 0.02, 0.015)
    table.put(cv.BALL, "tin", rough, shade, np.full(3, veil), grain * 0.5, wave * 0.5)


def _put_chip(table: Surfaces, number: int, rng: np.random.Generator) -> None:
    body = ((0.035, 0.035, 0.04), (0.30, 0.20, 0.12), (0.045, 0.06, 0.05), (0.22, 0.2, 0.18))[int(rng.integers(4))]
    table.put(number, "resin", rng.uniform(0.25, 0.6), 1.0, np.array(body) * rng.uniform(0.7, 1.3), 0.03, 0.03)
    table.put(number + 1, "tin", rng.uniform(0.18, 0.45), rng.uniform(0.7, 0.95), np.full(3, 0.08), 0.05, 0.04)
    table.put(number + 2, "tin", rng.uniform(0.06, 0.25), rng.uniform(0.85, 1.0), np.full(3, 0.05), 0.02, 0.03)
    table.put(number + 3, "resin", 0.5, 0.8, np.full(3, rng.uniform(0.4, 0.75)), 0.02, 0.0)


def _tables(surfaces: Surfaces, tables: LightTables, channels: list[str], shift_deg: Array) -> tuple[F32, F32]:
    """Combine metal lobe, diffuse part and shifted ring bands into one table per surface."""
    place = np.interp(np.log(surfaces.rough), np.log(ROUGHNESS), np.arange(len(ROUGHNESS)))
    low = np.minimum(place.astype(np.intp), len(ROUGHNESS) - 2)
    part = (place - low).astype(np.float32)[:, None, None, None]
    shine = surfaces.shine.astype(np.float32)
    specular = tables.specular[surfaces.metal, low] * (1 - part) + tables.specular[surfaces.metal, low + 1] * part
    down = (tables.down[surfaces.metal, low] * (1 - part[..., 0])
            + tables.down[surfaces.metal, low + 1] * part[..., 0]) * shine[:, None, None]
    specular *= shine[:, None, None, None]
    slopes = node_slopes()
    for light in range(len(channels)):
        # A ring set higher or lower by d moves the slope that mirrors it by d / 2.
        nodes = np.interp(slopes + np.deg2rad(shift_deg[light]) / 2.0, slopes, np.arange(NODES))
        first = np.minimum(nodes.astype(np.intp), NODES - 2)
        share = (nodes - first).astype(np.float32)
        plane = specular[..., light]
        specular[..., light] = plane[..., first] * (1 - share) + plane[..., first + 1] * share
    albedo = np.stack([surfaces.albedo.mean(axis=1) if c == "mono" else surfaces.albedo[:, _CHANNELS.index(c)]
                       for c in channels], axis=-1).astype(np.float32)
    response = specular + albedo[:, None, None, :] * tables.diffuse[None]
    ordered = np.ascontiguousarray(np.moveaxis(response, -1, 0))
    return ordered.reshape(len(channels), -1), np.ascontiguousarray(np.moveaxis(down, -1, 0)).astype(np.float32)
