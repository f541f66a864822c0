"""Are the chips near the joints in their places: presence, shift, turn."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics
from vision.pipeline.register import Registration
from vision.setup.family import Chip

GRID = 72  # samples each way
MARGIN_MM = 0.9  # the window reaches this far beyond the body
Column = NDArray[np.float64]


def measure_chips(capture: Capture, chips: Sequence[Chip], registration: Registration, optics: Optics,
                  mask: NDArray[np.float32]) -> tuple[dict[str, Column], NDArray[np.bool_]]:
    """Return the chips' measurements as columns [chip], and which windows lie wholly in the picture.

    Every chip is sampled in its own axes. What is neither mask nor shining metal is body; its first and second
    moments give place and turn. `mask` is the bare board's response [light].
    """
    names = ("chip_present", "shift_along_mm", "shift_across_mm", "turn_deg", "body_cover_pct")
    if not chips:
        return {name: np.zeros(0) for name in names}, np.zeros(0, dtype=bool)
    samples, along, across, inside = _windows(capture, chips, registration)
    body = _body(samples, mask, optics)
    size = np.array([(chip.body_w_mm, chip.body_h_mm) for chip in chips])
    long_axis = np.argmax(size, axis=1)
    nominal = (np.abs(along) <= size[:, 0, None, None] / 2) & (np.abs(across) <= size[:, 1, None, None] / 2)
    core = (np.abs(along) <= size[:, 0, None, None] / 4) & (np.abs(across) <= size[:, 1, None, None] / 4)
    present = (body & core).sum(axis=(1, 2)) / np.maximum(core.sum(axis=(1, 2)), 1)
    cell = (along[:, 0, 1] - along[:, 0, 0]) * (across[:, 1, 0] - across[:, 0, 0])
    blob = np.stack([_largest(plane) for plane in body])
    count = np.maximum(blob.sum(axis=(1, 2)), 1)
    mean_u, mean_v = ((blob * axis).sum(axis=(1, 2)) / count for axis in (along, across))
    du, dv = along - mean_u[:, None, None], across - mean_v[:, None, None]
    uu, vv, uv = ((blob * product).sum(axis=(1, 2)) / count for product in (du * du, dv * dv, du * dv))
    turn = np.rad2deg(0.5 * np.arctan2(2 * uv, uu - vv))
    turn = np.where(long_axis == 1, (turn + 180.0) % 180.0 - 90.0, turn)
    shift_along = np.where(long_axis == 0, mean_u, mean_v)
    shift_across = np.where(long_axis == 0, mean_v, -mean_u)
    seen = blob.sum(axis=(1, 2)) * cell > 0.15 * nominal.sum(axis=(1, 2)) * cell
    cover = 100.0 * blob.sum(axis=(1, 2)) / np.maximum(nominal.sum(axis=(1, 2)), 1)
    return {"chip_present": present, "shift_along_mm": np.where(seen, np.abs(shift_along), np.nan),
            "shift_across_mm": np.where(seen, np.abs(shift_across), np.nan),
            "turn_deg": np.where(seen, np.abs(turn), np.nan), "body_cover_pct": cover}, inside


def _windows(capture: Capture, chips: Sequence[Chip], registration: Registration
             ) -> tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Sample every chip in its own axes: responses [chip, light, v, u], u and v in mm, and windows in picture."""
    size = np.array([(chip.body_w_mm, chip.body_h_mm) for chip in chips])
    half = size / 2.0 + MARGIN_MM
    place = (np.arange(GRID) + 0.5) / GRID * 2.0 - 1.0
    along = np.broadcast_to(half[:, 0, None, None] * place[None, None, :], (len(chips), GRID, GRID))
    across = np.broadcast_to(half[:, 1, None, None] * place[None, :, None], (len(chips), GRID, GRID))
    angle = np.deg2rad([chip.rotation_deg for chip in chips])[:, None, None]
    x = np.array([chip.x_mm for chip in chips])[:, None, None] + along * np.cos(angle) - across * np.sin(angle)
    y = np.array([chip.y_mm for chip in chips])[:, None, None] + along * np.sin(angle) + across * np.cos(angle)
    points = registration.to_picture.to_px(np.stack([x, y], axis=-1)) - 0.5
    flat = points.reshape(-1, GRID, 2).astype(np.float32)
    map_x, map_y = np.ascontiguousarray(flat[..., 0]), np.ascontiguousarray(flat[..., 1])
    planes = [cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
              .reshape(len(chips), GRID, GRID) for plane in capture.responses]
    width, height = capture.size_px
    core = points[:, GRID // 4:-GRID // 4, GRID // 4:-GRID // 4]
    inside = np.asarray(((core >= 0) & (core <= np.array([width - 1, height - 1]))).all(axis=(1, 2, 3)))
    return np.stack(planes, axis=1), along, across, inside


def _body(samples: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics) -> NDArray[np.bool_]:
    """Say which samples are chip body: unlike the mask under some light, and no mirror."""
    reference = mask[None, :, None, None]
    weight = optics.white[None, :, None, None]
    energy = (np.maximum(samples, 0.0) * weight).sum(axis=1) / optics.lit_energy
    unlike = (np.abs(samples - reference) > 0.05 + 0.4 * reference).any(axis=1)
    return np.asarray(unlike & (energy < 0.8), dtype=np.bool_)


def _largest(plane: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the largest connected patch of a plane after thin links are opened."""
    opened = cv2.morphologyEx(plane.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), dtype=np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    if count < 2:
        return np.zeros(plane.shape, dtype=bool)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), dtype=np.bool_)
