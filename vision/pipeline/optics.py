"""What the station's lights say about slope: predicted responses of a metal surface and their inversion.

A camera looking straight down sees, on a mirror-like slope alpha, the sky at zenith 2 alpha (law of
reflection). Roughness spreads that by a GGX lobe (Walter et al. 2007, "Microfacet models for refraction
through rough surfaces", eq. 33 and 34). Responses are relative to a white Lambertian surface under the same light.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.setup.pixels import PixelPoint, PixelTable
from vision.setup.station import Light, Station

SLOPES_DEG = np.arange(0.0, 61.0, 1.0)
#: Roughness (GGX alpha) from shiny tin-lead to very dull lead-free: one table of slopes is kept for each.
ROUGHNESS = np.array([0.04, 0.07, 0.10, 0.14, 0.19, 0.25, 0.33])
USUAL_ROUGHNESS = 0.14
METAL_REFLECTANCE = 0.72
MOMENT_STEPS = 256  # a step fits a byte
PIECE = 32_768  # samples worked on at a time


@dataclass(frozen=True)
class Optics:
    """Per-light numbers of a station and its tables from light to slope."""

    white: NDArray[np.float32]  # [light] radiance of a white surface per unit radiance of the light
    slope_deg: NDArray[np.float32]  # [light] slope that mirrors the middle of the light's zenith band
    moments: NDArray[np.float32]  # [step] radiance-weighted mean slope, evenly spaced
    slopes: NDArray[np.float32]  # [roughness, step] true slope for it
    purity: NDArray[np.float32]  # [roughness, light] largest share of the radiance that a light can have
    lit_energy: float  # total radiance of a metal slope in the middle of the rings
    max_slope_deg: float  # slopes above this see no light


def optics_of(station: Station, pixels: PixelTable | None = None) -> Optics:
    """Return the optical tables of a station (cached); slopes as a family's boards taught them, where they did."""
    points = () if pixels is None else pixels.of_station(station.name)
    return _taught(station.lights, points) if points else _optics(station.lights)


@lru_cache(maxsize=16)
def _taught(lights: tuple[Light, ...], points: tuple[PixelPoint, ...]) -> Optics:
    """Return a station's tables with learned curves for its slopes; beyond a curve's ends physics goes on.

    Between the learned classes of roughness the curves are interpolated; outside them the nearest one holds.
    """
    optics = _optics(lights)
    classes = sorted({point.roughness for point in points})
    curves = []
    for roughness in classes:
        own = [point for point in points if point.roughness == roughness]
        moment, slope = (np.array(part) for part in ([p.moment_deg for p in own], [p.slope_deg for p in own]))
        physics = _table_for(optics, np.array([roughness]))[0].astype(np.float64)
        curve = np.interp(optics.moments, moment, slope)
        curve = np.where(optics.moments < moment[0], np.minimum(physics, slope[0]), curve)
        curves.append(np.where(optics.moments > moment[-1], np.maximum(physics, slope[-1]), curve))
    of_class = np.stack(curves)
    slopes = np.stack([np.interp(ROUGHNESS, classes, of_class[:, step]) for step in range(MOMENT_STEPS)], axis=1)
    return replace(optics, slopes=slopes.astype(np.float32))


@lru_cache(maxsize=16)
def _optics(lights: tuple[Light, ...]) -> Optics:
    white = np.array([white_share(light) for light in lights])
    middle = np.array([sum(light.zenith_deg) / 4.0 for light in lights])
    top = max(light.zenith_deg[1] for light in lights) / 2.0
    moments = np.linspace(middle.min(), middle.max(), MOMENT_STEPS)
    tables, purities, lit = [], [], 0.0
    for roughness in ROUGHNESS:
        radiance = predict(lights, SLOPES_DEG, float(roughness)) * white  # [slope, light]
        energy = radiance.sum(axis=1)
        tables.append(_inverse(radiance @ middle / np.maximum(energy, 1e-9), moments))
        bright = energy > 0.3 * energy.max()
        purities.append((radiance / energy[:, None])[bright].max(axis=0))
        if roughness == USUAL_ROUGHNESS:
            lit = float(np.median(energy[(SLOPES_DEG > 6) & (top - 4 > SLOPES_DEG)]))
    return Optics(white.astype(np.float32), middle.astype(np.float32), moments.astype(np.float32),
                  np.stack(tables).astype(np.float32), np.stack(purities).astype(np.float32), lit, top)


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

    Midpoint rule over zenith and azimuth of each light; reflectance METAL_REFLECTANCE for all colours.
    """
    azimuth = np.deg2rad(np.arange(1.5, 360.0, 3.0))
    tilt = np.deg2rad(slopes_deg)[:, None, None]
    responses = np.empty((len(slopes_deg), len(lights)))
    for column, light in enumerate(lights):
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
        total = (radiance * solid).sum(axis=(1, 2))
        full_ring = np.sin(high) ** 2 - np.sin(low) ** 2
        responses[:, column] = total / full_ring  # a sector lights its share of slopes as fully as a ring all
    return responses


def _ggx(cosine: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    square = roughness * roughness
    return square / (np.pi * (cosine * cosine * (square - 1.0) + 1.0) ** 2)


def _smith(cosine: NDArray[np.float64], roughness: float) -> NDArray[np.float64]:
    tangent_sq = 1.0 / np.maximum(cosine, 1e-6) ** 2 - 1.0
    return 2.0 / (1.0 + np.sqrt(1.0 + roughness * roughness * tangent_sq))


def light_moment(responses: NDArray[np.float32],
                 optics: Optics) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the radiance-weighted mean of the lights' slopes (deg) and total radiance of responses [n, light, ...]."""
    ordered, order = _as_stored(np.moveaxis(responses, 1, 0))
    planes = ordered.reshape(len(ordered), -1)
    moment, energy = np.zeros(planes.shape[1], dtype=np.float32), np.zeros(planes.shape[1], dtype=np.float32)
    # Piece by piece, so that all steps find a piece in the processor's cache.
    for start in range(0, planes.shape[1], PIECE):
        piece = slice(start, start + PIECE)
        for plane, white, slope in zip(planes[:, piece], optics.white, optics.slope_deg, strict=True):
            radiance = np.maximum(plane, np.float32(0.0))
            radiance *= white
            energy[piece] += radiance
            radiance *= slope
            moment[piece] += radiance
        moment[piece] /= np.maximum(energy[piece], np.float32(1e-4))
    shape, back = ordered.shape[1:], np.argsort(order)
    return moment.reshape(shape).transpose(back), energy.reshape(shape).transpose(back)


def _as_stored(planes: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """Return planes [light, ...] with their own axes in the order in which they lie in memory, and that order."""
    order = np.argsort([-stride for stride in planes.strides[1:]], kind="stable")
    return planes.transpose(0, *(order + 1).tolist()), order


def slope_from_responses(responses: NDArray[np.float32], optics: Optics, roughness: NDArray[np.float64] | float,
                         ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return slope in degrees and total radiance for responses [n, light, ...]; roughness is one number or [n].

    The radiance-weighted mean of the lights' own slopes is insensitive to the metal's reflectance and changes
    only mildly with the gain of one light; a table made from the station's geometry turns it into slope.
    Radiance is relative to the lights' own.
    """
    moment, energy = light_moment(responses, optics)
    return slope_from_moment(moment, optics, roughness), energy


def slope_from_moment(moment: NDArray[np.float32], optics: Optics,
                      roughness: NDArray[np.float64] | float) -> NDArray[np.float32]:
    """Return slope in degrees for the lights' mean slope [n, ...]; roughness is one number or [n]."""
    first, span = float(optics.moments[0]), float(optics.moments[-1] - optics.moments[0])
    scale = (MOMENT_STEPS - 1) / span
    place = moment * np.float32(scale)
    place += np.float32(0.5 - first * scale)
    step = np.clip(place, 0.0, MOMENT_STEPS - 1.0, out=place).astype(np.uint8)
    table = _table_for(optics, np.atleast_1d(np.asarray(roughness, dtype=np.float64)))
    slope = np.empty_like(place)
    if slope.size == 0:
        return slope
    if len(table) == 1:
        cv2.LUT(step.reshape(1, -1), table[0], dst=slope.reshape(1, -1))
        return slope
    # OpenCV wants the last of an item's two axes to be the one along which its samples are neighbours.
    last = 1 if moment.ndim == 3 and step.strides[1] < step.strides[2] else 2
    rows, found = (part.swapaxes(last, 2) if part.ndim == 3 else part.reshape(len(part), 1, -1)
                   for part in (step, slope))
    for item in range(len(table)):
        cv2.LUT(rows[item], table[item], dst=found[item])
    return slope


def _table_for(optics: Optics, roughness: NDArray[np.float64]) -> NDArray[np.float32]:
    """Interpolate the slope tables to each item's roughness, [n, step]."""
    place = np.interp(roughness, ROUGHNESS, np.arange(len(ROUGHNESS)))
    low = np.minimum(place.astype(int), len(ROUGHNESS) - 2)
    share = (place - low).astype(np.float32)[:, None]
    return np.asarray((1.0 - share) * optics.slopes[low] + share * optics.slopes[low + 1], dtype=np.float32)


def roughness_from_purity(purity: NDArray[np.float64], optics: Optics) -> NDArray[np.float64]:
    """Return the roughness [n] that lets the lights be seen as pure as they are, purity [n, light].

    A rough surface mixes neighbouring lights. A slope band that a joint lacks looks like an impure light, so
    the purest light decides.
    """
    estimates = [np.interp(-purity[:, light], -optics.purity[:, light].astype(np.float64), ROUGHNESS)
                 for light in range(purity.shape[1])]
    return np.asarray(np.min(estimates, axis=0), dtype=np.float64)
