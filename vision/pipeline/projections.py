"""Projections: spikes and flags of solder, found as ridges that run outward from the joint."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.grids import SIDE, FineGrid
from vision.pipeline.lead import Leads
from vision.pipeline.unwrap import AZIMUTHS
from vision.setup.family import Joint

RIDGE_MM = 0.045  # scale at which ridges are looked for: about half the half-width of a thin spike
RIDGE_BEND = 900.0  # deg/mm^2; on a fillet without spike the steepness hardly changes along a circle
LEAST_MM = 0.18
FOOT_MM = 0.15  # a spike begins on the lead or at most this far from its edge, a flag anywhere on the land


def find_projections(joints: Sequence[Joint], grid: FineGrid, joined: NDArray[np.bool_],
                     leads: Leads) -> NDArray[np.float64]:
    """Return how far (mm) a spike of solder reaches out from the lead's edge, 0 for none, [joint].

    Along the crest of a spike the surface is flatter than on its flanks, whichever way it leans: going round the
    lead, steepness has a sharp minimum there. The second derivative of steepness along circles around the lead
    shows it; a fillet, whose steepness changes mainly outward, has next to none. `joined` [joint, azimuth] are
    the directions of bridges, which look alike and are told apart by where they lead.
    """
    x, y = grid.x_mm - leads.offset_x_mm[:, None, None], grid.y_mm - leads.offset_y_mm[:, None, None]
    away = np.hypot(x, y)
    azimuth = (np.arctan2(grid.y_mm, grid.x_mm) % (2.0 * np.pi) * (AZIMUTHS / (2.0 * np.pi))).astype(np.intp)
    index = np.arange(len(joints))
    bridged = joined[index[:, None, None], np.minimum(azimuth, AZIMUTHS - 1)]
    foreign = (grid.owner != 0) & (grid.owner != index[:, None, None] + 1)
    ridge = tangential_bend(grid, x, y, away) > RIDGE_BEND
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
        distance = away[joint][rows, left:left + width]
        on_ridge = np.asarray(labels)[top:top + height, left:left + width] == label
        near, far = float(distance[on_ridge].min()), float(distance[on_ridge].max())
        owner = grid.owner[joint][rows, left:left + width][on_ridge]
        starts_at_lead = near < lead + FOOT_MM
        leaves_land = bool((owner == 0).any() and (owner != 0).any())
        if far - near >= LEAST_MM and (starts_at_lead or leaves_land):
            longest[joint] = max(longest[joint], far - lead)
    return longest


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
