"""Narrow bare margins: land left free along its edge, too narrow to show as samples that are wholly bare."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.optics import Optics, light_moment
from vision.pipeline.surface import Surface
from vision.pipeline.unwrap import AZIMUTHS, RING, JointPatches

#: Least and most ring samples inside the land's edge, and samples beyond it, that are looked at: all that blur reaches.
MARGIN_STEPS, BEYOND_STEPS, BLUR_PX = (7, 16), (3, 6), 3.4
TREND_STEPS = 8  # ring samples further in that tell how the solder's steepness runs on
LEAST_CONTRAST_DEG = 2.0  # between solder and land, in the lights' mean slope
LEAST_METAL = 0.25  # share of metal in a sample that still shows its colour


def bare_margins(patches: JointPatches, surface: Surface, solder: NDArray[np.bool_],
                 optics: Optics) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the area (mm^2) of narrow bare margins inside and beyond the drawn land's edge, two columns [joint].

    Bare land is flat, so along the edge the lights' mean slope falls from the solder's to the land's, which the
    fiducials show. Blur spreads that fall but keeps its sum: the missing slope, as a share of the whole fall, added up
    across the edge is the margin's width. What the solder itself would do is the line through its mean slope further
    in. Asked for are the directions `solder` [joint, azimuth], in which the land is not seen bare anyway. Beyond the
    drawn edge lies land where the etching left more copper. Without fiducials nothing is known of the land: zeros.
    """
    count = len(solder)
    nothing = np.zeros(count)
    if surface.lands_response is None or count == 0:
        return nothing, nothing
    within, without = _reach(patches)
    first, last = RING.stop - within - TREND_STEPS, RING.stop + without
    mask = surface.mask_response[:, :, None, None]
    moment, energy = light_moment(patches.responses[:, :, :, first:last] - mask, optics)
    bare = np.maximum(surface.lands_response - surface.mask_response, 0.0)[:, :, None].astype(np.float32)
    flat, bright = light_moment(bare, optics)
    trend = _runs_on(moment[:, :, :TREND_STEPS], moment.shape[2])[:, :, TREND_STEPS:]
    moment, energy = moment[:, :, TREND_STEPS:], energy[:, :, TREND_STEPS:]
    fall = trend - flat[:, :, None]
    share = np.where(fall > LEAST_CONTRAST_DEG, (trend - moment) / np.maximum(fall, LEAST_CONTRAST_DEG), 0.0)
    part = np.clip(share, 0.0, 1.0)
    inner = np.median(energy[:, :, :2], axis=(1, 2))[:, None, None]
    metal = energy / np.maximum(part * bright[:, :, None] + (1.0 - part) * inner, 1e-4)
    metal = np.where(metal > LEAST_METAL, np.minimum(metal, 1.0), 0.0)
    weight = np.clip(share, -1.0, 1.2) * metal * patches.area_mm2[:, :, RING.stop - within:last]
    weight = np.where(solder[:, :, None], weight, 0.0)
    inside, beyond = (weight[:, :, zone].sum(axis=(1, 2), dtype=np.float64)
                      for zone in (slice(0, within), slice(within, None)))
    enough = solder.sum(axis=1) >= AZIMUTHS // 12
    return np.where(enough, np.maximum(inside, 0.0), 0.0), np.where(enough, np.maximum(beyond, 0.0), 0.0)


def _reach(patches: JointPatches) -> tuple[int, int]:
    """Return how many samples inside and beyond the land's edge are looked at: those that its blur reaches."""
    blur_mm = BLUR_PX * patches.px_mm
    steps = (float(np.median(patches.step_mm[:, :, place])) for place in (RING.stop - 1, RING.stop))
    inside, beyond = (int(np.clip(round(blur_mm / step), *least_most))
                      for step, least_most in zip(steps, (MARGIN_STEPS, BEYOND_STEPS), strict=True))
    return inside, beyond


def _runs_on(values: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """Continue the straight line through values [joint, azimuth, step] to `length` steps."""
    count = values.shape[2]
    step = np.arange(count, dtype=np.float32) - np.float32((count - 1) / 2.0)
    mean = values.mean(axis=2, keepdims=True)
    rise = (values * step).sum(axis=2, keepdims=True) / np.float32((step**2).sum())
    along = np.arange(length, dtype=np.float32) - np.float32((count - 1) / 2.0)
    return np.asarray(mean + rise * along, dtype=np.float32)
