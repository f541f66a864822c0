"""Capillary surfaces round a lead: constant mean curvature, by finite elements on the plan.

Solves div(grad z / sqrt(1 + |grad z|^2)) = -p (Young-Laplace without gravity) for a height z over a ring-shaped grid
(ray, step) by linear triangles and Picard iteration. The outer line, the toe, is pinned; at the inner one, the lead,
the solder meets an upright wall at a contact angle (Young), grad z / sqrt(1 + |grad z|^2) . n = cos(angle).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .surfaces import RAYS, Array

COARSE = 3  # the equation is solved on every third ray


def relax(r: Array, outer: Array, angle_rad: Array, pressure: float, start: Array, rounds: int = 15) -> Array:
    """Return z (ray, step) over the grid with radii `r`.

    `outer` (ray,) is the pinned height of the toe, `angle_rad` (ray,) the contact angle at the lead, `pressure` twice
    the mean curvature in 1/mm, `start` a first guess (ray, step). Solved coarsely in azimuth, then interpolated.
    """
    from scipy.interpolate import CubicSpline

    grid = r[::COARSE]
    count, steps = grid.shape
    angle = np.arange(count)[:, None] * (2 * np.pi / count)
    x, y = (grid * np.cos(angle)).ravel(), (grid * np.sin(angle)).ravel()
    faces = _faces(count, steps)
    dx, dy, area = _gradients(x, y, faces)
    z = start[::COARSE].ravel().copy()
    z[steps - 1::steps] = outer[::COARSE]
    free = np.flatnonzero(np.arange(len(z)) % steps != steps - 1)
    load = np.bincount(faces.ravel(), np.repeat(area / 3.0, 3), len(x)) * pressure
    side = np.hypot(np.roll(x[::steps], -1) - x[::steps], np.roll(y[::steps], -1) - y[::steps])
    load[::steps] += (side + np.roll(side, 1)) / 2.0 * np.cos(angle_rad[::COARSE])
    for _ in range(rounds):
        slope = np.hypot((dx * z[faces]).sum(axis=1), (dy * z[faces]).sum(axis=1))
        before = z[free]
        z[free] = _solve(faces, dx, dy, area / np.sqrt(1.0 + slope**2), z, free, load)
        if np.abs(z[free] - before).max() < 2e-3:
            break
    coarse = z.reshape(count, steps)
    places = np.arange(0, RAYS + 1, COARSE)
    closed = np.concatenate([coarse, coarse[:1]])
    fine = np.asarray(CubicSpline(places, closed, axis=0, bc_type="periodic")(np.arange(RAYS)), dtype=np.float64)
    fine[:, -1] = outer
    return fine


def _faces(count: int, steps: int) -> NDArray[np.int64]:
    ray, step = (a.ravel() for a in np.indices((count, steps - 1)))
    here, after = ray * steps + step, (ray + 1) % count * steps + step
    return np.concatenate([np.stack([here, here + 1, after], axis=1), np.stack([after, here + 1, after + 1], axis=1)])


def _gradients(x: Array, y: Array, faces: NDArray[np.int64]) -> tuple[Array, Array, Array]:
    """Return the derivatives (face, corner) of the linear shape functions and the faces' areas."""
    px, py = x[faces], y[faces]
    twice = ((px[:, 1] - px[:, 0]) * (py[:, 2] - py[:, 0]) - (px[:, 2] - px[:, 0]) * (py[:, 1] - py[:, 0]))
    twice = np.where(np.abs(twice) < 1e-12, 1e-12, twice)
    dx = np.stack([py[:, (i + 1) % 3] - py[:, (i + 2) % 3] for i in range(3)], axis=1) / twice[:, None]
    dy = np.stack([px[:, (i + 2) % 3] - px[:, (i + 1) % 3] for i in range(3)], axis=1) / twice[:, None]
    return dx, dy, np.abs(twice) / 2.0


def _solve(faces: NDArray[np.int64], dx: Array, dy: Array, weight: Array, z: Array, free: NDArray[np.intp],
           load: Array) -> Array:
    from scipy.sparse import csc_matrix
    from scipy.sparse.linalg import spsolve

    stiff = (dx[:, :, None] * dx[:, None, :] + dy[:, :, None] * dy[:, None, :]) * weight[:, None, None]
    row, col = np.repeat(faces, 3, axis=1), np.tile(faces, (1, 3))
    whole = csc_matrix((stiff.ravel(), (row.ravel(), col.ravel())), shape=(len(z), len(z)))
    part = whole[free]
    rest = np.setdiff1d(np.arange(len(z)), free)
    return np.asarray(spsolve(part[:, free].tocsc(), load[free] - part[:, rest] @ z[rest], permc_spec="MMD_AT_PLUS_A"),
                      dtype=np.float64)
