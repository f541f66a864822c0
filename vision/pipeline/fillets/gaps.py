"""Tell an open hole beside the lead from solder that is too steep to be lit: both are dark."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import on_rays, radius_first, running_count, taken, until
from vision.pipeline.arrays.ranks import median, percentile
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.surface import BRIGHT_MASK, Surface, smooth_azimuth
from vision.pipeline.view.unwrap import AZIMUTHS, EDGE_STEPS, HOLE_STEPS, OUTSIDE, RING, JointPatches, azimuths_rad

LAND = slice(0, OUTSIDE.start)  # hole and ring
WITHIN = slice(0, RING.stop - EDGE_STEPS)
BRIM_DEG = 20.0  # a fillet comes out of the dark steeper than this, though a coarse picture shows little of that
BRIM_MM = (0.0, 0.13)  # an open hole ends at its edge, or solder a little further out; further in solder fills it
BRIM_FALLS_DEG, BRIM_RISES_DEG = 5.0, 1.5  # a brim stays level outward; behind a steep fillet it falls by more
ABRUPT_STEPS, ABRUPT_DARK = 6, 0.4  # so many samples before its brim a hole is darker than this, of lit solder
HOLE_DARK = 0.5  # share of lit solder; where a dull or a light board is mirrored, steep solder is brighter
#: By how many degrees, and times a joint's own scatter, a crest is flatter than what lies on both sides of it: enough
#: by itself, and enough where KNOWN_FROM azimuths of the joint show one.
CREST_DEG, CREST_SCATTER = 3.0, 2.0
WEAK_DEG, WEAK_SCATTER = 0.7, 0.7
KNOWN_FROM = 20
BLACK = 0.3  # of lit solder: behind a crest what is as dark as this is the hole
DARK_TO_EDGE_MM = 0.1  # and so is what is HOLE_DARK up to so near to the hole's edge; solder that sags ends further in
CREST_AT_MOST_DEG = 20.0  # a crest is level; grain and blur take part of that
FALLS_TO_TOE_DEG = 0.8  # solder behind a crest flattens towards its toe by more than this, a dome steepens to its rim
WIDE_MM, WIDE_PX = 0.09, 4.0  # so wide it is dark beside a lead where solder does not reach it
LEAD_BLUR_MM = 0.02  # so far from a lead's end its own edge is seen
BEYOND_CREST = 3  # samples behind a crest that are steeper
#: Solder that does not wet the lead holds on to the hole's edge: its crest lies no further out than this sample, by the
#: median over a joint, or runs round at least so many azimuths. Wrinkles of solder that shrank lie here and there.
FARTHEST_CREST, MANY_CRESTS = RING.start + 13, 60
#: So near to the land's edge slopes mix with what lies beyond, in mm, in pixels and in samples at least.
EDGE_BLUR_MM, EDGE_BLUR_PX, EDGE_BLUR_STEPS = 0.06, 2.0, 6
#: Samples well within the hole, and beside it; so many are dark, and lit and flatter than this, where it is empty.
INSIDE_HOLE, BESIDE_HOLE = slice(0, HOLE_STEPS - 4), slice(RING.start + 1, RING.start + 5)
ALL_DARK, ALL_ROUND, FLAT_BESIDE_DEG, LEAD_SEEN = 0.95, 0.8, 30.0, 0.25
#: A line of a crest is no wider, in mm and in samples, and runs round at least so many azimuths.
RIDGE_MM, RIDGE_STEPS, MANY_RIDGES = 0.2, 20, 40
BLACKER = 0.42  # against what the dark zones of the view usually read: darker is a hole whatever else is seen
#: Dull solder sends a little light everywhere, least where it is steepest, at the lead: a hole is darker than the first
#: share of lit solder, however light the view's dark zones are, and than the second of what the board gives, which
#: solder mirrors that is too steep to be lit. Where a board is so light that the first is less than the last share of
#: what it gives, that counts: little else is so dark there, and stray light brightens a hole.
HOLE_BLACK, OF_BOARD, OF_LIGHT_BOARD = 0.035, 0.25, 0.15
#: Where dark zones usually give less than this share of what the board gives, or a light board, they do not mirror it.
MIRRORS, LIGHT_MIRRORS = 0.6, 0.4
USUAL_FROM = 360  # so many azimuths, of two joints at least, say what is usual
#: Blur and scattered light brighten a narrow dark zone more than a wide one, so zones are compared with those about as
#: wide: within two of these widths.
WIDTHS_PX = (3.0, 5.0, 8.0, 12.0)


def open_hole(patches: JointPatches, surface: Surface, leads: Leads, away: NDArray[np.float32],
              onto_land: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say at which azimuths one looks into the hole beside a lead that is seen, or an empty one, [joint, azimuth].

    An open hole and solder too steep to be lit are both dark. Three things show the hole. Its brim: what is lit
    first, outward from the dark, is level and lies at the hole's edge, while a fillet comes out of the dark at the
    steepest slope that is lit and flattens from there on. A crest with something dark behind it: where solder wets the
    lead it gets flatter outward all the way, where it does not it falls off again towards the lead. And blackness
    itself: steep solder mirrors the board, a hole mirrors nothing; how much the board gives is seen at the view's other
    dark zones that are as wide.

    `away` is what lead_distance gives over LAND, `onto_land` [joint, azimuth] says where solder lies on the land.
    """
    outside = away[:, :, WITHIN] > (leads.nominal_radius_mm + LEAD_BLUR_MM).astype(np.float32)[:, None, None]
    first, found, width_mm = _out_of_the_dark(surface, outside, patches.radius_mm)
    darkest = _darkest(surface, outside)
    seen = (leads.visible > 0.5)[:, None]
    usual = _usual_darkness(darkest, found & onto_land & seen, surface.steepest_from_deg,
                            np.digitize(width_mm / patches.px_mm, WIDTHS_PX))
    brim_mm = (patches.land_edge_mm - patches.hole_mm[:, None]) / (RING.stop - RING.start) * (first - HOLE_STEPS)
    brim = found & (darkest < np.float32(HOLE_DARK)) & (brim_mm >= BRIM_MM[0]) & (brim_mm <= BRIM_MM[1])
    brim[brim] = _is_abrupt(surface, np.flatnonzero(brim), first[brim])
    brim[brim] = _is_level(surface, np.flatnonzero(brim), first[brim])
    wide = (width_mm >= np.float32(max(WIDE_MM, WIDE_PX * patches.px_mm))) & (darkest < np.float32(BLACK))
    crest, reach_mm = _crested(patches, surface, leads, away, wide)
    beside = darkest if leads.outline_mm is None else _darkest(surface, away > _beside_mm(patches, leads)[:, :, None])
    crest &= (beside < np.float32(BLACK)) | ((beside < np.float32(HOLE_DARK)) & (reach_mm > -DARK_TO_EDGE_MM))
    crest |= _ridged(patches, surface, first, found & (darkest < np.float32(BLACK)))
    board = median(surface.mask_level)
    share = LIGHT_MIRRORS if board > BRIGHT_MASK else MIRRORS
    mirrors = np.isfinite(usual) & (usual >= np.float32(share) * board)
    black = found & mirrors & (darkest < np.minimum(np.float32(BLACKER) * usual, _hole_black(surface)))
    # An empty hole shows its brim nearly all round.
    empty = (leads.visible < LEAD_SEEN) & (_is_empty(surface) | (brim.mean(axis=1) >= ALL_ROUND))
    return np.asarray((brim | crest | black) & seen | empty[:, None], dtype=np.bool_)


def _beside_mm(patches: JointPatches, leads: Leads) -> NDArray[np.float32]:
    """Return from how far off the lead's middle on nothing of its end is seen, by its outline, [joint, azimuth], mm.

    A flat side lies further in than a round lead as large, and so does what gapes beside it.
    """
    assert leads.outline_mm is not None
    azimuth = azimuths_rad()
    x, y = (patches.hole_mm[:, None] * wave - offset[:, None] for wave, offset in
            ((np.cos(azimuth), leads.offset_x_mm), (np.sin(azimuth), leads.offset_y_mm)))
    seen_from = np.round(np.arctan2(y, x) * (AZIMUTHS / (2.0 * np.pi)) - 0.5).astype(np.intp) % AZIMUTHS
    outline = np.take_along_axis(leads.outline_mm, seen_from, axis=1)
    return np.minimum(outline, leads.nominal_radius_mm.astype(np.float32)[:, None]) + np.float32(LEAD_BLUR_MM)


def _is_empty(surface: Surface) -> NDArray[np.bool_]:
    """Say which holes are empty where no lead is seen, [joint]: dark up to their edges, where the land is lit.

    Dark solder round a lead that is not seen ends elsewhere, and comes out of the dark as steep as is lit at all.
    """
    within, beside = radius_first(surface.dark[:, :, INSIDE_HOLE]), radius_first(surface.dark[:, :, BESIDE_HOLE])
    slope = radius_first(surface.slope_deg[:, :, BESIDE_HOLE])
    flat, dark = (np.count_nonzero(part, axis=(0, 2)) >= share * part[:, 0].size
                  for part, share in ((~beside & (slope < np.float32(FLAT_BESIDE_DEG)), ALL_ROUND), (within, ALL_DARK)))
    return np.asarray(dark & flat, dtype=np.bool_)


def _hole_black(surface: Surface) -> NDArray[np.float32]:
    """Return below what share of lit solder it is a hole that is seen and not the board in steep solder, [joint, 1]."""
    least = np.maximum(np.float32(HOLE_BLACK), np.float32(OF_LIGHT_BOARD) * surface.mask_level)
    black = np.minimum(np.float32(OF_BOARD) * surface.mask_level, least)
    return np.asarray(black[:, None], dtype=np.float32)


def _usual_darkness(darkest: NDArray[np.float32], asked: NDArray[np.bool_], lit_alike: NDArray[np.float32],
                    width: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return the median of what the view's dark zones as wide read where `asked`; infinite where too few say so.

    `width` counts classes of width. Where a class holds too few, the next wider ones are asked as well, and then the
    next narrower ones. Azimuths that different lights reach, with unlike numbers in `lit_alike` [azimuth], are counted
    apart. All others are [joint, azimuth].
    """
    usual = np.full(darkest.shape, np.inf, dtype=np.float32)
    for number in np.unique(lit_alike):
        alike = lit_alike == number
        some = asked[:, alike]
        values, classes = darkest[:, alike][some], width[:, alike][some]
        needed = int(np.ceil(USUAL_FROM * float(alike.mean())))
        if len(values) < needed:
            continue
        table = np.empty(len(WIDTHS_PX) + 1, dtype=np.float32)
        for one in range(len(table)):
            away = np.where(classes < one, len(table) + one - classes, classes - one)
            table[one] = median(values[away <= np.partition(away, needed - 1)[needed - 1]])
        usual[:, alike] = table[width[:, alike]]
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


def _out_of_the_dark(surface: Surface, outside: NDArray[np.bool_], radius_mm: NDArray[np.float32]
                     ) -> tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.float32]]:
    """Return the first sample of the first lit run of three behind something dark, where there is one, how wide it is.

    [joint, azimuth]; how wide it is dark up to there is in mm, and 0 where there is none.
    """
    dark = surface.dark[:, :, WITHIN]
    unlit = dark & outside
    lit = outside & (running_count(unlit) >= 2)
    lit &= ~dark
    run = lit[:, :, :-2] & lit[:, :, 1:-1] & lit[:, :, 2:]
    first = until(run)
    found = first < run.shape[2]
    first = np.where(found, first, 0)
    begin = np.minimum(until(unlit), first)
    return first, found, taken(radius_mm, first) - taken(radius_mm, begin)


def _darkest(surface: Surface, outside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the least energy beside the lead, up to a little beyond the hole's edge, [joint, azimuth]."""
    near = slice(0, RING.start + 10)
    beside = np.maximum(surface.energy[:, :, near], ~outside[:, :, near] * np.float32(9.0))
    return np.asarray(beside.min(axis=2), dtype=np.float32)


def _ridged(patches: JointPatches, surface: Surface, first: NDArray[np.intp],
            asked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say at which of the `asked` azimuths a crest is all that is lit between the lead and the dark beyond.

    Where lights leave much between them unlit, only a line of the crest shines: narrow, level in its middle and steeper
    towards both sides. `first` is its first lit sample; [joint, azimuth] all. It runs round much of a joint.
    """
    ray = np.flatnonzero(asked)
    begin = first.ravel()[ray]
    steps = np.minimum(begin + np.arange(RIDGE_STEPS)[:, None], WITHIN.stop - 1)
    dark, slope = (on_rays(part, ray, steps) for part in (surface.dark, surface.slope_deg))
    length = dark.argmax(axis=0)  # none where the line does not end
    last = np.maximum(length - 1, 0)
    lit = np.arange(RIDGE_STEPS)[:, None] < length
    lowest = np.where(lit, slope, np.float32(90.0)).min(axis=0)
    sides = np.minimum(slope[0], slope[last, np.arange(len(ray))])
    begin_mm, end_mm = (on_rays(patches.radius_mm, ray, begin + part) for part in (0, last))
    ridge = (length > 0) & (end_mm - begin_mm <= np.float32(RIDGE_MM)) & (lowest < np.float32(CREST_AT_MOST_DEG))
    found = np.zeros(asked.shape, dtype=bool)
    found.flat[ray] = ridge & (sides - lowest > np.float32(CREST_DEG)) & (begin >= RING.start)
    found &= (np.count_nonzero(found, axis=1) >= MANY_RIDGES)[:, None]
    return smooth_azimuth(found, 9)


def _is_abrupt(surface: Surface, ray: NDArray[np.intp], first: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say on which rays it is dark just before a lit sample: a hole ends at once, steep solder darkens by degrees."""
    before = np.maximum(first - np.arange(ABRUPT_STEPS, 0, -1)[:, None], 0)
    darkest = on_rays(surface.energy, ray, before).min(axis=0)
    return np.asarray(darkest < np.float32(ABRUPT_DARK), dtype=np.bool_)


def _is_level(surface: Surface, ray: NDArray[np.intp], first: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say on which rays the surface is not steep from a sample on, and stays nearly as steep further out, [ray]."""
    def slopes(start: int, stop: int) -> NDArray[np.float32]:
        steps = np.minimum(first + np.arange(start, stop)[:, None], WITHIN.stop - 1)
        return on_rays(surface.slope_deg, ray, steps)

    brim = slopes(1, 5).max(axis=0)
    falls = brim - slopes(6, 12).mean(axis=0)
    # Where the steepest light shines it says so for certain; how steep within its band may be hard to tell.
    lit_from = surface.steepest_from_deg[ray % len(surface.steepest_from_deg)]
    flat = brim < np.minimum(np.float32(BRIM_DEG), lit_from)
    return np.asarray(flat & (falls < BRIM_FALLS_DEG) & (falls > -BRIM_RISES_DEG), dtype=np.bool_)


def _crested(patches: JointPatches, surface: Surface, leads: Leads, away: NDArray[np.float32],
             wide: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Say at which azimuths solder rises from its toe to a crest and falls off again towards the lead.

    Also return how far beyond the hole's edge the dark behind the crest reaches, mm, [joint, azimuth] both; 0 at joints
    without a crest.
    Outward, along what is lit all the way: steep, then flatter by more than grain can do, which is the crest, then
    steep again, then flatter towards the toe. A fillet only flattens outward and a dome only steepens; where it is
    `wide` [joint, azimuth] and black beside the lead it is none, and need not flatten. The crest lies on the land, for
    the solder holds on to the hole's edge; what the lead mirrors lies nearer to it. Grain is the joint's own scatter of
    slope from sample to sample.
    """
    dark = radius_first(surface.dark[:, :, WITHIN])
    slope = radius_first(surface.slope_deg[:, :, WITHIN])
    soft = _soft_where_lit(slope, dark)
    scatter = _scatter(slope, soft, dark)[:, None]
    hole_mm = patches.hole_mm[:, None]
    step_mm = (patches.land_edge_mm - hole_mm) / np.float32(RING.stop - RING.start)
    blur_mm = np.float32(max(EDGE_BLUR_MM, EDGE_BLUR_PX * patches.px_mm))
    stop = WITHIN.stop - np.maximum(np.ceil(blur_mm / step_mm), EDGE_BLUR_STEPS)  # [joint, azimuth]
    beside = away <= (leads.nominal_radius_mm + 0.05).astype(np.float32)[:, None, None]
    limit = np.float32(CREST_DEG) + CREST_SCATTER * scatter
    crest = _crests(soft, dark, radius_first(beside), stop, limit, wide)
    # Where a joint's solder has a crest over a wide sector, less of one is enough beside it.
    known = np.flatnonzero(np.count_nonzero(crest, axis=1) >= KNOWN_FROM)
    if len(known):
        crest[known] |= _crests(soft[:, known], dark[:, known], radius_first(beside[known]), stop[known],
                                np.float32(WEAK_DEG) + WEAK_SCATTER * scatter[known], wide[known])
    reach = np.zeros(stop.shape, dtype=np.float32)
    some = np.flatnonzero(crest.any(axis=1))
    if len(some):
        count = _dark_to(dark[:, some], stop[some]) - np.float32(HOLE_STEPS)
        reach[some] = count * np.where(count < 0.0, hole_mm[some] / np.float32(HOLE_STEPS), step_mm[some])
    return crest, reach


def _dark_to(dark: NDArray[np.bool_], stop: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how many samples it takes to leave behind what is dark [radius, joint, azimuth] before `stop`."""
    looked_at = dark[: WITHIN.stop - EDGE_BLUR_STEPS]
    unlit = looked_at & (np.arange(len(looked_at))[:, None, None] < stop)
    return np.where(unlit.any(axis=0), len(unlit) - unlit[::-1].argmax(axis=0), 0).astype(np.float32)


def _crests(soft: NDArray[np.float32], dark: NDArray[np.bool_], lead: NDArray[np.bool_], stop: NDArray[np.float32],
            limit: NDArray[np.float32], wide: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say at which azimuths a crest stands out by `limit` [joint, 1] degrees, [joint, azimuth].

    Slopes, what is dark and what is the lead are [radius, joint, azimuth]; `stop` [joint, azimuth] is the sample from
    which on the land's edge mixes in. A joint with few crests that lie far out, by the median, is wrinkled.
    """
    # Most rays flatten outward all the way: those that never get steeper again are not looked at.
    ray = np.flatnonzero(_steepens(soft, stop, limit))
    found = np.zeros(stop.shape, dtype=bool)
    if len(ray):
        slopes = soft.reshape(len(soft), -1).take(ray, axis=1)
        unlit, on_lead = (flags.reshape(len(flags), -1).take(ray, axis=1) for flags in (dark, lead))
        crested, place, flattens = _crested_rays(slopes, unlit, on_lead, stop.ravel()[ray],
                                                 limit[ray // stop.shape[1], 0])
        crested &= flattens | wide.ravel()[ray]
        joint = ray // stop.shape[1]
        for one in np.unique(joint[crested]).tolist():
            own = crested & (joint == one)
            crested[own] = np.count_nonzero(own) >= MANY_CRESTS or np.median(place[own]) <= FARTHEST_CREST
        found.flat[ray] = crested
    return smooth_azimuth(found, 9)


def _steepens(soft: NDArray[np.float32], stop: NDArray[np.float32], limit: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say where slopes rise above the least further in on the ring by more than `limit` at three samples at least."""
    count = np.zeros(stop.shape, dtype=np.uint8)
    least = soft[RING.start].copy()
    for step in range(RING.start + 1, WITHIN.stop - EDGE_BLUR_STEPS):
        count += (soft[step] - least > limit) & (step < stop)
        np.minimum(least, soft[step], out=least)
    return count >= BEYOND_CREST


def _crested_rays(soft: NDArray[np.float32], dark: NDArray[np.bool_], lead: NDArray[np.bool_],
                  stop: NDArray[np.float32], limit: NDArray[np.float32]
                  ) -> tuple[NDArray[np.bool_], NDArray[np.uint8], NDArray[np.bool_]]:
    """Look outward along rays [radius, ray] for a crest, all at once; arguments as of _crests.

    Return where there is one, the sample of its flattest place, and where solder flattens towards its toe, [ray] each.
    """
    steepest, crest, peak = (np.full(stop.shape, start, dtype=np.float32) for start in (-1.0, 90.0, -1.0))
    beyond, lowest, place = (np.zeros(stop.shape, dtype=np.uint8) for _ in range(3))
    for step in range(WITHIN.stop - EDGE_BLUR_STEPS):
        slope, inside = soft[step], step < stop
        # Everything begins anew behind what is dark, up to where the land's edge darkens what lies beside it.
        broken = (dark[step] & inside) | lead[step]
        np.maximum(steepest, slope, out=steepest)
        steepest[broken] = -1.0
        if step >= RING.start:
            # What does not count is lifted, or sunk, out of the way: a choice by np.where takes far longer.
            found = (steepest - slope > limit) & (slope < CREST_AT_MOST_DEG) & inside & ~broken
            flattest = found & (slope < crest)
            crest[flattest], lowest[flattest] = slope[flattest], step
            crest[broken] = 90.0
            risen = (slope - crest > limit) & inside & ~broken
            np.maximum(peak, slope * risen - ~risen * np.float32(1.0), out=peak)
            peak[broken] = -1.0
            place[risen] = lowest[risen]
            beyond += risen
            beyond[broken] = 0
    toe = np.where(dark[-EDGE_BLUR_STEPS - 2:], np.float32(90.0), soft[-EDGE_BLUR_STEPS - 2:]).min(axis=0)
    return beyond >= BEYOND_CREST, place, np.asarray(toe < peak - FALLS_TO_TOE_DEG, dtype=np.bool_)


def _soft_where_lit(slope: NDArray[np.float32], dark: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return slopes [radius, joint, azimuth] averaged over five azimuths and three radii, what is dark left out."""
    lit = (~dark).astype(np.float32)
    shape = slope.shape
    part, weight = (np.asarray(cv2.blur(plane.reshape(len(slope), -1), (5, 3)), dtype=np.float32).reshape(shape)
                    for plane in (slope * lit, lit))
    return np.asarray(part / np.maximum(weight, np.float32(1e-3)), dtype=np.float32)


def _scatter(slope: NDArray[np.float32], soft: NDArray[np.float32], dark: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return each joint's own scatter of slope [radius, joint, azimuth] from sample to sample, [joint]."""
    some = np.s_[RING.start::2, :, ::3]
    rough = np.abs(slope[some] - soft[some])
    rough *= ~dark[some]
    return (percentile(rough.swapaxes(0, 1).reshape(slope.shape[1], -1), 50.0) / 0.6745).astype(np.float32)
