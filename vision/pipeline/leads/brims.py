"""How sharply what may be a lead's end is bounded: a lead has an edge, a dish or dome of solder has none."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

BAND_MM = 0.12  # the edge is looked for so far inside and outside the outline
SECTORS = 12  # of the outline; by the median a few may be hidden, bridged or dull
OVER_MM = 0.06  # light is compared over so much
LEAST = 0.1  # radiance against lit solder, added where it is divided
USUAL = 0.5  # ends of at least this evidence tell how sharp a view's edges are
SMOOTH, SHARP = 0.3, 0.5  # of the view's usual sharpness: none at all, and enough
#: An outline by itself shows a lead where it is so sharp, most of the way round and against the face, and so round.
CRISP, OF_USUAL, MOSTLY, AGAINST_FACE, AS_DRAWN_MM = 0.5, 0.7, 25.0, (2.5, 5.0), (0.06, 0.04)
FACE_MM = -0.05  # the face lies so far inside the outline


@dataclass(frozen=True)
class Bands:
    """Samples near the outlines of leads in their grids' middles, joint by joint and sector by sector."""

    joint: NDArray[np.intp]  # [sample]
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    edge_mm: NDArray[np.float32]  # distance from the outline
    first: NDArray[np.intp]  # [joint * SECTORS] the first sample of each sector

    def places(self, row: NDArray[np.int64], column: NDArray[np.int64], side: int) -> NDArray[np.intp]:
        """Return where the samples lie in grids laid flat, `side` each way, if the leads stand so far off, [sample]."""
        rows = np.clip(self.row + row[self.joint], 0, side - 1)
        columns = np.clip(self.column + column[self.joint], 0, side - 1)
        return np.asarray((self.joint * side + rows) * side + columns, dtype=np.intp)


def bands(edge_mm: NDArray[np.float64], least_mm: float, most_mm: float) -> Bands:
    """Return the samples so far from the outlines, from every sample's distance to them [joint, row, column].

    Of a sector without any, as in leads thinner than a few samples, those that lie nearest to it.
    """
    joints, side, _ = edge_mm.shape
    axis = np.arange(side) - side // 2
    turn = np.arctan2(-axis[:, None], axis[None, :]) / (2.0 * np.pi) + 0.5
    sector = np.minimum((turn * SECTORS).astype(np.intp), SECTORS - 1)
    item_of = np.arange(joints)[:, None, None] * SECTORS + sector
    off = np.maximum(np.maximum(least_mm - edge_mm, edge_mm - most_mm), 0.0)
    nearest = np.full(joints * SECTORS, np.inf)
    np.minimum.at(nearest, item_of.ravel(), off.ravel())
    joint, row, column = np.nonzero(off <= nearest[item_of])
    order = np.lexsort((sector[row, column], joint))
    joint, row, column = joint[order], row[order], column[order]
    item = joint * SECTORS + sector[row, column]
    return Bands(joint, row, column, edge_mm[joint, row, column].astype(np.float32),
                 np.searchsorted(item, np.arange(joints * SECTORS)).astype(np.intp))


def bands_of(part: Bands, some: NDArray[np.intp]) -> Bands:
    """Return the samples of some joints, numbered anew in their order; `some` is ascending."""
    last = np.append(part.first, len(part.joint))
    items = some[:, None] * SECTORS + np.arange(SECTORS)
    count = (last[items + 1] - last[items]).ravel()
    kept = np.concatenate([np.arange(last[joint * SECTORS], last[(joint + 1) * SECTORS]) for joint in some.tolist()])
    return Bands(np.searchsorted(some, part.joint[kept]).astype(np.intp), part.row[kept], part.column[kept],
                 part.edge_mm[kept], (np.cumsum(count) - count).astype(np.intp))


def mean_kernel(edge_mm: NDArray[np.float64], step_mm: NDArray[np.float64], low_mm: float,
                high_mm: float) -> NDArray[np.float64]:
    """Return weights by which grids are averaged between two distances from outlines, [joint, row, column].

    Samples on a border count in part. `edge_mm` are all samples' distances, [joint, row, column].
    """
    inside, before = ((part / step_mm[:, None, None] + 0.5).clip(0.0, 1.0)
                      for part in (edge_mm - low_mm, high_mm - edge_mm))
    kernel = inside * before + 1e-9
    return np.asarray(kernel / kernel.sum(axis=(1, 2), keepdims=True), dtype=np.float64)


@dataclass(frozen=True)
class Edges:
    """How sharply the lights change round what was found and over its face, [joint, sector]."""

    sharp: NDArray[np.float32]  # the most near the outline
    off_mm: NDArray[np.float32]  # where that is, from the outline
    face: NDArray[np.float32]  # mean over the face

    def of(self, some: NDArray[np.intp]) -> Edges:
        """Return the same of some joints."""
        return Edges(self.sharp[some], self.off_mm[some], self.face[some])


def edges_of(change: NDArray[np.float32], near: Bands, face: Bands, row: NDArray[np.int64],
             column: NDArray[np.int64]) -> Edges:
    """Look round what was found so many rows and columns off the grids' middles, [joint].

    `change` is how much the lights change from place to place, [joint, row, column].
    """
    shape = (len(change), SECTORS)

    def seen(part: Bands) -> NDArray[np.float32]:
        return np.asarray(change.reshape(-1).take(part.places(row, column, change.shape[1])), dtype=np.float32)

    around, over = seen(near), seen(face)
    most = np.maximum.reduceat(around, near.first)
    many = np.diff(near.first, append=len(around))
    there = around == np.repeat(most, many)
    off = np.maximum.reduceat(np.where(there, near.edge_mm, np.float32(-9.0)), near.first)
    mean = np.add.reduceat(over, face.first) / np.maximum(np.diff(face.first, append=len(over)), 1)
    return Edges(most.reshape(shape), off.reshape(shape), mean.reshape(shape).astype(np.float32))


def sharp_edges(edges: Edges, evidence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say how surely an edge runs round what was found, 0 to 1 [joint].

    At a lead's edge every light changes within what blur makes of a step; over a dish or a dome of solder the lights
    follow on each other gradually. How much a step is blurred, and how unlike lead and solder are, differs from board
    to board: the measure is what the ends found with `evidence` [joint] usually show in this view.
    """
    usual = usual_sharpness(edges, evidence)
    if usual <= 0.0:
        return np.ones(len(evidence))
    share = np.median(edges.sharp, axis=1) / usual
    return np.asarray(np.clip((share - SMOOTH) / (SHARP - SMOOTH), 0.0, 1.0), dtype=np.float64)


def usual_sharpness(edges: Edges, evidence: NDArray[np.float64]) -> float:
    """Return how sharp the edges of the ends found with `evidence` [joint] are; 0 where none was."""
    sure = evidence > USUAL
    return float(np.median(np.median(edges.sharp, axis=1)[sure])) if sure.any() else 0.0


def crisp_outlines(edges: Edges, evidence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say how surely an outline alone shows a lead, 0 to 1 [joint]: sharp nearly all round, even within, as drawn.

    Sharp is what changes by much, or nearly as much as the ends found with `evidence` [joint] do in a coarse picture.
    """
    sharp = np.percentile(edges.sharp, MOSTLY, axis=1)
    sure = evidence > USUAL
    usual = float(np.median(edges.sharp[sure])) if sure.any() else np.inf
    against = np.median(edges.sharp, axis=1) / np.maximum(np.median(edges.face, axis=1), 0.02)
    scatter = edges.off_mm.std(axis=1)
    low, high = AGAINST_FACE
    wide, narrow = AS_DRAWN_MM
    found = np.clip((against - low) / (high - low), 0.0, 1.0) * np.clip((wide - scatter) / (wide - narrow), 0.0, 1.0)
    return np.asarray(found * (sharp > min(CRISP, OF_USUAL * usual)), dtype=np.float64)


def change_of(lights: NDArray[np.float32], step_mm: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return how much all lights together change over OVER_MM, against what they give, [joint, row, column].

    `lights` are the radiances of every light against lit solder, [light, joint, row, column].
    """
    shape = lights.shape[1:]
    tables = [light.reshape(-1, shape[2]) for light in lights]
    change = np.zeros_like(tables[0])
    for table in tables:  # OpenCV's 3 x 3 first derivatives are eight times the plain ones
        along, down = (cv2.Sobel(table, cv2.CV_32F, *order, ksize=3) for order in ((1, 0), (0, 1)))
        change += cv2.magnitude(along, down)
    change /= cv2.blur(reduce(np.add, tables), (5, 1)) + np.float32(LEAST)
    factor = (OVER_MM / 8.0 / step_mm).astype(np.float32)[:, None, None]
    return np.asarray(change.reshape(shape) * factor, dtype=np.float32)
