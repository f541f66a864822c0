"""Neighbours along the circles round a hole: what lies to both sides of polar samples, so many millimetres away."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def to_both_sides(planes: NDArray[np.float32], radius_mm: NDArray[np.float32],
                  across_mm: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return what lies clockwise and what lies counter-clockwise of samples [radius, ..., joint, ray], shaped alike.

    `radius_mm` is [joint, radius]; the rays are spread evenly over the circle. A quarter of it is the most that is
    looked aside, and the next ray the least.
    """
    rays = planes.shape[-1]
    most = rays // 4
    turn = np.clip(np.rint(across_mm * rays / (2.0 * np.pi) / radius_mm), 1, most).astype(np.intp)
    around = np.concatenate([planes[..., -most:], planes, planes[..., :most]], axis=-1)
    clockwise, counter = np.empty_like(planes), np.empty_like(planes)
    for step in range(len(planes)):
        for one in np.unique(turn[:, step]).tolist():
            rows = np.flatnonzero(turn[:, step] == one)
            part = around[step][..., rows, :]
            clockwise[step][..., rows, :] = part[..., most - one:most - one + rays]
            counter[step][..., rows, :] = part[..., most + one:most + one + rays]
    return clockwise, counter
