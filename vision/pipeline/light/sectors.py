"""Sectors of land left bare, known by where they begin and end: there the surface falls off at once to something flat.

Heat leaves lands patchy, so that no light tells them from solder for certain. Solder that ends beside a bare sector is
steep all the same, and the land is flat: going round the hole, slopes drop at one edge of the sector and rise again at
the other, along most of the land's width. A fillet's slopes change little by little.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.circles import most_beside, to_both_sides
from vision.pipeline.arrays.radial import radius_first
from vision.pipeline.view.unwrap import AZIMUTHS, EDGE_STEPS, RING, JointPatches

EVERY = 2  # so many azimuths and radii are looked at: one of so many
RAYS = AZIMUTHS // EVERY
LOOKED_AT = slice(RING.start, RING.stop - EDGE_STEPS, EVERY)
ACROSS_MM = 0.08  # to either side of an edge, slopes differ by more than EDGE_DEG
EDGE_DEG, FLAT_DEG = 9.0, 17.0  # and on its flat side are less than this
EDGE_MM = 0.15  # so long is an edge at least, together
NARROWEST_DEG, WIDEST_DEG = 24.0, 340.0
#: Of the land's outer two thirds so much at least is flat within a sector, and so much at most beside it.
FLAT_WITHIN, FLAT_BESIDE, OUTER = 0.75, 0.35, 1.0 / 3.0


def bare_sectors(slope_deg: NDArray[np.float32], dark: NDArray[np.bool_],
                 patches: JointPatches) -> NDArray[np.bool_]:
    """Say which samples are land left bare between two such edges, [joint, azimuth, radius] as slopes and dark are."""
    slope = np.where(radius_first(dark[:, ::EVERY, LOOKED_AT]), np.float32(90.0),
                     radius_first(slope_deg[:, ::EVERY, LOOKED_AT]))
    clockwise, counter = to_both_sides(slope, patches.radius_mm[:, :, LOOKED_AT], ACROSS_MM)
    step_mm = radius_first(patches.step_mm[:, ::EVERY, LOOKED_AT]) * np.float32(EVERY)
    begins, ends = (_length((steep - low > EDGE_DEG) & (low < FLAT_DEG), step_mm)
                    for steep, low in ((clockwise, counter), (counter, clockwise)))
    found = np.zeros(slope_deg.shape, dtype=np.bool_)
    asked = (begins.max(axis=1) >= EDGE_MM) & (ends.max(axis=1) >= EDGE_MM)
    outer = slope[round(OUTER * len(slope)):] < FLAT_DEG
    for joint in np.flatnonzero(asked).tolist():
        first, count = _sector(begins[joint], ends[joint], outer[:, joint].mean(axis=0))
        within = (EVERY * first + np.arange(EVERY * count)) % AZIMUTHS
        found[joint, within, RING] = slope_deg[joint, within, RING] < FLAT_DEG
    return found & ~dark


def _length(edge: NDArray[np.bool_], step_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how long an edge [radius, joint, ray] is along each ray and those beside it, mm, [joint, ray]."""
    return np.asarray((most_beside(edge, 1) * step_mm).sum(axis=0), dtype=np.float32)


def _sector(begins: NDArray[np.float32], ends: NDArray[np.float32],
            flat: NDArray[np.floating[Any]]) -> tuple[int, int]:
    """Return the first ray and the number of rays of the best sector of a joint, 0 rays for none.

    The lengths of edges are told by ray [ray], and so is the share of the land's outer part that is flat. Of all pairs
    of edges that have something flat between them and nothing as flat beside, that with the longer shorter edge counts.
    """
    best, found = 0.0, (0, 0)
    lasts = _edges(ends)
    for first, long in _edges(begins):
        for last, other in lasts:
            count = (last - first) % RAYS
            if min(long, other) <= best or not NARROWEST_DEG <= count * 360.0 / RAYS <= WIDEST_DEG:
                continue
            within = (first + np.arange(count)) % RAYS
            beside = (last + 1 + np.arange(RAYS - count - 1)) % RAYS
            if flat[within].mean() >= FLAT_WITHIN and flat[beside].mean() <= FLAT_BESIDE:
                best, found = min(long, other), (first, count)
    return found


def _edges(length: NDArray[np.float32]) -> list[tuple[int, float]]:
    """Return the middle ray and the length of each edge: of each run of rays on which one is long enough."""
    start = int(length.argmin())
    rolled = np.roll(length, -start)
    runs = np.flatnonzero(np.diff(rolled >= EDGE_MM, prepend=False, append=False)).reshape(-1, 2)
    return [((start + round(float(np.average(np.arange(one, end), weights=rolled[one:end])))) % RAYS,
             float(rolled[one:end].max())) for one, end in runs.tolist()]
