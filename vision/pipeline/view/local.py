"""A small correction per joint: where a land's own edge lies, against where the board's registration puts it.

Fiducials tell where the board lies as a whole. A lens that distorts, a board that has stretched or is bent still leave
single lands a few hundredths of a millimetre off. And copper is etched a little narrower than drawn, or the mask
printed over its edge, on all of a board alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.outlines import KEPT, shapes_of
from vision.pipeline.view.unwrap import AZIMUTHS, OUTSIDE, RING, JointPatches, azimuths_rad
from vision.setup.family import Joint

INNER_STEPS, OUTER_STEPS = 24, 8  # ring samples inside the drawn edge, and samples beyond it, that are looked at
HALF = 0.5  # the edge is the outermost step at least so large, against the ray's largest
LEAST_STEP = 0.08  # of the brightest light's response over one sample: less is no edge
LEAST_RAYS = 0.7  # share of a land's directions that must show an edge that fits
AGREE_MM = 0.03  # and so near it must lie to the shifted outline
ROUNDS = 4
#: The edge that is seen may be that of the mask's opening, which is commonly printed to within 0.075 mm (common
#: practice, no published source), or a toe on one side: up to the first the registration is trusted more.
LEAST_MM, LARGEST_MM = 0.08, 0.2
GROWN_MM = 0.05  # an outline larger or smaller than drawn by more is the mask's opening or a toe that stops short
#: Lands are taken to end further in than drawn from the first on, if the middle half of at least so many agree so well.
#: In whole steps, for what hangs on shapes alone is kept for the next board.
LEAST_INSET_MM, ALIKE_MM, LEAST_LANDS, INSET_STEP_MM = 0.012, 0.02, 6, 0.01
EVERY = 3  # so many directions of the polar samples are looked at: one of so many
SURE = 4.0  # a correction must be so many times its own standard uncertainty


def corrected_joints(joints: Sequence[Joint], patches: JointPatches) -> tuple[Joint, ...] | None:
    """Return the joints where, and with lands as large as, their edges were found; None where all are as drawn."""
    outlines = fit_outlines(joints, patches)
    shift, sure = land_shifts(outlines)
    length = np.hypot(shift[:, 0], shift[:, 1])
    moved = sure & (length >= LEAST_MM) & (length <= LARGEST_MM)
    inset = land_inset(outlines)
    if not (moved.any() or inset):
        return None
    return tuple(_corrected(joint, by, inset) if move or inset else joint
                 for joint, by, move in zip(joints, (shift * moved[:, None]).tolist(), moved.tolist(), strict=True))


def _corrected(joint: Joint, shift_mm: Sequence[float], inset_mm: float) -> Joint:
    return replace(joint, x_mm=joint.x_mm + shift_mm[0], y_mm=joint.y_mm + shift_mm[1],
                   land_w_mm=joint.land_w_mm - 2.0 * inset_mm, land_h_mm=joint.land_h_mm - 2.0 * inset_mm)


@dataclass(frozen=True)
class Outlines:
    """Drawn outlines fitted to the edges that are seen, [joint]."""

    fit_mm: NDArray[np.float64]  # [joint, 3] shift along the board's axes, and growth all round
    seen: NDArray[np.bool_]  # enough of the edge fits, and all of it lies in the picture
    uncertain_mm: NDArray[np.float64]  # of a shift


def land_shifts(outlines: Outlines) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return how far (mm, board axes) each land's edge lies from where it was drawn, [joint, 2], and which are sure."""
    shift = outlines.fit_mm[:, :2]
    sure = outlines.seen & (np.hypot(*shift.T) > SURE * outlines.uncertain_mm)
    sure &= np.abs(outlines.fit_mm[:, 2]) <= GROWN_MM
    return shift, np.asarray(sure, dtype=np.bool_)


def land_inset(outlines: Outlines) -> float:
    """Return how much further in than drawn (mm) a view's lands end; 0 for little, or where they do not agree.

    What is seen further out may be the mask's opening around the land, and says nothing.
    """
    if np.count_nonzero(outlines.seen) < max(LEAST_LANDS, 0.5 * len(outlines.seen)):
        return 0.0
    low, middle, high = np.percentile(-outlines.fit_mm[outlines.seen, 2], (25.0, 50.0, 75.0)).tolist()
    if high - low > ALIKE_MM or not LEAST_INSET_MM <= middle <= GROWN_MM:
        return 0.0
    return float(round(middle / INSET_STEP_MM)) * INSET_STEP_MM


def fit_outlines(joints: Sequence[Joint], patches: JointPatches) -> Outlines:
    """Fit the drawn outlines, shifted and grown all round, to the edges that are seen.

    On every ray the edge is the outermost place where all lights together change by at least half of what they change
    by anywhere near the drawn edge. An outline shifted by s moves along its normal n by s.n, and one grown all round
    by the same everywhere: three numbers are fitted to all rays, and rays that do not fit are left out in turns.
    """
    off_mm, strong = _edges(patches)
    normal, slant = (part[:, ::EVERY] for part in _normals(shapes_of(joints)))
    design = np.concatenate([normal, np.ones((*normal.shape[:2], 1))], axis=2)  # [joint, azimuth, 3]
    moved = off_mm * slant  # along the normal
    kept = strong.copy()
    fit = np.zeros((len(joints), 3))
    rest = moved.copy()
    asked = np.arange(len(joints))
    for _ in range(ROUNDS):
        own, off = design[asked], moved[asked]
        weighted = own * kept[asked, :, None]
        square = np.einsum("jai,jak->jik", weighted, own) + 1e-9 * np.eye(3)
        fit[asked] = np.linalg.solve(square, np.einsum("jai,ja->ji", weighted, off)[:, :, None])[:, :, 0]
        rest[asked] = off - np.einsum("jai,ji->ja", own, fit[asked])
        before, kept = kept, strong & (np.abs(rest) <= AGREE_MM)
        asked = np.flatnonzero((kept != before).any(axis=1))  # the others' fits would be the same again
    count = kept.sum(axis=1)
    spread = np.sqrt((rest**2 * kept).sum(axis=1) / np.maximum(count, 1))
    # Neighbouring rays see the same stretch of edge: every other counts as a look of its own.
    seen = (count >= LEAST_RAYS * AZIMUTHS / EVERY) & patches.in_picture
    return Outlines(fit, np.asarray(seen, dtype=np.bool_), spread * np.sqrt(2.0 / np.maximum(count / 2.0, 1.0)))


def _edges(patches: JointPatches) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return how far outside the drawn edge each looked-at ray's edge lies, mm along the ray, and where one is seen."""
    near = slice(RING.stop - INNER_STEPS, OUTSIDE.start + OUTER_STEPS)
    around = slice(None, None, EVERY)
    step = np.abs(np.diff(patches.responses[:, :, around, near], axis=3)).sum(axis=1)  # [joint, azimuth, place]
    radius = patches.radius_mm[:, around, near]
    # Per length, or the wider samples outside the land would count for more.
    slope = step / np.maximum(np.diff(radius, axis=2), np.float32(1e-6))
    slope[:, :, INNER_STEPS:] *= patches.free[:, around, :OUTER_STEPS - 1]
    largest = slope.max(axis=2)
    strong = slope >= np.float32(HALF) * largest[:, :, None]
    last = slope.shape[2] - 1 - strong[:, :, ::-1].argmax(axis=2)
    # The middle of the steep stretch that ends there, weighted by steepness.
    place = np.arange(slope.shape[2])
    weight = slope * (np.abs(place - last[:, :, None]) <= 2)
    at = 0.5 * (radius[:, :, 1:] + radius[:, :, :-1])
    edge = (weight * at).sum(axis=2, dtype=np.float64) / np.maximum(weight.sum(axis=2, dtype=np.float64), 1e-9)
    seen = (step.max(axis=2) >= LEAST_STEP) & (last < slope.shape[2] - 1)
    return edge - patches.land_edge_mm[:, around], np.asarray(seen, dtype=np.bool_)


@lru_cache(maxsize=KEPT)
def _normals(joints: tuple[Joint, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the outline's outward normal on every ray [joint, azimuth, 2] and its cosine to the ray."""
    azimuth = azimuths_rad()
    little = 1e-4
    before, after = (edges_towards(joints, azimuth + by) for by in (-little, little))
    radius, change = 0.5 * (before + after), (after - before) / (2.0 * little)
    # Of a curve r(a): the normal is r e_r - r' e_a.
    outward, along = radius / np.hypot(radius, change), -change / np.hypot(radius, change)
    normal = np.stack([outward * np.cos(azimuth) - along * np.sin(azimuth),
                       outward * np.sin(azimuth) + along * np.cos(azimuth)], axis=2)
    return normal, outward
