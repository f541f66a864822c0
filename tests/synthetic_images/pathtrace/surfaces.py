"""Surfaces of one joint as meshes: outlines, capillary and circular fillets, caps, leads, spikes, bridges.

Nothing here comes from the renderer: the fillet of one direction is the axisymmetric capillary curve
r sin(slope) = c + k r^2 (Young-Laplace at constant pressure, without gravity) or an arc of a circle, both fixed by
the two contact angles; caps are spherical. Lengths in mm, z = 0 on the land's surface, azimuths in radians
counter-clockwise from the picture's right-hand side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RAYS = 360
STEPS = 48  # along a fillet, from lead to toe


@dataclass(frozen=True)
class Sheet:
    """A triangle mesh: vertices (n, 3) in mm and faces (m, 3), counter-clockwise seen from outside."""

    vertices: Array
    faces: NDArray[np.int64]
    smooth: bool = True


def azimuths() -> Array:
    """Return the azimuths (ray,) of all polar meshes."""
    return np.arange(RAYS) * (2.0 * np.pi / RAYS)


def inside(shape: str, w: float, h: float, x: Array, y: Array) -> NDArray[np.bool_]:
    """Return whether points lie within a shape round the origin."""
    if shape in ("rect", "square"):
        return np.asarray((np.abs(x) < w / 2.0) & (np.abs(y) < h / 2.0))
    rest, radius = max(w, h) - min(w, h), min(w, h) / 2.0  # round, or a slot with round ends
    along, across = (x, y) if w >= h else (y, x)
    return np.asarray(np.hypot(np.maximum(np.abs(along) - rest / 2.0, 0.0), across) < radius)


def outline(shape: str, w: float, h: float, centre: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Return the distance (ray,) from the origin to the edge of a shape round `centre` that holds the origin."""
    angle = azimuths()
    low, high = np.zeros(RAYS), np.full(RAYS, 2.0 * (w + h))
    for _ in range(40):
        mid = (low + high) / 2.0
        within = inside(shape, w, h, mid * np.cos(angle) - centre[0], mid * np.sin(angle) - centre[1])
        low, high = np.where(within, mid, low), np.where(within, high, mid)
    return low


def arc(lead: Array, toe: Array, toe_rad: Array, lead_rad: Array) -> tuple[Array, Array]:
    """Return radius and height (ray, step) of circular arcs with slope `toe_rad` at the toe, pi/2 - lead_rad inside."""
    t = np.linspace(0.0, 1.0, STEPS)
    low, high = np.sin(toe_rad)[:, None], np.cos(lead_rad)[:, None]
    run = (toe - lead)[:, None]
    steep = low + (high - low) * (1.0 - t)
    height = run / (high - low) * (np.cos(toe_rad)[:, None] - np.sqrt(1.0 - steep**2))
    return lead[:, None] + run * t, height


def capillary(lead: Array, toe: Array, toe_rad: Array, lead_rad: Array) -> tuple[Array, Array]:
    """Return radius and height (ray, step) of r sin(slope) = c + k r^2 with the two contact angles."""
    t = np.linspace(0.0, 1.0, STEPS) ** 1.5  # closer where it is steep
    r = lead[:, None] + (toe - lead)[:, None] * t
    k = (toe * np.sin(toe_rad) - lead * np.cos(lead_rad)) / (toe**2 - lead**2)
    c = lead * np.cos(lead_rad) - k * lead**2
    sine = np.clip(c[:, None] / r + k[:, None] * r, 0.0, 0.985)
    slope = sine / np.sqrt(1.0 - sine**2)
    rise = np.diff(r, axis=1) * (slope[:, 1:] + slope[:, :-1]) / 2.0
    height = np.concatenate([np.cumsum(rise[:, ::-1], axis=1)[:, ::-1], np.zeros((len(r), 1))], axis=1)
    return r, height


def cap(toe: Array, angle_rad: float) -> tuple[Array, Array]:
    """Return radius and height (ray, step) of a spherical cap on the outline `toe`; beyond 90 degrees it overhangs."""
    psi = np.linspace(1e-3, 1.0, STEPS) * angle_rad
    base = float(toe.mean())
    height = base * (np.cos(psi) - np.cos(angle_rad)) / np.sin(angle_rad)
    return toe[:, None] * (np.sin(psi) / np.sin(angle_rad)), np.broadcast_to(height, (RAYS, STEPS)).copy()


def polar_sheet(r: Array, z: Array, keep: NDArray[np.bool_] | None = None) -> Sheet:
    """Return the mesh of a surface over (ray, step), closed round the circle; `keep` (ray, step - 1) drops quads."""
    angle = azimuths()[:, None]
    vertices = np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=-1).reshape(-1, 3)
    count = r.shape[1]
    ray, step = np.indices((RAYS, count - 1))
    if keep is not None:
        ray, step = ray[keep], step[keep]
    here, after = (ray * count + step).ravel(), ((ray + 1) % RAYS * count + step).ravel()
    faces = np.concatenate([np.stack([here, here + 1, after], axis=1), np.stack([after, here + 1, after + 1], axis=1)])
    used, faces = np.unique(faces, return_inverse=True)
    return Sheet(vertices[used], faces.reshape(-1, 3))


def ring(inner: Array | float, outer: Array, z: float) -> Sheet:
    """Return a flat ring between two outlines."""
    r = np.stack([np.broadcast_to(inner, (RAYS,)), outer], axis=1)
    return polar_sheet(r, np.full((RAYS, 2), z))


def bore(radius: float, top: float, bottom: float) -> Sheet:
    """Return the wall of a hole, seen from inside."""
    return polar_sheet(np.full((RAYS, 2), radius), np.tile([bottom, top], (RAYS, 1)))


def lead_sheets(shape: str, w: float, h: float, bottom: float, top: float, end: str, place: Callable[[Array], Array],
                ) -> tuple[list[Sheet], list[Sheet]]:
    """Return shank and end meshes of a lead; `place` maps z to its axis (n, 2). Ends: flat, domed, chamfered."""
    edge = outline(shape, w, h)
    bevel = {"flat": 0.015, "chamfered": 0.1, "domed": 0.0}[end] * min(w, h)
    shoulder = top - (0.25 * min(w, h) if end == "domed" else bevel)

    def sheet(scale: Array, z: Array, smooth: bool = True) -> Sheet:
        base = polar_sheet(edge[:, None] * scale, np.broadcast_to(z, (RAYS, len(z))))
        moved = base.vertices.copy()
        moved[:, :2] += place(moved[:, 2])
        return Sheet(moved, base.faces, smooth)

    shank = [sheet(np.ones(2), np.array([shoulder, bottom]), smooth=shape == "round")]
    if end == "domed":
        u = np.linspace(1e-3, 1.0, 12)
        return shank, [sheet(u, shoulder + (top - shoulder) * np.sqrt(1.0 - u**2 * 0.999))]
    inner = 1.0 - 2.0 * bevel / min(w, h)
    shank.append(sheet(np.array([inner, 1.0]), np.array([top, shoulder]), smooth=shape == "round"))
    return shank, [sheet(np.array([1e-3, inner]), np.array([top, top]))]


def tube(axis: Array, radius: Array, flatten: float = 1.0) -> Sheet:
    """Return a round tube along points (n, 3) with radii (n,), its height pressed to a share `flatten`."""
    way = np.gradient(axis, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    side = np.cross(way, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(side, way) * flatten
    turn = np.linspace(0.0, 2.0 * np.pi, 37)[:-1]
    points = (axis[:, None] + radius[:, None, None] * (np.cos(turn)[:, None] * side[:, None]
                                                       + np.sin(turn)[:, None] * up[:, None]))
    count = len(turn)
    i, j = (a.ravel() for a in np.indices((len(axis) - 1, count)))
    here, beside = i * count + j, i * count + (j + 1) % count
    faces = np.concatenate([np.stack([here, beside, here + count], axis=1),
                            np.stack([beside, beside + count, here + count], axis=1)])
    return Sheet(points.reshape(-1, 3), faces)


def saddle(start: Array, end: Array, half_ends: tuple[float, float], half_neck: float,
           heights: tuple[float, float, float]) -> Sheet:
    """Return a bridge from `start` to `end` (x, y): a ridge whose half width and height sag to a neck in the middle."""
    t = np.linspace(0.0, 1.0, 80)[:, None]
    bow = (2.0 * t - 1.0) ** 2
    side = np.where(t < 0.5, half_ends[0], half_ends[1])
    half = half_neck + (side - half_neck) * bow**1.5
    ridge = heights[1] + (np.where(t < 0.5, heights[0], heights[2]) - heights[1]) * bow**1.5
    v = np.sin(np.linspace(-np.pi / 2, np.pi / 2, 41))[None]
    length = float(np.hypot(*(end - start)))
    way = (end - start) / length
    across = np.array([-way[1], way[0]])
    points = start + (t * length)[..., None] * way + (v * half)[..., None] * across
    z = ridge * (1.0 - v**2) ** 0.75
    vertices = np.concatenate([points, z[..., None]], axis=-1).reshape(-1, 3)
    i, j = (a.ravel() for a in np.indices((len(t) - 1, v.shape[1] - 1)))
    here = i * v.shape[1] + j
    faces = np.concatenate([np.stack([here, here + v.shape[1], here + 1], axis=1),
                            np.stack([here + 1, here + v.shape[1], here + v.shape[1] + 1], axis=1)])
    return Sheet(vertices, faces)


def ripples(x: Array, y: Array, slope: float, rng: np.random.Generator) -> Array:
    """Return gentle waves (mm) of a frozen surface with this root-mean-square slope."""
    count = 10
    length = np.exp(rng.uniform(np.log(0.08), np.log(0.35), count))
    angle, phase = rng.uniform(0, 2 * np.pi, (2, count))
    waves = np.zeros_like(x)
    for n in range(count):
        k = 2 * np.pi / length[n]
        waves += np.sin(k * (x * np.cos(angle[n]) + y * np.sin(angle[n])) + phase[n]) * slope / k * np.sqrt(2 / count)
    return waves
