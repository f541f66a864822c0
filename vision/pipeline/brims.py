"""How sharply what may be a lead's end is bounded: a lead has an edge, a dish or dome of solder has none."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

BAND_MM = 0.12  # the edge is looked for so far inside and outside the outline
SECTORS = 12  # of the outline; by the median a few may be hidden, bridged or dull
OVER_MM = 0.06  # light is compared over so much
LEAST = 0.1  # radiance against lit solder, added where it is divided
USUAL = 0.5  # ends of at least this evidence tell how sharp a view's edges are
SMOOTH, SHARP = 0.3, 0.5  # of the view's usual sharpness: none at all, and enough


@dataclass(frozen=True)
class Bands:
    """Samples near the outlines of leads in their grids' middles, joint by joint and sector by sector."""

    joint: NDArray[np.intp]  # [sample]
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    first: NDArray[np.intp]  # [joint * SECTORS] the first sample of each sector


def bands(edge_mm: NDArray[np.float64]) -> Bands:
    """Return the samples near outlines, from every sample's distance to them [joint, row, column]."""
    joints, side, _ = edge_mm.shape
    axis = np.arange(side) - side // 2
    turn = np.arctan2(-axis[:, None], axis[None, :]) / (2.0 * np.pi) + 0.5
    sector = np.minimum((turn * SECTORS).astype(np.intp), SECTORS - 1)
    joint, row, column = np.nonzero(np.abs(edge_mm) < BAND_MM)
    order = np.lexsort((sector[row, column], joint))
    joint, row, column = joint[order], row[order], column[order]
    item = joint * SECTORS + sector[row, column]
    return Bands(joint, row, column, np.searchsorted(item, np.arange(joints * SECTORS)).astype(np.intp))


def sharp_edges(lights: NDArray[np.float32], step_mm: NDArray[np.float64], near: Bands, row: NDArray[np.int64],
                column: NDArray[np.int64], evidence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say how surely an edge runs round what was found so many rows and columns off the grids' middles, 0 to 1 [joint].

    At a lead's edge every light changes within what blur makes of a step; over a dish or a dome of solder the lights
    follow on each other gradually. How much a step is blurred, and how unlike lead and solder are, differs from board
    to board: the measure is what the ends found with `evidence` [joint] usually show in this view. `lights` are the
    radiances of every light against lit solder, [light, joint, row, column].
    """
    change = _change(lights, step_mm)
    side = change.shape[1]
    rows = np.clip(near.row + row[near.joint], 0, side - 1)
    columns = np.clip(near.column + column[near.joint], 0, side - 1)
    seen = change.reshape(-1).take((near.joint * side + rows) * side + columns)
    sharpness = np.median(np.maximum.reduceat(seen, near.first).reshape(len(change), SECTORS), axis=1)
    sure = evidence > USUAL
    if not sure.any():
        return np.ones(len(change))
    share = sharpness / max(float(np.median(sharpness[sure])), 1e-6)
    return np.asarray(np.clip((share - SMOOTH) / (SHARP - SMOOTH), 0.0, 1.0), dtype=np.float64)


def _change(lights: NDArray[np.float32], step_mm: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return how much all lights together change over OVER_MM, against what they give, [joint, row, column]."""
    shape = lights.shape[1:]
    tables = [light.reshape(-1, shape[2]) for light in lights]
    change = np.zeros_like(tables[0])
    for table in tables:  # OpenCV's 3 x 3 first derivatives are eight times the plain ones
        along, down = (cv2.Sobel(table, cv2.CV_32F, *order, ksize=3) for order in ((1, 0), (0, 1)))
        change += cv2.magnitude(along, down)
    change /= cv2.blur(np.sum(tables, axis=0), (5, 1)) + np.float32(LEAST)
    factor = (OVER_MM / 8.0 / step_mm).astype(np.float32)[:, None, None]
    return np.asarray(change.reshape(shape) * factor, dtype=np.float32)
