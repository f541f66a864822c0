"""Neighbours along the circles round a hole: what lies to both sides of polar samples, and the most of it."""

from __future__ import annotations

from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Kind = TypeVar("Kind", np.float32, np.bool_)


def to_both_sides(planes: NDArray[np.float32], radius_mm: NDArray[np.float32],
                  across_mm: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return what lies clockwise and what lies counter-clockwise of samples [radius, ..., joint, ray], shaped alike.

    `radius_mm` is [joint, azimuth, radius], of all azimuths: its mean over them says how many rays aside it is. The
    rays are spread evenly over the circle. A quarter of it is the most that is looked aside, the next ray the least.
    """
    rays = planes.shape[-1]
    most = rays // 4
    turn = np.clip(np.rint(across_mm * rays / (2.0 * np.pi) / radius_mm.mean(axis=1)), 1, most).astype(np.intp)
    around = _ringed(planes, most)
    clockwise, counter = np.empty_like(planes), np.empty_like(planes)
    for step in range(len(planes)):
        for one in np.unique(turn[:, step]).tolist():
            rows = np.flatnonzero(turn[:, step] == one)
            part = around[step][..., rows, :]
            clockwise[step][..., rows, :] = part[..., most - one:most - one + rays]
            counter[step][..., rows, :] = part[..., most + one:most + one + rays]
    return clockwise, counter


def most_beside(table: NDArray[Kind], reach: int) -> NDArray[Kind]:
    """Return the most of what a table [..., ray] holds on each ray and up to so many to either side of it.

    Of flags: whether one holds there.
    """
    around = _ringed(table, reach)
    flat: NDArray[Any] = around.reshape(-1, around.shape[-1])
    grown = cv2.dilate(flat.view(np.uint8) if flat.dtype == np.bool_ else flat,
                       np.ones((1, 2 * reach + 1), dtype=np.uint8))
    return np.asarray(grown).view(table.dtype).reshape(around.shape)[..., reach:-reach]


def _ringed(table: NDArray[Kind], more: int) -> NDArray[Kind]:
    """Return a table [..., ray] with so many rays more at both ends, as they follow on the circle."""
    return np.concatenate([table[..., -more:], table, table[..., :more]], axis=-1)
