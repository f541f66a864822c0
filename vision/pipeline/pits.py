"""Pits: black spots in the fillet where gas has come out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.grids import SIDE, FineGrid
from vision.pipeline.lands import edge_distance
from vision.pipeline.lead import Leads
from vision.setup.family import Joint

CORE = 0.24  # the bottom of a pit is darker than this against lit solder; steep solder still mirrors the board
BRIM = 0.50  # and its walls are darker than this
LEAST_MM = 0.06
LARGEST_MM = 0.8
RINGED = 0.6  # share of a pit's surroundings that must be lit
EDGE_MM = 0.05  # this close to the land's edge a dark spot may be mask


def find_pits(joints: Sequence[Joint], grid: FineGrid, leads: Leads) -> NDArray[np.float64]:
    """Return the diameter (mm) of each joint's largest pit, 0 for none; all joints as one mosaic.

    A pit is a compact black spot on the land's solder with lit solder nearly all around it: a fillet may be as dark
    where it is too steep to be lit, but that opens towards the lead. What lies wholly between lead and hole edge is a
    gap of the fillet, not a pit, unless it is clear of the lead.
    """
    inside = _on_land(joints, grid)
    away = np.hypot(grid.x_mm - leads.offset_x_mm[:, None, None], grid.y_mm - leads.offset_y_mm[:, None, None])
    off_lead = (away > leads.nominal_radius_mm[:, None, None]) | (leads.visible < 0.5)[:, None, None]
    core = ((grid.energy < CORE) & inside & off_lead).reshape(-1, SIDE).astype(np.uint8)
    brim = ((grid.energy < BRIM) & inside & off_lead).reshape(-1, SIDE).astype(np.uint8)
    _, labels, stats, centers = cv2.connectedComponentsWithStats(core, connectivity=8)
    largest = np.zeros(len(joints))
    for label in range(1, len(stats)):
        left, top, width, height, area = stats[label].tolist()
        joint = top // SIDE
        cell = float(grid.step_mm[joint])
        if area * cell * cell < 0.5 * LEAST_MM**2 or area < 0.45 * width * height:
            continue
        if max(width, height) > 2.2 * min(width, height) + 2 or max(width, height) * cell > LARGEST_MM:
            continue
        spot = np.asarray(labels)[top:top + height, left:left + width] == label
        rows = slice(top - joint * SIDE, top - joint * SIDE + height)
        clear = away[joint][rows, left:left + width][spot].min() > leads.nominal_radius_mm[joint] + 2.0 * cell
        column, row = centers[label][0] - SIDE // 2, centers[label][1] - joint * SIDE - SIDE // 2
        if np.hypot(column, row) * cell < joints[joint].hole_mm / 2.0 and not clear:
            continue
        if _lit_around(grid.energy[joint], spot, (left, top - joint * SIDE)) < RINGED:
            continue
        largest[joint] = max(largest[joint], _diameter(brim, labels, label, (left, top, width, height)) * cell)
    return largest


def _lit_around(energy: NDArray[np.float64], spot: NDArray[np.bool_], place: tuple[int, int]) -> float:
    """Return the share of a band around a spot (two to five samples off it) that is lit."""
    left, top = place
    padded = np.pad(spot, 6).astype(np.uint8)
    near, far = (cv2.dilate(padded, np.ones((side, side), dtype=np.uint8)) for side in (5, 11))
    row, column = np.nonzero(np.asarray(far) > np.asarray(near))
    row, column = row + top - 6, column + left - 6
    inside = (row >= 0) & (row < SIDE) & (column >= 0) & (column < SIDE)
    return float((energy[row[inside], column[inside]] > BRIM).mean()) if inside.any() else 0.0


def _on_land(joints: Sequence[Joint], grid: FineGrid) -> NDArray[np.bool_]:
    """Say which grid points lie on the land, a margin within its edge, [joint, row, column]."""
    azimuth = np.arctan2(grid.y_mm, grid.x_mm).reshape(len(joints), -1)
    turn = np.deg2rad([joint.land_rotation_deg for joint in joints])[:, None]
    size = np.array([(joint.land_w_mm, joint.land_h_mm) for joint in joints])
    edge = edge_distance(size, np.array([joint.land_shape for joint in joints]), azimuth - turn)
    inside = np.hypot(grid.x_mm, grid.y_mm) < edge.reshape(len(joints), SIDE, SIDE) - EDGE_MM
    return np.asarray(inside, dtype=np.bool_)


def _diameter(brim: NDArray[np.uint8], labels: NDArray[Any], label: int, box: tuple[int, int, int, int]) -> float:
    """Diameter (samples) of the disc as large as a spot with its walls, which are at most a third of a spot wide."""
    left, top, width, height = box
    grow = max(2, round(0.35 * max(width, height)))
    rows = slice(max(top - grow, 0), top + height + grow)
    columns = slice(max(left - grow, 0), left + width + grow)
    spot = (labels[rows, columns] == label).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1, 2 * grow + 1))
    whole = (np.asarray(cv2.dilate(spot, kernel)) > 0) & (brim[rows, columns] > 0)
    return float(np.sqrt(4.0 * max(int(whole.sum()), int(spot.sum())) / np.pi))
