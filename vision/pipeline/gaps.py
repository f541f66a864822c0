"""Tell an open hole beside the lead from solder that is too steep to be lit: both are dark."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.lead import Leads
from vision.pipeline.radial import one_of, radius_first, running_count, running_least
from vision.pipeline.surface import EDGE_STEPS, STEEP_DEG, Surface, percentile
from vision.pipeline.unwrap import HOLE_STEPS, OUTSIDE, RING, JointPatches, azimuths_rad

LAND = slice(0, OUTSIDE.start)  # hole and ring
WITHIN = slice(0, RING.stop - EDGE_STEPS)
BRIM_DEG = 24.0  # a fillet comes out of the dark steeper than this
BRIM_MM = 0.13  # an open hole ends at its edge, or solder a little further out
BRIM_FALLS_DEG, BRIM_RISES_DEG = 5.0, 1.5  # a brim stays level outward; behind a steep fillet it falls by more
HOLE_DARK = 0.5  # share of lit solder; where a dull or a light board is mirrored, steep solder is brighter
CREST_DEG, CREST_SCATTER = 4.0, 2.0
BLACK, BESIDE_MM = 0.3, 0.22  # share of lit solder, and how far from the lead one may look into the hole
#: Against what the dark zones of the view usually read: darker than the first is a hole whatever else is seen, as
#: dark as the second and behind a crest too.
BLACKER, DARKER = 0.42, 0.9
#: Dull solder sends a little light everywhere, least where it is steepest, at the lead: a hole is darker than these
#: shares of lit solder, however light the view's dark zones are.
HOLE_BLACK, CREST_DARK = 0.09, 0.2
RINGED = 0.7  # share of the directions with solder in which a crest that runs round the lead is seen
BESIDE_STEPS = 5  # of the ring: no further is one beside the lead
USUAL_FROM = 360  # so many azimuths, of two joints at least, say what is usual


def open_hole(patches: JointPatches, surface: Surface, leads: Leads, away: NDArray[np.float32],
              onto_land: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say at which azimuths one looks into the hole beside a lead that is seen, [joint, azimuth].

    An open hole and solder too steep to be lit are both dark. Three things show the hole. Its brim: what is lit
    first, outward from the dark, is level and lies at the hole's edge, while a fillet comes out of the dark at the
    steepest slope that is lit and flattens from there on. A crest with black behind it: where solder wets the lead it
    gets flatter outward all the way, where it does not it falls off again towards the lead. And blackness itself:
    steep solder mirrors the board, a hole mirrors nothing; how much the board gives is seen at the view's other joints.

    `away` is what lead_distance gives over LAND, `onto_land` [joint, azimuth] says where solder lies on the land.
    """
    outside = away[:, :, WITHIN] > (leads.nominal_radius_mm + 0.02).astype(np.float32)[:, None, None]
    first, found = _out_of_the_dark(surface, outside)
    darkest = _darkest(surface, outside)
    seen = (leads.visible > 0.5)[:, None]
    usual = _usual_darkness(darkest, found & onto_land & seen, surface.steepest_from_deg)
    brim_mm = (patches.land_edge_mm - patches.hole_mm[:, None]) / (RING.stop - RING.start) * (first - HOLE_STEPS)
    brim = found & (darkest < np.float32(HOLE_DARK)) & (brim_mm <= BRIM_MM) & _is_level(surface, first)
    crested = _crested(surface, leads, away)
    crest = _black_beside_lead(surface, leads, away) & crested
    crest &= darkest < np.minimum(np.float32(DARKER) * usual, np.float32(CREST_DARK))
    # Where a crest runs round the lead nothing is steep between the two but the hole's brim.
    around = np.count_nonzero(crested & onto_land, axis=1) >= RINGED * np.count_nonzero(onto_land, axis=1)
    crest |= (around[:, None] & onto_land) & (darkest < np.float32(BLACK))
    black = found & np.isfinite(usual) & (darkest < np.minimum(np.float32(BLACKER) * usual, np.float32(HOLE_BLACK)))
    return np.asarray((brim | crest | black) & seen, dtype=np.bool_)


def _usual_darkness(darkest: NDArray[np.float32], asked: NDArray[np.bool_],
                    lit_alike: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the median of what the view's dark zones read where `asked`, [azimuth]; infinite where too few say so.

    Azimuths that different lights reach, with unlike numbers in `lit_alike` [azimuth], are counted apart.
    """
    usual = np.full(len(lit_alike), np.inf, dtype=np.float32)
    for number in np.unique(lit_alike):
        alike = lit_alike == number
        values = darkest[:, alike][asked[:, alike]]
        if len(values) >= USUAL_FROM * float(alike.mean()):
            usual[alike] = np.median(values)
    return usual


def lead_distance(patches: JointPatches, leads: Leads, within: slice) -> NDArray[np.float32]:
    """Distance of every sample from the found lead's centre, mm, [joint, azimuth, radius]."""
    radius, azimuth = patches.radius_mm[:, :, within], azimuths_rad()
    # The law of cosines: no sample's own x and y are needed.
    ahead = leads.offset_x_mm[:, None] * np.cos(azimuth) + leads.offset_y_mm[:, None] * np.sin(azimuth)
    square = radius - (2.0 * ahead).astype(np.float32)[:, :, None]
    square *= radius
    square += (leads.offset_x_mm**2 + leads.offset_y_mm**2).astype(np.float32)[:, None, None]
    np.clip(square, np.float32(0.0), np.float32(np.inf), out=square)
    away: NDArray[np.float32] = np.sqrt(square, out=square)
    return away


def _out_of_the_dark(surface: Surface, outside: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Return the first sample of the first lit run of three behind something dark, and where there is one."""
    dark = surface.dark[:, :, WITHIN]
    lit = outside & (running_count(dark & outside) >= 2)
    lit &= ~dark
    run = lit[:, :, :-2] & lit[:, :, 1:-1] & lit[:, :, 2:]
    first = run.argmax(axis=2)
    return first, np.take_along_axis(run, first[:, :, None], axis=2)[:, :, 0]


def _darkest(surface: Surface, outside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the least energy beside the lead, up to a little beyond the hole's edge, [joint, azimuth]."""
    near = slice(0, RING.start + 10)
    beside = np.maximum(surface.energy[:, :, near], ~outside[:, :, near] * np.float32(9.0))
    return np.asarray(beside.min(axis=2), dtype=np.float32)


def _is_level(surface: Surface, first: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say where the surface is not steep from a sample on, and stays nearly as steep further out, [joint, azimuth]."""
    def slopes(start: int, stop: int) -> NDArray[np.float32]:
        steps = np.minimum(first[:, :, None] + np.arange(start, stop), WITHIN.stop - 1)
        return np.take_along_axis(surface.slope_deg, steps, axis=2)

    brim = slopes(1, 5).max(axis=2)
    falls = brim - slopes(6, 12).mean(axis=2)
    # Where the steepest light shines it says so for certain; how steep within its band may be hard to tell.
    flat = brim < np.minimum(np.float32(BRIM_DEG), surface.steepest_from_deg)
    return np.asarray(flat & (falls < BRIM_FALLS_DEG) & (falls > -BRIM_RISES_DEG), dtype=np.bool_)


def _black_beside_lead(surface: Surface, leads: Leads, away: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say at which azimuths at least two samples just outside the lead are black, [joint, azimuth]."""
    within = slice(0, RING.start + BESIDE_STEPS)
    lead = leads.nominal_radius_mm.astype(np.float32)[:, None, None]
    near = away[:, :, within]
    beside = (near > np.float32(0.95) * lead) & (near < lead + np.float32(BESIDE_MM))
    beside &= surface.energy[:, :, within] < np.float32(BLACK)
    return np.asarray(np.count_nonzero(beside, axis=2) >= 2, dtype=np.bool_)


def _crested(surface: Surface, leads: Leads, away: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say at which azimuths the slope falls below what it is further out, [joint, azimuth].

    By more than grain can do: the limit grows with the joint's own scatter of slope from sample to sample.
    """
    dark = surface.dark[:, :, WITHIN]
    steep = np.maximum(surface.slope_deg[:, :, WITHIN], dark * np.float32(STEEP_DEG))
    rings = radius_first(steep)
    soft = np.asarray(cv2.blur(rings.reshape(len(rings), -1), (5, 3)), dtype=np.float32).reshape(rings.shape)
    soft = np.moveaxis(soft, 0, -1)
    ring = slice(RING.start, RING.stop - EDGE_STEPS)
    rough = np.abs(one_of(2, steep[:, :, ring]) - one_of(2, soft[:, :, ring]))
    rough *= ~one_of(2, dark[:, :, ring])
    scatter = percentile(rough.reshape(len(rough), -1), 50.0) / 0.6745
    limit = (CREST_DEG + CREST_SCATTER * scatter).astype(np.float32)[:, None, None]
    outside = away[:, :, WITHIN] > (leads.nominal_radius_mm + 0.05).astype(np.float32)[:, None, None]
    flattest = running_least(np.maximum(soft, ~outside * np.float32(90.0)))
    beyond_crest = (soft - flattest > limit) & outside
    beyond_crest &= ~dark
    # A dome gets steeper all the way to its rim; behind a crest a fillet flattens again towards its toe.
    peak = (soft * beyond_crest).max(axis=2)
    flattens = soft[:, :, -3:].mean(axis=2) < peak - 1.5
    return np.asarray((np.count_nonzero(beyond_crest, axis=2) >= 4) & flattens, dtype=np.bool_)
