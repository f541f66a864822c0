"""Narrow bare margins: land left free along its edge, too narrow to show as samples that are wholly bare.

Two looks at the same edge, each wrong in its own way, are averaged: how far the lights' mean slope falls from the
solder's to the land's, and how much of land, solder and board every sample's light is made of.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import radius_first
from vision.pipeline.arrays.ranks import median
from vision.pipeline.light.optics import Optics, light_moment
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import AZIMUTHS, OUTSIDE, RING, JointPatches

#: Least and most ring samples inside the land's edge, and samples beyond it, that are looked at: all that blur reaches.
MARGIN_STEPS, BEYOND_STEPS, BLUR_PX = (7, 16), (3, 6), 3.4
TREND_STEPS = 8  # ring samples further in that tell how the solder's steepness runs on
LEAST_CONTRAST_DEG = 2.0  # between solder and land, in the lights' mean slope
SECTOR, LEAST_RAYS = 15, 3  # azimuths that are averaged, and so many of them at least
LEAST_LIGHT = 0.005  # a fading light's logarithm is taken of no less
HELD = 0.1  # how strongly a share of land is held towards none, of what land itself gives
BY_LIGHT = 0.35  # weight of the look light by light against the one by slope
LEAST_METAL = 0.25  # share of metal in a sample that still shows its colour


def bare_margins(patches: JointPatches, surface: Surface, solder: NDArray[np.bool_],
                 optics: Optics) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the area (mm^2) of narrow bare margins inside and beyond the drawn land's edge, two columns [joint].

    Asked for are the directions `solder` [joint, azimuth], in which the land is not seen bare anyway. Beyond the drawn
    edge lies land where the etching left more copper. Without fiducials nothing is known of the land: zeros.
    """
    lands = surface.lands_response
    if lands is None or len(solder) == 0:
        return np.zeros(len(solder)), np.zeros(len(solder))
    enough = solder.sum(axis=1) >= AZIMUTHS // 12
    reach = _reach(patches)
    looks = zip(_by_slope(patches, lands, surface.mask_response, solder, optics, reach),
                _by_light(patches, lands, solder, optics, reach), strict=True)
    inside, beyond = (np.where(enough, (1.0 - BY_LIGHT) * np.maximum(slope, 0.0) + BY_LIGHT * np.maximum(light, 0.0),
                               0.0) for slope, light in looks)
    return inside, beyond


def _by_slope(patches: JointPatches, lands: NDArray[np.float32], mask: NDArray[np.float32], solder: NDArray[np.bool_],
              optics: Optics, reach: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the margins' area (mm^2) inside and beyond the drawn edge from the lights' mean slope, [joint] each.

    Bare land is flat, so along the edge the lights' mean slope falls from the solder's to the land's, which the
    fiducials show. Blur spreads that fall but keeps its sum: the missing slope, as a share of the whole fall, added up
    across the edge is the margin's width. What the solder itself would do is the line through its mean slope further
    in. `lands` and `mask` [joint or 1, light] are what flat land and board give, `reach` is how far blur does.
    """
    within, without = reach
    first, last = RING.stop - within - TREND_STEPS, RING.stop + without
    moment, energy = light_moment(patches.responses[:, :, :, first:last] - mask[:, :, None, None], optics)
    bare = np.maximum(lands - mask, 0.0)[:, :, None].astype(np.float32)
    flat, bright = light_moment(bare, optics)
    trend = _runs_on(moment[:, :, :TREND_STEPS], moment.shape[2])[:, :, TREND_STEPS:]
    moment, energy = moment[:, :, TREND_STEPS:], energy[:, :, TREND_STEPS:]
    fall = trend - flat[:, :, None]
    share = (trend - moment) / np.maximum(fall, LEAST_CONTRAST_DEG) * (fall > LEAST_CONTRAST_DEG)
    part = np.clip(share, 0.0, 1.0)
    inner = median(energy[:, :, :2].reshape(len(energy), -1))[:, None, None]
    metal = energy / np.maximum(part * bright[:, :, None] + (1.0 - part) * inner, 1e-4)
    metal = np.minimum(metal, 1.0) * (metal > LEAST_METAL)
    weight = np.clip(share, -1.0, 1.2) * metal * patches.area_mm2[:, :, RING.stop - within:last]
    weight = np.ascontiguousarray(weight * solder[:, :, None])
    inside, beyond = (weight[:, :, zone].sum(axis=(1, 2), dtype=np.float64)
                      for zone in (slice(0, within), slice(within, None)))
    return inside, beyond


def _by_light(patches: JointPatches, lands: NDArray[np.float32], solder: NDArray[np.bool_], optics: Optics,
              reach: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the margins' area (mm^2) inside and beyond the drawn edge from every light's own course, [joint] each.

    Near the edge a sample's light is a mixture of land, solder and board, by area. All lights together tell the shares
    (linear least squares). What solder gives there goes on as further in: a light that fades does so by the same factor
    from step to step, one that grows by the same amount. Where solder answers much as land does the two can hardly be
    told apart, and the land's share is held towards none. Arguments as of _by_slope.
    """
    within, without = reach
    first, last = RING.stop - within - TREND_STEPS, RING.stop + without
    white = optics.white[None, :, None, None]
    around = patches.responses[:, :, ::3, OUTSIDE.start + without:OUTSIDE.start + 2 * without]
    board = median(around.reshape(*around.shape[:2], -1))[:, :, None, None] * white
    light, area = _by_sector(patches, solder, slice(first, last))
    light *= white
    ahead = _runs_on(light[:, :, :, :TREND_STEPS], light.shape[3])
    fading = np.exp(_runs_on(np.log(np.maximum(light[:, :, :, :TREND_STEPS], LEAST_LIGHT)), light.shape[3]))
    half = TREND_STEPS // 2
    fades = light[:, :, :, :half].mean(axis=3) > light[:, :, :, half:TREND_STEPS].mean(axis=3)
    ahead = np.maximum(np.where(fades[..., None], fading, ahead), 0.0)[:, :, :, TREND_STEPS:] - board
    seen = light[:, :, :, TREND_STEPS:] - board
    land = lands[:, :, None, None] * white - board
    land_land, land_solder, solder_solder, land_seen, solder_seen = (
        (one * other).sum(axis=1) for one, other in ((land, land), (land, ahead), (ahead, ahead), (land, seen),
                                                     (ahead, seen)))
    determinant = land_land * (1.0 + HELD) * solder_solder - land_solder**2
    share = (land_seen * solder_solder - solder_seen * land_solder) / np.maximum(
        determinant, 1e-3 * land_land * solder_solder + 1e-9)
    weight = np.ascontiguousarray(np.clip(share, -0.5, 1.5) * area[:, :, TREND_STEPS:])
    return weight[:, :, :within].sum(axis=(1, 2)), weight[:, :, within:].sum(axis=(1, 2))


def _by_sector(patches: JointPatches, solder: NDArray[np.bool_],
               steps: slice) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Average responses over the `solder` rays of each sector; also return these rays' area (mm^2).

    [joint, light, sector, step] and [joint, sector, step]; a sector with hardly any such ray has no area.
    """
    joints, lights = patches.responses.shape[:2]
    flags = solder.reshape(joints, -1, SECTOR)
    count = flags.sum(axis=2)
    # One radius after the other, much as the samples lie in memory.
    weighted = radius_first(patches.responses.swapaxes(0, 1)[..., steps]) * solder  # [light, step, joint, azimuth]
    mean = _sums_of_sectors(weighted).transpose(2, 0, 3, 1) / np.maximum(count, 1)[:, None, :, None]
    areas = radius_first(patches.area_mm2[..., steps]) * solder
    area = np.moveaxis(_sums_of_sectors(areas), 0, -1)
    return mean.astype(np.float32).reshape(joints, lights, -1, len(areas)), area * (count >= LEAST_RAYS)[:, :, None]


def _sums_of_sectors(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the sums [..., sector] of values [..., azimuth] over each sector's SECTOR azimuths.

    The first eight in pairs, as NumPy adds up what lies side by side, but for all sectors at once.
    """
    table = np.asarray(cv2.transpose(np.ascontiguousarray(values).reshape(-1, SECTOR)), dtype=np.float32)
    pairs = table[0:8:2] + table[1:8:2]
    sums: NDArray[np.float32] = (pairs[0] + pairs[1]) + (pairs[2] + pairs[3])
    for plane in table[8:]:
        sums += plane
    return sums.reshape(*values.shape[:-1], -1)


def _reach(patches: JointPatches) -> tuple[int, int]:
    """Return how many samples inside and beyond the land's edge are looked at: those that its blur reaches."""
    blur_mm = BLUR_PX * patches.px_mm
    steps = (float(median(patches.step_mm[:, :, place].ravel())) for place in (RING.stop - 1, RING.stop))
    inside, beyond = (int(np.clip(round(blur_mm / step), *least_most))
                      for step, least_most in zip(steps, (MARGIN_STEPS, BEYOND_STEPS), strict=True))
    return inside, beyond


def _runs_on(values: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """Continue the straight line through values [..., step] to `length` steps."""
    count = values.shape[-1]
    step = np.arange(count, dtype=np.float32) - np.float32((count - 1) / 2.0)
    mean = values.mean(axis=-1, keepdims=True)
    rise = (values * step).sum(axis=-1, keepdims=True) / np.float32((step**2).sum())
    along = np.arange(length, dtype=np.float32) - np.float32((count - 1) / 2.0)
    # One step after the other, as the values lie in memory.
    line = mean[..., 0] + rise[..., 0] * along.reshape(-1, *(1,) * (values.ndim - 1))
    return np.moveaxis(np.asarray(line, dtype=np.float32), 0, -1)
