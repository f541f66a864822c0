"""Look for loose solder balls on the whole picture, not only inside joint windows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics
from vision.pipeline.spheres import SMALL_RADII_PX, find_spheres, lit_radius
from vision.pipeline.unwrap import CHIP_OWNER, FREE

MAX_BALL_MM = 1.2
MIN_BALL_MM = 0.08
LEAST_FOR_ORDER_PX = 6  # smaller patches are too blurred to show the order of the lights
EDGE_REACH = 1.25  # a ball's middle may lie this many radii inside a land; a lead's dome lies further in
ROUND, CLEARLY_ROUND = 0.45, 0.80  # smaller by larger curvature: 1 on a sphere, near 0 on crests, necks and toes
EXPLAINED, CLEARLY_EXPLAINED = 0.70, 0.85  # share of the steepness that a sphere explains; noise and blur take some
RIM = 0.85  # share of directions with a rim
FAINT = 0.20  # share of what a mirroring slope gives that counts as bright


@dataclass(frozen=True)
class Balls:
    """Balls of one view: centres in picture px (n, 2) and diameters in mm (n,)."""

    places_px: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]


def find_balls(capture: Capture, owners: NDArray[np.uint16], mask: NDArray[np.float32], optics: Optics,
               px_per_mm: float) -> Balls:
    """Return the loose balls of a view; `mask` is the bare board's response [light].

    Balls large enough to show the order of the lights are known by their shading, on free board and where they
    lie over a land's edge. Further inside a land a ball cannot be told from a domed lead. Smaller balls are small,
    round, free-lying patches that mirror lights well above the mask.
    """
    large = _shaded(capture, owners, mask, optics, px_per_mm)
    bright = _bright(capture, mask, optics)
    small = _round_patches(capture, np.where(owners != FREE, 0, bright).astype(np.uint8), bright, optics, px_per_mm)
    fine = small.diameter_mm * px_per_mm < 2.0 * SMALL_RADII_PX[0]
    away = np.hypot(*np.moveaxis(small.places_px[:, None] - large.places_px[None], 2, 0))
    fine &= ~(away < 0.6 * large.diameter_mm[None] * px_per_mm).any(axis=1)
    return Balls(np.concatenate([large.places_px, small.places_px[fine]]),
                 np.concatenate([large.diameter_mm, small.diameter_mm[fine]]))


def _shaded(capture: Capture, owners: NDArray[np.uint16], mask: NDArray[np.float32], optics: Optics,
            px_per_mm: float) -> Balls:
    """Return the balls known by their shading: equally curved both ways, with a dark rim all round."""
    largest = 0.5 * MAX_BALL_MM * px_per_mm
    on_land = ((owners != FREE) & (owners < CHIP_OWNER)).astype(np.uint8)
    depth = cv2.distanceTransform(on_land, cv2.DIST_L2, 3)
    searched = (owners < CHIP_OWNER) & (depth <= EDGE_REACH * largest)
    found = find_spheres(capture.responses, optics, largest, searched, mask)
    column, row = (np.clip(np.round(found.places_px[:, axis]).astype(int), 0, owners.shape[1 - axis] - 1)
                   for axis in (0, 1))
    inward = depth[row, column] / found.radius_px
    good = (found.roundness >= ROUND) & (found.explained >= EXPLAINED) & (found.highlight >= 0.1)
    good &= (found.lit >= FAINT * optics.lit_energy) & (found.radius_px <= largest)
    # Well inside a land, or with a rim that is not dark but as bright as the board, only a clear sphere counts.
    clear = (found.roundness >= CLEARLY_ROUND) & (found.explained >= CLEARLY_EXPLAINED) & (found.rim >= RIM)
    good &= np.where((inward > 0.5) | (found.dark_rim < RIM), clear & (inward <= EDGE_REACH), True)
    # Neighbouring places and radii find the same ball: the best fit stands for all.
    rank = np.nonzero(good)[0][np.argsort(-(found.explained * found.roundness)[good])]
    kept: list[int] = []
    for item in rank.tolist():
        apart = np.hypot(*(found.places_px[kept] - found.places_px[item]).T)
        if (apart > 0.6 * (found.radius_px[kept] + found.radius_px[item])).all():
            kept.append(item)
    places, radius = found.places_px[kept], found.radius_px[kept]
    lit = lit_radius(capture.responses, optics, places, lit_radius(capture.responses, optics, places, radius))
    # What is round and lit but no sphere gives another radius by its edge than by its curvature.
    sphere = (lit > 0.7 * radius) & (lit < 1.5 * radius) & (lit <= largest)
    return Balls(places[sphere] + 0.5, 2.0 * lit[sphere] / px_per_mm)


def _bright(capture: Capture, mask: NDArray[np.float32], optics: Optics) -> NDArray[np.uint8]:
    """Return where some light is seen above the mask by a share of what a mirroring slope gives, 255 or 0."""
    bright = np.zeros(capture.saturated.shape, dtype=np.uint8)
    for plane, reference, white in zip(capture.responses, mask, optics.white, strict=True):
        limit = 1.3 * float(reference) + FAINT * optics.lit_energy / float(white)
        bright |= cv2.compare(plane, limit, cv2.CMP_GT).astype(np.uint8)  # type: ignore[call-overload]
    return bright


def _round_patches(capture: Capture, searched: NDArray[np.uint8], bright: NDArray[np.uint8], optics: Optics,
                   px_per_mm: float) -> Balls:
    """Return the ball-like patches among those searched; `bright` holds everything, for the look at their borders."""
    closed = cv2.morphologyEx(searched, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    # Solder a pixel or two beyond the land's edge would link a ball beside it to the land's whole outline.
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), dtype=np.uint8))
    _, labels, stats, centers = cv2.connectedComponentsWithStats(opened, connectivity=8)
    steepest = np.sin(np.deg2rad(min(optics.max_slope_deg, 45.0)))
    width, height, area = (stats[1:, column].astype(np.float64) for column in (2, 3, 4))
    # The blur of optics and threshold adds about a pixel to the lit disc.
    across = np.maximum(np.sqrt(4.0 * area / np.pi) - 1.0, 0.5) / px_per_mm / steepest
    long, short = np.maximum(width, height), np.minimum(width, height)
    compact = (long <= 1.5 * short + 2.0) & (area >= 0.55 * width * height)
    sized = (across >= MIN_BALL_MM) & (across <= MAX_BALL_MM)
    chosen = np.nonzero(compact & sized)[0].tolist()
    keep = [item for item in chosen if _loose(labels, bright, item + 1, stats[item + 1].tolist())
            and _domed(capture, labels, item + 1, stats[item + 1].tolist(), optics)]
    return Balls(centers[1:][keep].astype(np.float64) + 0.5, across[keep].astype(np.float64))


def _domed(capture: Capture, labels: NDArray[Any], label: int, box: list[int], optics: Optics) -> bool:
    """Say whether a patch mirrors the lights one after the other, as a dome does.

    Print is equally bright under all lights and never as bright as a mirror; a flat metal end is as flat at its
    edge as in its middle; a dome gets steeper outward.
    """
    left, top, width, height = box[:4]
    inside = labels[top:top + height, left:left + width] == label
    samples = capture.responses[:, top:top + height, left:left + width]
    low, high = samples.min(axis=0)[inside], samples.max(axis=0)[inside]
    print_like = (high < 1.3) & (low > 0.3) & (high < 1.8 * low)
    if print_like.mean() >= 0.5 or np.percentile(high, 90) <= 0.7:
        return False
    if min(width, height) < LEAST_FOR_ORDER_PX:
        return True
    radiance = np.maximum(samples, 0.0) * optics.white[:, None, None]
    moment = (radiance * optics.slope_deg[:, None, None]).sum(axis=0) / np.maximum(radiance.sum(axis=0), 1e-4)
    row, column = np.mgrid[0:height, 0:width]
    away = np.hypot((row - (height - 1) / 2.0) / (height / 2.0), (column - (width - 1) / 2.0) / (width / 2.0))
    middle, brim = moment[inside & (away < 0.45)], moment[inside & (away > 0.6)]
    return bool(len(middle) > 0 and len(brim) > 0 and np.median(brim) > np.median(middle) + 2.0)


def _loose(labels: NDArray[Any], bright: NDArray[np.uint8], label: int, box: list[int]) -> bool:
    """Say whether a patch has its own dark border: little of what surrounds it shines.

    A ball's flanks are too steep to be lit, so even one that touches a land is parted from it by a dark line;
    bridges, spikes and solder beyond the land's edge are not.
    """
    left, top, width, height = box[:4]
    rows = slice(max(top - 3, 0), top + height + 3)
    columns = slice(max(left - 3, 0), left + width + 3)
    patch = (labels[rows, columns] == label).astype(np.uint8)
    near, far = (np.asarray(cv2.dilate(patch, np.ones((side, side), dtype=np.uint8))) for side in (3, 7))
    border = far > near
    return bool((border & (bright[rows, columns] > 0)).sum() <= 0.30 * max(int(border.sum()), 1))
