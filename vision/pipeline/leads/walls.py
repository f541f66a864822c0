"""Know a bowl of solder in the hole by its wall, which is steepest at the hole's edge and ends there at once.

Solder climbs a lead: it is steepest beside the lead and flattens by degrees outward. In a bowl it falls towards the
middle from the hole's edge, the steepest part of the way last: from inside out a bottom, a lit wall, a dark line
where it is steeper than any light shows, and then at once solder or land that is nearly flat.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import radius_first
from vision.pipeline.arrays.ranks import median
from vision.pipeline.arrays.signs import grows
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import HOLE, RING, JointPatches

EVERY = 4  # azimuths, of which the median tells
INSIDE_MM, BEYOND_MM = 0.12, 0.08  # of the hole's edge, between which the dark line is looked for
MIDDLE_MM = 0.08  # nearer to the hole's middle is no wall
WALL_MM, FLAT_MM = (0.03, 0.16), (0.03, 0.15)  # within the line, and beyond it
#: Between these each sign grows from none to full: how many times what lies to either side of the line outshines it;
#: by how much the wall is steeper than what lies beyond, and how steep it is; and turned round, how much of the land
#: beyond is bare: a cap that stands on the lead has such a brim as well.
DARK_LINE, STEEPER_DEG, WALL_DEG, BARE = (1.25, 1.4), (7.0, 10.0), (24.0, 28.0), (0.45, 0.35)
#: So does, turned round, how steep it goes on beyond, and how far (mm) outside the hole's edge the line lies: a cap's
#: brim does. The bevelled end of a lead that nearly fills its hole is outshone as a bowl's wall is: so far within the
#: edge the line must be darker.
FLAT_DEG, OUTSIDE_MM = (25.0, 21.0), (0.06, 0.04)
WITHIN_MM, DARKER_LINE = -0.06, (2.4, 3.2)
DARKEST = 0.05  # of lit solder's energy


def walled(patches: JointPatches, surface: Surface) -> NDArray[np.float64]:
    """Say how surely solder lies as a bowl in the hole, 0 to 1 [joint]."""
    reach = patches.hole_mm[:, None] + BEYOND_MM + FLAT_MM[1]
    whole = patches.radius_mm[:, ::EVERY, :RING.stop].mean(axis=1)  # the same all round, but on the ring
    part = slice(0, int((whole < reach).sum(axis=1).max(initial=HOLE.stop)))
    radius = whole[:, part]
    # NumPy sorts along the last axis in a part of the time.
    energy, slope = (median(np.ascontiguousarray(radius_first(plane[:, ::EVERY, part]))).T
                     for plane in (surface.energy, surface.slope_deg))
    off = radius - patches.hole_mm[:, None]
    joint = np.arange(len(radius))
    line = np.where((off > -INSIDE_MM) & (off < BEYOND_MM), energy, np.inf).argmin(axis=1)
    at = radius[joint, line][:, None]
    wall = np.where((at - radius > WALL_MM[0]) & (at - radius < WALL_MM[1]) & (radius > MIDDLE_MM), energy, -np.inf)
    flat = np.where((radius - at > FLAT_MM[0]) & (radius - at < FLAT_MM[1]), energy, -np.inf)
    inner, outer = wall.argmax(axis=1), flat.argmax(axis=1)
    dark = np.maximum(energy[joint, line], DARKEST)
    outshone = np.minimum(wall[joint, inner], flat[joint, outer]) / dark
    steepest, beyond = slope[joint, inner], slope[joint, outer]
    land = (whole > at + WALL_MM[0]) & (np.arange(RING.stop) >= HOLE.stop)
    share = radius_first(surface.bare[:, ::EVERY, :RING.stop]).mean(axis=2).T
    bare = (share * land).sum(axis=1) / np.maximum(land.sum(axis=1), 1)
    away = at[:, 0] - patches.hole_mm
    seen = np.where(away < WITHIN_MM, grows(outshone, DARKER_LINE), grows(outshone, DARK_LINE))
    return np.asarray(np.prod([seen, *(grows(value, limits) for value, limits in (
        (steepest - beyond, STEEPER_DEG), (steepest, WALL_DEG), (bare, BARE), (beyond, FLAT_DEG),
        (away, OUTSIDE_MM)))], axis=0), dtype=np.float64)
