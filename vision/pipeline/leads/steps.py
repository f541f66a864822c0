"""Know a lead by the step of slope at its edge, where no dark rim tells it: rough solder is lit however steep it is.

A fillet rises ever steeper towards its lead and ends there at an edge, beyond which the lead's end lies flatter. A dome
or a mound of solder without a lead flattens little by little.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.ranks import median
from vision.pipeline.arrays.signs import grows
from vision.pipeline.light.optics import DARK, Optics, sector_of, slope_from_responses
from vision.pipeline.light.surface import Surface, is_dim_flat
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import lead_edges_towards
from vision.pipeline.view.register import Registration
from vision.setup.family import Joint

RAYS, SAMPLES = 24, 64
REACH_MM = 0.45  # rays run so far beyond the lead's edge
NEAR_MM, FAR_MM = (0.0, 0.08), (0.28, 0.45)  # beside the edge, and well down the fillet
END_MM, EDGE_MM = -0.05, 0.12  # the end lies further in than the first; the step no further out than the second
STEP_PX = 2.5  # blur spreads a step over so much
UNLIT_DEG = 48.0  # slope taken for what no light lights
HARDLY_DIM = 0.5  # of lit solder: flat films are as bright; what is darker, a dome's top too, tells no slope
SMALLEST = 0.5  # of the way to the edge as drawn: further in the step is the brim of a dome's bright spot
#: Between these the evidence grows: the slope beside the edge, how much of its fall is one step, that step.
STEEP_DEG, AT_ONCE, STEP_DEG = (22.0, 26.0), (0.3, 0.45), (8.0, 14.0)
FLATTER_DEG, END_DEG = 4.0, 30.0  # an end is so much flatter than what lies beside it, and lit
#: Where more than this share about the edge is unlit, it may be a hole's: then the fillet must flatten outward, too, or
#: an end that is as flat as that must fall off nearly at once.
MOST_UNLIT, LEVEL_DEG, FLAT_DEG, NEARLY_AT_ONCE = 0.2, 3.0, 22.0, 0.75


def slope_steps(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
                surface: Surface, asked: NDArray[np.intp], offset_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how surely the slope steps down at a lead's edge as it does at no dome's top, 0 to 1 of the joints asked.

    `asked` are numbers of joints, `offset_mm` (asked, 2) how far off the hole, on the board, each end was found.
    """
    some = [joints[index] for index in asked.tolist()]
    azimuth = np.arange(RAYS, dtype=np.float64) * (2.0 * np.pi / RAYS)
    edge = lead_edges_towards(some, azimuth)
    step = (edge.max(axis=1) + REACH_MM) / (SAMPLES - 1)
    away = step[:, None] * np.arange(SAMPLES)
    slope = _slopes(capture, some, registration, optics, surface, asked, offset_mm, azimuth, away)
    beyond = away[:, None, :] - edge[:, :, None]  # [joint, ray, sample], mm from the lead's edge
    near, far = (_mean(slope, (beyond > low) & (beyond <= high)) for low, high in (NEAR_MM, FAR_MM))
    end = _mean(slope, beyond < END_MM)
    # How much of the whole fall one step makes.
    within = beyond <= EDGE_MM
    lag = np.clip(np.rint(STEP_PX / registration.to_picture.px_per_mm / step), 1, SAMPLES // 4).astype(np.intp)
    later = np.minimum(np.arange(SAMPLES) + lag[:, None], SAMPLES - 1)[:, None, :]
    rise = (np.take_along_axis(slope, later, axis=2) - slope) * np.take_along_axis(within, later, axis=2)
    most = rise.max(axis=2)
    whole = np.where(within, slope, -np.inf).max(axis=2) - np.where(within, slope, np.inf).min(axis=2)
    at_once = np.median(most / np.maximum(whole, 1.0), axis=1)
    found = grows(near, STEEP_DEG) * grows(np.median(most, axis=1), STEP_DEG) * grows(at_once, AT_ONCE)
    about = within & (beyond >= END_MM)
    unlit = np.count_nonzero(about & (slope >= UNLIT_DEG), axis=(1, 2)) / np.maximum(about.sum(axis=(1, 2)), 1)
    no_hole = (unlit <= MOST_UNLIT) | (near >= far - LEVEL_DEG) | ((end <= FLAT_DEG) & (at_once >= NEARLY_AT_ONCE))
    middle = np.minimum(rise.argmax(axis=2) + lag[:, None] // 2, SAMPLES - 1)
    out = np.median(step[:, None] * middle / edge, axis=1)
    is_lead = (end < np.minimum(near - FLATTER_DEG, END_DEG)) & no_hole & (out >= SMALLEST)
    return np.asarray(found * is_lead, dtype=np.float64)


def _slopes(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics, surface: Surface,
            asked: NDArray[np.intp], offset_mm: NDArray[np.float64], azimuth: NDArray[np.float64],
            away_mm: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the slopes [joint, ray, sample] outward from where ends were found."""
    to_picture = registration.to_picture
    place = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 2) + offset_mm
    middle = to_picture.to_px(place) - 0.5
    ray = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1) @ to_picture.matrix.T
    x, y = ((middle[:, axis, None, None] + ray[:, axis, None] * away_mm[:, None, :]).astype(np.float32)
            for axis in (0, 1))
    facing = None if optics.by_sector is None else sector_of(ray[:, 0], ray[:, 1])[None, :, None]
    slope, energy = slope_from_responses(capture.sample(x, y).swapaxes(0, 1), optics, surface.roughness[asked], facing)
    energy *= np.float32(1.0 / surface.lit_level)
    # Solder so flat that it hardly mirrors the flattest light is a little dim, too, and not steep.
    flat = is_dim_flat(slope, energy) & (energy >= np.float32(HARDLY_DIM))
    return np.where((energy < DARK) & ~flat, np.float32(UNLIT_DEG), slope)


def _mean(slope: NDArray[np.float32], where: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the median over rays [joint] of the means over some samples."""
    mean = (slope * where).sum(axis=2) / np.maximum(np.count_nonzero(where, axis=2), 1)
    return np.asarray(median(mean), dtype=np.float64)
