"""Tell a bowl of solder in a hole from a fillet round a lead by which way it falls.

Rings light a slope alike whichever way it falls, so that a bowl with a flat bottom looks as a fillet round a cut end
does. A light that shines from one side only lights what falls towards it: on a fillet the side of the lead that it
shines from, in a bowl the opposite side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.signs import grows
from vision.pipeline.leads.bins import REACH, moved_grids
from vision.setup.geometry import Similarity

CLEAR_MM = 0.03  # so far outside a lead's outline begins what is looked at
FALLS_INWARD = (0.1, 0.3)  # share of every light by which it does, 1 where all of it comes from exactly there
LEAST = 0.02  # mean radiance against lit solder: less tells nothing
BRIGHTEST = 1.5  # what is brighter glints


def bowls(lights: NDArray[np.float32], around: NDArray[np.bool_], row: NDArray[np.int64], column: NDArray[np.int64],
          to_picture: Similarity, from_side: NDArray[np.float32]) -> NDArray[np.float64]:
    """Say how surely solder falls inward all round what was found in the hole, 0 to 1 [joint].

    Parameters
    ----------
    lights
        Radiances of every light against lit solder, [light, joint, row, column].
    around
        Samples outside the outline of a lead in the grid's middle, [joint, row, column].
    row, column
        How far off the grid's middle it was found, [joint].
    to_picture
        Board mm to picture px: grid columns run along board x, rows along board -y.
    from_side
        Optics.from_side.

    """
    side = lights.shape[2]
    axis = np.arange(side, dtype=np.float64) - side // 2
    away = np.maximum(np.hypot(axis[:, None], axis[None, :]), 1e-6)
    within = np.hypot(axis[None, :, None] + row[:, None, None], axis[None, None, :] + column[:, None, None])
    asked = around & (within <= side / 2.0 / REACH)
    samples = np.maximum(asked.sum(axis=(1, 2)), 1)
    most_outward, seen_by = np.full(len(row), -np.inf), np.zeros(len(row))
    for light, towards in zip(lights, from_side.astype(np.float64), strict=True):
        if np.isnan(towards).any():
            continue
        x, y = to_picture.matrix.T @ towards / to_picture.px_per_mm
        facing = (axis[None, :] * x - axis[:, None] * y) / away
        seen = np.clip(moved_grids(light, row, column), 0.0, BRIGHTEST) * asked
        whole = seen.sum(axis=(1, 2))
        # Where a gap lets one see the hole's wall on one side, other lights show the solder on the other.
        most_outward = np.maximum(most_outward, (seen * facing).sum(axis=(1, 2)) / np.maximum(whole, 1e-9))
        seen_by += whole
    inward = grows(-most_outward, FALLS_INWARD)
    return np.where(seen_by >= LEAST * samples, inward, 0.0)
