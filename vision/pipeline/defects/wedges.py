"""Wedges: narrow strips of another look that run outward from a lead, as a spike of solder does whatever its slopes.

A spike's crest may be flatter or steeper than the fillet beside it, and its flanks dark or merely of other slopes; but
all along it looks unlike what lies to its left and to its right, and these two look alike. A fillet hardly changes
along a circle; where it does, at the corners of a lead or of a land, it does so several times alike.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.circles import most_beside, to_both_sides
from vision.pipeline.arrays.radial import radius_first
from vision.pipeline.fillets.gaps import lead_distance
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.surface import STEEP_DEG, Surface
from vision.pipeline.view.lands import corners_seen
from vision.pipeline.view.unwrap import AZIMUTHS, OUTSIDE, JointPatches
from vision.setup.family import Joint

EVERY = 2  # so many azimuths and radii are looked at: one of so many
RAYS = AZIMUTHS // EVERY
LOOKED_AT = slice(10, OUTSIDE.start + 6, EVERY)  # further in lies the lead
ACROSS_MM = 0.16  # so far to either side lies what a strip is compared with: half a usual spike and its flank
FULL_DEG, RADIANCE_SHARE = 60.0, 0.7  # a slope's whole contrast, and what the root of radiance counts against it
NOISE, MOST = 0.12, 0.6  # contrast that says nothing, and the most that one place says
BEYOND_MM = 0.3  # the land's edge; further out lie other things
#: Contrast by length (mm) by which a wedge stands out from all others of its joint, which begin so far from it.
WEDGE_MM, APART_DEG = 0.115, 30.0
#: Contrast by length by which one that leads to a corner stands out from one to another corner; which share of its
#: contrast that has at least, and how many rays off a corner's direction they may run.
CREASE_MM, CREASE_SHARE, CORNER = 0.23, 0.15, 4
#: So much of a wedge's contrast comes from places as bright as that, against lit solder: a strip that is dark all along
#: may be the image of what stands beside the joint.
LIT_SHARE, LIT = 0.5, 0.4
CROOKED = 1  # rays to either side of a strip's own that it may cross
CURVED = 8  # azimuths: so far aside of the straight line to the other may a bridge leave a land
ENOUGH = 0.95  # of its contrast tells how far a wedge reaches


def find_wedges(patches: JointPatches, surface: Surface, joints: Sequence[Joint], leads: Leads,
                joined: NDArray[np.bool_], elsewhere: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return how far (mm) a wedge reaches out from the lead's edge, 0 for none, [joint].

    Creases to a rectangular land's corners come in sets, but need not all look alike where one side of a fillet is
    higher than the other. `joined` [joint, azimuth] are the directions of bridges, `elsewhere` those of what else runs
    outward: gaps, chips.
    """
    away = lead_distance(patches, leads, LOOKED_AT)[:, ::EVERY]
    away = radius_first(away - leads.nominal_radius_mm.astype(np.float32)[:, None, None])
    contrast = _contrast(_looks(surface), patches) * _asked(patches, surface, away)
    contrast *= radius_first(patches.step_mm[:, ::EVERY, LOOKED_AT]) * np.float32(EVERY)
    along = most_beside(contrast, CROOKED)
    excluded = elsewhere | most_beside(joined, CURVED)
    total = along.sum(axis=0) * ~excluded[:, ::EVERY]
    best = total.argmax(axis=1)
    off = np.abs((np.arange(RAYS) - best[:, None] + RAYS // 2) % RAYS - RAYS // 2) * (360.0 / RAYS)
    alone = total.max(axis=1) - (total * (off > APART_DEG)).max(axis=1)
    reach = np.zeros(len(total))
    for joint in np.flatnonzero(alone >= WEDGE_MM).tolist():
        if alone[joint] < CREASE_MM and _is_crease(total[joint], int(best[joint]), corners_seen(joints[joint])):
            continue
        grown = np.cumsum(along[:, joint, best[joint]])
        bright = np.greater_equal(surface.radiance[joint, ::EVERY, LOOKED_AT].T, LIT)
        if most_beside(contrast[:, joint] * bright, CROOKED)[:, best[joint]].sum() >= LIT_SHARE * grown[-1]:
            reach[joint] = away[int(np.searchsorted(grown, ENOUGH * grown[-1])), joint, best[joint]]
    return reach


def _is_crease(total: NDArray[np.float32], best: int, corners: NDArray[np.float64]) -> bool:
    """Say whether the best of a joint's rays leads to a corner and one to another looks alike, if less so, [ray]."""
    ray = np.round(corners / (2.0 * np.pi) * RAYS).astype(np.intp)
    near = (ray[:, None] + np.arange(-CORNER, CORNER + 1)) % RAYS
    own = (near == best).any(axis=1)
    as_much = total[near].max(axis=1) >= CREASE_SHARE * total[best]
    return bool(own.any() and (as_much & ~own).any())


def _looks(surface: Surface) -> NDArray[np.float32]:
    """Return what each place looks like, [radius, look, joint, ray]: its slope and the root of its radiance."""
    dark, slope, radiance = (radius_first(part[:, ::EVERY, LOOKED_AT])
                             for part in (surface.dark, surface.slope_deg, surface.radiance))
    looks = np.empty((len(slope), 2, *slope.shape[1:]), dtype=np.float32)
    looks[:, 0] = np.where(dark, np.float32(STEEP_DEG), slope) * np.float32(1.0 / FULL_DEG)
    looks[:, 1] = np.sqrt(np.clip(radiance, 0.0, 1.5)) * np.float32(RADIANCE_SHARE)
    return looks


def _contrast(looks: NDArray[np.float32], patches: JointPatches) -> NDArray[np.float32]:
    """Return by how much places look unlike both sides, less how unlike these are, [radius, joint, ray]."""
    left, right = to_both_sides(looks, patches.radius_mm[:, :, LOOKED_AT], ACROSS_MM)
    unlike = np.minimum(np.abs(looks - left).sum(axis=1), np.abs(looks - right).sum(axis=1))
    unlike -= np.abs(left - right).sum(axis=1)
    return np.asarray(np.clip(unlike - np.float32(NOISE), 0.0, MOST), dtype=np.float32)


def _asked(patches: JointPatches, surface: Surface, away: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say which places may be part of a wedge: beyond the lead's edge, and on nothing else, [radius, joint, ray].

    Beside the land what looks like bare land is a trace that the mask shows.
    """
    radius = radius_first(patches.radius_mm[:, ::EVERY, LOOKED_AT])
    free = np.ones(radius.shape, dtype=np.bool_)
    beyond = slice(0, LOOKED_AT.stop - OUTSIDE.start, EVERY)
    outside = radius_first((patches.free & ~surface.bare[:, :, OUTSIDE])[:, ::EVERY, beyond])
    free[-len(outside):] = outside
    near = radius < patches.land_edge_mm[:, ::EVERY] + np.float32(BEYOND_MM)
    return np.asarray((away > 0.0) & near & free, dtype=np.bool_)
