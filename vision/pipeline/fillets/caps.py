"""Know a cap of solder, which did not wet the land, by the dark brim in which it ends, whatever lies beyond it.

From the lead outward a fillet gets flatter, a cap steeper, till it is too steep to be lit; and just beyond its brim
lies something much flatter: land, dull or thinly tinned, perhaps with drops of solder on it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import of_some, on_rays, one_of, radius_first
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import EDGE_STEPS, RING, RING_STEPS, JointPatches

EVERY = 4  # azimuths, by which caps are told
#: Just within its brim a cap is as steep as the first; what lies beyond is flatter by the second, and than the third.
STEEP_DEG, FLATTER_DEG, FLAT_DEG = 30.0, 10.0, 25.0
LEAST_DARK = 3  # samples of a brim too steep to be lit
BEYOND = np.arange(3, 8)  # samples beyond it whose median tells
EDGE_PX = 2.0  # pixels of the picture within a land's edge that mix land and mask
SHARE = 0.2  # of all azimuths that show a brim, from which on it is a cap


def cap_ends(patches: JointPatches, surface: Surface) -> NDArray[np.int64]:
    """Return the ring index from which on land lies beyond a cap's brim, RING_STEPS for none, [joint, azimuth]."""
    edge = RING.stop - mixed_at_edge(patches)
    part = slice(0, RING.stop)
    dark, slope = surface.dark[:, :, part], surface.slope_deg[:, :, part]
    shown = _brims(one_of(EVERY, dark), one_of(EVERY, slope), edge[:, ::EVERY]) < RING_STEPS
    ends = np.full(edge.shape, RING_STEPS, dtype=np.int64)
    some = np.flatnonzero(shown.mean(axis=1) >= SHARE)
    if len(some):
        ends[some] = _brims(of_some(dark, some), of_some(slope, some), edge[some])
    return ends


def mixed_at_edge(patches: JointPatches) -> NDArray[np.int64]:
    """Return how many ring samples within the land's edge mix land and mask, [joint, azimuth]."""
    mixed = np.ceil(EDGE_PX * patches.px_mm / patches.ring_step_mm).astype(np.int64)
    return np.asarray(np.maximum(mixed, EDGE_STEPS), dtype=np.int64)


def _brims(dark: NDArray[np.bool_], slope: NDArray[np.float32], edge: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the ring index just beyond the outermost dark within an edge, if it is a cap's brim, else RING_STEPS.

    Tables [joint, azimuth, radius] hold the hole's samples and the ring's; the edge is counted as they are.
    """
    last, within = (np.full(edge.shape, -1, dtype=np.int64) for _ in range(2))
    held = radius_first(dark)
    for step in range(len(held) - 1, -1, -1):
        within[(last >= 0) & (within < 0) & ~held[step]] = step
        if step >= RING.start:
            last[(last < 0) & held[step] & (step < edge)] = step
    ray = np.arange(edge.size).reshape(edge.shape)
    inside = on_rays(slope, ray, np.maximum(within, 0))
    place = np.minimum(last + BEYOND[:, None, None], len(held) - 1)
    beyond = np.median(on_rays(slope, ray, np.maximum(place, 0)), axis=0)
    brim = (within >= 0) & (last - within >= LEAST_DARK) & (last + BEYOND[-1] < edge)
    brim &= (inside >= STEEP_DEG) & (beyond <= np.minimum(inside - FLATTER_DEG, FLAT_DEG))
    return np.where(brim, last + 1 - RING.start, RING_STEPS)
