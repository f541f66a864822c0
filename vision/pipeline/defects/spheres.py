"""Find mirroring spheres by their shading: steepness rises outward from the middle as on a sphere, to a dark rim.

Seen from above, a sphere of radius R has at distance r from its middle a slope whose sine is r / R. So the squared
sine of the slope is a paraboloid, whose two curvatures are equal and give R; the lights reach out to the steepest
slope that mirrors one, and beyond lies a rim that mirrors nothing but the dark surroundings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.ranks import median
from vision.pipeline.light.optics import USUAL_ROUGHNESS, Optics, sector_of, slope_from_responses
from vision.pipeline.view.capture import Capture, set_places

LEVEL_RADII_PX = (4.0, 4.75, 5.65, 6.7)  # searched in each picture of the pyramid; the next is half as fine
SMALL_RADII_PX = (2.8, 3.3)  # searched besides in the full picture; smaller ones do not show the order of the lights
NEAR_RIM, FAR_RIM = 0.75, 1.0  # where the dark rim is looked for, in radii
#: Of lit solder: a smaller step is noise; the second in the full picture, where a small ball's lights are blurred.
LEAST_STEP, LEAST_FINE_STEP = 0.08, 0.05
MIDDLE = 0.22  # of a sphere's radius, about which the flattest lights are mirrored
CORE_PX = 3  # side of the square over which a middle's brightness is averaged
FIT_REACH = 0.56  # slopes up to here, in radii, are fitted
#: Samples each way of the first, second and last fit, and what must be reached to go on: roundness, explained share.
FITS = ((9, 0.05, 0.20), (15, 0.20, 0.45), (15, 0.45, 0.70))
MOST_MOVED, MOST_GROWN = 0.5, (0.7, 1.45)  # of a candidate's radius, while it is fitted
AROUND = 24  # directions in which the rim is looked at

#: How much further out a light is seen for roughness: half-level of the predicted response for the usual roughness.
ROUGH_SPREAD = 1.05
BLUR_PX = 0.35  # a camera's blur lowers the peak of a thin ring and so moves its half-level outward

Array = NDArray[np.float64]
Planes = NDArray[np.float32]
Grey = NDArray[np.uint8]


@dataclass(frozen=True)
class Spheres:
    """Candidates: middles in picture px (n, 2; OpenCV's count), radii in px, and what tells a sphere (n,)."""

    places_px: Array
    radius_px: Array
    roundness: Array  # smaller by larger curvature of the squared sine of slope, 1 on a sphere, 0 on a crest
    explained: Array  # share of the squared sine's spread that the paraboloid explains
    lit: Array  # total radiance of the lit part
    highlight: Array  # how far the flattest light stands out in the middle, against the lit part

    def of_some(self, item: NDArray[np.intp]) -> Spheres:
        """Return some of the candidates."""
        return Spheres(self.places_px[item], self.radius_px[item], self.roundness[item], self.explained[item],
                       self.lit[item], self.highlight[item])


def coarse_spheres(grey: Sequence[Grey], optics: Optics, largest_px: float) -> Array:
    """Return where something may be a sphere by a coarse look: x, y and radius in px (n, 3; OpenCV's count).

    `grey` [light] is what coarse_levels gives.
    """
    flat, steep = seen_in_middle(optics), optics.bands[-1]
    high, low = (_grey(reduce(cv2.max, [grey[light] for light in band])) for band in (flat, steep))
    full = optics.lit_energy * level_scale(optics) / optics.white[[flat[0], steep[0]]]
    size, share = 1.0, LEAST_FINE_STEP
    radii: tuple[float, ...] = (*SMALL_RADII_PX, *LEVEL_RADII_PX)
    found: list[Array] = [np.zeros((0, 3))]
    while LEVEL_RADII_PX[0] * size <= largest_px and min(high.shape) > 32:
        here = _candidates(high, low, [radius for radius in radii if radius * size <= 1.2 * largest_px],
                           (share * float(full[0]), share * float(full[1])))
        found.append(np.concatenate([(here[:, :2] + 0.5) * size - 0.5, here[:, 2:] * size], axis=1))
        size, radii, share = size * 2.0, LEVEL_RADII_PX, LEAST_STEP
        high, low = (_grey(cv2.resize(plane, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
                     for plane in (high, low))
    return np.concatenate(found)


def seen_in_middle(optics: Optics) -> tuple[int, ...]:
    """Return the lights that a sphere mirrors about its middle.

    Of many narrow rings the flattest alone makes a spot too small to be seen on a small ball.
    """
    limit = np.rad2deg(np.arcsin(MIDDLE))
    flat = [band for number, band in enumerate(optics.bands)
            if number == 0 or (number < len(optics.bands) - 1 and float(optics.slope_deg[list(band)].max()) < limit)]
    return tuple(light for band in flat for light in band)


def level_scale(optics: Optics) -> float:
    """Return the number that stands for response 1 in a coarse look: lit solder gives at most 100, glints more."""
    return float(100.0 / (optics.lit_energy / optics.white.min()))


def coarse_levels(capture: Capture, optics: Optics) -> tuple[Grey, ...]:
    """Return the responses, signs dropped, as whole numbers [row, col] of each light: a coarse look."""
    scale = level_scale(optics)
    parts = (cv2.convertScaleAbs(picture, alpha=scale) for picture in capture.interleaved or capture.responses)
    return tuple(_grey(plane) for part in parts for plane in cv2.split(part))


def _candidates(high: Grey, low: Grey, radii: Sequence[float], least: tuple[float, float]) -> Array:
    """Return x, y, radius (n, 3) where the flattest light peaks above a ring all round it and the steepest does not.

    By at least a step `least` of each. Few pixels of the flattest light stand out from a ring around them; the rest is
    asked of those alone.
    """
    middle = _grey(cv2.blur(high, (CORE_PX, CORE_PX)))
    clear = cv2.max(cv2.convertScaleAbs(middle, alpha=0.35), least[0])  # type: ignore[call-overload]
    square = _off_middle(np.ones((CORE_PX, CORE_PX), dtype=np.uint8))
    found = []
    for radius in radii:
        contrast = _grey(cv2.subtract(middle, cv2.dilate(high, _ring(0.85 * radius))))
        spots = _set_pixels(_grey(cv2.compare(contrast, clear, cv2.CMP_GE)))
        here = contrast[spots[:, 1], spots[:, 0]]
        found.append(spots[here >= _around(contrast, spots, square).max(axis=1)])
    spots, radius_of = np.concatenate(found), np.repeat(radii, [len(spots) for spots in found])
    core = np.round(_around(low, spots, square).mean(axis=1))
    brim = np.concatenate([_around(low, part, _on_ring(0.5 * radius)).max(axis=1)
                           for part, radius in zip(found, radii, strict=True)])
    kept = brim >= core + least[1]
    return np.concatenate([spots[kept], radius_of[kept, None]], axis=1)


def _set_pixels(mask: Grey) -> NDArray[np.intp]:
    """Return x and y (n, 2) of the few pixels of a mask that are not 0."""
    row, column = np.divmod(set_places(mask), mask.shape[1])
    return np.stack([column, row], axis=1)


def _around(plane: Grey, spots: NDArray[np.intp], places: tuple[NDArray[np.intp], NDArray[np.intp]]) -> Grey:
    """Return the values of a plane at places (rows, columns) around spots (n, 2), [n, place]."""
    (rows, columns), (height, width), (x, y) = places, plane.shape, spots.T
    reach = int(rows.max())
    if ((x < reach) | (y < reach) | (x >= width - reach) | (y >= height - reach)).any():
        row, column = np.clip(y[:, None] + rows, 0, height - 1), np.clip(x[:, None] + columns, 0, width - 1)
        return _grey(plane.ravel().take(row * width + column))
    return _grey(plane.ravel().take((y * width + x)[:, None] + (rows * width + columns)))


def _grey(plane: NDArray[Any]) -> Grey:
    return np.asarray(plane, dtype=np.uint8)


@lru_cache(maxsize=64)
def _ring(radius: float) -> NDArray[np.uint8]:
    """Return a morphological kernel of twelve points on a circle."""
    reach = int(np.ceil(radius))
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.uint8)
    angle = np.arange(12) * (2.0 * np.pi / 12)
    rows, columns = (np.round(reach + radius * turn(angle)).astype(int) for turn in (np.sin, np.cos))
    kernel[rows, columns] = 1
    return kernel


@lru_cache(maxsize=64)
def _on_ring(radius: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns, from the middle, of twelve points on a circle."""
    return _off_middle(_ring(radius))


def _off_middle(kernel: NDArray[np.uint8]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns, from its middle, of what is set in a kernel."""
    rows, columns = np.nonzero(kernel)
    return rows - kernel.shape[0] // 2, columns - kernel.shape[1] // 2


@lru_cache(maxsize=2)
def _fit_grid(side: int) -> tuple[Planes, Planes, Planes, Planes]:
    """Return the places u and v of the fitted samples, in radii, their terms [sample, term], and the inverse."""
    axis = (np.arange(side) - side // 2) * (FIT_REACH / (side // 2))
    u, v = (part.ravel() for part in np.meshgrid(axis, axis))
    inside = np.hypot(u, v) <= FIT_REACH
    u, v = u[inside], v[inside]
    terms = np.stack([u * u, u * v, v * v, u, v, np.ones_like(u)], axis=1)
    u, v, terms, inverse = (part.astype(np.float32) for part in (u, v, terms, np.linalg.pinv(terms).T))
    return u, v, terms, inverse


def fit_spheres(capture: Capture, optics: Optics, candidates: Array) -> Spheres:
    """Fit a paraboloid to the squared sine of slope at every candidate (n, 3), moving twice to the middle found.

    Middles move by MOST_MOVED of the candidate's radius each way at most, and the radius changes by MOST_GROWN. What is
    no sphere at all is left out after each fit.
    """
    start, first = candidates[:, :2], candidates[:, 2]
    places, radius = start, first
    for side, least_round, least_explained in FITS:
        u, v, terms, inverse = _fit_grid(side)
        seen = sample(capture, *_spread(places, radius, u, v))
        slope, energy = slope_from_responses(seen, optics, USUAL_ROUGHNESS, sector_of(u, v))
        slope *= np.float32(np.pi / 180.0)
        square = np.sin(slope, out=slope)
        square *= square
        solution = _product(square, inverse)
        rest = _product(solution, terms.T)
        rest -= square
        square -= square.mean(axis=1, keepdims=True)
        spread = np.maximum(np.einsum("ns,ns->n", square, square), np.float32(1e-9 * len(u))).astype(np.float64)
        explained = 1.0 - np.einsum("ns,ns->n", rest, rest) / spread
        a, b, c, p, q = (solution[:, column].astype(np.float64) for column in range(5))
        mean, uneven = (a + c) / 2.0, np.hypot((a - c) / 2.0, b / 2.0)
        roundness = np.clip((mean - uneven) / np.maximum(mean + uneven, 1e-9), 0.0, 1.0)
        grown = np.clip(1.0 / np.sqrt(np.maximum(mean, 0.25)), 0.8, 1.25)
        determinant = np.maximum(a * c - b * b / 4.0, 0.05)
        step_u = np.clip((b * q / 2.0 - c * p) / (2.0 * determinant), -0.3, 0.3)
        step_v = np.clip((b * p / 2.0 - a * q) / (2.0 * determinant), -0.3, 0.3)
        places = places + radius[:, None] * np.stack([step_u, step_v], axis=1)
        places = start + np.clip(places - start, -MOST_MOVED * first[:, None], MOST_MOVED * first[:, None])
        radius = np.clip(radius * grown, MOST_GROWN[0] * first, MOST_GROWN[1] * first)
        kept = np.nonzero((roundness >= least_round) & (explained >= least_explained))[0]
        places, radius, start, first = places[kept], radius[kept], start[kept], first[kept]
    roundness, explained = roundness[kept], explained[kept]
    seen, lit = seen[kept], median(energy[kept]).astype(np.float64)
    flat = list(seen_in_middle(optics))
    away = np.hypot(u, v)
    part = np.einsum("nls,l->ns", seen[:, flat], optics.white[flat])
    highlight = (part[:, away < 0.25].mean(axis=1) - part[:, away > 0.45].mean(axis=1)) / np.maximum(lit, 1e-6)
    return Spheres(places, radius, roundness, explained, lit, np.asarray(highlight, dtype=np.float64))


def _product(left: Planes, right: Planes) -> Planes:
    """Return the matrix product by OpenCV, which works on this thread alone.

    NumPy's library of linear algebra would call up others, which costs far more than it saves where boards are graded
    side by side.
    """
    if len(left) == 0:
        return np.zeros((0, right.shape[1]), dtype=np.float32)
    return np.asarray(cv2.gemm(left, right, 1.0, None, 0.0), dtype=np.float32)  # type: ignore[call-overload]


def rims(capture: Capture, optics: Optics, spheres: Spheres, board: Planes) -> tuple[Array, Array]:
    """Return the share of directions whose rim is dark, and of those whose rim is dark or mirrors the board (n,).

    Dark is what is darker than the lit part. On a dark mask the rim is so. On a bright one, or on print, it has the
    colour of what lies around, dimmed. `board` [light] is the bare board's response.
    """
    share = np.concatenate([np.linspace(NEAR_RIM, FAR_RIM, 6), (1.25, 1.4)])
    seen = polar(capture, spheres.places_px, spheres.radius_px, share)
    energy = (np.maximum(seen, 0.0) * optics.white[None, :, None, None]).sum(axis=1)
    rim, outside = seen[:, :, :6], seen[:, :, 6:].mean(axis=2)
    dark = (energy[:, :6] < 0.6 * spheres.lit[:, None, None]).any(axis=1)
    mirrors = np.zeros_like(dark)
    for around in (np.broadcast_to(board[None, :, None], outside.shape), outside):
        ratio = rim / np.maximum(around, 0.02)[:, :, None]
        low, high = ratio.min(axis=1), ratio.max(axis=1)
        mirrors |= ((high < 1.0) & (high < 1.5 * low)).any(axis=1)
    return dark.mean(axis=1), (dark | mirrors).mean(axis=1)


def lit_radius(capture: Capture, optics: Optics, places: Array, radius: Array) -> Array:
    """Return the radius (n,) of spheres about as large as `radius` from how far out the steepest light is seen.

    Halfway down from its peak the slope is the steepest that mirrors that light, whatever the roughness.
    """
    share = np.linspace(0.3, 1.15, 35)
    profile = polar(capture, places, radius, share)[:, list(optics.bands[-1])].max(axis=1)  # [n, share, direction]
    count = np.arange(len(share))[None, :, None]
    peak = np.argmax(np.where(share[None, :, None] < 0.8, profile, -np.inf), axis=1)[:, None]
    beyond = np.where(count >= peak, profile, np.inf)
    limit = 0.5 * (np.take_along_axis(profile, peak, axis=1) + beyond.min(axis=1, keepdims=True))
    after = np.argmax((beyond < limit) & (count > peak), axis=1)[:, None]
    high, low = (np.take_along_axis(profile, np.maximum(place, 0), axis=1)[:, 0] for place in (after - 1, after))
    part = np.clip((high - limit[:, 0]) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    reach = share[0] + (share[1] - share[0]) * (after[:, 0] - 1 + part)
    edge = ROUGH_SPREAD * np.sin(np.deg2rad(optics.max_slope_deg))
    return np.asarray(np.maximum(radius * median(reach) - BLUR_PX, 1.0) / edge, dtype=np.float64)


def polar(capture: Capture, places: Array, radius: Array, share: Array) -> Planes:
    """Sample around places at shares of the radius: [n, light, share, direction]."""
    angle = np.arange(AROUND) * (2.0 * np.pi / AROUND)
    u, v = (np.outer(share, turn(angle)).ravel() for turn in (np.cos, np.sin))
    seen = sample(capture, *_spread(places, radius, u, v))
    return seen.reshape(len(places), seen.shape[1], len(share), AROUND)


def _spread(places: Array, radius: Array, u: NDArray[Any], v: NDArray[Any]) -> tuple[Planes, Planes]:
    """Return x and y [n, m] of points that lie u and v [m] radii from places."""
    x, y = (np.multiply.outer(radius, part, dtype=np.float32) for part in (u, v))
    x += places[:, :1].astype(np.float32)
    y += places[:, 1:].astype(np.float32)
    return x, y


def sample(capture: Capture, x: NDArray[Any], y: NDArray[Any]) -> Planes:
    """Sample all lights at points (n, m) in OpenCV's pixel count: [n, light, m]."""
    if len(x) == 0:
        return np.zeros((0, len(capture.responses), x.shape[1]), dtype=np.float32)
    return capture.sample(x.astype(np.float32, copy=False), y.astype(np.float32, copy=False)).swapaxes(0, 1)
