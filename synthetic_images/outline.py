"""Outlines of lands and leads in polar form, for many joints at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.setup import Joint

Array = NDArray[np.float64]


def _stadium(width: Array, height: Array, angle: Array) -> Array:
    """Polar radius of a rectangle with fully rounded ends, about its centre."""
    long_x = width >= height
    radius = np.minimum(width, height) / 2.0
    half = np.maximum(width, height) / 2.0 - radius
    along = np.where(long_x, np.cos(angle), np.sin(angle))
    across = np.where(long_x, np.sin(angle), np.cos(angle))
    side = radius / np.maximum(np.abs(across), 1e-9)
    on_side = side * np.abs(along) <= half
    tip = half * np.abs(along) + np.sqrt(np.maximum(radius**2 - (half * across) ** 2, 0.0))
    return np.where(on_side, side, tip)


def _box(width: Array, height: Array, angle: Array) -> Array:
    """Polar radius of a rectangle about its centre."""
    return np.minimum(width / 2.0 / np.maximum(np.abs(np.cos(angle)), 1e-9),
                      height / 2.0 / np.maximum(np.abs(np.sin(angle)), 1e-9))


def land_edge(joints: Sequence[Joint], azimuth: ArrayLike, grow_mm: ArrayLike = 0.0) -> Array:
    """Return the land's edge (joint, azimuth) in mm from the land's centre; azimuth in radians, board frame."""
    azimuth = np.asarray(azimuth, dtype=np.float64)
    grow = 2.0 * np.broadcast_to(np.asarray(grow_mm, dtype=np.float64), len(joints))[:, None]
    width = np.array([j.land_w_mm for j in joints])[:, None] + grow
    height = np.array([j.land_h_mm for j in joints])[:, None] + grow
    local = azimuth - np.deg2rad([j.land_rotation_deg for j in joints])[:, None]
    shape = np.array([j.land_shape for j in joints])[:, None]
    edge = np.where(shape == "rect", _box(width, height, local), _stadium(width, height, local))
    return np.asarray(edge, dtype=np.float64)


def lead_edge(joints: Sequence[Joint], azimuth: ArrayLike, scale: ArrayLike = 1.0, turn: ArrayLike = 0.0) -> Array:
    """Return the lead's outline (joint, azimuth) in mm from its axis.

    `scale` (joint,) multiplies the nominal size; `turn` (joint,) rad is the lead's rotation against the land's.
    """
    azimuth = np.asarray(azimuth, dtype=np.float64)
    scale = np.broadcast_to(np.asarray(scale, dtype=np.float64), len(joints))[:, None]
    turn = np.broadcast_to(np.asarray(turn, dtype=np.float64), len(joints))[:, None]
    width = np.array([j.lead_w_mm for j in joints])[:, None] * scale
    height = np.array([j.lead_h_mm for j in joints])[:, None] * scale
    local = azimuth - turn - np.deg2rad([j.land_rotation_deg for j in joints])[:, None]
    shape = np.array([j.lead_shape for j in joints])[:, None]
    ellipse = width * height / 2.0 / np.hypot(height * np.cos(local), width * np.sin(local))
    return np.asarray(np.where(shape == "round", ellipse, _box(width, height, local)), dtype=np.float64)


def lead_reach(joints: Sequence[Joint]) -> Array:
    """Return the largest distance (joint,) of a lead's outline from its axis in mm."""
    width = np.array([j.lead_w_mm for j in joints])
    height = np.array([j.lead_h_mm for j in joints])
    is_round = np.array([j.lead_shape == "round" for j in joints])
    return np.asarray(np.where(is_round, np.maximum(width, height), np.hypot(width, height)) / 2.0)
