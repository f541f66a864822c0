"""Pits: black spots in the fillet where gas has come out."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.grids import SIDE, FineGrid, cells_off, grid_step
from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.outlines import KEPT, shapes_of
from vision.setup.family import Joint

CORE = 0.24  # the bottom of a pit is darker than this against lit solder
BLACK = 0.18  # and on the average than this; steep solder still mirrors the board
DEEP_CORE, DEEP_BLACK = 0.13, 0.11  # the same of its deepest part
CLEAR_MM = 0.11  # a pit's middle lies at least this far from the lead's edge
BRIM = 0.50  # and its walls are darker than this
LEAST_MM = 0.06
LARGEST_MM = 0.8
BESIDE_RAD = 0.05  # this much of a gap on both sides of a pit is more than the pit itself makes
EDGE_MM = 0.05  # this close to the land's edge a dark spot may be mask


def find_pits(joints: Sequence[Joint], grid: FineGrid, leads: Leads,
              covered: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the diameter (mm) of each joint's largest pit, 0 for none; all joints as one mosaic.

    A pit is a compact spot on the land's solder that is blacker than any fillet: what is too steep to be lit still
    mirrors a little of the board. As black as a pit is only what lies beside the lead, and the hole where it is open:
    `covered` [joint, azimuth] says in which directions it is not.
    """
    off_lead = _away_squared(grid, leads) > np.where(leads.visible < 0.5, -1.0, leads.nominal_radius_mm**2
                                                     ).astype(np.float32)[:, None, None]
    searched = _on_land(shapes_of(joints)) & off_lead
    if grid.unlit is not None:  # as black as a pit is there, and beside it, what is steep
        searched &= ~grid.unlit
    if grid.lights_change is not None:
        searched &= ~grid.lights_change
    largest = np.zeros(len(joints))
    # A pit that reaches a dark part of the fillet shows apart from it only where it is darkest.
    for limit, black in ((CORE, BLACK), (DEEP_CORE, DEEP_BLACK)):
        np.maximum(largest, _spots(grid, searched, leads, covered, (limit, black)), out=largest)
    return largest


def _spots(grid: FineGrid, searched: NDArray[np.bool_], leads: Leads, covered: NDArray[np.bool_],
           darker: tuple[float, float]) -> NDArray[np.float64]:
    """Return the diameter (mm) of each joint's largest compact spot; `darker` limits all of it and its average."""
    limit, black = darker
    core = (grid.radiance < np.float32(limit)) & searched
    largest = np.zeros(len(core))
    some = np.flatnonzero(core.any(axis=(1, 2)))  # few joints show anything so dark
    if len(some) == 0:
        return largest
    _, mosaic, stats, centers = cv2.connectedComponentsWithStatsWithAlgorithm(
        core[some].reshape(-1, SIDE).view(np.uint8), 8, cv2.CV_32S, cv2.CCL_GRANA)
    labels = np.asarray(mosaic).reshape(-1, SIDE, SIDE)
    number_of = np.minimum(stats[:, cv2.CC_STAT_TOP] // SIDE, len(some) - 1)
    for label in np.nonzero(_compact(stats, grid.step_mm[some[number_of]]))[0].tolist():
        number = int(number_of[label])
        joint, first = int(some[number]), number * SIDE
        left, top, width, height, _ = stats[label].tolist()
        box = left, top - first, width, height
        cell = float(grid.step_mm[joint])
        column, row = centers[label][0] - SIDE // 2, centers[label][1] - first - SIDE // 2
        away = np.hypot(column * cell - leads.offset_x_mm[joint], -row * cell - leads.offset_y_mm[joint])
        if away < leads.nominal_radius_mm[joint] + CLEAR_MM:
            continue
        # A pit itself may look like a narrow gap; a spot in a gap that goes on beside it is the open hole.
        beside = 0.5 * max(width, height) / max(float(np.hypot(column, row)), 1e-6) + BESIDE_RAD
        if _in_gap(covered[joint], float(np.arctan2(-row, column)), beside):
            continue
        spot = labels[number] == label
        if cv2.mean(grid.radiance[joint], spot.view(np.uint8))[0] <= black:
            whole = _diameter((grid.energy[joint], searched[joint]), spot, box)
            largest[joint] = max(largest[joint], whole * cell)
    return largest


def _in_gap(covered: NDArray[np.bool_], azimuth_rad: float, beside_rad: float) -> bool:
    """Say whether nothing is `covered` [azimuth] up to so far on both sides of a direction."""
    count = len(covered)
    middle, reach = azimuth_rad / (2.0 * np.pi) * count - 0.5, beside_rad / (2.0 * np.pi) * count
    asked = np.arange(int(np.ceil(middle - reach)), int(np.floor(middle + reach)) + 1)
    return not bool(covered[asked % count].any())


def _away_squared(grid: FineGrid, leads: Leads) -> NDArray[np.float32]:
    """Squared distance of the grid's samples from the found lead's centre, mm^2, [joint, row, column]."""
    x = (grid.x_mm[:, 0, :] - leads.offset_x_mm[:, None]).astype(np.float32)
    y = (grid.y_mm[:, :, 0] - leads.offset_y_mm[:, None]).astype(np.float32)
    return (x * x)[:, None, :] + (y * y)[:, :, None]


def _compact(stats: NDArray[Any], cell: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which spots have a pit's size and are about as wide as high, from OpenCV's table of labels."""
    width, height, area = (stats[:, column].astype(np.float64) for column in (2, 3, 4))
    long, short = np.maximum(width, height), np.minimum(width, height)
    good = (area * cell * cell >= 0.5 * LEAST_MM**2) & (area >= 0.45 * width * height)
    good &= (long <= 1.5 * short + 1) & (long * cell <= LARGEST_MM)
    good[0] = False  # what belongs to no spot
    return np.asarray(good, dtype=np.bool_)


@lru_cache(maxsize=KEPT)
def _on_land(joints: tuple[Joint, ...]) -> NDArray[np.bool_]:
    """Say which points of the fine grids lie on the land, a margin within its edge, [joint, row, column]."""
    axis = (np.arange(SIDE) - SIDE // 2).astype(np.float64)
    azimuth = np.arctan2(-axis[:, None], axis[None, :]).reshape(1, -1)
    edge = edges_towards(joints, azimuth)
    away = cells_off()[None] * grid_step(joints)[:, None, None]
    inside = np.asarray(away < edge.reshape(len(joints), SIDE, SIDE) - EDGE_MM, dtype=np.bool_)
    inside.setflags(write=False)  # shared by all boards of a family
    return inside


def _diameter(grid: tuple[NDArray[np.float32], NDArray[np.bool_]], spot: NDArray[np.bool_],
              box: tuple[int, int, int, int]) -> float:
    """Diameter (samples) of the disc as large as a spot with its walls, which are at most a third of a spot wide.

    `grid` holds energy and what is searched, [row, column] as the spot; `box` is where it lies.
    """
    left, top, width, height = box
    grow = max(2, round(0.35 * max(width, height)))
    part = slice(max(top - grow, 0), top + height + grow), slice(max(left - grow, 0), left + width + grow)
    own = spot[part].view(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grow + 1, 2 * grow + 1))
    energy, searched = grid
    whole = (np.asarray(cv2.dilate(own, kernel)) > 0) & (energy[part] < BRIM) & searched[part]
    return float(np.sqrt(4.0 * max(int(whole.sum()), int(own.sum())) / np.pi))
