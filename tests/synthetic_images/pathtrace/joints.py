"""One joint of a traced board: what is drawn at random, its meshes, and the truth that follows from its geometry.

The origin is the hole's centre, z = 0 the land's surface, x and y are the picture's (y up).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.setup import Joint

from .relax import relax
from .surfaces import (
    RAYS,
    STEPS,
    Array,
    Sheet,
    arc,
    azimuths,
    bore,
    cap,
    capillary,
    inside,
    lead_sheets,
    outline,
    polar_sheet,
    ring,
    ripples,
    tube,
)

BOTTOM_MM = -1.6  # the board is as thick
LEAST_TOE_DEG = 8.0
KINDS = ("gap on land", "open gap", "starved", "no solder", "lead missing, open", "lead missing, filled", "excess",
         "non-wetting", "bridge", "ball", "icicle", "flag", "pit")


@dataclass
class Built:
    """Meshes by material, exact measurements and findings of one joint."""

    sheets: list[tuple[str, Sheet]]
    values: dict[str, float]
    edge: Array  # (ray,) of the land
    toe: Array  # (ray,)
    contact_mm: float = 0.0  # height at the lead
    has_lead: bool = True
    findings: list[str] = field(default_factory=list)
    marginal: bool = False


@dataclass(frozen=True)
class Fillet:
    """A surface over (ray, step) from lead to toe, and which quads of it are there."""

    r: Array
    z: Array
    toe: Array
    there: NDArray[np.bool_]  # (ray,)
    angle_deg: float
    is_fillet: bool = True


@dataclass(frozen=True)
class Pin:
    """Where a lead stands: its centre at z = 0, its lean (mm per mm) and its end's height."""

    offset: Array
    lean: Array
    top_mm: float
    scale: float
    end: str

    def at(self, z: Array) -> Array:
        return self.offset + np.asarray(z)[..., None] * self.lean


def draw_pin(joint: Joint, rng: np.random.Generator) -> Pin:
    """Return a lead that leans a little and stands a little off the hole's centre."""
    across = joint.lead_w_mm if joint.lead_shape == "round" else np.hypot(joint.lead_w_mm, joint.lead_h_mm)
    play = max((joint.hole_mm - across) / 2.0, 0.0)
    angle, way = rng.uniform(0, 2 * np.pi, 2)
    offset = play * 0.9 * np.sqrt(rng.uniform()) * np.array([np.cos(angle), np.sin(angle)])
    lean = np.tan(np.deg2rad(rng.beta(1.2, 3.0) * 7.0)) * np.array([np.cos(way), np.sin(way)])
    end = str(rng.choice(["flat", "domed", "chamfered"], p=[0.6, 0.2, 0.2]))
    return Pin(offset, lean, rng.uniform(0.7, 1.6), rng.normal(1.0, 0.015), end)


def build_joint(joint: Joint, kind: str, severity: float, rng: np.random.Generator) -> Built:
    """Return a joint of one of KINDS, or a good one where the kind is empty or belongs to the board's surroundings."""
    angle = azimuths()
    shift = rng.normal(0.0, 0.015, 2)
    grown = rng.normal(0.0, 0.015)
    edge = outline(joint.land_shape, joint.land_w_mm + grown, joint.land_h_mm + grown, (shift[0], shift[1]))
    hole, pin = joint.hole_mm / 2.0, draw_pin(joint, rng)
    where = pin.at(np.array(0.25))
    lead = outline(joint.lead_shape, joint.lead_w_mm * pin.scale, joint.lead_h_mm * pin.scale, (where[0], where[1]))
    has_lead = not kind.startswith("lead missing")
    made = _solder(kind, severity, hole, edge, lead, rng)
    sheets: list[tuple[str, Sheet]] = [("land", ring(hole, edge, 0.0)), ("land", bore(hole, 0.0, BOTTOM_MM))]
    gap = max(rng.uniform(0.02, 0.09), 0.0)
    sheets.append(("laminate", ring(edge * 0.98, edge + gap, -0.018)))
    top = float(made.z[made.there].max()) if made is not None else 0.0
    if kind == "excess" or (kind == "non-wetting" and rng.uniform() < 0.7):
        pin = Pin(pin.offset * 0.4, pin.lean, min(pin.top_mm, top - 0.12), pin.scale, pin.end)
    elif made is not None:
        pin = Pin(pin.offset, pin.lean, max(pin.top_mm, top + rng.uniform(0.12, 0.3)), pin.scale, pin.end)
    if has_lead:
        shank, end = lead_sheets(joint.lead_shape, joint.lead_w_mm * pin.scale, joint.lead_h_mm * pin.scale, BOTTOM_MM,
                                 pin.top_mm, pin.end, pin.at)
        sheets += [("lead", sheet) for sheet in shank]
        sheets += [("cut" if pin.end == "flat" else "lead", sheet) for sheet in end]
    values = _lead_truth(joint, pin, has_lead and pin.top_mm > top)
    values |= {"bridge_width_mm": 0.0, "ball_count": 0.0, "ball_diameter_mm": 0.0, "pit_diameter_mm": 0.0,
               "projection_mm": 0.0}
    if made is None:
        values |= {"coverage_deg": 0.0, "largest_gap_deg": 360.0, "land_cover_pct": 0.0, "hole_open_pct": 100.0}
        return Built(sheets, values, edge, np.full(RAYS, hole), 0.0, has_lead)
    z = made.z + ripples(made.r * np.cos(angle)[:, None], made.r * np.sin(angle)[:, None],
                         np.exp(rng.uniform(np.log(0.005), np.log(0.03))), rng) * _window()
    if kind == "pit":
        z, values["pit_diameter_mm"] = _pit(made, z, hole, severity, rng)
    there = made.there[:, None] & (z[:, 1:] > -0.9)
    sheets.append(("solder", polar_sheet(made.r, z, there)))
    values |= _solder_truth(made, hole, edge, lead if has_lead else np.zeros(RAYS))
    if not has_lead:  # what wets no lead has no coverage and no height at it
        for name in ("coverage_deg", "largest_gap_deg", "gap_azimuth_deg", "fillet_height_mm", "convexity"):
            values[name] = np.nan
    built = Built(sheets, values, edge, made.toe, float(np.nan_to_num(values["fillet_height_mm"], nan=top)), has_lead)
    if kind in ("icicle", "flag"):
        _spike(built, kind, pin, lead, severity, rng)
    return built


def _window() -> Array:
    """Return weights (step,) that leave toe and contact line where they are."""
    t = np.linspace(0.0, 1.0, STEPS)
    return np.minimum(1.0, 8.0 * t * (1.0 - t))


def _solder(kind: str, severity: float, hole: float, edge: Array, lead: Array, rng: np.random.Generator
            ) -> Fillet | None:
    """Return the solder's surface, None where there is none."""
    if kind == "no solder":
        return None
    everywhere = np.ones(RAYS, dtype=np.bool_)
    if kind == "excess":
        beta = np.deg2rad(45.0 + 40.0 * severity)
        r, z = cap(_rounded(edge, 6.0), beta)
        return Fillet(r, z, r[:, -1], everywhere, float(np.rad2deg(beta)), False)
    if kind == "non-wetting":
        beta = np.deg2rad(98.0 + 37.0 * severity)
        base = max(hole * 1.02, float(edge.min()) * rng.uniform(0.62, 0.85))
        r, z = cap(np.full(RAYS, base), beta)
        return Fillet(r, z, r.max(axis=1), everywhere, float(np.rad2deg(beta)), False)
    toe = _toe(rng.uniform(0.35, 0.6) if kind == "starved" else min(rng.beta(2.2, 1.4) * 0.26 + 0.83, 1.05), hole, edge,
               rng)
    if kind == "lead missing, filled":
        beta = np.deg2rad(rng.uniform(8.0, 28.0))
        r, z = cap(toe, beta)
        return Fillet(r, z, toe, everywhere, float(np.rad2deg(beta)), False)
    if kind == "lead missing, open":  # a film of solder has stayed on the land
        t = np.linspace(0.0, 1.0, STEPS)
        run = (toe - hole)[:, None]
        angle = rng.uniform(8.0, 22.0)
        return Fillet(hole + run * t, run * t * (1.0 - t) * np.tan(np.deg2rad(angle)), toe, everywhere, angle, False)
    return _fillet(kind, severity, hole, toe, lead, rng)


def _fillet(kind: str, severity: float, hole: float, toe: Array, lead: Array, rng: np.random.Generator) -> Fillet:
    width = {"gap on land": 125.0 + 150.0 * severity, "open gap": 125.0 + 150.0 * severity}.get(kind, 0.0)
    if not kind and rng.uniform() < 0.08:  # what the class allows
        width = rng.uniform(12.0, 50.0)
    there = _there(width, rng)
    sunk = np.zeros(RAYS)
    if kind == "open gap" or (width and kind == "" and rng.uniform() < 0.5):
        sunk = 1.3 * (1.0 - np.clip(there / 0.12, 0.0, 1.0)) ** 2
    short = np.minimum(np.full(RAYS, hole * 0.985), toe)
    toe = np.maximum(short + (toe - short) * there, lead + 0.03)
    wave = 1.0 + 0.08 * np.cos(azimuths() * rng.integers(1, 4) + rng.uniform(0, 2 * np.pi))
    slope = np.deg2rad((12.0 + 28.0 * rng.beta(1.4, 1.8)) * wave)
    lead_angle = np.deg2rad(rng.uniform(12.0, 45.0, 1) * wave[::-1])
    lead_angle = np.minimum(lead_angle, np.pi / 2 - slope - 0.15)
    r, z = (capillary if rng.uniform() < 0.6 else arc)(lead, toe, slope, lead_angle)
    # These curves take every direction for itself; what lies between toe and lead is one capillary surface.
    whole = there > 0.97
    bend = np.median(((toe * np.sin(slope) - lead * np.cos(lead_angle)) / (toe**2 - lead**2))[whole])
    pressure = float(np.clip(2.0 * bend, -2.5, 1.0))
    for _ in range(4):
        surface = relax(r, -sunk, lead_angle, pressure, z - sunk[:, None])
        angle = _toe_angle(r, surface, whole)
        if angle > LEAST_TOE_DEG:  # solder that falls below its own toe would wet further
            break
        pressure += 0.8
    return Fillet(r, surface, toe, sunk < 1.25, angle)


def _toe_angle(r: Array, z: Array, where: NDArray[np.bool_]) -> float:
    """Return the median slope at the toe in degrees, across the toe line."""
    near, far = r[:, -1] - r[:, -2], r[:, -1] - r[:, -3]
    rise = ((z[:, -2] - z[:, -1]) * far / near - (z[:, -3] - z[:, -1]) * near / far) / (far - near)
    toe = r[:, -1]
    bent = np.gradient(np.concatenate([toe[-1:], toe, toe[:1]]))[1:-1] / np.deg2rad(1.0) / toe
    return float(np.rad2deg(np.arctan(np.median((rise * np.hypot(1.0, bent))[where]))))


def _there(width_deg: float, rng: np.random.Generator) -> Array:
    """Return 0 in a gap of about this width and 1 outside, with rounded ends."""
    if not width_deg:
        return np.ones(RAYS)
    middle, ends = rng.uniform(0, 360.0), rng.uniform(12.0, 26.0)
    away = np.abs((np.rad2deg(azimuths()) - middle + 180.0) % 360.0 - 180.0)
    t = np.clip((away - width_deg / 2.0) / ends + 0.35, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _smooth(values: Array, sigma_deg: float) -> Array:
    """Return values (ray,) averaged over azimuth."""
    away = np.minimum(np.arange(RAYS), RAYS - np.arange(RAYS))
    weight = np.exp(-0.5 * (away / sigma_deg) ** 2)
    return np.asarray(np.fft.irfft(np.fft.rfft(values) * np.fft.rfft(weight / weight.sum()), RAYS))


def _rounded(edge: Array, sigma_deg: float) -> Array:
    """Return an outline with its corners rounded, nowhere beyond the given one."""
    return np.asarray(np.minimum(_smooth(edge, sigma_deg), edge))


def _toe(share: float, hole: float, edge: Array, rng: np.random.Generator) -> Array:
    """Return a toe line that encloses about this share of the land, somewhat wavy."""
    toe = np.sqrt(hole**2 + share * (_rounded(edge, 5.0) ** 2 - hole**2))
    wave = np.zeros(RAYS)
    for order in range(1, 7):
        wave += rng.normal(0.0, 1.0 / order) * np.cos(order * azimuths() + rng.uniform(0, 2 * np.pi))
    ripple = np.exp(rng.uniform(np.log(0.004), np.log(0.03)))
    return np.asarray(np.clip(toe + ripple * wave * (edge - hole).mean(), hole + 0.02, edge + 0.03))


def _pit(made: Fillet, z: Array, hole: float, severity: float, rng: np.random.Generator) -> tuple[Array, float]:
    """Return the surface with a deep pit in it, and the pit's diameter."""
    radius = 0.08 + 0.12 * severity
    ray = int(rng.integers(RAYS))
    middle = 0.5 * (float(made.r[ray, 0]) + hole)  # gas comes out of the hole, beside the lead
    angle = azimuths()[:, None]
    away = np.hypot(made.r * np.cos(angle) - middle * np.cos(angle[ray]),
                    made.r * np.sin(angle) - middle * np.sin(angle[ray]))
    return z - 8.0 * np.sqrt(np.maximum(radius**2 - away**2, 0.0)), 2.0 * radius


def _spike(built: Built, kind: str, pin: Pin, lead: Array, severity: float, rng: np.random.Generator) -> None:
    """Add an icicle at the lead's end or a flag of solder over the toe."""
    reach, t = 0.35 + 0.7 * severity, np.linspace(0.0, 1.0, 40)
    ray = int(rng.integers(RAYS))
    way = np.array([np.cos(azimuths()[ray]), np.sin(azimuths()[ray])])
    if kind == "icicle":
        rise, start = np.tan(np.deg2rad(rng.uniform(10.0, 40.0))), pin.at(np.array(pin.top_mm))
        far = reach + float(lead[ray] - pin.offset @ way)
        flat = start + t[:, None] * far * way
        axis = np.column_stack([flat, pin.top_mm - 0.12 + t * far * rise])
        radius = 0.03 + (float(lead.min() + np.hypot(*pin.offset)) * 0.75 - 0.03) * (1.0 - t) ** 1.2
        radius *= np.sqrt(np.minimum(1.0, (1.0 - t) / 0.04) + 1e-6)
        built.sheets.append(("solder", tube(axis, radius)))
        tip = flat[-1] - pin.at(np.array(pin.top_mm))
        built.values["projection_mm"] = float(np.hypot(*tip) - (lead[ray] - pin.offset @ way))
        return
    start, far = 0.45 * built.toe[ray], built.toe[ray] + reach
    along = start + (far - start) * t
    axis = np.column_stack([along[:, None] * way, np.interp(t, [0.0, 0.5, 1.0], [0.12, 0.06, 0.03])])
    radius = (0.05 + 0.2 * (1.0 - t) ** 0.8) * np.sqrt(np.minimum(1.0, (1.0 - t) / 0.06) + 1e-6)
    built.sheets.append(("solder", tube(axis, radius, 0.5)))
    built.values["projection_mm"] = float(far - built.toe[ray])


def _lead_truth(joint: Joint, pin: Pin, seen: bool) -> dict[str, float]:
    if not seen:
        return {"lead_visible": 0.0, "lead_offset_mm": np.nan, "lead_size_mm": np.nan}
    area = joint.lead_w_mm * joint.lead_h_mm * (np.pi / 4.0 if joint.lead_shape == "round" else 1.0) * pin.scale**2
    return {"lead_visible": 1.0, "lead_offset_mm": float(np.hypot(*pin.at(np.array(pin.top_mm)))),
            "lead_size_mm": float(2.0 * np.sqrt(area / np.pi))}


def _solder_truth(made: Fillet, hole: float, edge: Array, lead: Array) -> dict[str, float]:
    """Return the measurements of the solder's surface as it was made."""
    reaches = made.there & (made.toe >= hole + 0.1 * (edge - hole)) & (made.z[:, -1] > -0.05)
    under = made.there & (made.z[:, -1] > -0.05)
    on_land = np.maximum(np.minimum(made.toe, edge) ** 2 - hole**2, 0.0) * under
    gap, middle = _longest_gap(reaches)
    opened = np.maximum(hole**2 - lead**2, 0.0)
    start, end = made.r[:, 0], made.r[:, -1]
    at = [[np.interp(a + (b - a) * n / 3.0, r, z) for a, b, r, z in zip(start, end, made.r, made.z, strict=True)]
          for n in range(4)] if made.is_fillet or made.angle_deg < 90.0 else None
    values = {"coverage_deg": float(reaches.mean() * 360.0), "largest_gap_deg": gap, "gap_azimuth_deg": middle,
              "land_cover_pct": float(100.0 * on_land.sum() / (edge**2 - hole**2).sum()),
              "hole_open_pct": float(100.0 * opened[~under].sum() / max(opened.sum(), 1e-9)),
              "toe_radius_mm": float(made.toe[reaches].mean()) if reaches.any() else np.nan,
              "wetting_angle_deg": made.angle_deg, "fillet_height_mm": np.nan, "convexity": np.nan}
    if at is not None and reaches.any():
        height = np.array(at)[:, reaches]
        if not made.is_fillet:  # the cap's height above the lead's edge
            height[0] = [np.interp(a, r, z) for a, r, z in zip(lead[reaches], made.r[reaches], made.z[reaches],
                                                               strict=True)]
        values["fillet_height_mm"] = float(height[0].mean())
        run = (end - start)[reaches] / 3.0
        inner, outer = (np.rad2deg(np.arctan((height[n] - height[n + 1]) / run)).mean() for n in (0, 2))
        values["convexity"] = float((outer - inner) / max(abs(inner) + abs(outer), 1e-6))
    return values


def _longest_gap(covered: NDArray[np.bool_]) -> tuple[float, float]:
    """Return width and middle (deg, in the picture) of the longest bare run; NaN where there is none."""
    if covered.all():
        return 0.0, np.nan
    if not covered.any():
        return 360.0, np.nan
    first = int(np.argmax(covered))
    best, begin, run = 0, 0, 0
    for i, bare in enumerate(~np.roll(covered, -first)):
        run = run + 1 if bare else 0
        if run > best:
            best, begin = run, i + 1 - run
    return float(best), float((begin + (best - 1) / 2.0 + first) % 360.0)


def judge_truth(built: Built, limit_deg: float) -> None:
    """Set findings and whether the joint lies near a criterion, from the exact values.

    Numbers of the solder side of supported holes as in public extracts of IPC-A-610 E to G (7.3.5.4, 7.3.5.5);
    balls as in its revision B. The widths of the zones are the project's.
    """
    v: Mapping[str, float] = built.values
    found, near = built.findings, False
    if not built.has_lead:
        found.append("lead_missing")
    elif v["land_cover_pct"] < 3.0 and v["coverage_deg"] < 5.0:
        found.append("no_solder")
    elif v["wetting_angle_deg"] > 90.0:
        found.append("non_wetting")
    elif v["coverage_deg"] < limit_deg or v["land_cover_pct"] < 75.0:
        found.append("partial_wetting")
        near = v["coverage_deg"] >= limit_deg - 15.0 and v["land_cover_pct"] >= 70.0
    elif v["lead_visible"] < 0.5 and v["convexity"] > 0.0:
        found.append("excess_solder")
    else:
        near = v["coverage_deg"] <= limit_deg + 15.0 or v["land_cover_pct"] <= 80.0
    for finding, name, least, clear in (("bridge", "bridge_width_mm", 0.0, 0.2), ("solder_ball", "ball_diameter_mm",
                                                                                  0.13, 0.16),
                                        ("blowhole", "pit_diameter_mm", 0.1, 0.15),
                                        ("solder_projection", "projection_mm", 0.15, 0.25)):
        if v[name] > least:
            found.append(finding)
            near = near or (v[name] < clear and len(found) == 1)
    built.marginal = near


def on_shape(joint: Joint, x: Array, y: Array) -> NDArray[np.bool_]:
    """Return whether points round a joint's centre lie on its land."""
    return inside(joint.land_shape, joint.land_w_mm, joint.land_h_mm, x, y)
