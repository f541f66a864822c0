"""Shapes of liquid solder: fillets between a lead and a land, caps and wire menisci.

Young-Laplace: the surface's curvature times its tension is the pressure across it. With psi the slope from the
horizontal, r the distance from the axis and z the height above the land, an axisymmetric surface obeys

    d(r sin psi)/dr = r (k + s z / l^2)

for a surface that falls outward, where k is the pressure at the land divided by the tension, l the capillary length
and s = -1 for a fillet that stands on top of the board, +1 for one that hangs below it (the solder side faces the pot
while the solder freezes). Without gravity r sin psi = c + k r^2 / 2; k = 0 is the catenoid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Capillary length of molten tin-silver-copper solder in mm, from surface tension 0.55 N/m and density 7000 kg/m3
#: (order of size from memory of handbook values; l = sqrt(gamma / (rho g))).
CAPILLARY_LENGTH_MM = 2.83
EULER_GAMMA = 0.5772156649015329
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Profiles:
    """Fillet profiles from the lead outward; every array has the node axis last.

    radius (…, node) in mm, height (…, node) in mm above the land, slope (…, node) = tan(psi), positive downhill
    outward. Nodes crowd towards the lead, where the surface is steep: t = (r - lead) / (toe - lead), node at sqrt(t).
    """

    radius: Floats
    height: Floats
    slope: Floats


def pressure(lead_mm: ArrayLike, toe_mm: ArrayLike, lead_angle: ArrayLike, toe_angle: ArrayLike
             ) -> NDArray[np.float64]:
    """Return k (1/mm) of a gravity-free fillet that meets lead and land at these contact angles (radians).

    From r sin psi = c + k r^2 / 2 at both ends, with slope 90 degrees - lead_angle at the lead.
    """
    lead, toe = np.asarray(lead_mm, dtype=np.float64), np.asarray(toe_mm, dtype=np.float64)
    return np.asarray(2.0 * (toe * np.sin(toe_angle) - lead * np.cos(lead_angle)) / (toe**2 - lead**2))


def fillet_profiles(lead_mm: ArrayLike, toe_mm: ArrayLike, lead_angle: ArrayLike, k: ArrayLike, *,
                    capillary_length_mm: float = CAPILLARY_LENGTH_MM, side: float = 1.0, nodes: int = 96,
                    rounds: int = 4, least_slope: float = 0.02) -> Profiles:
    """Solve many fillets at once: given lead radius, toe radius, contact angle at the lead (rad) and pressure k.

    The four arguments broadcast; where all are float32 arrays the work is done in float32, which is exact to some
    1e-6 of the height and twice as fast. Gravity is brought in by fixed-point rounds, which converge because the
    solder is small against the capillary length. Where the pressure would make the surface rise outward or turn over,
    the slope is held at `least_slope` or at 85 degrees.
    """
    given = np.broadcast_arrays(lead_mm, toe_mm, lead_angle, k)
    kind: type[np.floating[Any]] = np.float32 if all(a.dtype == np.float32 for a in given) else np.float64
    lead, toe, angle, k = (np.asarray(a, dtype=kind)[..., None] for a in given)
    t = np.linspace(0.0, 1.0, nodes, dtype=lead.dtype)
    radius = lead + (toe - lead) * t**2
    step = np.diff(radius, axis=-1)
    start = lead * np.cos(angle)
    bare = radius**2
    bare -= lead**2
    bare *= k / 2.0
    bare += start
    bare /= radius  # sine of the slope without gravity
    height, slope = np.zeros_like(radius), np.empty_like(radius)
    steepest = float(np.sin(np.deg2rad(85.0)))
    sine = np.clip(bare, least_slope, steepest)
    for number in range(rounds):
        if number:
            pull = radius * height
            pull[..., 1:] += pull[..., :-1]
            pull[..., 1:] *= step
            pull[..., 0] = 0.0
            np.cumsum(pull, axis=-1, out=sine)
            sine *= 0.5 * side / capillary_length_mm**2
            sine /= radius
            sine += bare
            np.clip(sine, least_slope, steepest, out=sine)
        np.multiply(sine, sine, out=slope)
        np.subtract(1.0, slope, out=slope)
        np.sqrt(slope, out=slope)
        np.divide(sine, slope, out=slope)
        drop = slope[..., 1:] + slope[..., :-1]
        drop *= step
        np.cumsum(drop[..., ::-1], axis=-1, out=height[..., -2::-1])
        height *= 0.5
    return Profiles(radius, height, slope)


def catenoid(lead_mm: float, toe_mm: float, lead_angle_deg: float) -> tuple[float, float]:
    """Return height (mm) and toe slope (deg) of the fillet without pressure and gravity (closed form)."""
    c = lead_mm * np.cos(np.deg2rad(lead_angle_deg))
    height = c * (np.arccosh(toe_mm / c) - np.arccosh(lead_mm / c))
    return float(height), float(np.rad2deg(np.arcsin(c / toe_mm)))


def wire_rise(radius: float, contact_angle_deg: float) -> float:
    """Return the height of the meniscus on a thin vertical wire in a wide bath; lengths in capillary lengths.

    Full numerical solution: the far field is K0, the profile is integrated in arc length towards the wire and the
    amplitude is found by root search on the contact angle.
    """
    from scipy.integrate import solve_ivp
    from scipy.optimize import brentq
    from scipy.special import k0, k1

    far = max(8.0, 10.0 * radius)
    target = np.pi / 2.0 - np.deg2rad(contact_angle_deg)

    def curve(_s: float, state: NDArray[np.float64]) -> list[float]:
        r, z, psi = state  # walking inward and upward along the surface
        return [-np.cos(psi), np.sin(psi), z + np.sin(psi) / r]

    def steep_enough(_s: float, state: NDArray[np.float64]) -> float:
        return float(state[2] - target)

    steep_enough.terminal = True  # type: ignore[attr-defined]

    def end(log_amplitude: float) -> NDArray[np.float64]:
        amplitude = float(np.exp(log_amplitude))
        first = [far, amplitude * k0(far), np.arctan(amplitude * k1(far))]
        run = solve_ivp(curve, (0.0, far + 10.0), first, method="DOP853", rtol=1e-11, atol=1e-14, events=steep_enough)
        return np.asarray(run.y[:, -1])

    guess = float(np.log(radius * np.cos(np.deg2rad(contact_angle_deg))))
    found = brentq(lambda a: float(end(a)[0] - radius), guess - 2.0, guess + 4.0, xtol=1e-13, rtol=1e-13)
    return float(end(float(found))[1])


def derjaguin_james(radius: float, contact_angle_deg: float) -> float:
    """Return the thin-wire formula for `wire_rise` (Derjaguin 1946; James, J. Fluid Mech. 63, 657, 1974)."""
    angle = np.deg2rad(contact_angle_deg)
    return float(radius * np.cos(angle) * (np.log(4.0 / (radius * (1.0 + np.sin(angle)))) - EULER_GAMMA))


def cap_height(base_mm: ArrayLike, contact_angle: ArrayLike) -> NDArray[np.float64]:
    """Return the height of a spherical cap on a disc: h = a tan(theta / 2)."""
    return np.asarray(np.asarray(base_mm) * np.tan(np.asarray(contact_angle) / 2.0), dtype=np.float64)


def cap_volume(base_mm: ArrayLike, height_mm: ArrayLike) -> NDArray[np.float64]:
    """Return pi h (3 a^2 + h^2) / 6, the volume of a spherical cap in mm^3."""
    base, height = np.asarray(base_mm, dtype=np.float64), np.asarray(height_mm, dtype=np.float64)
    return np.asarray(np.pi * height * (3.0 * base**2 + height**2) / 6.0)


def barrel_volume(hole_mm: float, lead_area_mm2: float, board_mm: float) -> float:
    """Return the volume in mm^3 between a lead of this cross-section and the wall of a plated hole."""
    return float((np.pi / 4.0 * hole_mm**2 - lead_area_mm2) * board_mm)


def profile_volume(radius: Floats, height: Floats) -> NDArray[np.float64]:
    """Return the volume of revolution below profiles (…, node), outside the lead, in mm^3."""
    return np.asarray(np.trapezoid(2.0 * np.pi * radius * height, radius, axis=-1))


def pressure_of_volume(lead_mm: ArrayLike, toe_mm: ArrayLike, lead_angle: ArrayLike, volume_mm3: ArrayLike, *,
                       capillary_length_mm: float = CAPILLARY_LENGTH_MM, side: float = 1.0) -> NDArray[np.float64]:
    """Return the pressure k (1/mm) at which a fillet holds this much solder above the land; arguments broadcast.

    For use with `fillet_profiles`, where the volume is given instead of the angle at the toe. A fillet's volume rises
    with its pressure, so k is found by halving an interval; NaN where no fillet between a flat one and one that is
    upright all over holds the volume.
    """
    lead, toe, angle, wanted = (np.asarray(a, dtype=np.float64) for a in np.broadcast_arrays(
        lead_mm, toe_mm, lead_angle, volume_mm3))

    def held(k: NDArray[np.float64]) -> NDArray[np.float64]:
        found = fillet_profiles(lead, toe, angle, k, capillary_length_mm=capillary_length_mm, side=side)
        return profile_volume(found.radius, found.height)

    reach = 4.0 * toe / (toe**2 - lead**2)
    low, high = -reach, reach
    possible = (held(low) <= wanted) & (wanted <= held(high))
    for _ in range(60):
        middle = (low + high) / 2.0
        less = held(middle) < wanted
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.where(possible, (low + high) / 2.0, np.nan)
