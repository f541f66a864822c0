"""What the station's lights say about slope: predicted responses of a metal surface and their inversion.

A camera looking straight down sees, on a mirror-like slope alpha, the sky at zenith 2 alpha (law of
reflection). Roughness spreads that by a GGX lobe (Walter et al. 2007, "Microfacet models for refraction
through rough surfaces", eq. 33 and 34). Responses are relative to a white Lambertian surface under the same light.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from vision.pipeline.arrays.radial import Kind
from vision.setup.pixels import PixelPoint, PixelTable
from vision.setup.station import Light, Station, light_bands

SLOPES_DEG = np.arange(0.0, 61.0, 1.0)
#: Roughness (GGX alpha) from shiny tin-lead to very dull lead-free: one table of slopes is kept for each.
ROUGHNESS = np.array([0.04, 0.07, 0.10, 0.14, 0.19, 0.25, 0.33])
USUAL_ROUGHNESS = 0.14
METAL_REFLECTANCE = 0.72
DARK = 0.62  # radiance below this share of the lit solder's is steep metal, a hole or a shadow
MOMENT_STEPS = 256  # a step fits a byte
LOBE_AZIMUTHS_DEG = np.arange(1.5, 360.0, 3.0)
PIECE = 131_072  # samples worked on at a time
TILTS_DEG = SLOPES_DEG[:16]
FAINT = 0.05  # added to responses where they are divided, so that a light that hardly answers says little
LEAST_SPAN_DEG = 2.0  # of slope, between the middles of the flattest and the steepest light
HALF_TURN = 0.5  # of a circle: lights over no more of it shine from one side
SECTORS = 36  # directions for which slopes are told apart where a light does not go all the way round


@dataclass(frozen=True)
class Optics:
    """Per-light numbers of a station and its tables from light to slope."""

    white: NDArray[np.float32]  # [light] radiance of a white surface per unit radiance of the light
    slope_deg: NDArray[np.float32]  # [light] slope that mirrors the middle of the light's zenith band
    moments: NDArray[np.float32]  # [step] radiance-weighted mean slope, evenly spaced
    slopes: NDArray[np.float32]  # [roughness, step] true slope for it
    purity: NDArray[np.float32]  # [roughness, band] largest share of the radiance that a band's lights can have
    lit: NDArray[np.float32]  # [roughness, slope] how much of what metal mirrors is light, 1 = usual; over SLOPES_DEG
    lit_energy: float  # total radiance of a metal slope in the middle of the rings
    max_slope_deg: float  # slopes above this see no light
    unlit_deg: NDArray[np.float32]  # [roughness] slope from which metal is darker than DARK of lit metal
    bands: tuple[tuple[int, ...], ...]  # lights that light the same slopes, flattest first
    steepest_from_deg: NDArray[np.float32]  # [sector] what falls that way reads more where the steepest band lights it
    flats: NDArray[np.float32]  # [roughness, tilt, light] radiance of flat metal tilted by TILTS_DEG
    lens_per_mm: float  # the lens' view is tilted by so much (rad) a mm off the picture's middle
    tilt_per_mm: float  # and by so much (rad) flat metal there answers as if it fell away from the middle
    near_share: float  # share of that which comes from near lights: it fades with the cosine of a light's zenith angle
    by_sector: NDArray[np.float32] | None = None  # as `slopes`, [sector, roughness, step]; None: all lights go round
    #: Whence lights shine that do from one side only, unit vectors (px to the right and down), NaN for all others;
    #: [light, 2]. None: there are none.
    from_side: NDArray[np.float32] | None = None

    @property
    def aside(self) -> list[int]:
        """The lights that shine from one side only."""
        return [] if self.from_side is None else np.flatnonzero(np.isfinite(self.from_side[:, 0])).tolist()


def optics_of(station: Station, pixels: PixelTable | None = None) -> Optics:
    """Return the optical tables of a station (cached); slopes as a family's boards taught them, where they did.

    Raises MeniscopeError where all lights shine from the same zenith angles.
    """
    points = () if pixels is None else pixels.of_station(station.name)
    if points:
        return _taught(station.lights, station.working_distance_mm, points)
    return _optics(station.lights, station.working_distance_mm)


@lru_cache(maxsize=16)
def _taught(lights: tuple[Light, ...], lens_mm: float | None, points: tuple[PixelPoint, ...]) -> Optics:
    """Return a station's tables with learned curves for its slopes; beyond a curve's ends physics goes on.

    Between the learned classes of roughness the curves are interpolated; outside them the nearest one holds.
    """
    optics = _optics(lights, lens_mm)
    classes = sorted({point.roughness for point in points})
    curves = []
    for roughness in classes:
        own = [point for point in points if point.roughness == roughness]
        moment, slope = (np.array(part) for part in ([p.moment_deg for p in own], [p.slope_deg for p in own]))
        physics = _table_for(optics, np.array([roughness]))[0].astype(np.float64)
        curve = np.interp(optics.moments, moment, slope)
        curve = np.where(optics.moments < moment[0], np.minimum(physics, slope[0]), curve)
        curves.append(np.where(optics.moments > moment[-1], np.maximum(physics, slope[-1]), curve))
    # What was taught is a mean over all directions; the tables of single directions, where there are any, stay.
    of_class = np.stack(curves)
    slopes = np.stack([np.interp(ROUGHNESS, classes, of_class[:, step]) for step in range(MOMENT_STEPS)], axis=1)
    return replace(optics, slopes=slopes.astype(np.float32))


@lru_cache(maxsize=16)
def _optics(lights: tuple[Light, ...], lens_mm: float | None = None) -> Optics:
    white = np.array([white_share(light) for light in lights])
    middle = np.array([sum(light.zenith_deg) / 4.0 for light in lights])
    if np.ptp(middle) < LEAST_SPAN_DEG:
        raise MeniscopeError("station: all lights shine from the same zenith angles, so slopes cannot be told; wanted "
                             "lights in two bands at least, see zenith_deg in station.toml")
    top = max(light.zenith_deg[1] for light in lights) / 2.0
    moments = np.linspace(middle.min(), middle.max(), MOMENT_STEPS)
    bands = light_bands(lights)
    tables, purities, flats, sectors, unlit, lit, usual = [], [], [], [], [], [], 0.0
    for roughness in ROUGHNESS:
        turned = [lobes(light, SLOPES_DEG, float(roughness)) for light in lights]
        radiance = np.stack([lobe.sum(axis=1) for lobe in turned], axis=1) * _turns(lights)  # [slope, light]
        energy = radiance.sum(axis=1)
        tables.append(_inverse(_mean_slope(radiance, middle), moments))
        flats.append(radiance[: len(TILTS_DEG)])
        bright = energy > 0.3 * energy.max()
        shares = np.stack([radiance[:, band].sum(axis=1) for band in bands], axis=1) / energy[:, None]
        purities.append(shares[bright].max(axis=0))
        own_lit = float(np.median(energy[(SLOPES_DEG > 6) & (top - 4 > SLOPES_DEG)]))
        lit.append(energy / own_lit)
        unlit.append(_falls_below(lit[-1], DARK))
        if roughness == USUAL_ROUGHNESS:
            usual = own_lit
        if any(_turns(lights) < 1.0):
            sectors.append([_inverse(_mean_slope(_towards(lights, turned, sector), middle), moments)
                            for sector in range(SECTORS)])
    by_sector = np.moveaxis(np.array(sectors, dtype=np.float32), 0, 1) if sectors else None
    return Optics(white.astype(np.float32), middle.astype(np.float32), moments.astype(np.float32),
                  np.stack(tables).astype(np.float32), np.stack(purities).astype(np.float32),
                  np.stack(lit).astype(np.float32), usual, top,
                  np.array(unlit, dtype=np.float32), bands,
                  _steepest_from(lights, bands),
                  np.stack(flats).astype(np.float32), *_tilts(lights, lens_mm), by_sector, _from_side(lights))


def _falls_below(energy: NDArray[np.float64], limit: float) -> float:
    """Return the slope (deg) from which on the energy [slope] stays below a limit, between the steps of SLOPES_DEG."""
    last = int(np.flatnonzero(energy >= limit).max(initial=0))
    if last + 1 >= len(energy):
        return float(SLOPES_DEG[-1])
    return float(SLOPES_DEG[last] + (energy[last] - limit) / max(energy[last] - energy[last + 1], 1e-9))


def _steepest_from(lights: tuple[Light, ...], bands: tuple[tuple[int, ...], ...]) -> NDArray[np.float32]:
    """Return the slope halfway between the two steepest bands that light each sector, 0 where only one does."""
    found = np.zeros(SECTORS)
    for sector in range(SECTORS):
        # At a bar's end a lobe catches but a part of it.
        azimuths = (sector + np.array([-0.5, 0.5, 1.5])) * 360.0 / SECTORS
        centers = [np.mean([sum(lights[light].zenith_deg) / 4.0 for light in band]) for band in bands
                   if np.any([lights[light].shines_from(azimuths) for light in band], axis=0).all()]
        found[sector] = np.mean(centers[-2:]) if len(centers) > 1 else 0.0
    return found.astype(np.float32)


def _tilts(lights: tuple[Light, ...], lens_mm: float | None) -> tuple[float, float, float]:
    """Return tilts (rad) a mm off the middle: the view's, that which flat metal seems to have, and near lights' share.

    From a board point r off the middle the lens at height D is seen r / D off the vertical, and LEDs at distance d in
    the direction t are seen r cos(t) / d nearer to the middle or farther off. A mirror turns a ray by twice its own
    tilt: both count by half (law of reflection, first order in r).
    """
    lens = 0.0 if lens_mm is None else 1.0 / lens_mm
    near = float(np.mean([0.0 if light.distance_mm is None else 1.0 / light.distance_mm for light in lights]))
    return lens, 0.5 * (lens + near), near / (lens + near) if lens + near else 0.0


def _from_side(lights: tuple[Light, ...]) -> NDArray[np.float32] | None:
    """Return whence lights over half a turn at most shine, as Optics.from_side; None where there are none."""
    aside = _turns(lights) <= HALF_TURN
    if not aside.any():
        return None
    azimuth = np.deg2rad([sum(light.azimuth_deg) / 2.0 for light in lights])
    towards = np.stack([np.cos(azimuth), -np.sin(azimuth)], axis=1)
    return np.where(aside[:, None], towards, np.nan).astype(np.float32)


def _turns(lights: tuple[Light, ...]) -> NDArray[np.float64]:
    """Return the share of the circle that each light covers."""
    return np.array([(light.azimuth_deg[1] - light.azimuth_deg[0]) / 360.0 for light in lights])


def _mean_slope(radiance: NDArray[np.float64], middle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the lights' mean slope [slope] for radiances [slope, light]."""
    return np.asarray(radiance @ middle / np.maximum(radiance.sum(axis=1), 1e-9), dtype=np.float64)


def _towards(lights: tuple[Light, ...], turned: list[NDArray[np.float64]], sector: int) -> NDArray[np.float64]:
    """Return the radiance [slope, light] of slopes that fall towards the middle of a sector of the picture."""
    azimuth = LOBE_AZIMUTHS_DEG + (sector + 0.5) * 360.0 / SECTORS
    return np.stack([lobe @ light.shines_from(azimuth) for light, lobe in zip(lights, turned, strict=True)],
                    axis=1)


def sector_of(right: NDArray[np.floating[Any]], down: NDArray[np.floating[Any]]) -> NDArray[np.uint8]:
    """Return the sector of directions in the picture (px to the right and down), counter-clockwise from the right."""
    turn = np.arctan2(-down, right) * (SECTORS / (2.0 * np.pi))
    return np.asarray(np.floor(turn).astype(np.int16) % SECTORS, dtype=np.uint8)


def _inverse(moment: NDArray[np.float64], asked: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the slope for each asked moment; the moment rises with slope up to the last light's band."""
    peak = int(np.argmax(moment))
    rising = np.maximum.accumulate(moment[: peak + 1]) + np.arange(peak + 1) * 1e-6
    return np.asarray(np.interp(asked, rising, SLOPES_DEG[: peak + 1]), dtype=np.float64)


def white_share(light: Light) -> float:
    """Radiance of a white Lambertian surface per unit radiance of the light.

    For a full ring from zenith a to b the irradiance over pi is sin(b)^2 - sin(a)^2.
    """
    low, high = np.deg2rad(light.zenith_deg)
    turn = (light.azimuth_deg[1] - light.azimuth_deg[0]) / 360.0
    return float((np.sin(high) ** 2 - np.sin(low) ** 2) * turn)


def predict(lights: tuple[Light, ...], slopes_deg: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    """Return the response [slope, light] of a metal surface, averaged over the azimuth of its slope.

    Reflectance METAL_REFLECTANCE for all colours. A sector lights its share of slopes as fully as a ring all.
    """
    return np.stack([lobes(light, slopes_deg, roughness).sum(axis=1) * (_turns((light,))[0] / white_share(light))
                     for light in lights], axis=1)


@lru_cache(maxsize=16)
def brightest_answers(lights: tuple[Light, ...]) -> NDArray[np.float64]:
    """Return the largest response that metal of the usual roughness gives to each light, over all slopes, [light]."""
    return np.asarray(predict(lights, SLOPES_DEG, USUAL_ROUGHNESS).max(axis=0), dtype=np.float64)


def lobes(light: Light, slopes_deg: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    """Return what a metal surface sends to the lens of each part of a light's full ring, [slope, azimuth].

    Radiance against the light's own, reflectance METAL_REFLECTANCE; azimuths LOBE_AZIMUTHS_DEG are counted from the
    direction in which the slope falls. Midpoint rule over zenith and azimuth.
    """
    azimuth = np.deg2rad(LOBE_AZIMUTHS_DEG)
    tilt = np.deg2rad(slopes_deg)[:, None, None]
    low, high = np.deg2rad(light.zenith_deg)
    steps = 24
    zenith = low + (np.arange(steps) + 0.5) * (high - low) / steps
    sin_z, cos_z = np.sin(zenith)[:, None], np.cos(zenith)[:, None]
    to_light = np.stack(np.broadcast_arrays(sin_z * np.cos(azimuth), sin_z * np.sin(azimuth), cos_z))
    half = to_light + np.array([0.0, 0.0, 1.0])[:, None, None]
    half /= np.linalg.norm(half, axis=0)
    n_h = np.sin(tilt) * half[0] + np.cos(tilt) * half[2]
    n_l = np.maximum(np.sin(tilt) * to_light[0] + np.cos(tilt) * to_light[2], 0.0)
    n_v = np.cos(tilt)
    lobe = _ggx(np.maximum(n_h, 0.0), roughness) * _smith(n_l, roughness) * _smith(n_v, roughness)
    # f_r cos(l) = D G F / (4 n.v n.l) * n.l
    radiance = METAL_REFLECTANCE * lobe / (4.0 * np.maximum(n_v, 1e-6)) * (n_l > 0.0)
    solid = sin_z * (high - low) / steps * np.deg2rad(3.0)
    return np.asarray((radiance * solid).sum(axis=1), dtype=np.float64)


def _ggx(cosine: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    square = roughness * roughness
    return square / (np.pi * (cosine * cosine * (square - 1.0) + 1.0) ** 2)


def _smith(cosine: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    tangent_sq = 1.0 / np.maximum(cosine, 1e-6) ** 2 - 1.0
    return 2.0 / (1.0 + np.sqrt(1.0 + roughness * roughness * tangent_sq))


def light_moment(responses: NDArray[np.float32],
                 optics: Optics) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the radiance-weighted mean of the lights' slopes (deg) and total radiance of responses [n, light, ...]."""
    ordered, order = _as_stored(responses.swapaxes(0, 1))
    planes = ordered.reshape(len(ordered), -1)
    moment, energy = (np.zeros((1, planes.shape[1]), dtype=np.float32) for _ in range(2))
    factors = list(zip(optics.white.tolist(), (optics.white * optics.slope_deg).tolist(), strict=True))
    # Piece by piece, so that all steps find a piece in the processor's cache; by OpenCV, which takes half NumPy's time.
    for start in range(0, planes.shape[1], PIECE):
        piece = slice(start, start + PIECE)
        for plane, (white, steep) in zip(planes[:, None, piece], factors, strict=True):
            lit = cv2.threshold(plane, 0.0, 0.0, cv2.THRESH_TOZERO)[1]
            cv2.scaleAdd(lit, white, energy[:, piece], dst=energy[:, piece])
            cv2.scaleAdd(lit, steep, moment[:, piece], dst=moment[:, piece])
        moment[:, piece] /= np.clip(energy[:, piece], np.float32(1e-4), np.float32(np.inf))
    shape, back = ordered.shape[1:], np.argsort(order)
    return moment.reshape(shape).transpose(back), energy.reshape(shape).transpose(back)


def _as_stored(planes: NDArray[Kind]) -> tuple[NDArray[Kind], NDArray[np.intp]]:
    """Return planes [light, ...] with their own axes in the order in which they lie in memory, and that order."""
    order = np.argsort([-stride for stride in planes.strides[1:]], kind="stable")
    return planes.transpose(0, *(order + 1).tolist()), order


def slope_from_responses(responses: NDArray[np.float32], optics: Optics, roughness: NDArray[np.float64] | float,
                         sector: NDArray[np.uint8] | None = None) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return slope in degrees and total radiance for responses [n, light, ...]; roughness is one number or [n].

    `sector` as in slope_from_moment.

    The radiance-weighted mean of the lights' own slopes is insensitive to the metal's reflectance and changes
    only mildly with the gain of one light; a table made from the station's geometry turns it into slope.
    Radiance is relative to the lights' own.
    """
    moment, energy = light_moment(responses, optics)
    return slope_from_moment(moment, optics, roughness, sector), energy


def slope_from_moment(moment: NDArray[np.float32], optics: Optics, roughness: NDArray[np.float64] | float,
                      sector: NDArray[np.uint8] | None = None) -> NDArray[np.float32]:
    """Return slope in degrees for the lights' mean slope [n, ...]; roughness is one number or [n].

    `sector` says whither the surface falls (see sector_of), in a shape that broadcasts to the moments'; it counts
    where a light does not go all the way round. Without it such lights are taken as averaged over all directions.
    """
    first, span = float(optics.moments[0]), float(optics.moments[-1] - optics.moments[0])
    scale = (MOMENT_STEPS - 1) / span
    place = moment * np.float32(scale)
    place += np.float32(0.5 - first * scale)
    step = np.clip(place, 0.0, MOMENT_STEPS - 1.0, out=place).astype(np.uint8)
    if sector is not None and optics.by_sector is not None:
        return _by_sector(optics.by_sector, step, np.asarray(roughness, dtype=np.float64), sector)
    table = _table_for(optics, np.atleast_1d(np.asarray(roughness, dtype=np.float64)))
    slope = np.empty_like(place)
    if slope.size == 0:
        return slope
    items, found = (step[None], slope[None]) if len(table) == 1 else (step, slope)
    # In the order in which they lie in memory, and handed back by value: an array of another order can only be reshaped
    # as a copy, and what is looked up into a copy is lost.
    stored, order = _as_stored(items)
    held = found.transpose(0, *(order + 1).tolist())
    for item, values in enumerate(table):
        held[item] = cv2.LUT(stored[item].reshape(1, -1), values).reshape(held.shape[1:])
    return slope


def _by_sector(tables: NDArray[np.float32], step: NDArray[np.uint8], roughness: NDArray[np.float64],
               sector: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Look up slopes [n, ...] in tables [sector, roughness, step]."""
    place = np.interp(roughness, ROUGHNESS, np.arange(len(ROUGHNESS))).reshape(-1, *(1,) * (step.ndim - 1))
    low = np.minimum(place.astype(np.intp), len(ROUGHNESS) - 2)
    share = (place - low).astype(np.float32)
    first = (sector.astype(np.intp) * len(ROUGHNESS) + low) * MOMENT_STEPS + step
    flat = tables.ravel()
    return np.asarray((1.0 - share) * flat[first] + share * flat[first + MOMENT_STEPS], dtype=np.float32)


def _table_for(optics: Optics, roughness: NDArray[np.float64]) -> NDArray[np.float32]:
    """Interpolate the slope tables to each item's roughness, [n, step]."""
    place = np.interp(roughness, ROUGHNESS, np.arange(len(ROUGHNESS)))
    low = np.minimum(place.astype(int), len(ROUGHNESS) - 2)
    share = (place - low).astype(np.float32)[:, None]
    return np.asarray((1.0 - share) * optics.slopes[low] + share * optics.slopes[low + 1], dtype=np.float32)


def roughness_from_purity(purity: NDArray[np.float64], optics: Optics) -> NDArray[np.float64]:
    """Return the roughness [n] that lets the lights be seen as pure as they are, purity [n, band].

    A rough surface mixes neighbouring bands of light. A band of slopes that a joint lacks looks like an impure light,
    so the purest decides.
    """
    estimates = [np.interp(-purity[:, band], -optics.purity[:, band].astype(np.float64), ROUGHNESS)
                 for band in range(purity.shape[1])]
    return np.asarray(np.min(estimates, axis=0), dtype=np.float64)
