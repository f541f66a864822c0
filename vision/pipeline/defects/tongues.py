"""Tongues of solder on the board beside a land, and how far metal reaches there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.circles import most_beside
from vision.pipeline.arrays.radial import running_count
from vision.pipeline.arrays.ranks import median
from vision.pipeline.leads.lead import Leads
from vision.pipeline.view.unwrap import JointPatches

PAST_EDGE_MM = 0.09  # blur, and land etched larger than drawn
TONGUE_MM = 0.20  # beyond the land
WIDEST_TONGUE = 30  # azimuth samples
DARK_BETWEEN = 2  # azimuth samples: half of so wide a gap is closed
#: Of a tongue: what is as flat as bare land, and wider than it is long, is a trace that the mask shows; so is what is
#: wider by the second factor.
BARE_SHARE, BROAD = 0.5, 3.0


def find_tongues(patches: JointPatches, metal: NDArray[np.bool_], joined: NDArray[np.bool_], leads: Leads,
                 bare: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return how far (mm) a narrow tongue of metal on the mask reaches from the lead's edge, 0 for none, [joint].

    And in which direction, an azimuth sample. `metal` [joint, azimuth, OUTSIDE] are the free samples beyond the land
    that are metal, `bare` those that look like bare land. Flags too broad to have a crest show as such a tongue; solder
    all along a land's edge does not, nor does a bit of trace in an opening of the mask that lies aside.
    """
    reach, azimuth = _reach(patches, metal_run(patches, metal, joined), leads, bare)
    closed, towards = _reach(patches, metal_run(patches, _closed(metal), joined), leads, bare)
    return np.where(reach > 0.0, reach, closed), np.where(reach > 0.0, azimuth, towards)


def _reach(patches: JointPatches, run: NDArray[np.float64], leads: Leads,
           bare: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return reaches and directions, as find_tongues does, of runs of metal from the land's edge [joint, azimuth]."""
    beyond = run - median(run)[:, None]
    far = beyond >= TONGUE_MM
    # Three of five directions that follow on each other: a crest or a flank in between may be dark.
    steady = np.sum([np.roll(far, shift, axis=1) for shift in range(-2, 3)], axis=0) >= 3
    narrow = (far.sum(axis=1) <= WIDEST_TONGUE) & steady.any(axis=1)
    some = np.flatnonzero(narrow)
    narrow[some] = ~_is_trace(beyond[some], patches.land_edge_mm[some], patches.step_mm[some, :, -1], bare[some])
    reach = np.where(far, patches.land_edge_mm + beyond - leads.nominal_radius_mm[:, None], 0.0)
    return np.where(narrow, reach.max(axis=1), 0.0), reach.argmax(axis=1)


def _is_trace(beyond_mm: NDArray[np.float64], edge_mm: NDArray[np.float32], step_mm: NDArray[np.float32],
              bare: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say of tongues that reach so far beyond the land's edge [joint, azimuth] which are bare traces, [joint]."""
    tongue = np.where(beyond_mm >= TONGUE_MM, np.round(beyond_mm / step_mm), 0.0)[:, :, None] > np.arange(bare.shape[2])
    share = (bare & tongue).sum(axis=(1, 2)) / np.maximum(tongue.sum(axis=(1, 2)), 1)
    length, top = beyond_mm.max(axis=1), beyond_mm.argmax(axis=1)
    # How many directions to both sides of its tip reach half as far.
    count = beyond_mm.shape[1]
    from_tip = np.take_along_axis(beyond_mm, (top[:, None] + np.arange(count)) % count, axis=1)
    short = from_tip < 0.5 * length[:, None]
    directions = short.argmax(axis=1) + short[:, ::-1].argmax(axis=1)
    away = np.take_along_axis(edge_mm, top[:, None], axis=1)[:, 0] + 0.5 * length
    width = directions * (2.0 * np.pi / count) * away
    return np.asarray((width > BROAD * length) | (share >= BARE_SHARE) & (width > length), dtype=np.bool_)


def metal_run(patches: JointPatches, metal: NDArray[np.bool_], joined: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return how far (mm) metal runs from the land's edge over the mask, 0 in joined directions, [joint, azimuth]."""
    ended = running_count(~metal | joined[:, :, None]) > 0
    run = np.count_nonzero(~ended, axis=2) * patches.step_mm[:, :, -1]
    return np.asarray(run, dtype=np.float64)


def _closed(metal: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return metal [joint, azimuth, radius] with what is dark where metal lies to both sides, and further out, as well.

    So is the dark brim of a spike that begins at the land's edge.
    """
    around = metal.swapaxes(1, 2)  # rays last
    between = ~most_beside(~most_beside(around, DARK_BETWEEN), DARK_BETWEEN).swapaxes(1, 2)
    further = np.logical_or.accumulate(metal[:, :, ::-1], axis=2)[:, :, ::-1]
    return np.asarray(metal | (between & further), dtype=np.bool_)


def board_reach(patches: JointPatches, metal: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return up to where (mm from the hole) metal may lie on the board around a land, [joint, azimuth].

    Metal as far out as is looked at may go on.
    """
    last = metal.shape[2] - metal[:, :, ::-1].argmax(axis=2)
    steps = np.where(metal.any(axis=2), last, 0).astype(np.float32)
    steps = most_beside(steps, 2)
    reach = patches.land_edge_mm + steps * patches.step_mm[:, :, -1] + np.float32(PAST_EDGE_MM)
    return np.where(steps >= metal.shape[2] - 1, np.inf, reach).astype(np.float64)
