"""Measure the fillets of all joints of a view: coverage, cover, toe, angle, height, hollow or domed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.lead import Leads
from vision.pipeline.margins import bare_margins
from vision.pipeline.optics import Optics
from vision.pipeline.surface import STEEP_DEG, Surface, smooth_azimuth
from vision.pipeline.unwrap import AZIMUTHS, HOLE, OUTSIDE, RING, RING_STEPS, JointPatches, azimuths_rad

INNER_STEPS = 5  # solder must reach this far onto the ring to count as running onto the land
CREST_DEG, CREST_SCATTER = 4.0, 2.0
BLACK, BESIDE_MM = 0.3, 0.22  # share of lit solder, and how far from the lead one may look into the hole
EDGE_STEPS = 2  # outermost ring samples that mix land and mask
BARE_SHARE = 0.65
STEEP_BESIDE_LEAD_DEG = 68.0
DOMED = 0.05  # convexity of a dome for certain
BLUR_MM = 0.045  # at toe and land edge so much of the land shows what lies beyond
FLATTENING_DEG = 0.3  # of the lights' mean slope, over what looks bare; a flat land stays within half of it
BRIM_DEG = 24.0  # a fillet comes out of the dark steeper than this
Column = NDArray[np.float64]


def measure_fillets(patches: JointPatches, surface: Surface, leads: Leads, joined: NDArray[np.bool_],
                    optics: Optics) -> dict[str, Column]:
    """Return the fillet's measurements as columns [joint]; NaN where there is no solder to measure.

    `joined` [joint, azimuth] are the directions in which solder leads to a neighbour.
    """
    covered = covered_azimuths(patches, surface, leads) | joined
    toe_index, toe_mm = find_toe(patches, surface, covered)
    under = under_solder(surface, covered, toe_index)
    ring_area = patches.area_mm2[:, :, RING]
    columns: dict[str, Column] = {}
    columns["coverage_deg"] = covered.sum(axis=1) * (360.0 / AZIMUTHS)
    columns["largest_gap_deg"], columns["gap_azimuth_deg"] = largest_gap(covered)
    to_edge = covered & (toe_index == RING_STEPS)
    margin, margin_beyond = bare_margins(patches, surface, to_edge, optics)
    columns["land_cover_pct"] = 100.0 * (np.maximum((under * ring_area).sum(axis=(1, 2)) - margin, 0.0)
                                         / (ring_area.sum(axis=(1, 2)) + margin_beyond))
    columns["hole_open_pct"] = _hole_open(patches, surface, covered, leads)
    enough = covered.sum(axis=1) >= AZIMUTHS // 24
    around_mm = (patches.land_edge_mm * covered).sum(axis=1) * (2.0 * np.pi / AZIMUTHS)
    mean_toe = _mean_where(toe_mm, covered) - margin / np.maximum(around_mm, 1e-6)
    columns["toe_radius_mm"] = np.where(enough, mean_toe, np.nan)
    constant, bend = fit_profile(patches, surface, covered, toe_mm, leads)
    columns["wetting_angle_deg"] = np.where(enough, _toe_angle(patches, surface, covered, toe_index, constant, bend,
                                                               mean_toe), np.nan)
    columns["fillet_height_mm"] = np.where(enough, profile_height(constant, bend, leads.nominal_radius_mm, mean_toe),
                                           np.nan)
    columns["convexity"] = np.where(enough, _convexity(patches, surface, covered, toe_mm, leads), np.nan)
    columns["lead_visible"] = leads.visible
    columns["lead_offset_mm"] = np.where(leads.visible > 0.0, np.hypot(leads.offset_x_mm, leads.offset_y_mm), np.nan)
    columns["lead_size_mm"] = leads.size_mm
    columns["residue_pct"] = _residue(patches, surface)
    columns["sharpness"] = _sharpness(patches, surface)
    return columns


def lead_distance(patches: JointPatches, leads: Leads, within: slice) -> NDArray[np.float64]:
    """Distance of every sample from the found lead's centre, mm, [joint, azimuth, radius]."""
    radius, azimuth = patches.radius_mm[:, :, within], azimuths_rad()
    return np.asarray(np.hypot(radius * np.cos(azimuth)[None, :, None] - leads.offset_x_mm[:, None, None],
                               radius * np.sin(azimuth)[None, :, None] - leads.offset_y_mm[:, None, None]))


def covered_azimuths(patches: JointPatches, surface: Surface, leads: Leads) -> NDArray[np.bool_]:
    """Say at which azimuths solder runs unbroken from the lead onto the land, [joint, azimuth].

    An open hole and solder too steep to be lit are equally dark, so the dark zone itself says nothing; its brim
    does. Three things show a gap. The land is bare from its edge inward to (nearly) the hole. Or what is lit
    first, outward from the dark zone, is flat: a fillet comes out of the dark at the steepest slope that is lit,
    a brim of solder or land at an open hole does not. Or the solder has a crest and black next to the lead: where it
    wets the lead it gets flatter outward all the way, where it does not it falls off again towards the lead, and
    between them one looks into the hole.
    """
    onto_land = bare_from(surface) >= INNER_STEPS
    seen = (leads.visible > 0.5)[:, None]
    abrupt = _flat_brim(patches, surface, leads) & seen
    crested = _crested(patches, surface, leads) & _black_beside_lead(patches, surface, leads) & seen
    # A dome's dark zone is its rim, not a gap: what lies beyond it may be flat without saying anything.
    _, toe_mm = find_toe(patches, surface, onto_land)
    domed = _convexity(patches, surface, onto_land, toe_mm, leads)[:, None] > DOMED
    return smooth_azimuth(onto_land & ((~abrupt & ~crested) | domed), 5)


def _flat_brim(patches: JointPatches, surface: Surface, leads: Leads) -> NDArray[np.bool_]:
    """Say at which azimuths the dark zone around the lead ends at something flat, [joint, azimuth]."""
    within = slice(0, RING.stop - EDGE_STEPS)
    away = lead_distance(patches, leads, within)
    outside = away > leads.nominal_radius_mm[:, None, None] + 0.02
    dark = surface.dark[:, :, within]
    dark_before = np.cumsum(dark & outside, axis=2)
    # The last dark sample before the first lit run of three.
    lit = ~dark & outside & (dark_before >= 2)
    run = lit[:, :, :-2] & lit[:, :, 1:-1] & lit[:, :, 2:]
    first = run.argmax(axis=2)
    steps = np.minimum(first[:, :, None] + np.arange(1, 5), run.shape[2] + 1)
    slopes = np.take_along_axis(surface.slope_deg[:, :, within], steps, axis=2)
    return np.asarray(run.any(axis=2) & (slopes.max(axis=2) < BRIM_DEG), dtype=np.bool_)


def _black_beside_lead(patches: JointPatches, surface: Surface, leads: Leads) -> NDArray[np.bool_]:
    """Say at which azimuths at least two samples just outside the lead are black, [joint, azimuth]."""
    within = slice(0, RING.start + INNER_STEPS)
    away, lead = lead_distance(patches, leads, within), leads.nominal_radius_mm[:, None, None]
    beside = (away > 0.95 * lead) & (away < lead + BESIDE_MM)
    return np.asarray((beside & (surface.energy[:, :, within] < BLACK)).sum(axis=2) >= 2, dtype=np.bool_)


def _crested(patches: JointPatches, surface: Surface, leads: Leads) -> NDArray[np.bool_]:
    """Say at which azimuths the slope falls below what it is further out, [joint, azimuth].

    By more than grain can do: the limit grows with the joint's own scatter of slope from sample to sample.
    """
    within = slice(0, RING.stop - EDGE_STEPS)
    away = lead_distance(patches, leads, within)
    steep = np.where(surface.dark, np.float32(STEEP_DEG), surface.slope_deg)[:, :, within]
    soft = cv2.blur(np.ascontiguousarray(steep).reshape(-1, steep.shape[2]), (3, 5)).reshape(steep.shape)
    ring = slice(RING.start, RING.stop - EDGE_STEPS)
    rough = np.abs(steep[:, ::2, ring] - soft[:, ::2, ring])
    scatter = np.median(np.where(surface.dark[:, ::2, ring], 0.0, rough), axis=(1, 2)) / 0.6745
    limit = (CREST_DEG + CREST_SCATTER * scatter)[:, None, None]
    outside = away > leads.nominal_radius_mm[:, None, None] + 0.05
    flattest = np.minimum.accumulate(np.where(outside, soft, 90.0), axis=2)
    beyond_crest = (soft - flattest > limit) & ~surface.dark[:, :, within] & outside
    # A dome gets steeper all the way to its rim; behind a crest a fillet flattens again towards its toe.
    peak = np.where(beyond_crest, soft, 0.0).max(axis=2)
    flattens = soft[:, :, -3:].mean(axis=2) < peak - 1.5
    return np.asarray((beyond_crest.sum(axis=2) >= 4) & flattens, dtype=np.bool_)


def bare_from(surface: Surface) -> NDArray[np.int64]:
    """Return the ring index from which on outward the land is bare, RING_STEPS where none is, [joint, azimuth].

    Solder of a certain slope can look like bare land, so only bare samples that reach the land's edge count: the
    split is taken where the excess of bare samples over BARE_SHARE of all, counted inward, is largest.
    """
    bare = surface.bare[:, :, RING.start:RING.stop - EDGE_STEPS][:, :, ::-1].astype(np.float32)
    excess = np.cumsum(bare - BARE_SHARE, axis=2)
    deepest = excess.argmax(axis=2)
    found = excess.max(axis=2) > 1.0
    return np.where(found, RING_STEPS - EDGE_STEPS - 1 - deepest, RING_STEPS)


def beside_bare_land(surface: Surface) -> NDArray[np.bool_]:
    """Say at which azimuths the land is bare over a wide sector, or solder ends at such a sector, [joint, azimuth].

    The edge of a gap runs outward like a spike; a spike itself may look bare, but over a narrow sector only.
    """
    wide = smooth_azimuth(bare_from(surface) < RING_STEPS // 2, 11)
    return np.asarray(np.logical_or.reduce([np.roll(wide, shift, axis=1) for shift in range(-7, 8)]), dtype=np.bool_)


def find_toe(patches: JointPatches, surface: Surface,
             covered: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the ring index just beyond the toe and the toe's radius in mm, [joint, azimuth].

    The toe is where the land becomes bare. What is dark there is solder too steep to be lit: land is flat.
    """
    ends = bare_from(surface)
    ends = np.where(thins_out(patches, surface, ends)[:, None], RING_STEPS, ends)
    index = np.where(covered, ends, 0)
    hole = patches.hole_mm[:, None]
    radius = hole + (patches.land_edge_mm - hole) * index / RING_STEPS
    # Solder that has run over the land's edge: free samples beyond it that shine like a sloped metal.
    outside = (surface.solder[:, :, OUTSIDE] & patches.free & (surface.energy[:, :, OUTSIDE] > 0.8))
    over = np.cumprod(outside, axis=2).sum(axis=2) * (index == RING_STEPS)
    return index, radius + over * patches.step_mm[:, :, -1]


def thins_out(patches: JointPatches, surface: Surface, ends: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say for which joints what looks bare beyond the fillet is solder that thins out, [joint].

    Bare land is flat: the lights answer alike from its inner to its outer edge. Solder that wets at a small angle
    is nearly as flat, but flattens outward. Compared are the inner and the outer third of what looks bare; the
    median over all such azimuths, those of gaps too, is far less noisy than a single ray.
    """
    step_mm = (patches.land_edge_mm - patches.hole_mm[:, None]) / RING_STEPS
    stop = RING_STEPS - np.maximum(np.ceil(BLUR_MM / step_mm).astype(np.int64), EDGE_STEPS + 1)
    start = ends + np.maximum(np.ceil(BLUR_MM / step_mm).astype(np.int64), 2)
    third = np.maximum((stop - start) // 3, 1)
    usable = stop - start >= 5
    moment = surface.moment_deg[:, :, RING]
    course = np.concatenate([np.zeros((*moment.shape[:2], 1)), np.cumsum(moment, axis=2, dtype=np.float64)], axis=2)

    def mean_between(low: NDArray[np.int64], high: NDArray[np.int64]) -> NDArray[np.float64]:
        low, high = np.clip(low, 0, RING_STEPS - 1), np.clip(high, 1, RING_STEPS)
        upper, lower = (np.take_along_axis(course, place[:, :, None], axis=2)[:, :, 0] for place in (high, low))
        return np.asarray((upper - lower) / np.maximum(high - low, 1), dtype=np.float64)

    outer = mean_between(stop - third, stop)
    change = _median_where((mean_between(start, start + third) - outer)[:, :, None], usable[:, :, None])
    enough = usable.sum(axis=1) >= AZIMUTHS // 12
    return np.asarray(enough & ((change > FLATTENING_DEG) | (change < -2.5 * FLATTENING_DEG)), dtype=np.bool_)


def under_solder(surface: Surface, covered: NDArray[np.bool_], toe_index: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say which ring samples are under solder, [joint, azimuth, ring]."""
    position = np.arange(RING_STEPS)
    within = (position < toe_index[:, :, None]) & covered[:, :, None]
    return within | (surface.solder[:, :, RING] & ~covered[:, :, None])


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


def fit_profile(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], toe_mm: NDArray[np.float64],
                leads: Leads) -> tuple[Column, Column]:
    """Fit the axisymmetric capillary profile without gravity to the lit slopes of every joint.

    Young and Laplace: (1/r) d(r sin psi)/dr = const, hence r sin psi = c + k r^2. Linear least squares over all
    lit samples between lead and toe, twice, the second time without gross outliers. Returns c (mm) and k (1/mm).
    """
    radius = patches.radius_mm[:, :, : OUTSIDE.start]
    slope = surface.slope_deg[:, :, : OUTSIDE.start]
    use = surface.solder[:, :, : OUTSIDE.start] & covered[:, :, None] & (slope > 9.0) & (slope < 37.0)
    use &= (radius < toe_mm[:, :, None]) & (radius > 1.25 * leads.nominal_radius_mm[:, None, None])
    target = radius * np.sin(np.deg2rad(slope))
    weight = use * patches.area_mm2[:, :, : OUTSIDE.start]
    for _ in range(2):
        square = radius**2
        w, wx, wxx = (np.einsum("jar,jar->j", weight, values, dtype=np.float64)
                      for values in (np.ones_like(square), square, square**2))
        wy, wxy = (np.einsum("jar,jar->j", weight, values, dtype=np.float64) for values in (target, target * square))
        determinant = w * wxx - wx**2
        with np.errstate(divide="ignore", invalid="ignore"):
            constant = (wxx * wy - wx * wxy) / determinant
            bend = (w * wxy - wx * wy) / determinant
        rest = np.abs(target - constant[:, None, None] - bend[:, None, None] * square)
        spread = np.einsum("jar,jar->j", weight, rest, dtype=np.float64) / np.maximum(w, 1e-9)
        weight = weight * (rest < 2.5 * spread[:, None, None] + 1e-3)
    usable = (w > 1e-4) & np.isfinite(constant) & np.isfinite(bend)
    return np.where(usable, constant, np.nan), np.where(usable, bend, np.nan)


def profile_height(constant: Column, bend: Column, lead_mm: Column, toe_mm: Column) -> Column:
    """Integrate tan(psi) of r sin psi = c + k r^2 from the toe to the lead, [joint] in mm (trapezoids)."""
    place = np.linspace(0.0, 1.0, 41)
    radius = lead_mm[:, None] + np.maximum(toe_mm - lead_mm, 0.0)[:, None] * place
    sine = np.clip(constant[:, None] / radius + bend[:, None] * radius, -0.985, 0.985)
    slope = sine / np.sqrt(1.0 - sine**2)
    return np.asarray(np.trapezoid(slope, radius, axis=1), dtype=np.float64)


def _toe_angle(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], toe_index: NDArray[np.int64],
               constant: Column, bend: Column, toe_mm: Column) -> Column:
    """Slope at the toe, degrees: the fitted profile's, or the median of the outermost lit samples without a fit."""
    with np.errstate(invalid="ignore"):
        fitted = np.rad2deg(np.arcsin(np.clip(constant / toe_mm + bend * toe_mm, -1.0, 1.0)))
    position = np.arange(RING_STEPS)
    last = np.minimum(toe_index, RING_STEPS - EDGE_STEPS)[:, :, None]  # the edge itself mixes land and mask
    near = (position < last) & (position >= last - 3) & covered[:, :, None]
    outer = np.where(surface.dark[:, :, RING], STEEP_DEG, surface.slope_deg[:, :, RING])
    direct = _median_where(outer, near)
    return np.where(np.isfinite(fitted) & (fitted > 0.0) & (direct < 45.0), fitted, direct)


def _convexity(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], toe_mm: NDArray[np.float64],
               leads: Leads) -> Column:
    """Return (outer - inner) / (outer + inner) of the mean slopes of the outer and inner third of the fillet.

    What is unlit is steeper than any light can show, 45 to 90 degrees. Next to the lead the middle of that range is
    taken, at the toe its lower part: so a fillet that is unlit all over reads as hollow, which it is, for a dome is
    flat in its middle.
    """
    within = slice(0, OUTSIDE.start)
    lead = leads.nominal_radius_mm[:, None, None]
    place = (patches.radius_mm[:, :, within] - lead) / np.maximum(toe_mm[:, :, None] - lead, 0.05)
    dark, slope = surface.dark[:, :, within], surface.slope_deg[:, :, within]
    area = patches.area_mm2[:, :, within] * covered[:, :, None]
    thirds = []
    for low, high, steep in ((0.0, 1.0 / 3.0, STEEP_BESIDE_LEAD_DEG), (2.0 / 3.0, 1.0, STEEP_DEG)):
        weight = area * ((place >= low) & (place < high))
        mean = (weight * np.where(dark, np.float32(steep), slope)).sum(axis=(1, 2))
        thirds.append(mean / np.maximum(weight.sum(axis=(1, 2)), 1e-9))
    inner, outer = thirds
    return np.asarray((outer - inner) / np.maximum(outer + inner, 1e-6), dtype=np.float64)


def _hole_open(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], leads: Leads) -> Column:
    """Share of the hole, lead excluded, that is dark where no fillet explains it by its steepness."""
    area = patches.area_mm2[:, :, HOLE]
    away = lead_distance(patches, leads, HOLE)
    seen = leads.visible[:, None, None] > 0.5
    outside_lead = ~seen | (away > leads.nominal_radius_mm[:, None, None])
    explained = covered[:, :, None] & seen
    dark = surface.dark[:, :, HOLE] & outside_lead & ~explained
    whole = (area * outside_lead).sum(axis=(1, 2))
    return np.asarray(100.0 * (area * dark).sum(axis=(1, 2)) / np.maximum(whole, 1e-9), dtype=np.float64)


def _residue(patches: JointPatches, surface: Surface) -> Column:
    """Share of the free board around the land that is neither mask nor metal: a milky or shiny veil."""
    outside = patches.responses[:, :, :, OUTSIDE]
    reference = surface.mask_response[:, :, None, None]
    off = (np.abs(outside - reference) > 0.10 + 0.5 * reference).all(axis=1)
    veil = off & patches.free & (surface.energy[:, :, OUTSIDE] < 0.6)
    share = veil.sum(axis=(1, 2)) / np.maximum(patches.free.sum(axis=(1, 2)), 1)
    return np.asarray(100.0 * share, dtype=np.float64)


def _sharpness(patches: JointPatches, surface: Surface) -> Column:
    """Steepest step between neighbouring samples against the whole range along each ray, 90th percentile."""
    energy = np.minimum(surface.energy, 1.5)
    step = np.abs(np.diff(energy, axis=2)).max(axis=2)
    span = energy.max(axis=2) - energy.min(axis=2)
    share = step / np.maximum(span, 0.05)
    return np.asarray(np.percentile(share[:, ::4], 90, axis=1), dtype=np.float64)


def _mean_where(values: NDArray[np.float64], where: NDArray[np.bool_]) -> Column:
    return np.asarray((values * where).sum(axis=1) / np.maximum(where.sum(axis=1), 1), dtype=np.float64)


def _median_where(values: NDArray[np.float64], where: NDArray[np.bool_]) -> Column:
    flat = np.sort(np.where(where, values, np.inf).reshape(len(values), -1), axis=1)
    count = where.reshape(len(values), -1).sum(axis=1)
    middle = np.clip(count // 2, 0, flat.shape[1] - 1)
    found = flat[np.arange(len(flat)), middle]
    return np.where(count > 0, found, np.nan)


__all__ = ["covered_azimuths", "find_toe", "fit_profile", "largest_gap", "measure_fillets",
           "profile_height", "under_solder"]
