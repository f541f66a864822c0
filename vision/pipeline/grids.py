"""Square sample grids around every joint, all joints as one array."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics, slope_from_responses
from vision.pipeline.register import Registration
from vision.pipeline.surface import DARK, DIM_FLAT_DEG, FLAT_DIM, STEEP_DEG, Surface
from vision.setup.family import Joint

SIDE = 108  # samples each way of the fine grid
REACH_MM = 0.45  # how far the fine grid reaches beyond the land


@dataclass(frozen=True)
class FineGrid:
    """Joints sampled on squares that reach a little beyond their lands; rows run along board -y.

    Arrays [joint, row, column] unless stated.
    """

    step_mm: NDArray[np.float64]  # [joint] distance of neighbouring samples
    x_mm: NDArray[np.float64]  # from the hole's centre, board axes
    y_mm: NDArray[np.float64]
    energy: NDArray[np.float64]  # 1 = as bright as the view's lit solder
    steep_deg: NDArray[np.float32]  # slope, passing over to STEEP_DEG where unlit
    owner: NDArray[np.uint16]  # who owns the pixel, see owner_map


def fine_grid(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
              surface: Surface, owners: NDArray[np.uint16]) -> FineGrid:
    """Sample all joints of a view on fine grids and turn light into slope."""
    half = np.array([land_reach(joint) + REACH_MM for joint in joints])
    step = 2.0 * half / SIDE
    x, y, map_x, map_y = _places(joints, registration, step, SIDE)
    planes = [_sample(plane, map_x, map_y, len(joints), SIDE) for plane in capture.responses]
    slope, energy = slope_from_responses(np.stack(planes, axis=1), optics, surface.roughness)
    energy = lifted_flats(slope, energy / np.float32(surface.lit_level))
    # From lit to unlit the steepness passes over gradually, or noise on the brim would make false edges.
    lit = np.clip((energy - (DARK - 0.12)) / 0.25, 0.0, 1.0)
    steep = (lit * slope + (1.0 - lit) * STEEP_DEG).astype(np.float32)
    owner = np.asarray(cv2.remap(owners, map_x, map_y, cv2.INTER_NEAREST), dtype=np.uint16)
    return FineGrid(step, x, y, energy.astype(np.float64), steep, owner.reshape(len(joints), SIDE, SIDE))


def land_reach(joint: Joint) -> float:
    """Return the largest distance of the land's edge from its centre, mm."""
    if joint.land_shape == "rect":
        return float(np.hypot(joint.land_w_mm, joint.land_h_mm)) / 2.0
    return max(joint.land_w_mm, joint.land_h_mm) / 2.0


def lifted_flats(slope: NDArray[np.float32], energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Count what is flat as lit: it mirrors the lens and is dim, but under the highest light alone."""
    return np.where((slope < DIM_FLAT_DEG) & (energy > FLAT_DIM), np.maximum(energy, np.float32(1.0)), energy)


def grid_energy(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
                surface: Surface, step: NDArray[np.float64], side: int) -> NDArray[np.float64]:
    """Radiance against lit solder on a square grid around every hole, [joint, row, column]; rows along board -y.

    `step` [joint] is the distance of neighbouring samples in mm, `side` their number each way.
    """
    _, _, map_x, map_y = _places(joints, registration, step, side)
    planes = [_sample(plane, map_x, map_y, len(joints), side) for plane in capture.responses]
    slope, energy = slope_from_responses(np.stack(planes, axis=1), optics, surface.roughness)
    return lifted_flats(slope, energy / np.float32(surface.lit_level)).astype(np.float64)


def _places(joints: Sequence[Joint], registration: Registration, step: NDArray[np.float64], side: int
            ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32], NDArray[np.float32]]:
    """Return the samples' offsets from the hole in mm, [joint, row, column], and OpenCV's maps to the picture."""
    axis = np.arange(side) - side // 2
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints])
    shape = (len(joints), side, side)
    x = np.broadcast_to(axis[None, None, :] * step[:, None, None], shape)
    y = np.broadcast_to(-axis[None, :, None] * step[:, None, None], shape)
    board = np.stack([center[:, 0, None, None] + x, center[:, 1, None, None] + y], axis=-1)
    picture = (registration.to_picture.to_px(board) - 0.5).reshape(-1, side, 2).astype(np.float32)
    return x, y, np.ascontiguousarray(picture[..., 0]), np.ascontiguousarray(picture[..., 1])


def _sample(plane: NDArray[np.float32], map_x: NDArray[np.float32], map_y: NDArray[np.float32], count: int,
            side: int) -> NDArray[np.float32]:
    found = cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, dtype=np.float32).reshape(count, side, side)
