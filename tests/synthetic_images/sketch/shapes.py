"""Outlines as signed distances in mm, courses of slopes from lead to toe, and curves over the azimuth."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.setup import Joint

Array = NDArray[Any]
#: Azimuths at which a joint's curves are sampled.
AZIMUTHS = np.deg2rad(np.arange(720) * 0.5)
ROUND_TURN = 6.28


def turned(x: Any, y: Any, angle_deg: float) -> tuple[Any, Any]:
    """Return places turned counter-clockwise."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return c * x - s * y, s * x + c * y


def outline(shape: str, w: float, h: float, x: Any, y: Any, corner: float = 0.06) -> Any:
    """Return the signed distance to a shape's edge, negative inside."""
    if shape == "round":
        return np.hypot(x, y) - w / 2
    if shape == "oblong":
        r = min(w, h) / 2
        return np.hypot(np.maximum(abs(x) - (w / 2 - r), 0), np.maximum(abs(y) - (h / 2 - r), 0)) - r
    qx, qy = abs(x) - w / 2 + corner, abs(y) - h / 2 + corner
    return np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0) - corner


def edge_radius(shape: str, w: float, h: float, x0: float, y0: float, far: float = 2.6) -> Array:
    """Return the distance from a place inside to a convex outline along each azimuth."""
    r = np.linspace(0.01, far, 420)
    d = outline(shape, w, h, x0 + np.cos(AZIMUTHS)[:, None] * r, y0 + np.sin(AZIMUTHS)[:, None] * r)
    return r[np.argmax(d > 0, axis=1)]


def land_reach(joint: Joint, azimuth: float) -> float:
    """Return the distance from a joint's middle to its land's edge along a board azimuth."""
    r = np.linspace(0.1, 2.5, 300)
    x, y = turned(r * np.cos(azimuth), r * np.sin(azimuth), -joint.land_rotation_deg)
    return r[np.argmax(outline(joint.land_shape, joint.land_w_mm, joint.land_h_mm, x, y) > 0)]


def land_distance(joint: Joint, x: float, y: float) -> float:
    """Return how far a board place is from a joint's land, negative on it."""
    a, b = turned(x - joint.x_mm, y - joint.y_mm, -joint.land_rotation_deg)
    return float(outline(joint.land_shape, joint.land_w_mm, joint.land_h_mm, np.float64(a), np.float64(b)))


def course(kind: str, t: Any, lead_deg: Any, toe_deg: Any, bend: float) -> Any:
    """Return the slope (deg) of a concave meniscus at t from 0 (lead) to 1 (toe)."""
    top, foot = np.deg2rad(np.minimum(lead_deg, 86)), np.deg2rad(np.maximum(toe_deg, 0.5))
    if kind == "arc":
        s = np.arcsin(np.sin(top) + (np.sin(foot) - np.sin(top)) * t)
    elif kind == "parabola":
        s = np.arctan(np.tan(top) + (np.tan(foot) - np.tan(top)) * t)
    elif kind == "exponential":
        s = np.arctan(np.tan(top) * (np.tan(foot) / np.tan(top)) ** t)
    elif kind == "cosh":
        s = np.arctan(np.tan(foot) + (np.tan(top) - np.tan(foot)) * np.sinh(bend * (1 - t)) / np.sinh(bend))
    else:  # hyperbolic: radius times the sine of the slope falls evenly
        s = np.arcsin(1 / (1 / np.sin(top) + t * (1 / np.sin(foot) - 1 / np.sin(top))))
    return np.rad2deg(s)


def wave(rng: np.random.Generator, size: float, orders: int = 4) -> Any:
    """Return a closed random wave over the azimuths."""
    return sum(rng.normal(0, size / (n ** 0.7)) * np.cos(n * AZIMUTHS + rng.uniform(0, ROUND_TURN))
               for n in range(1, orders + 1))


def at(curve: Array, azimuth: Array) -> Array:
    """Return a curve over the azimuths at the azimuths of pixels."""
    closed = np.interp(azimuth.ravel(), np.append(AZIMUTHS, 2 * np.pi), np.append(curve, curve[0]))
    return closed.reshape(azimuth.shape)


def sector(middle_deg: float, width_deg: float, soft_deg: float) -> Array:
    """Return 1 inside a sector of the azimuths and 0 outside, with soft edges."""
    away = abs((np.rad2deg(AZIMUTHS) - middle_deg + 180) % 360 - 180)
    return 1 / (1 + np.exp(np.clip((away - width_deg / 2) / soft_deg, -40, 40)))
