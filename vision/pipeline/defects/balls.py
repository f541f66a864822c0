"""Look for loose solder balls on the whole picture, not only inside joint windows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.defects.spheres import (
    MOST_GROWN,
    MOST_MOVED,
    coarse_levels,
    coarse_spheres,
    fit_spheres,
    level_scale,
    lit_radius,
    rims,
)
from vision.pipeline.light.optics import Optics
from vision.pipeline.view.capture import Capture, set_places
from vision.pipeline.view.lands import in_land_axes
from vision.pipeline.view.unwrap import CHIP_OWNER, CLEARANCE_OWNER, FREE
from vision.setup.family import Joint

MAX_BALL_MM = 1.2
LEAST_BALL_PX = 5.6  # smaller ones show too little of their shape, whatever the scale, to be told from any glint
SMALL_RADIUS_PX = 7.0  # up to here a blurred ball may show no shading that can be fitted
LEAST_FOR_ORDER_PX = 4  # smaller patches are too blurred to show the order of the lights
AROUND_PX = 2  # a blurred patch's brim reaches so far beyond it
LEAST_RISE = 0.06  # of the lights' span of slopes, from a dome's middle to its brim
LEAST_MIDDLE = 0.35  # of what lit solder gives, in a dome's middle
EDGE_REACH = 1.25  # a ball's middle may lie this many radii inside a land, wherever the hole is
CLEARLY_ROUND = 0.80  # smaller by larger curvature: 1 on a sphere, near 0 on crests, necks and toes
CLEARLY_EXPLAINED = 0.85  # share of the steepness that a sphere explains; noise and blur take some
RIM = 0.85  # share of directions with a rim
PERFECT, RIM_BESIDE = 0.9, 0.7  # a sphere as round and as well explained as the first needs a rim in fewer directions
HIGHLIGHT = 0.1, 0.05  # how far the flattest light stands out in a ball's middle; in that of a perfect sphere
NO_HOLES = np.zeros((0, 3))
#: A dome in a land's corner has its middle no further out than the first and no further in than the second.
CORNER_MM, CORNER_BALL_MM = (0.02, 0.12), 0.25
FAINT = 0.20  # share of what a mirroring slope gives that counts as bright


@dataclass(frozen=True)
class Balls:
    """Balls of one view: centres in picture px (n, 2) and diameters in mm (n,)."""

    places_px: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]


def find_balls(capture: Capture, owners: NDArray[np.uint16], mask: NDArray[np.float32], optics: Optics,
               px_per_mm: float, holes_px: NDArray[np.float64] = NO_HOLES) -> Balls:
    """Return the loose balls of a view; `mask` is the bare board's response [light].

    Balls large enough to show the order of the lights are known by their shading, on free board, over a land's edge
    and on the solder, but for what lies over a hole: there a ball cannot be told from a domed lead. `holes_px` are
    the holes' middles and radii in picture px, x, y, radius (n, 3). Smaller balls are small, round, free-lying patches
    that mirror lights well above the mask.
    """
    levels = coarse_levels(capture, optics)
    large = _shaded(capture, levels, owners, mask, optics, px_per_mm, holes_px)
    small = _round_patches(capture, _bright_board(capture, levels, owners, mask, optics), mask, optics, px_per_mm)
    away = np.hypot(*np.moveaxis(small.places_px[:, None] - large.places_px[None], 2, 0))
    fine = ~(away < 0.6 * large.diameter_mm[None] * px_per_mm).any(axis=1)
    return Balls(np.concatenate([large.places_px, small.places_px[fine]]),
                 np.concatenate([large.diameter_mm, small.diameter_mm[fine]]))


def at_corners(places_mm: NDArray[np.float64], diameter_mm: NDArray[np.float64],
               joints: Sequence[Joint]) -> NDArray[np.bool_]:
    """Say which balls are where solder rounds the corner of a rectangular land, (n,).

    Solder is drawn back there to a small round dome that flattens and falls to two sides. A ball that lies there is
    larger, or its middle lies elsewhere. `places_mm` (n, 2) are on the board.
    """
    rect = [joint for joint in joints if joint.land_shape == "rect"]
    if not rect or not len(places_mm):
        return np.zeros(len(places_mm), dtype=bool)
    middle, half, turn = (np.array(part) for part in (
        [(joint.x_mm, joint.y_mm) for joint in rect],
        [(joint.land_w_mm / 2.0, joint.land_h_mm / 2.0) for joint in rect],
        [np.deg2rad(joint.land_rotation_deg) for joint in rect]))
    x, y = np.moveaxis(places_mm[:, None] - middle[None], 2, 0)
    along, across = in_land_axes(x, y, turn)
    within = np.stack([half[:, 0] - np.abs(along), half[:, 1] - np.abs(across)])
    near: NDArray[np.bool_] = np.logical_and.reduce((within > -CORNER_MM[0]) & (within < CORNER_MM[1]), axis=0)
    return np.asarray(near.any(axis=1) & (diameter_mm <= CORNER_BALL_MM), dtype=np.bool_)


def _shaded(capture: Capture, levels: Sequence[NDArray[np.uint8]], owners: NDArray[np.uint16],
            mask: NDArray[np.float32], optics: Optics, px_per_mm: float, holes_px: NDArray[np.float64]) -> Balls:
    """Return the balls known by their shading: equally curved both ways, with a dark rim all round."""
    largest = 0.5 * MAX_BALL_MM * px_per_mm
    # Half as fine is fine enough to say how deep a place lies inside a land, in px of the half picture.
    half = np.ascontiguousarray(owners[::2, ::2])
    on_land = np.asarray(cv2.inRange(half, FREE + 1, CHIP_OWNER - 1), dtype=np.uint8)
    half_depth = np.asarray(cv2.distanceTransform(on_land, cv2.DIST_L2, 3), dtype=np.float32)
    candidates = coarse_spheres(levels, optics, largest)
    across, down = (np.clip(candidates[:, axis] / 2.0, 0, half.shape[1 - axis] - 1).astype(np.intp) for axis in (0, 1))
    owner, depth = half[down, across], half_depth[down, across]
    asked = ((owner < CHIP_OWNER) | (owner == CLEARANCE_OWNER)) & ~_over_holes(candidates, depth, holes_px)
    if len(holes_px) == 0:
        asked &= depth <= 0.5 * EDGE_REACH * largest
    found = fit_spheres(capture, optics, candidates[asked])
    column, row = (np.clip(found.places_px[:, axis] / 2.0, 0, half_depth.shape[1 - axis] - 1).astype(np.float32)
                   for axis in (0, 1))
    deep = cv2.remap(half_depth, column[None], row[None], cv2.INTER_LINEAR)[0] if len(column) else column
    inward = 2.0 * deep.astype(np.float64) / found.radius_px
    good = (found.lit >= FAINT * optics.lit_energy) & (found.radius_px <= largest)
    # Well inside a land only a clear sphere counts; most of what is found there is none, whatever its rim is like.
    shaded = (found.roundness >= CLEARLY_ROUND) & (found.explained >= CLEARLY_EXPLAINED)
    off = _off_holes(found.places_px + 0.5, holes_px)
    beside = (off > 0.0) & ((inward <= EDGE_REACH) | (np.isfinite(off) & (off > 0.5 * found.radius_px)))
    some = np.flatnonzero(good & (shaded & beside | (inward <= 0.5)))
    found, shaded, beside, inward = found.of_some(some), shaded[some], beside[some], inward[some]
    dark_rim, rim = rims(capture, optics, found, mask)
    perfect = np.minimum(found.roundness, found.explained) >= PERFECT
    # A highlight is faint in rough solder, and blurred on a small ball.
    good = found.highlight >= np.where(perfect & (rim >= RIM), HIGHLIGHT[1], HIGHLIGHT[0])
    # A land's bright edge or a neighbour beside a ball hides part of its rim.
    clear = shaded & (rim >= RIM) | perfect & (rim >= RIM_BESIDE)
    # So it is with a rim that is not dark but as bright as the board.
    good &= np.where((inward > 0.5) | (dark_rim < RIM), clear & beside, True)
    item = np.flatnonzero(good)
    places, radius, worth = found.places_px[item], found.radius_px[item], (found.explained * found.roundness)[item]
    lit = lit_radius(capture, optics, places, lit_radius(capture, optics, places, radius))
    # What is round and lit but no sphere gives another radius by its edge than by its curvature.
    sphere = np.flatnonzero((lit > 0.7 * radius) & (lit < 1.5 * radius) & (lit <= largest))
    # Neighbouring places and radii find the same ball: the best fit stands for all.
    kept: list[int] = []
    for index in sphere[np.argsort(-worth[sphere], kind="stable")].tolist():
        apart = np.hypot(*(places[kept] - places[index]).T)
        if (apart > 0.6 * (radius[kept] + radius[index])).all():
            kept.append(index)
    return Balls(places[kept] + 0.5, 2.0 * lit[kept] / px_per_mm)


def _over_holes(candidates: NDArray[np.float64], half_depth: NDArray[np.float32],
                holes_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which candidates x, y, radius (n, 3) lie too deep inside a land and too near its hole to be taken for balls.

    Wherever their fit may end: most are lead ends, and need not be fitted. `half_depth` (n,) is how deep they lie, in
    px of the half picture.
    """
    moved = np.sqrt(2.0) * MOST_MOVED * candidates[:, 2]
    # The distance transform and the half picture's grid are a little off.
    inward = (2.0 * half_depth - 1.06 * moved - 4.0) / (MOST_GROWN[1] * candidates[:, 2])
    over = inward > EDGE_REACH
    x, y, radius = (part[:, None] for part in candidates[over].T)
    moved = moved[over, None]
    reach = holes_px[:, 2] + 0.5 * MOST_GROWN[0] * radius - 1.001 * moved
    square = (x + 0.5 - holes_px[:, 0]) ** 2 + (y + 0.5 - holes_px[:, 1]) ** 2
    over[over] = ((square <= reach * reach) & (reach > 0.0)).any(axis=1)
    return np.asarray(over, dtype=np.bool_)


def _off_holes(places_px: NDArray[np.float64], holes_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far (px) places lie from the nearest hole's rim, negative within it; infinite without holes (n,)."""
    away = np.hypot(*(places_px[:, None] - holes_px[None, :, :2]).transpose(2, 0, 1)) - holes_px[None, :, 2]
    return np.asarray(away.min(axis=1, initial=np.inf), dtype=np.float64)


def _limits(mask: NDArray[np.float32], optics: Optics) -> NDArray[np.float32]:
    """Return the responses [light] above which a light is bright: the mask's and a share of a mirroring slope's."""
    return np.asarray(1.3 * mask + np.float32(FAINT * optics.lit_energy) / optics.white, dtype=np.float32)


def _bright_board(capture: Capture, levels: Sequence[NDArray[np.uint8]], owners: NDArray[np.uint16],
                  mask: NDArray[np.float32], optics: Optics) -> NDArray[np.uint8]:
    """Return where free board is bright under some light, 255 or 0.

    Little is so by a coarse look, `levels`; that alone is asked exactly.
    """
    limits, scale = _limits(mask, optics), level_scale(optics)
    maybe = np.zeros(owners.shape, dtype=bool)
    for plane, limit in zip(levels, limits.tolist(), strict=True):
        maybe |= plane > min(math.floor(limit * scale - 1.0), 254)  # a level is a rounded response, 255 stands for more
    maybe &= owners == FREE
    row, column = np.divmod(set_places(maybe.view(np.uint8)), owners.shape[1])
    bright = np.zeros(owners.shape, dtype=np.uint8)
    bright[row, column] = (capture.responses[:, row, column] > limits[:, None]).any(axis=0) * np.uint8(255)
    return bright


def _round_patches(capture: Capture, searched: NDArray[np.uint8], mask: NDArray[np.float32], optics: Optics,
                   px_per_mm: float) -> Balls:
    """Return the small ball-like patches among those searched.

    Small is what may be too small, in a blurred picture, to be known by its shading.
    """
    closed = cv2.morphologyEx(searched, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    # Solder a pixel or two beyond the land's edge would link a ball beside it to the land's whole outline.
    opened = np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), dtype=np.uint8)), dtype=np.uint8)
    steepest = np.sin(np.deg2rad(min(optics.max_slope_deg, 45.0)))
    largest = (2.0 * SMALL_RADIUS_PX * steepest + 1.0) ** 2 * np.pi / 4.0  # px
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    boxes = np.array([cv2.boundingRect(contour) for contour in contours if len(contour) <= 4.0 * largest],
                     dtype=np.int64).reshape(-1, 4)
    long, short = boxes[:, 2:].max(axis=1, initial=0), boxes[:, 2:].min(axis=1, initial=10**6)
    compact = (long <= 1.5 * short + 2.0) & (0.55 * boxes[:, 2] * boxes[:, 3] <= largest)
    places, diameters = [], []
    for left, top, width, height in boxes[compact].tolist():
        window = opened[top:top + height, left:left + width]
        count, labels, stats, centers = cv2.connectedComponentsWithStats(window, connectivity=8)
        # What fills the box is the patch; a neighbour may reach into its corner.
        label = next((n for n in range(1, count) if stats[n, 2] == width and stats[n, 3] == height), 0)
        area = int(stats[label, cv2.CC_STAT_AREA])
        # The blur of optics and threshold adds about a pixel to the lit disc.
        across = max(float(np.sqrt(4.0 * area / np.pi)) - 1.0, 0.5) / px_per_mm / steepest
        if not LEAST_BALL_PX / px_per_mm <= across <= MAX_BALL_MM:
            continue
        if not label or area < 0.55 * width * height or area >= largest:
            continue
        patch = np.asarray(labels) == label
        if _loose(capture, patch, (left, top), mask, optics) and _domed(capture, patch, (left, top), mask, optics):
            places.append(centers[label] + (left + 0.5, top + 0.5))
            diameters.append(across)
    return Balls(np.array(places).reshape(-1, 2), np.array(diameters))


def _domed(capture: Capture, inside: NDArray[np.bool_], place: tuple[int, int], mask: NDArray[np.float32],
           optics: Optics) -> bool:
    """Say whether a patch mirrors the lights one after the other, as a dome does.

    A dome gets steeper outward. Print has one colour all over, a flat metal end is as flat at its edge as in its
    middle. In a blurred picture a small ball is as grey as print, but the order of the lights is still there, once
    what the mask gives is taken off. Patches too small to show it are told by their brightness.
    """
    (left, top), (height, width) = place, inside.shape
    if min(width, height) < LEAST_FOR_ORDER_PX:
        samples = capture.responses[:, top:top + height, left:left + width]
        low, high = samples.min(axis=0)[inside], samples.max(axis=0)[inside]
        print_like = (high < 1.3) & (low > 0.3) & (high < 1.8 * low)
        return bool(print_like.mean() < 0.5 and np.percentile(high, 90) > 0.7)
    first_row, first_column = max(top - AROUND_PX, 0), max(left - AROUND_PX, 0)
    samples = capture.responses[:, first_row:top + height + AROUND_PX, first_column:left + width + AROUND_PX]
    radiance = np.maximum(samples - mask[:, None, None], 0.0) * optics.white[:, None, None]
    energy, moment = radiance.sum(axis=0), (radiance * optics.slope_deg[:, None, None]).sum(axis=0)
    row = np.arange(samples.shape[1]) + first_row - top - (height - 1) / 2.0
    column = np.arange(samples.shape[2]) + first_column - left - (width - 1) / 2.0
    away = np.hypot(row[:, None] * (2.0 / height), column[None, :] * (2.0 / width))
    middle, brim = away < 0.5, (away > 0.7) & (away < 1.3)
    rise = moment[brim].sum() / max(energy[brim].sum(), 1e-4) - moment[middle].sum() / max(energy[middle].sum(), 1e-4)
    span = float(optics.slope_deg.max() - optics.slope_deg.min())
    return bool(rise > LEAST_RISE * span and energy[middle].mean() > LEAST_MIDDLE * optics.lit_energy)


def _loose(capture: Capture, inside: NDArray[np.bool_], place: tuple[int, int], mask: NDArray[np.float32],
           optics: Optics) -> bool:
    """Say whether a patch has its own dark border: little of what surrounds it shines, and nothing leads away.

    A ball's flanks are too steep to be lit, so even one that touches a land is parted from it by a dark line;
    bridges, spikes and solder beyond the land's edge are not.
    """
    left, top = place
    patch = np.pad(inside, AROUND_PX + 2).astype(np.uint8)
    width, height = capture.size_px
    rows = np.clip(np.arange(patch.shape[0]) + top - AROUND_PX - 2, 0, height - 1)
    columns = np.clip(np.arange(patch.shape[1]) + left - AROUND_PX - 2, 0, width - 1)
    seen = capture.responses[:, rows[:, None], columns]
    shines = (seen > _limits(mask, optics)[:, None, None]).any(axis=0)
    near, far = (np.asarray(cv2.dilate(patch, np.ones((side, side), dtype=np.uint8))) > 0 for side in (3, 7))
    around = far & ~near
    if np.count_nonzero(shines & around) > 0.30 * np.count_nonzero(around):
        return False
    _, labels = cv2.connectedComponents((shines | (patch > 0)).astype(np.uint8), connectivity=4)
    own = np.unique(np.asarray(labels)[patch > 0])
    return not bool((np.isin(labels, own) & ~far).any())
