"""Where a mirror-like sample looks round the circle: neighbours in the way, single LEDs of a ring."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.canvas import Canvas
from synthetic_images.light import NODES, node_slopes
from synthetic_images.plan import BoardPlan

F32 = NDArray[np.float32]
BINS = 180
RANGE_MM = 6.0
DIMMED = 0.4  # a neighbour in the way is metal itself and mirrors something


def horizons(plan: BoardPlan) -> F32:
    """Return the elevation (rad) that neighbouring leads hide from each joint, (joint, azimuth bin), board frame."""
    place = np.array([(j.x_mm, j.y_mm) for j in plan.family.joints]) + plan.joints.lead_shift
    size = np.array([max(j.lead_w_mm, j.lead_h_mm) for j in plan.family.joints]) / 2.0
    step = place[None] - place[:, None]
    away = np.hypot(step[..., 0], step[..., 1])
    np.fill_diagonal(away, np.inf)
    one, other = np.nonzero(away <= RANGE_MM)
    step, away = step[one, other], np.maximum(away[one, other], 1e-6)
    # Seen from the fillet's middle height; the fillet's own reach brings the neighbour nearer on one side.
    rise = np.arctan2((plan.joints.protrusion * plan.joints.has_lead - 0.15)[other], np.maximum(away - 0.5, 0.3))
    bins = (np.arange(BINS) + 0.5) * (2 * np.pi / BINS)
    off = np.abs((bins - np.arctan2(step[:, 1], step[:, 0])[:, None] + np.pi) % (2 * np.pi) - np.pi)
    hidden = off < (np.arctan2(size[other], away) + np.pi / BINS)[:, None]
    sharp = np.zeros((len(place), BINS))
    np.maximum.at(sharp, one, hidden * np.maximum(rise, 0.0)[:, None])
    order = np.fft.rfftfreq(BINS, 1.0 / BINS)
    soften = np.exp(-0.5 * (order * np.deg2rad(5.0)) ** 2)  # lamps are diffuse, so shadows have soft sides
    return np.fft.irfft(np.fft.rfft(sharp, axis=1) * soften, BINS, axis=1).astype(np.float32)


@dataclass(frozen=True)
class Surround:
    """What azimuth_factor needs of a board: neighbours' horizons and the ring's single LEDs."""

    joints: int
    horizon: F32  # (joint, azimuth bin) rad
    to_board: F32  # (2, 2) picture to board directions
    leds: int
    depth: float
    phase: float


def surround(plan: BoardPlan, canvas: Canvas, led_contrast: float, rng: np.random.Generator) -> Surround:
    """Prepare a board; `led_contrast` 0..1 says how much of the single LEDs survives the solder's roughness."""
    depth = plan.recipe.one("light.single_leds", rng) * led_contrast
    return Surround(len(plan.family.joints), horizons(plan),
                    np.linalg.inv(canvas.board_to_fine.matrix).astype(np.float32), int(rng.integers(20, 80)), depth,
                    float(rng.uniform(0, 2 * np.pi)))


def azimuth_factor(around: Surround, surface: NDArray[np.int16], node: NDArray[np.int32], gx: F32, gy: F32) -> F32:
    """Return the factor (sample,) on a sample's light from what its mirror direction meets.

    `gx`, `gy` are slopes in the picture.
    """
    factor = np.ones(len(surface), np.float32)
    joint = (surface.astype(np.int32) - cv.FIRST_JOINT) // 3
    own = (surface >= cv.FIRST_JOINT) & (joint < around.joints)
    slopes = node_slopes().astype(np.float32)
    low_light = np.flatnonzero(own & (node > int(np.searchsorted(slopes, np.deg2rad(31.0)))) & (node < NODES * 0.56))
    down_x, down_y = -gx[low_light], -gy[low_light]
    u, v = (around.to_board[i, 0] * down_x + around.to_board[i, 1] * down_y for i in range(2))
    place = (_angle(u, v) * np.float32(BINS / (2 * np.pi))).astype(np.int32) % BINS
    zenith = 2.0 * slopes[node[low_light]]
    over = (zenith - (np.float32(np.pi / 2) - around.horizon[joint[low_light], place])) / np.float32(0.22)
    factor[low_light] = 1.0 - np.float32(1.0 - DIMMED) * np.clip(over, 0.0, 1.0)
    if around.depth > 0.03:
        lit = np.flatnonzero(own & (node > NODES // 24))
        wave = np.cos(_angle(gx[lit], gy[lit]) * np.float32(around.leds) + np.float32(around.phase))
        factor[lit] *= 1.0 + np.float32(around.depth) * wave
    return factor


def _angle(x: F32, y: F32) -> F32:
    """Return azimuths in radians, 0 to 2 pi."""
    return np.asarray(cv2.phase(x, y), dtype=np.float32).ravel() if len(x) else np.zeros(0, np.float32)
