"""The truth of a rendered view, measured on the surface that was drawn.

Nothing here looks at what was planned, but for the equation of caps, whose rim overhangs and so cannot be read from a
height map. Rays run from the hole's centre in 720 directions of the board frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.canvas import Canvas, window
from synthetic_images.criteria import is_marginal, joint_findings
from synthetic_images.plan import CAP, BoardPlan, azimuths, lead_outline
from vision.setup import CHIP_MEASURES, JOINT_MEASURES, Similarity

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
RAYS = 720
BEYOND_MM = 0.12  # how far past the land's edge a toe is followed
SEEN_COVERAGE = "seen_coverage_deg"  # as it looks from above; beside the measurements, not in truth.csv
NOT_KNOWN = ("residue_pct", "sharpness", "saturated_pct")  # properties of pictures, not of joints
HEADER = ("serial", "view", "ref", "pin", "finding", *JOINT_MEASURES, *CHIP_MEASURES, "marginal", "land_kind")


@dataclass(frozen=True)
class TruthRow:
    """One finding, or one good joint or chip (empty finding). Chips have an empty pin."""

    serial: str
    view: str
    ref: str
    pin: str
    finding: str
    values: Mapping[str, float] = field(default_factory=dict)
    marginal: bool = False
    land_kind: str = ""

    def cells(self) -> list[str]:
        """Return the row of truth.csv that `HEADER` heads; NaN and unknown values are empty."""
        measures = [self.values.get(name, np.nan) for name in (*JOINT_MEASURES, *CHIP_MEASURES)]
        return [self.serial, self.view, self.ref, self.pin, self.finding,
                *("" if np.isnan(value) else f"{value:.6g}" for value in measures), str(int(self.marginal)),
                self.land_kind]


@dataclass(frozen=True)
class Rays:
    """Samples along rays from a hole's centre: arrays (ray, radius) over one joint, and the radii in mm."""

    radius: Array
    marks: NDArray[np.uint8]
    index: NDArray[np.int32]  # into the flattened canvas
    canvas: Canvas
    start: NDArray[np.intp]  # (ray,) first sample outside the lead's foot
    edge: Array  # (ray,) land edge from the hole's centre, mm

    def surface(self, samples: int) -> NDArray[np.int16]:
        """Return the kinds of surface of the first samples of every ray."""
        return self.canvas.surface.ravel().take(self.index[:, :samples], mode="clip")

    def surface_at(self, line: NDArray[np.intp], sample: NDArray[np.intp]) -> NDArray[np.int16]:
        """Return the kind of surface of one sample of each of these rays."""
        return self.canvas.surface.ravel().take(self.index[line, sample], mode="clip")

    def height_at(self, line: NDArray[np.intp], sample: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return the height in mm of one sample of each of these rays."""
        return self.canvas.height.ravel().take(self.index[line, sample], mode="clip")


def ray_angles() -> Array:
    """Return the azimuths of the rays in radians, counter-clockwise from board x."""
    return np.arange(RAYS, dtype=np.float64) * (2.0 * np.pi / RAYS)


@lru_cache(maxsize=4)
def _fan(matrix: tuple[float, ...], step: float, samples: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return columns and rows (ray, radius) of rays from a grid's origin; `matrix` turns board mm into fine samples."""
    angle = ray_angles()
    way = np.reshape(matrix, (2, 2)) @ np.stack([np.cos(angle), np.sin(angle)])
    radius = np.arange(0.5, samples) * step
    return (way[0][:, None] * radius).astype(np.float32), (way[1][:, None] * radius).astype(np.float32)


def cast_rays(plan: BoardPlan, canvas: Canvas, joint: int, reach_mm: float | None = None) -> Rays:
    """Sample the canvas along a joint's rays, one sample per grid pitch, as far as a toe can lie."""
    place = plan.family.joints[joint]
    hole = np.array([place.x_mm, place.y_mm]) + plan.joints.hole_shift[joint]
    reach = float(plan.joints.edge[joint].max()) + BEYOND_MM + 0.1 if reach_mm is None else reach_mm
    radius = np.arange(0.5, reach / canvas.step_mm) * canvas.step_mm
    farthest = float(plan.joints.edge.max()) + BEYOND_MM + 0.1
    fan = _fan(tuple(canvas.board_to_fine.matrix.ravel().tolist()), canvas.step_mm,
               max(int(np.ceil(farthest / canvas.step_mm)) + 1, len(radius)))
    # Places against a near grid point stay exact in float32.
    centre = canvas.board_to_fine.to_px(hole)
    corner = np.floor(centre - reach / canvas.step_mm - 2.0)
    cols, rows = ((plane[:, :len(radius)] + np.float32(place)).astype(np.int32)
                  for plane, place in zip(fan, centre - corner, strict=True))
    rows *= np.int32(canvas.height.shape[1])
    rows += cols
    rows += np.int32(corner[1] * canvas.height.shape[1] + corner[0])  # leaves the canvas only where the joint does too
    marks = canvas.marks.ravel().take(rows, mode="clip")
    near = int(np.searchsorted(radius, place.hole_mm / 2.0 * 1.05, side="right"))
    foot = (marks[:, :near] & np.uint8(cv.IS_FOOT)).view(np.bool_)
    start = near - np.argmax(foot[:, ::-1], axis=1)
    start[~foot.any(axis=1)] = 0
    return Rays(radius, marks, rows, canvas, start, _edge_from_hole(plan, joint, ray_angles()))


def _edge_from_hole(plan: BoardPlan, joint: int, angle: Array) -> Array:
    """Return the land's edge (ray,) as seen from the hole's centre."""
    edge = plan.joints.edge[joint]
    x, y = edge * np.cos(azimuths()), edge * np.sin(azimuths())
    dx, dy = plan.joints.hole_shift[joint]
    seen = np.arctan2(y - dy, x - dx) % (2 * np.pi)
    order = np.argsort(seen)
    return np.asarray(np.interp(angle, seen[order], np.hypot(x - dx, y - dy)[order], period=2 * np.pi))


def contact_heights(plan: BoardPlan, canvas: Canvas) -> Array:
    """Return the solder's height at the lead (joint, ray); to be called before the leads are drawn."""
    heights = np.zeros((len(plan.family.joints), RAYS))
    for joint, place in enumerate(plan.family.joints):
        if window(canvas, place.x_mm, place.y_mm, 0.1) is not None:
            rays = cast_rays(plan, canvas, joint, place.hole_mm / 2.0 * 1.05)
            heights[joint] = rays.height_at(np.arange(RAYS), np.maximum(rays.start - 1, 0))
    return heights


def _longest_gap(covered: Flags) -> tuple[float, float]:
    """Return width and middle (deg) of the longest run of uncovered rays; middle NaN where there is none."""
    if covered.all():
        return 0.0, np.nan
    step = 360.0 / len(covered)
    if not covered.any():
        return 360.0, np.nan
    first = int(np.argmax(covered))
    turned = np.roll(~covered, -first).astype(np.int8)
    change = np.diff(np.concatenate([[0], turned, [0]]))
    begin, end = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    longest = int(np.argmax(end - begin))
    middle = (begin[longest] + end[longest] - 1) / 2.0 + first
    return float((end - begin)[longest] * step), float(middle * step % 360.0)


def joint_values(plan: BoardPlan, canvas: Canvas, joint: int, contact: Array, lean: Array) -> dict[str, float]:
    """Return a joint's exact measurements but for bridges and balls, which need the whole view.

    `lean` (2,) is how far a lens at working distance shows a point aside, per mm of its height, in the board frame.
    """
    rays, place = cast_rays(plan, canvas, joint), plan.family.joints[joint]
    hole = place.hole_mm / 2.0
    solder = (rays.marks & np.uint8(cv.IS_SOLDER)).view(np.bool_)  # its bit is the lowest
    index = np.arange(len(rays.radius))
    goal = np.ceil((hole + 0.1 * (rays.edge - hole)) / canvas.step_mm).astype(np.intp)[:, None]
    least, most = int(goal.min()), min(int(goal.max()) + 1, len(index))
    beside = (index[:most] < rays.start[:, None]) | (index[:most] > goal) | solder[:, :most]
    covered = np.asarray(beside.all(axis=1), dtype=np.bool_)
    bare = ~solder[:, least:] & (index[least:] > goal)
    bare[:, -1] = True
    toe = least + np.argmax(bare, axis=1)
    gap, gap_azimuth = _longest_gap(covered)
    land = (rays.marks & np.uint8(cv.IS_LAND)).astype(np.bool_)
    land &= index < np.searchsorted(rays.radius, rays.edge + 0.03)[:, None]
    inner = int(np.searchsorted(rays.radius, hole))
    surface = rays.surface(max(inner, most))
    closed = surface[:, :inner] != cv.lead_of(joint)
    opened = (surface[:, :inner] == cv.HOLE) & ((rays.marks[:, :inner] & np.uint8(cv.IS_PIT)) == 0)
    ends = covered & (rays.radius[toe] < rays.edge + BEYOND_MM)
    values = {
        "coverage_deg": float(covered.mean() * 360.0), "largest_gap_deg": gap, "gap_azimuth_deg": gap_azimuth,
        "land_cover_pct": _share(land & solder, land, rays.radius),
        "hole_open_pct": _share(opened, closed, rays.radius[:inner]),
        "toe_radius_mm": float(rays.radius[toe][ends].mean()) if ends.any() else np.nan,
        "wetting_angle_deg": _wetting_angle(plan, rays, joint, toe, ends, canvas.step_mm),
        "fillet_height_mm": float(contact[covered].mean()) if covered.any() else np.nan,
        "convexity": _convexity(rays, toe, ends, contact, canvas.step_mm),
    }
    beside |= surface[:, :most] == cv.lead_of(joint)
    values[SEEN_COVERAGE] = float(beside.all(axis=1).mean() * 360.0)
    return values | _lead_values(plan, canvas, joint, lean) | _extra_values(plan, canvas, joint)


def _share(part: Flags, whole: Flags, radius: Array) -> float:
    """Return the area of a part in per cent of the whole; both (ray, radius)."""
    total = float(np.count_nonzero(whole, axis=0) @ radius)
    return 100.0 * float(np.count_nonzero(part, axis=0) @ radius) / total if total > 0 else 0.0


def _wetting_angle(plan: BoardPlan, rays: Rays, joint: int, toe: NDArray[np.intp], ends: Flags, step: float) -> float:
    """Return the median slope at the toe: the chord slopes 0.04 and 0.08 mm inside, extrapolated to the toe."""
    if not ends.any():
        return np.nan
    if plan.joints.form[joint] == CAP:
        outline = np.interp(ray_angles(), azimuths(), plan.joints.toe[joint], period=2 * np.pi)
        tangent = np.tan(plan.joints.cap_angle[joint]) * plan.joints.toe[joint].mean() / outline
        return float(np.median(np.rad2deg(np.arctan(tangent))[ends] % 180.0))
    line = np.flatnonzero(ends)
    reach = max(4, round(0.04 / step))
    inside = [rays.height_at(line, np.maximum(toe[line] - 1 - n * reach, 0)) for n in range(3)]
    near, far = (inside[1] - inside[0]) / (reach * step), (inside[2] - inside[1]) / (reach * step)
    slope = np.median(near) + (np.median(near) - np.median(far)) * 0.5
    return float(np.rad2deg(np.arctan(max(float(slope), 0.0))))


def _convexity(rays: Rays, toe: NDArray[np.intp], ends: Flags, contact: Array, step: float) -> float:
    """Return (outer - inner) / (outer + inner) of the mean slopes in the outer and inner third of the fillet."""
    line = np.flatnonzero(ends & (toe - rays.start > 6))
    if not line.size:
        return np.nan
    third = (toe - rays.start)[line] / 3.0
    start, end = rays.start[line], toe[line] - 1
    one, two = (rays.height_at(line, (start + n * third).astype(np.intp)) for n in (1, 2))
    # A lead that leans over its fillet hides the inner third: such rays are left out.
    free = rays.surface_at(line, (start + third).astype(np.intp)) == rays.surface_at(line, end)
    if not free.any():
        return np.nan
    run = third * step
    inner = np.rad2deg(np.arctan((contact[line] - one) / run))[free].mean()
    outer = np.rad2deg(np.arctan((two - rays.height_at(line, end)) / run))[free].mean()
    total = abs(inner) + abs(outer)
    return float((outer - inner) / total) if total > 0.5 else 0.0


def _lead_values(plan: BoardPlan, canvas: Canvas, joint: int, lean: Array) -> dict[str, float]:
    place, shapes = plan.family.joints[joint], plan.joints
    hidden = {"lead_visible": 0.0, "lead_offset_mm": np.nan, "lead_size_mm": np.nan}
    box = window(canvas, place.x_mm, place.y_mm, place.hole_mm / 2.0 + 0.6) if shapes.has_lead[joint] else None
    if box is None:
        return hidden
    marks, surface = canvas.marks[box.place], canvas.surface[box.place]
    end = (marks & np.uint8(cv.IS_LEAD_END)).astype(np.bool_)
    end &= cv2.magnitude(box.u, box.v) < np.float32(place.hole_mm / 2.0 + 0.6)
    seen = np.count_nonzero(end & (surface == cv.lead_of(joint)))
    area = float(np.count_nonzero(end)) * canvas.step_mm**2
    nominal = place.lead_w_mm * place.lead_h_mm * (np.pi / 4.0 if place.lead_shape == "round" else 1.0)
    if seen * canvas.step_mm**2 < 0.3 * nominal:
        return hidden
    dx, dy = float(box.u[end].mean()), float(box.v[end].mean())
    hole = shapes.hole_shift[joint] + lean * shapes.protrusion[joint]
    return {"lead_visible": 1.0, "lead_offset_mm": float(np.hypot(dx - hole[0], dy - hole[1])),
            "lead_size_mm": float(2.0 * np.sqrt(area / np.pi))}


def _extra_values(plan: BoardPlan, canvas: Canvas, joint: int) -> dict[str, float]:
    """Return pit and projection sizes."""
    values = {"pit_diameter_mm": 0.0, "projection_mm": 0.0}
    place = plan.family.joints[joint]
    reach = float(plan.joints.edge[joint].max())
    has_pit = any(p.joint == joint for p in plan.pits)
    box = window(canvas, place.x_mm, place.y_mm, reach + 0.1) if has_pit else None
    if box is not None:
        pit = ((canvas.marks[box.place] & cv.IS_PIT) > 0).astype(np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(pit)
        if count > 1:
            values["pit_diameter_mm"] = float(2 * canvas.step_mm * np.sqrt(stats[1:, cv2.CC_STAT_AREA].max() / np.pi))
    spikes = [s for s in plan.spikes if s.joint == joint]
    box = window(canvas, place.x_mm, place.y_mm, reach + 2.2) if spikes else None
    if box is None:
        return values
    spike = ((canvas.marks[box.place] & cv.IS_SPIKE) > 0) & (canvas.surface[box.place] == cv.solder_of(joint))
    if spike.any():
        u, v = box.u[spike], box.v[spike]
        if spikes[0].kind == "icicle":
            outline = lead_outline(plan.family.joints, plan.joints)[joint]
            u, v = u - spikes[0].start[0], v - spikes[0].start[1]
        else:
            outline = plan.joints.toe[joint]
        limit = np.interp(np.arctan2(v, u), azimuths(), outline, period=2 * np.pi)
        values["projection_mm"] = float(max((np.hypot(u, v) - limit).max(), 0.0))
    return values


def view_truth(plan: BoardPlan, canvas: Canvas, contact: Array, lean: Array, view: str, serial: str
               ) -> tuple[TruthRow, ...]:
    """Return the truth rows of all joints and chips that lie whole in the picture; `lean` (joint, 2) as drawn."""
    from synthetic_images.truth_view import ball_values, bridge_widths, chip_rows

    family = plan.family
    reach = plan.joints.edge.max(axis=1) + 0.1
    shown = [j for j, joint in enumerate(family.joints) if in_picture(canvas, joint.x_mm, joint.y_mm, float(reach[j]))]
    bridges, balls = bridge_widths(plan, canvas, shown), ball_values(plan, canvas)
    rows: list[TruthRow] = []
    for j in shown:
        joint = family.joints[j]
        values = joint_values(plan, canvas, j, contact[j], lean[j])
        values["bridge_width_mm"] = bridges.get(j, 0.0)
        values["ball_count"], values["ball_diameter_mm"] = balls.get(j, (0.0, 0.0))
        has_lead = bool(plan.joints.has_lead[j])
        findings = joint_findings(values, has_lead, family.workmanship_class)
        rows += [TruthRow(serial, view, joint.ref, joint.pin, finding, values,
                          is_marginal(finding, values, family.workmanship_class, values[SEEN_COVERAGE]),
                          joint.land_kind)
                 for finding in findings or ("",)]
    return (*rows, *chip_rows(plan, canvas, view, serial))


def in_picture(canvas: Canvas, x_mm: float, y_mm: float, reach_mm: float) -> bool:
    """Return whether a board point with this much round it lies inside the picture."""
    col, row = canvas.board_to_fine.to_px((x_mm, y_mm))
    reach = reach_mm / canvas.step_mm + canvas.pad
    rows, cols = canvas.height.shape
    return bool(reach <= col <= cols - reach and reach <= row <= rows - reach)


__all__ = ["HEADER", "NOT_KNOWN", "Rays", "Similarity", "TruthRow", "cast_rays", "contact_heights", "joint_values",
           "view_truth"]
