"""Ridges of a surface that run outward from a lead: where steepness has a sharp minimum going round it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.light.grids import SIDE, FineGrid
from vision.pipeline.view.lands import lead_edges
from vision.setup.family import Joint

RIDGE_MM = 0.045  # scale at which ridges are looked for: about half the half-width of a thin spike
LEAST_MM = 0.15  # from the lead's edge
ON_LEAD_MM = -0.10  # what lies deeper on the lead does not count
LEAST_MASS = 550.0  # deg/mm, of a ridge for whose sake all of a joint's are described
LEAST_BRIGHTNESS = 0.72  # of lit solder's: what steep solder mirrors of its neighbours is dimmer than a spike's crest
DIM_BRIGHTNESS, DIM_MASS = 0.45, 1200.0  # but a ridge so long and sharp may be as dim as this
SMALLEST = 10  # samples


@dataclass(frozen=True)
class Ridge:
    """One ridge: where it begins and ends (mm from the lead's edge), its mean bend (deg/mm^2) and its direction."""

    start_mm: float
    end_mm: float
    bend: float
    brightness: float  # median, 1 = as bright as lit solder
    azimuth_rad: float
    mass: float  # mean bend by length, deg/mm; what lies deep on the lead does not count
    corner_mm: float = 0.0  # how far a corner of the lead reaches out there, beyond a disc as large


def ridges_of(found: NDArray[np.bool_], place: NDArray[np.intp], planes: tuple[NDArray[np.float32], ...],
              joints: Sequence[Joint], lead_mm: NDArray[np.float64]) -> list[tuple[int, Ridge]]:
    """Return the joint and the description of every ridge of at least SMALLEST samples that may be a projection.

    Besides them all that reach out as far, where one of the joint's may be. `found` [joint, row, column] says which
    samples are of ridges, `place` counts them through; `planes` are their x and y from the lead (mm), bend and
    radiance.
    """
    place, label = _promising(found, place, planes, lead_mm)
    if len(place) == 0:
        return []
    radiance = planes[3].ravel()[place]
    order = np.lexsort((radiance, label))
    place, label, radiance = place[order], label[order], radiance[order]
    x, y, weight = _of_samples(place, planes)
    joint = place // (SIDE * SIDE)
    first = np.flatnonzero(np.diff(label, prepend=-1))
    count = np.diff(first, append=len(label))
    distance = np.hypot(x, y) - lead_mm[joint]
    middle = 0.5 * (radiance[first + (count - 1) // 2] + radiance[first + count // 2])  # the median: sorted above
    azimuth = np.arctan2(np.add.reduceat(y * weight, first), np.add.reduceat(x * weight, first))
    start, end = np.minimum.reduceat(distance, first), np.maximum.reduceat(distance, first)
    mean, owner = np.add.reduceat(weight, first) / count, joint[first]
    # A square lead's corners reach further out than a disc as large.
    corner = np.maximum(lead_edges([joints[one] for one in owner.tolist()], azimuth) - lead_mm[owner], 0.0)
    mass = mean * np.maximum(end - np.maximum(start, ON_LEAD_MM + corner), 0.0)
    lit = (middle >= LEAST_BRIGHTNESS) | ((middle >= DIM_BRIGHTNESS) & (mass >= DIM_MASS))
    likely = (end >= LEAST_MM) & lit & (mass >= LEAST_MASS)
    asked = np.flatnonzero((end >= LEAST_MM) & np.isin(owner, owner[likely]))
    table = np.stack((start, end, mean, middle, azimuth, mass, corner), axis=1)[asked]
    return [(number, Ridge(*row)) for number, row in zip(owner[asked].tolist(), table.tolist(), strict=True)]


def _promising(found: NDArray[np.bool_], place: NDArray[np.intp], planes: tuple[NDArray[np.float32], ...],
               lead_mm: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.int32]]:
    """Return the samples of the larger ridges, and these ridges' numbers, of joints where one may be a projection.

    At most joints no ridge is long and sharp enough; only the others' are looked at closely. Arguments as of ridges_of.
    """
    _, labels = cv2.connectedComponentsWithAlgorithm(found.reshape(-1, SIDE).view(np.uint8), 8, cv2.CV_32S,
                                                     cv2.CCL_GRANA)
    label = np.asarray(labels, dtype=np.int32).ravel()[place]
    count = np.bincount(label)
    large = count[label] >= SMALLEST
    place, label = place[large], label[large]
    x, y, weight = _of_samples(place, planes)
    joint = place // (SIDE * SIDE)
    distance = np.hypot(x, y) - lead_mm[joint]
    start, end = np.full(len(count), np.inf), np.full(len(count), -np.inf)
    np.minimum.at(start, label, distance)
    np.maximum.at(end, label, distance)
    most = np.bincount(label, weight, len(count)) / np.maximum(count, 1) * np.maximum(
        end - np.maximum(start, ON_LEAD_MM), 0.0)
    # A little less will do: sums in another order differ in their last digits.
    likely = (end >= LEAST_MM) & (most >= 0.999 * LEAST_MASS)
    asked = np.zeros(len(found), dtype=bool)
    asked[joint[likely[label]]] = True
    kept = asked[joint]
    return place[kept], label[kept]


def _of_samples(place: NDArray[np.intp], planes: tuple[NDArray[np.float32], ...]) -> tuple[NDArray[np.float64], ...]:
    """Return x, y and bend of samples, counted through the planes [joint, row, column].

    All rows of the plane of x are alike, and all columns of that of y.
    """
    row, column = np.divmod(place, SIDE)
    x, y, bend = planes[0][:, 0].ravel(), planes[1][:, :, 0].ravel(), planes[2].ravel()
    return tuple(np.asarray(part, dtype=np.float64) for part in (
        x.take(row // SIDE * SIDE + column), y.take(row), bend.take(place)))


def _derivative(table: NDArray[np.float32], across: int, down: int) -> NDArray[np.float32]:
    return np.asarray(cv2.Sobel(table, cv2.CV_32F, across, down, ksize=3), dtype=np.float32)


def tangential_bend(grid: FineGrid, x: NDArray[np.floating[Any]], y: NDArray[np.floating[Any]],
                    away_squared: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
    """Second derivative of steepness along circles around the lead, deg/mm^2, [joint, row, column].

    x, y and their squares' sum are those of the samples seen from the lead. The outermost rows mix neighbouring joints.
    """
    soft = np.empty_like(grid.steep_deg)
    for joint, step in enumerate(grid.step_mm.tolist()):
        cv2.GaussianBlur(grid.steep_deg[joint], (0, 0), RIDGE_MM / step, dst=soft[joint])
    table = soft.reshape(-1, SIDE)
    along, down, mixed = (_derivative(table, *order).reshape(soft.shape) for order in ((2, 0), (0, 2), (1, 1)))
    # The tangent of the circle in grid axes is (-y, -x) / away: columns along board x, rows along board -y.
    column, row = x[:, :1].astype(np.float32), y[:, :, :1].astype(np.float32)
    along *= row * row
    down *= column * column
    mixed *= np.float32(2.0) * column * row
    along += down
    along += mixed
    # OpenCV's 3 x 3 second derivatives are four times the plain ones.
    scale = (4.0 * grid.step_mm**2).astype(np.float32)[:, None, None]
    along /= np.clip(away_squared, 1e-12, np.inf).astype(np.float32, copy=False) * scale
    return along
