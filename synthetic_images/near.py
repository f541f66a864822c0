"""Rings at a finite distance: where a board point off the middle of the view sees their LEDs, and how bright.

A station says from which zenith angles a ring lights the *middle* of the view and, with `distance_mm`, how far its LEDs
are from there: they lie on a sphere of that radius round the middle. From a point r off the middle a LED at zenith t
and azimuth p stands at d (sin t cos p, sin t sin p, cos t) - r; its irradiance on the board falls with the inverse
square of that vector's length and with the cosine of its zenith angle.

What stays approximate: the height of a sample above the board counts as nothing against the distance (1 mm in 100);
the lobe of a rough surface keeps its angular width while the ring's band looks wider or narrower by the ray's length
over the distance; solder's weak diffuse part is lit as evenly as in the middle; every LED shines equally bright into
all directions of the view.

Frame: x to the right, y up in the picture, origin in the middle of the view, mm; azimuths counter-clockwise from x.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from synthetic_images.light import LAST_X, NODES
from vision.setup import Light

F32 = NDArray[np.float32]
Array = NDArray[np.float64]
_ZENITHS, _AZIMUTHS = 6, 24
_COARSE_PX = 16
#: Points of the board farther off than this share of the distance are taken as no farther.
FARTHEST = 0.95


def point_source(distance_mm: float, zenith: ArrayLike, azimuth: ArrayLike, x_mm: ArrayLike, y_mm: ArrayLike
                 ) -> tuple[Array, Array, Array]:
    """Return zenith, azimuth (rad) and irradiance of one LED at board points.

    `zenith` and `azimuth` (rad) are those in the middle, the irradiance counts against that in the middle; all
    arguments broadcast.
    """
    zenith, azimuth = np.asarray(zenith, dtype=np.float64), np.asarray(azimuth, dtype=np.float64)
    x = distance_mm * np.sin(zenith) * np.cos(azimuth) - x_mm
    y = distance_mm * np.sin(zenith) * np.sin(azimuth) - y_mm
    z = distance_mm * np.cos(zenith)
    away = np.sqrt(x**2 + y**2 + z**2)
    return np.arctan2(np.hypot(x, y), z), np.arctan2(y, x), (distance_mm / away) ** 3


def irradiance_share(light: Light, x_mm: ArrayLike, y_mm: ArrayLike) -> Array:
    """Return the irradiance of a light on the board at points against that in the middle; 1 where it is infinitely far.

    Every solid angle of the ring, seen from the middle, is a LED of its own: weights sin(t) cos(t) as in the middle.
    """
    x, y = np.broadcast_arrays(np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64))
    if light.distance_mm is None:
        return np.ones(x.shape)
    low, high = np.deg2rad(light.zenith_deg)
    zenith = low + (np.arange(_ZENITHS)[:, None] + 0.5) / _ZENITHS * (high - low)
    start, end = np.deg2rad(light.azimuth_deg)
    azimuth = start + (np.arange(_AZIMUTHS) + 0.5) / _AZIMUTHS * (end - start)
    weight = np.broadcast_to(np.sin(zenith) * np.cos(zenith), (_ZENITHS, _AZIMUTHS)).ravel()
    total = np.zeros(x.shape)
    for t, p, w in zip(np.broadcast_to(zenith, (_ZENITHS, _AZIMUTHS)).ravel(), np.tile(azimuth, _ZENITHS), weight,
                       strict=True):
        total += w * point_source(light.distance_mm, t, p, x, y)[2]
    return np.asarray(total / weight.sum())


def falloff_map(light: Light, size_px: tuple[int, int], mm_per_px: float) -> F32:
    """Return `irradiance_share` over a picture of (width, height) px, worked out at every 16th pixel."""
    return _enlarged(irradiance_share(light, *_coarse_places(size_px, mm_per_px)), size_px)


def _coarse_places(size_px: tuple[int, int], mm_per_px: float) -> tuple[F32, F32]:
    """Return x and y (row, col) in mm at every 16th pixel of a picture, one place more on every side."""
    x, y = (((np.arange(-(-side // _COARSE_PX) + 2) - 0.5) * _COARSE_PX - side / 2.0) * mm_per_px for side in size_px)
    columns, rows = np.meshgrid(x.astype(np.float32), -y.astype(np.float32))
    return columns, rows


def _enlarged(coarse: NDArray[np.floating[Any]], size_px: tuple[int, int]) -> F32:
    """Return values at `_coarse_places` over the whole picture."""
    rows, cols = coarse.shape
    whole = cv2.resize(coarse.astype(np.float32), (cols * _COARSE_PX, rows * _COARSE_PX),
                       interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(whole[_COARSE_PX:, _COARSE_PX:][:size_px[1], :size_px[0]], dtype=np.float32)


def as_in_the_middle(distance_mm: float, gx: F32, gy: F32, x_mm: F32, y_mm: F32) -> tuple[F32, F32, F32]:
    """Return the slopes that show in the middle of the view what slopes gx, gy show at points off it.

    gx, gy are gradients along columns and rows (so y runs down for them). A mirror of downhill vector p, length tan(a),
    looks along the direction with sine 2 p / (1 + p^2) and cosine (1 - p^2) / (1 + p^2). Where that ray meets the
    sphere of the LEDs is the place it shows; the slope whose mirror direction leads there from the middle has the
    downhill vector P_xy / (d + P_z), since tan(t / 2) = sin t / (1 + cos t). Exact for mirrors; the lobe of a rough
    surface is carried along unchanged in size.

    The third array is the length of the ray against the distance.
    """
    d = np.float32(distance_mm)
    off = np.sqrt(x_mm * x_mm + y_mm * y_mm)
    hold = np.minimum(np.float32(FARTHEST) * d / np.maximum(off, np.float32(1e-6)), np.float32(1.0))
    x, y = x_mm * hold / d, y_mm * hold / d
    scale = 1.0 / (1.0 + gx * gx + gy * gy)
    sin_x, sin_y, cos = -2.0 * gx * scale, 2.0 * gy * scale, 2.0 * scale - 1.0
    along = x * sin_x + y * sin_y
    length = np.sqrt(1.0 - x * x - y * y + along * along) - along
    divisor = np.maximum(1.0 + length * cos, np.float32(1e-3))
    out = (-(x + length * sin_x) / divisor, (y + length * sin_y) / divisor, length)
    return out[0].astype(np.float32), out[1].astype(np.float32), out[2].astype(np.float32)


def near_gain(blunt: F32, ray: F32, falloff: F32) -> F32:
    """Return the factor on a metal's response to a near light; 1 for resins, whose bluntness is 0.

    A response counts against the white sheet there, so what mirrors a part of the ring keeps its radiance: 1 / falloff.
    A lobe wider than the ring collects it by solid angle, which goes with the inverse square of the distance.
    """
    gain = np.exp(-2.0 * blunt * np.log(ray))
    gain /= falloff
    gain[blunt <= 0.0] = 1.0
    return np.asarray(gain, dtype=np.float32)


def flat_lift(mask_curves: F32, size_px: tuple[int, int], mm_per_px: float, distance_mm: float | None,
              lens_mm: float | None) -> F32 | None:
    """Return what flat mask gives more (row, col) than in the middle of the view; None where it is the same everywhere.

    A lens or a ring at a finite distance makes flat places off the middle mirror other zenith angles. `mask_curves` is
    the mask's (azimuth, node) response.
    """
    if distance_mm is None and lens_mm is None:
        return None
    x, y = _coarse_places(size_px, mm_per_px)
    lens = np.float32(0.0 if lens_mm is None else 0.5 / lens_mm)
    gx, gy = -lens * x, lens * y
    if distance_mm is not None:
        gx, gy, _ = as_in_the_middle(distance_mm, gx, gy, x, y)
    slope = np.hypot(gx, gy)
    node = np.minimum(slope / (1.0 + slope) * ((NODES - 1) / LAST_X), NODES - 1.001)
    sectors = len(mask_curves)
    turn = (np.arctan2(gy, -gx) / (2 * np.pi) % 1.0) * sectors
    low, first = node.astype(np.intp), turn.astype(np.intp) % sectors
    part, share = node - low, turn - np.floor(turn)
    here, there = (mask_curves[which, low] * (1.0 - part) + mask_curves[which, low + 1] * part
                   for which in (first, (first + 1) % sectors))
    return _enlarged(here * (1.0 - share) + there * share - mask_curves[:, 0].mean(), size_px)
