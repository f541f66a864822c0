"""Local flaws of a fillet: pits and projections, found as departures from the joint's own radial course."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.lead import Leads
from vision.pipeline.surface import Surface
from vision.pipeline.unwrap import AZIMUTHS, OUTSIDE, RING, RING_STEPS, JointPatches, azimuths_rad

Column = NDArray[np.float64]


def _lead_distance(patches: JointPatches, leads: Leads, within: slice) -> NDArray[np.float64]:
    """Distance of every sample from the found lead's centre, mm, [joint, azimuth, radius]."""
    radius, azimuth = patches.radius_mm[:, :, within], azimuths_rad()
    return np.asarray(np.hypot(radius * np.cos(azimuth)[None, :, None] - leads.offset_x_mm[:, None, None],
                               radius * np.sin(azimuth)[None, :, None] - leads.offset_y_mm[:, None, None]))


def find_pits(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], toe_index: NDArray[np.int64],
              leads: Leads) -> Column:
    """Return the diameter (mm) of the largest pit of each joint: a dark spot inside lit solder.

    A pit is dark with lit solder further in and further out on the same ray, at a radius where most of the
    joint is lit. Its size is that of the fullest window of azimuths about as wide as a pit.
    """
    within = slice(0, OUTSIDE.start)
    dark, lit = surface.dark[:, :, within], surface.solder[:, :, within]
    away = _lead_distance(patches, leads, within)
    lit_solder = lit & (away > 1.15 * leads.nominal_radius_mm[:, None, None] + 0.03)
    inward = np.maximum.accumulate(lit_solder, axis=2)
    position = np.arange(OUTSIDE.start)
    before_toe = position < RING.start + toe_index[:, :, None]
    outward = np.maximum.accumulate((lit_solder & before_toe)[:, :, ::-1], axis=2)[:, :, ::-1]
    usually_lit = ~dark[:, :, :].copy()
    share_lit = (usually_lit & covered[:, :, None]).sum(axis=1) / np.maximum(covered.sum(axis=1), 1)[:, None]
    pit = dark & inward & outward & (share_lit[:, None, :] > 0.6) & covered[:, :, None]
    area = (pit * patches.area_mm2[:, :, within]).sum(axis=2)
    window = 15  # 30 degrees, wider than any pit that matters
    wrapped = np.concatenate([area, area[:, :window - 1]], axis=1)
    total = np.cumsum(np.pad(wrapped, ((0, 0), (1, 0))), axis=1)
    largest = (total[:, window:] - total[:, :-window]).max(axis=1)
    diameter = np.sqrt(4.0 * largest / np.pi)
    return np.where(diameter > 0.06, diameter, 0.0)


def find_projections(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], leads: Leads) -> Column:
    """Return how far (mm) a spike of solder reaches out from the lead or beyond the land, 0 for none.

    Over the fillet a spike shows as a narrow sector where the course from lead to toe departs from the rest
    of the joint; beyond the land as a narrow tongue of metal on the mask.
    """
    within = slice(0, OUTSIDE.start)
    effective = np.where(surface.dark, 55.0, surface.slope_deg)[:, :, within]
    usual = np.median(effective, axis=1)
    away = _lead_distance(patches, leads, within)
    lead = leads.nominal_radius_mm[:, None, None]
    odd = (np.abs(effective - usual[:, None, :]) > 14.0) & covered[:, :, None] & (away > lead)
    run = odd | (away <= lead)
    unbroken = np.cumprod(_closed(run), axis=2).astype(bool) & odd
    reach = np.where(unbroken, away - lead, 0.0).max(axis=2)
    narrow = _narrow(reach, lead[:, :, 0])
    tongue = _tongues(patches, surface)
    return np.maximum(narrow, tongue)


def _closed(run: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Close gaps of one and two samples along the radius."""
    closed = run.copy()
    closed[:, :, 1:-1] |= run[:, :, :-2] & run[:, :, 2:]
    closed[:, :, 1:-2] |= run[:, :, :-3] & run[:, :, 3:]
    return closed


def _narrow(reach: NDArray[np.float64], lead: NDArray[np.float64]) -> Column:
    """Return the farthest reach that a narrow sector (8 to 60 degrees) holds and the rest of the joint does not."""
    width = 4
    steady = np.minimum.reduce([np.roll(reach, shift, axis=1) for shift in range(width)])
    far = steady.max(axis=1)
    wide = (steady > 0.5 * far[:, None]).sum(axis=1) > AZIMUTHS // 5
    return np.where(wide, 0.0, far)


def _tongues(patches: JointPatches, surface: Surface) -> Column:
    """Return how far (mm) a tongue of metal runs out over the mask beyond the land's edge."""
    metal = surface.solder[:, :, OUTSIDE] & patches.free & (surface.energy[:, :, OUTSIDE] > 0.4)
    edge = surface.solder[:, :, RING.start + RING_STEPS - 2]
    reach = np.cumprod(metal, axis=2).sum(axis=2) * edge * patches.step_mm[:, :, -1]
    usual = np.median(reach, axis=1)
    steady = np.minimum(reach, np.roll(reach, 1, axis=1))
    far = steady.max(axis=1)
    wide = (steady > 0.5 * far[:, None]).sum(axis=1) > AZIMUTHS // 4
    return np.where(wide, 0.0, np.maximum(far - usual, 0.0))
