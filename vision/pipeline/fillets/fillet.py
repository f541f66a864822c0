"""Measure the fillets of all joints of a view: coverage, cover, toe, angle, height, hollow or domed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.circles import most_beside
from vision.pipeline.arrays.radial import (
    largest_at,
    on_rays,
    one_of,
    radius_first,
    radius_last,
    reach_of,
    running_count,
    taken,
    total,
    until,
)
from vision.pipeline.fillets.caps import cap_ends, mixed_at_edge
from vision.pipeline.fillets.gaps import LAND, lead_distance, open_hole
from vision.pipeline.fillets.margins import bare_margins
from vision.pipeline.fillets.profile import EVERY, SomeRays, fit_profile, profile_height, some_rays
from vision.pipeline.fillets.rise import without_rise
from vision.pipeline.fillets.thin import INNER_STEPS, LAND_STOP, SOFT_STEPS, Toes, find_toes, median_where
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.optics import Optics
from vision.pipeline.light.surface import STEEP_DEG, Surface, smooth_azimuth
from vision.pipeline.view.unwrap import AZIMUTHS, EDGE_STEPS, HOLE, OUTSIDE, RING, RING_STEPS, JointPatches

BARE_SHARE = 0.65
BESIDE = 7  # azimuths beside a bare sector that its edge reaches into
STEEP_BESIDE_LEAD_DEG = 68.0
#: Behind the dark brim of a ball land reads flatter than this, over so many ring samples at least.
FLAT_BEHIND_DEG, LEAST_BEHIND = 14.0, 5
LEAST_STEEPER_DEG = 8.0  # and by so much solder is steeper, where it is lit last before the dark
#: From there on a land domed by its tin may fall off to its edge; so many px, and samples, of the brim mix with it.
DOME_DEG, BRIM_PX, MOST_BLURRED = 26.0, 1.3, 4
DOMED = 0.05  # convexity of a dome for certain
Column = NDArray[np.float64]


def measure_fillets(patches: JointPatches, surface: Surface, leads: Leads, toes: Toes, joined: NDArray[np.bool_],
                    optics: Optics) -> tuple[dict[str, Column], NDArray[np.bool_]]:
    """Return the fillet's measurements as columns [joint]; NaN where there is no solder to measure.

    `toes` are what toes_of gives, `joined` [joint, azimuth] the directions in which solder leads to a neighbour. Also
    return the azimuths at which solder runs from the lead onto the land, those among them, [joint, azimuth].
    """
    away = lead_distance(patches, leads, LAND)
    rays = some_rays(patches, surface)
    level = without_rise(surface, leads, away)
    covered = covered_azimuths(patches, surface, leads, toes, away, rays, level) | joined
    toe_index, toe_mm = find_toe(patches, surface, covered, toes)
    under = under_solder(surface, covered, toe_index) & ~(level & ~covered)[:, :, None]
    ring_area = patches.area_mm2[:, :, RING]
    columns: dict[str, Column] = {}
    columns["coverage_deg"] = covered.sum(axis=1) * (360.0 / AZIMUTHS)
    columns["largest_gap_deg"], columns["gap_azimuth_deg"] = largest_gap(covered)
    to_edge = covered & (toe_index == RING_STEPS)
    margin, margin_beyond = bare_margins(patches, surface, to_edge, optics)
    margin += _bare_before(patches, toes, covered)
    columns["land_cover_pct"] = 100.0 * (np.maximum(_sum_where(ring_area, under) - margin, 0.0)
                                         / (total(ring_area, None) + margin_beyond))
    columns["hole_open_pct"] = _hole_open(patches, surface, covered, leads, away)
    enough = covered.sum(axis=1) >= AZIMUTHS // 24
    around_mm = (patches.land_edge_mm * covered).sum(axis=1) * (2.0 * np.pi / AZIMUTHS)
    mean_toe = _mean_where(toe_mm, covered) - margin / np.maximum(around_mm, 1e-6)
    columns["toe_radius_mm"] = np.where(enough, mean_toe, np.nan)
    constant, bend = fit_profile(patches, surface, covered, toe_mm, leads, optics, rays)
    columns["wetting_angle_deg"] = np.where(enough, _toe_angle(patches, surface, covered, toe_index, constant,
                                                               bend, mean_toe), np.nan)
    columns["fillet_height_mm"] = np.where(enough, profile_height(constant, bend, leads.nominal_radius_mm, mean_toe),
                                           np.nan)
    columns["convexity"] = np.where(enough, _convexity(rays, covered, toe_mm, leads.nominal_radius_mm), np.nan)
    columns["lead_visible"] = leads.visible
    own_x, own_y = leads.offset_x_mm - leads.aside_mm[:, 0], leads.offset_y_mm - leads.aside_mm[:, 1]
    columns["lead_offset_mm"] = np.where(leads.visible > 0.0, np.hypot(own_x, own_y), np.nan)
    columns["lead_size_mm"] = leads.size_mm
    columns["residue_pct"] = _residue(patches, surface)
    columns["sharpness"] = _sharpness(surface)
    return columns, covered


def covered_azimuths(patches: JointPatches, surface: Surface, leads: Leads, toes: Toes,
                     away: NDArray[np.float32], rays: SomeRays | None = None,
                     level: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Say at which azimuths solder runs unbroken from the lead onto the land, [joint, azimuth].

    A gap is where the land is bare from its edge inward to (nearly) the hole, where what lies beside the lead shows
    that one looks into the hole (see open_hole), or where nothing rises towards the lead (see without_rise). `toes` and
    `away` are what toes_of and lead_distance (over LAND) give; `rays` and `level` may hold what some_rays and
    without_rise give.
    """
    onto_land = toes.bare_from >= INNER_STEPS
    open_there = open_hole(patches, surface, leads, away, onto_land)
    open_there |= without_rise(surface, leads, away) if level is None else level
    doubted = np.flatnonzero((open_there & onto_land).any(axis=1))
    if len(doubted):
        # A dome's dark zone is its rim, not a gap: what lies beyond it may be flat without saying anything.
        _, toe_mm = find_toe(patches, surface, onto_land, toes)
        rays = some_rays(patches, surface) if rays is None else rays
        domed = _convexity(rays.of_some(doubted), onto_land[doubted], toe_mm[doubted],
                           leads.nominal_radius_mm[doubted]) > DOMED
        open_there[doubted] &= ~domed[:, None]
    return smooth_azimuth(onto_land & ~open_there, 5)


def bare_from(surface: Surface) -> NDArray[np.int64]:
    """Return the ring index from which on outward the land is bare, RING_STEPS where none is, [joint, azimuth].

    Solder of a certain slope can look like bare land, so only bare samples that reach the land's edge count: the
    split is taken where the excess of bare samples over BARE_SHARE of all, counted inward, is largest.
    """
    bare = surface.bare[:, :, RING.start:RING.stop - EDGE_STEPS][:, :, ::-1]
    excess = running_count(bare).astype(np.float32)
    excess -= (BARE_SHARE * np.arange(1, bare.shape[2] + 1)).astype(np.float32)
    # Where the land's edge is soft its outermost samples answer as nothing at all; they say neither one nor the other.
    edge = bare[:, :, :SOFT_STEPS + 1]
    soft = np.where(edge.any(axis=2), edge.argmax(axis=2), 0).astype(np.float32)
    excess += np.float32(BARE_SHARE) * soft[:, :, None]
    deepest = largest_at(excess)
    found = taken(excess, deepest) > 1.0
    return np.where(found, RING_STEPS - EDGE_STEPS - 1 - deepest, RING_STEPS)


def behind_brim(patches: JointPatches, surface: Surface) -> NDArray[np.int64]:
    """Return the ring index from which on land lies behind solder too steep to be lit, RING_STEPS for none.

    A fillet comes out of the dark at the steepest slope that is lit; what is flat at once, and up to the land's edge
    at least no steeper than a domed land is there, is land beside a ball or a dome. [joint, azimuth]
    """
    dark = radius_first(surface.dark[:, :, RING])[:LAND_STOP]
    slope = radius_first(surface.slope_deg[:, :, RING])[:LAND_STOP]
    blurred = np.minimum(np.ceil(np.float32(BRIM_PX * patches.px_mm) / patches.ring_step_mm), MOST_BLURRED)
    edge = RING_STEPS - mixed_at_edge(patches)
    flat = np.asarray(slope <= np.float32(FLAT_BEHIND_DEG), dtype=np.bool_)
    level = np.ones(dark.shape[1:], dtype=bool)  # all from a sample on to the edge is lit, and flat as a land may be
    first = np.full(level.shape, RING_STEPS, dtype=np.int64)
    # So many flat samples follow on each other from the next sample on, from the one after it, and so on.
    runs = [np.zeros(level.shape, dtype=np.int16)] * (MOST_BLURRED + 1)
    lit = np.zeros(level.shape, dtype=np.int16)  # so many samples follow on each other
    for step in range(LAND_STOP - 1, -1, -1):
        if step + 1 + LEAST_BEHIND <= LAND_STOP and dark[step].any():
            soon = [(run >= LEAST_BEHIND) & (np.minimum(blurred, lit) >= lag) for lag, run in enumerate(runs)]
            first[dark[step] & np.logical_or.reduce(soon)] = step + 1
        lit = (lit + 1) * ~dark[step]
        level &= ~(dark[step] | (slope[step] > np.float32(DOME_DEG))) | (step >= edge)
        runs = [(runs[0] + 1) * (flat[step] & ~dark[step] & level), *runs[:-1]]
    first[_goes_on_behind(dark, slope, first)] = RING_STEPS
    return first


def _goes_on_behind(dark: NDArray[np.bool_], slope: NDArray[np.float32], first: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say on which rays solder is hardly steeper on the inner side of the dark before `first`, [joint, azimuth].

    That is no brim, but solder that looks as the board does that it might mirror. Tables are [ring sample, joint,
    azimuth].
    """
    goes_on = np.zeros(first.shape, dtype=bool)
    joint, azimuth = np.nonzero(first < RING_STEPS)
    at = first[joint, azimuth]
    step = np.arange(len(dark))[:, None]
    before = np.where((step < at) & ~dark[:, joint, azimuth], step, -1).max(axis=0, initial=-1)
    inside, behind = slope[before, joint, azimuth], slope[np.minimum(at, len(slope) - 1), joint, azimuth]
    goes_on[joint, azimuth] = (before >= 0) & (inside > FLAT_BEHIND_DEG) & (inside < behind + LEAST_STEEPER_DEG)
    return goes_on


def toes_of(patches: JointPatches, surface: Surface) -> Toes:
    """Return where solder ends on the lands of a view."""
    bare = np.minimum(bare_from(surface), behind_brim(patches, surface))
    return find_toes(patches, surface, np.minimum(bare, cap_ends(patches, surface)))


def beside_bare_land(toes: Toes) -> NDArray[np.bool_]:
    """Say at which azimuths the land is bare over a wide sector, or solder ends at such a sector, [joint, azimuth].

    The edge of a gap runs outward like a spike; a spike itself may look bare, but over a narrow sector only.
    """
    wide = smooth_azimuth(toes.bare_from < RING_STEPS // 2, 11)
    return most_beside(wide, BESIDE)


def find_toe(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_],
             toes: Toes) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the ring index just beyond the toe and the toe's radius in mm, [joint, azimuth].

    The toe is where the land becomes bare. What is dark there is solder too steep to be lit: land is flat.
    """
    index = np.where(covered, toes.ends, 0)
    hole = patches.hole_mm[:, None]
    radius = hole + (patches.land_edge_mm - hole) * index / RING_STEPS
    # Solder that has run over the land's edge: free samples beyond it that shine like a sloped metal.
    outside = surface.solder[:, :, OUTSIDE] & patches.free & (surface.energy[:, :, OUTSIDE] > np.float32(0.8))
    ended = np.logical_not(outside, out=outside)
    over = until(ended) * (index == RING_STEPS)
    return index, radius + over * patches.step_mm[:, :, -1]


def _bare_before(patches: JointPatches, toes: Toes, covered: NDArray[np.bool_]) -> Column:
    """Return the bare area (mm^2) between the toes and where the land looks wholly bare, [joint]."""
    ring = patches.area_mm2[:, :, RING]
    one = taken(ring, np.clip(toes.ends - 1, 0, RING_STEPS - 1))
    return np.asarray((toes.back * one * covered).sum(axis=1, dtype=np.float64), dtype=np.float64)


def under_solder(surface: Surface, covered: NDArray[np.bool_], toe_index: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say which ring samples are under solder, [joint, azimuth, ring]."""
    within = np.arange(RING_STEPS)[:, None, None] < np.where(covered, toe_index, 0)  # [ring, joint, azimuth]
    under = within | (radius_first(surface.solder[:, :, RING]) & ~covered)
    return radius_last(under)


def largest_gap(covered: NDArray[np.bool_]) -> tuple[Column, Column]:
    """Return the widest run of uncovered azimuths in degrees and where its middle lies; NaN place for no gap."""
    step = 360.0 / AZIMUTHS
    doubled = np.concatenate([~covered, ~covered], axis=1)
    count = np.cumsum(doubled, axis=1)
    reset = np.maximum.accumulate(np.where(doubled, 0, count), axis=1)
    run = np.minimum(count - reset, AZIMUTHS)
    end = run.argmax(axis=1)
    longest = run[np.arange(len(run)), end]
    middle = ((end - (longest - 1) / 2.0 + 0.5) * step) % 360.0
    return longest * step, np.where(longest > 0, middle, np.nan)


def _toe_angle(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], toe_index: NDArray[np.int64],
               constant: Column, bend: Column, toe_mm: Column) -> Column:
    """Slope at the toe, degrees: the fitted profile's, or the median of the outermost lit samples without a fit."""
    with np.errstate(invalid="ignore"):
        fitted = np.rad2deg(np.arcsin(np.clip(constant / toe_mm + bend * toe_mm, -1.0, 1.0)))
    # The edge itself mixes land and mask, which may be dark, over more samples the coarser the picture.
    direct = np.minimum(*(_slope_before(surface, covered, np.minimum(toe_index, RING_STEPS - mixed))
                          for mixed in (EDGE_STEPS, mixed_at_edge(patches))))
    return np.where(np.isfinite(fitted) & (fitted > 0.0) & (direct < 45.0), fitted, direct)


def _slope_before(surface: Surface, covered: NDArray[np.bool_], stop: NDArray[np.int64]) -> Column:
    """Return the median slope of the three ring samples before `stop` [joint, azimuth], dark ones taken for steep."""
    place = stop - np.arange(3, 0, -1)[:, None, None]  # [sample, joint, azimuth]
    near = (place >= 0) & covered
    inside, ray = np.maximum(place, 0), np.arange(covered.size).reshape(covered.shape)
    dark = on_rays(surface.dark[:, :, RING], ray, inside)
    slope = np.where(dark, np.float32(STEEP_DEG), on_rays(surface.slope_deg[:, :, RING], ray, inside))
    return median_where(slope.swapaxes(0, 1), near.swapaxes(0, 1))


def _convexity(rays: SomeRays, covered: NDArray[np.bool_], toe_mm: NDArray[np.float64], lead_mm: Column) -> Column:
    """Return (outer - inner) / (outer + inner) of the mean slopes of the outer and inner third of the fillet.

    What is unlit is steeper than any light can show, 45 to 90 degrees. Next to the lead the middle of that range is
    taken, at the toe its lower part: so a fillet that is unlit all over reads as hollow, which it is, for a dome is
    flat in its middle.
    """
    every = slice(None, None, EVERY)
    radius, shown, unlit = rays.radius_mm, rays.lit_slope_deg, rays.unlit
    lead = lead_mm[:, None]
    reach = np.maximum(toe_mm[:, every] - lead, 0.05)
    thirds = []
    for low, high, steep in ((0.0, 1.0 / 3.0, STEEP_BESIDE_LEAD_DEG), (2.0 / 3.0, 1.0, STEEP_DEG)):
        start, stop = ((lead + share * reach).astype(np.float32)[:, :, None] for share in (low, high))
        within = (radius >= start) & (radius < stop) & covered[:, every, None]
        part = reach_of(within)
        weight = rays.area_mm2[:, :, part] * within[:, :, part]
        whole = total(weight, None)
        mean = total(weight, shown[:, :, part]) + steep * total(weight, unlit[:, :, part])
        thirds.append(mean / np.maximum(whole, 1e-9))
    inner, outer = thirds
    return np.asarray((outer - inner) / np.maximum(outer + inner, 1e-6), dtype=np.float64)


def _hole_open(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], leads: Leads,
               away: NDArray[np.float32]) -> Column:
    """Share of the hole, lead excluded, that is dark where no fillet explains it by its steepness."""
    area = patches.area_mm2[:, :, HOLE]
    seen = leads.visible[:, None, None] > 0.5
    outside_lead = ~seen | (away[:, :, HOLE] > leads.nominal_radius_mm.astype(np.float32)[:, None, None])
    dark = surface.dark[:, :, HOLE] & outside_lead & ~(covered[:, :, None] & seen)
    return 100.0 * _sum_where(area, dark) / np.maximum(_sum_where(area, outside_lead), 1e-9)


def _residue(patches: JointPatches, surface: Surface) -> Column:
    """Share of the free board around the land that is neither mask nor metal: a milky or shiny veil."""
    outside = patches.responses[:, :, :, OUTSIDE]
    reference = surface.mask_response[:, :, None, None]
    veil = patches.free & (surface.energy[:, :, OUTSIDE] < 0.6)
    for light in range(outside.shape[1]):
        one = reference[:, light]
        veil &= np.abs(outside[:, light] - one) > 0.10 + 0.5 * one
    share = veil.sum(axis=(1, 2)) / np.maximum(patches.free.sum(axis=(1, 2)), 1)
    return np.asarray(100.0 * share, dtype=np.float64)


def _sharpness(surface: Surface) -> Column:
    """Steepest step between neighbouring samples against the whole range along each ray, 90th percentile."""
    energy = one_of(4, surface.energy)
    np.minimum(energy, np.float32(1.5), out=energy)
    step = np.abs(np.diff(energy, axis=2)).max(axis=2)
    span = energy.max(axis=2) - energy.min(axis=2)
    share = step / np.maximum(span, np.float32(0.05))
    return np.asarray(np.percentile(share, 90, axis=1), dtype=np.float64)


def _sum_where(values: NDArray[np.float32], where: NDArray[np.bool_]) -> Column:
    """Return the sum [joint] of values [joint, azimuth, radius] where some hold."""
    return total(values, where.astype(np.float32))


def _mean_where(values: NDArray[np.float64], where: NDArray[np.bool_]) -> Column:
    return np.asarray((values * where).sum(axis=1) / np.maximum(where.sum(axis=1), 1), dtype=np.float64)


__all__ = ["covered_azimuths", "find_toe", "largest_gap", "measure_fillets", "toes_of", "under_solder"]
