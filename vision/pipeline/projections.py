"""Projections: spikes and flags of solder, found as ridges that run outward from the joint."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.grids import SIDE, FineGrid
from vision.pipeline.lead import Leads
from vision.pipeline.unwrap import AZIMUTHS, JointPatches
from vision.setup.family import Joint

RIDGE_MM = 0.045  # scale at which ridges are looked for: about half the half-width of a thin spike
RIDGE_BEND = 700.0  # deg/mm^2; on a fillet without spike the steepness hardly changes along a circle
CLEAR_BEND, SHARP_BEND = 1500.0, 2100.0  # mean of a long and of a short ridge; grain and creases are blunter
LONG_MM, LONG_FOOT_MM, LONG_BEND = 0.75, 0.20, 1100.0  # no grain runs on for so long, so a blunter ridge counts
LEAST_MM = 0.22  # from the lead's edge
SHORT_MM = 0.40
FOOT_MM = 0.12  # a spike begins on the lead or at most this far from its edge
FLAG_FOOT_MM = 0.40  # and a flag at most this far
TONGUE_MM = 0.20  # beyond the land
WIDEST_TONGUE = 20  # azimuth samples
CROSSING_MM = 0.12  # a flag runs at least this far on either side of the land's edge


def find_projections(joints: Sequence[Joint], grid: FineGrid, joined: NDArray[np.bool_],
                     leads: Leads) -> NDArray[np.float64]:
    """Return how far (mm) a spike of solder reaches out from the lead's edge, 0 for none, [joint].

    Along the crest of a spike the surface is flatter than on its flanks, whichever way it leans: going round the
    lead, steepness has a sharp minimum there. The second derivative of steepness along circles around the lead
    shows it; a fillet, whose steepness changes mainly outward, has next to none. `joined` [joint, azimuth] are
    the directions of bridges and of gaps, which look alike and are told apart by where they lead.
    """
    x, y = grid.x_mm - leads.offset_x_mm[:, None, None], grid.y_mm - leads.offset_y_mm[:, None, None]
    away = np.hypot(x, y)
    azimuth = (np.arctan2(grid.y_mm, grid.x_mm) % (2.0 * np.pi) * (AZIMUTHS / (2.0 * np.pi))).astype(np.intp)
    index = np.arange(len(joints))
    bridged = joined[index[:, None, None], np.minimum(azimuth, AZIMUTHS - 1)]
    foreign = (grid.owner != 0) & (grid.owner != index[:, None, None] + 1)
    bend = tangential_bend(grid, x, y, away)
    ridge = bend > RIDGE_BEND
    ridge &= (away > 0.5 * leads.nominal_radius_mm[:, None, None]) & ~foreign & ~bridged
    ridge[:, 0] = False  # keeps neighbours in the mosaic apart
    _, labels, stats, _ = cv2.connectedComponentsWithStats(ridge.reshape(-1, SIDE).astype(np.uint8), connectivity=8)
    longest = np.zeros(len(joints))
    for label in range(1, len(stats)):
        left, top, width, height, area = stats[label].tolist()
        joint = top // SIDE
        lead = float(leads.nominal_radius_mm[joint])
        if area < 10 or np.hypot(width, height) * grid.step_mm[joint] < LEAST_MM:
            continue
        rows = slice(top - joint * SIDE, top - joint * SIDE + height)
        on_ridge = np.asarray(labels)[top:top + height, left:left + width] == label
        distance = away[joint][rows, left:left + width][on_ridge] - lead
        owner = grid.owner[joint][rows, left:left + width][on_ridge]
        if _is_projection(distance, bend[joint][rows, left:left + width][on_ridge], owner == 0):
            longest[joint] = max(longest[joint], float(distance.max()))
    return longest


def _is_projection(distance: NDArray[np.float64], bend: NDArray[np.float32], off_land: NDArray[np.bool_]) -> bool:
    """Tell spikes and flags from grain and creases by where a ridge runs (mm from the lead's edge) and how sharp it is.

    A spike begins on the lead; a short one must be sharper than grain can be. A flag runs from the fillet out over
    the mask. A rect land's corner also leaves the land, but begins close to it.
    """
    start, end = float(distance.min()), float(distance.max())
    if start < LONG_FOOT_MM and end >= LONG_MM and float(bend.mean()) >= LONG_BEND:
        return True
    if start < FOOT_MM and end >= LEAST_MM:
        return float(bend.mean()) >= (SHARP_BEND if end < SHORT_MM else CLEAR_BEND)
    beyond = distance[off_land]
    if len(beyond) == 0 or start > FLAG_FOOT_MM:
        return False
    outside = float(beyond.max() - beyond.min())
    return outside >= CROSSING_MM and end - start - outside >= CROSSING_MM and float(bend.max()) >= 1.2 * CLEAR_BEND


def find_tongues(patches: JointPatches, metal: NDArray[np.bool_], joined: NDArray[np.bool_],
                 leads: Leads) -> NDArray[np.float64]:
    """Return how far (mm) a narrow tongue of metal on the mask reaches from the lead's edge, 0 for none, [joint].

    `metal` [joint, azimuth, OUTSIDE] are the free samples beyond the land that are metal. Flags too broad to have a
    crest show as such a tongue; solder all along a land's edge does not.
    """
    run = np.cumprod(metal & ~joined[:, :, None], axis=2).sum(axis=2) * patches.step_mm[:, :, -1]
    beyond = run - np.median(run, axis=1)[:, None]
    far = beyond >= TONGUE_MM
    steady = far & np.roll(far, 1, axis=1) & np.roll(far, 2, axis=1)
    narrow = (far.sum(axis=1) <= WIDEST_TONGUE) & steady.any(axis=1)
    reach = np.where(far, patches.land_edge_mm + beyond - leads.nominal_radius_mm[:, None], 0.0).max(axis=1)
    return np.where(narrow, reach, 0.0)


def tangential_bend(grid: FineGrid, x: NDArray[np.float64], y: NDArray[np.float64],
                    away: NDArray[np.float64]) -> NDArray[np.float32]:
    """Second derivative of steepness along circles around the lead, deg/mm^2, [joint, row, column]."""
    safe = np.maximum(away, 1e-6)
    # Tangent of the circle in grid axes: columns along board x, rows along board -y.
    along_columns, along_rows = (-y / safe).astype(np.float32), (-x / safe).astype(np.float32)
    bend = np.empty_like(grid.steep_deg)
    for joint, step in enumerate(grid.step_mm.tolist()):
        soft = cv2.GaussianBlur(grid.steep_deg[joint], (0, 0), RIDGE_MM / step)
        scale = 1.0 / (4.0 * step * step)  # OpenCV's 3 x 3 second derivatives are four times the plain ones
        cc, rr, cr = (cv2.Sobel(soft, cv2.CV_32F, *order, ksize=3, scale=scale) for order in ((2, 0), (0, 2), (1, 1)))
        u, v = along_columns[joint], along_rows[joint]
        bend[joint] = cc * u * u + 2.0 * cr * u * v + rr * v * v
    return bend
