"""Find the lead's end in every hole: a bright patch of the lead's size with a dark, steep surround."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics
from vision.pipeline.register import Registration
from vision.setup.family import Joint

GRID = 56  # samples each way
REACH = 1.4  # half side of the grid in hole radii
OFFSET_ALLOWANCE_MM = 0.12  # a tilted lead's end may stand this much further off than the hole lets its foot


@dataclass(frozen=True)
class Leads:
    """Lead ends of all joints of a view, [joint]; offsets on the board, from the hole's centre."""

    visible: NDArray[np.float64]  # evidence 0 to 1
    offset_x_mm: NDArray[np.float64]
    offset_y_mm: NDArray[np.float64]
    size_mm: NDArray[np.float64]  # diameter of a disc as large; NaN where no lead is seen
    nominal_radius_mm: NDArray[np.float64]


def find_leads(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics) -> Leads:
    """Look for every joint's lead end, all joints at once.

    For every shift the mean brightness under a disc of the lead's size is compared with that of a ring around
    it: (in - out) / (in + out). The fillet near a lead is steeper than any light can show, and an open hole is
    dark, so a lead's end stands out against both; a dome or a dish shades off smoothly and does not.
    """
    hole = np.array([joint.hole_mm / 2.0 for joint in joints])
    radius = np.array([lead_radius(joint) for joint in joints])
    step = 2.0 * REACH * hole / GRID
    energy = np.minimum(_grid_energy(capture, joints, registration, optics, step), 1.5)
    axis = np.arange(GRID) - GRID // 2
    distance = np.hypot(axis[:, None], axis[None, :])[None] * step[:, None, None]
    r = radius[:, None, None]
    disc = _soft(r * 0.9 - distance, step)
    ring = _soft(distance - r - 0.02, step) * _soft(r + 0.09 + 0.1 * r - distance, step)
    spectrum = np.fft.rfft2(energy)
    inside, outside = (_correlate(spectrum, kernel / kernel.sum(axis=(1, 2), keepdims=True)) for kernel in (disc, ring))
    contrast = (inside - outside) / (inside + outside + 0.06)
    allowed = np.maximum(hole - radius, 0.0)[:, None, None] + OFFSET_ALLOWANCE_MM
    far = np.fft.ifftshift(distance, axes=(1, 2)) > allowed
    contrast[far] = -1.0
    at = contrast.reshape(len(joints), -1).argmax(axis=1)
    index = np.arange(len(joints))
    row, column = at // GRID, at % GRID
    best, bright = contrast[index, row, column], inside[index, row, column]
    row, column = _signed(row), _signed(column)
    visible = np.clip((best - 0.10) / 0.40, 0.0, 1.0) * np.clip((bright - 0.05) / 0.10, 0.0, 1.0)
    size = _size(energy, distance, step, radius, row, column)
    # Grid rows run along board -y, columns along board x.
    return Leads(visible, column * step, -row * step, np.where(visible > 0.0, size, np.nan), radius)


def lead_radius(joint: Joint) -> float:
    """Return the radius of a disc as large as the lead's section, mm."""
    area = joint.lead_w_mm * joint.lead_h_mm * (np.pi / 4.0 if joint.lead_shape == "round" else 1.0)
    return float(np.sqrt(area / np.pi))


def _grid_energy(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
                 step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sample total radiance on a square grid around every hole, [joint, row, column]; rows along board -y."""
    axis = np.arange(GRID) - GRID // 2
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints])
    x = center[:, 0, None, None] + axis[None, None, :] * step[:, None, None]
    y = center[:, 1, None, None] - axis[None, :, None] * step[:, None, None]
    points = registration.to_picture.to_px(np.stack(np.broadcast_arrays(x, y), axis=-1)) - 0.5
    places = points.reshape(-1, GRID, 2).astype(np.float32)
    map_x, map_y = np.ascontiguousarray(places[..., 0]), np.ascontiguousarray(places[..., 1])
    total = np.zeros(map_x.shape, dtype=np.float32)
    for plane, white in zip(capture.responses, optics.white, strict=True):
        total += white * cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return total.reshape(len(joints), GRID, GRID).astype(np.float64) / optics.lit_energy


def _soft(inside: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Anti-aliased indicator of a region from the signed distance to its edge (mm)."""
    return np.clip(inside / step[:, None, None] + 0.5, 0.0, 1.0)


def _correlate(spectrum: NDArray[np.complex128], kernel: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlate with kernels centred in their grids; result at [0, 0] is for no shift."""
    centred = np.fft.rfft2(np.fft.ifftshift(kernel, axes=(1, 2)))
    shifted = np.fft.irfft2(spectrum * np.conj(centred), s=(GRID, GRID))
    return np.asarray(np.fft.ifftshift(shifted, axes=(1, 2)), dtype=np.float64)


def _signed(index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Turn a wrapped shift into a signed one."""
    return np.where(index >= GRID // 2, index - GRID, index)


def _size(energy: NDArray[np.float64], distance: NDArray[np.float64], step: NDArray[np.float64],
          radius: NDArray[np.float64], row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.float64]:
    """Diameter (mm) of a disc as large as the bright patch around the found place.

    Bright means above half way between the patch and its surround; counted within 1.6 lead radii.
    """
    axis = np.arange(GRID) - GRID // 2
    away = np.hypot((axis[None, :, None] - row[:, None, None]), (axis[None, None, :] - column[:, None, None]))
    away = away * step[:, None, None]
    r = radius[:, None, None]
    core, around = away < 0.7 * r, (away > 1.15 * r) & (away < 1.5 * r + 0.04)
    level = 0.5 * (_mean(energy, core) + _mean(energy, around))
    patch = (energy > level[:, None, None]) & (away < 1.6 * r)
    return np.asarray(2.0 * np.sqrt(patch.sum(axis=(1, 2)) / np.pi) * step, dtype=np.float64)


def _mean(values: NDArray[np.float64], where: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.asarray((values * where).sum(axis=(1, 2)) / np.maximum(where.sum(axis=(1, 2)), 1), dtype=np.float64)
