"""Marks over a finding's picture: its place, and what was measured there, from what the records hold.

White lines in dark casings, each kind with a line of its own, so that no colour is needed to tell them apart. What the
records do not hold is not made up: where a ball or a pit lies is not recorded, so its ring is drawn to size in a
corner.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray
from sqlalchemy import Engine, select

from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, with_unit
from vision.pipeline.view.lands import edges_towards, land_outline
from vision.pipeline.view.unwrap import chip_outline
from vision.records.database import reading
from vision.records.schema import ChipResult, JointResult
from vision.review.boards import Found
from vision.review.pictures import SIDE_PX, Window
from vision.setup import Chip, Family, Joint, Similarity

#: A gap's arc runs this far outside the land, mm, so that it hides nothing of the toe.
GAP_OFF_MM = 0.10
#: Distance of rings drawn to size from the picture's edge, px.
INSET_PX = 18.0
#: Findings for which the toe is of use.
WETTING = ("partial_wetting", "non_wetting", "excess_solder", "blowhole")

Points = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One kind of mark: its name in style sheets, what it says, and its lines in px of the picture."""

    kind: str
    words: str
    paths: tuple[str, ...]


@dataclass(frozen=True)
class Marks:
    """All marks over one picture."""

    lines: tuple[Line, ...]

    @property
    def svg(self) -> Markup:
        """The drawing to lay over the picture."""
        words = "Marks: " + "; ".join(line.words for line in self.lines)
        drawn = "".join(f'<path class="casing" d="{path}"/><path class="line k-{line.kind}" d="{path}"/>'
                        for line in self.lines for path in line.paths)
        return Markup(f'<svg class="marks" viewBox="0 0 {SIDE_PX} {SIDE_PX}" role="img" aria-label="{escape(words)}">'
                      f"{drawn}</svg>")

    @property
    def legend(self) -> tuple[tuple[Markup, str], ...]:
        """A sample of each line, and what it says."""
        sample = ('<svg class="sample" viewBox="0 0 36 12" aria-hidden="true" focusable="false"><rect width="36" '
                  'height="12" rx="2"/><path class="line k-{}" d="M2 6H34"/></svg>')
        return tuple((Markup(sample.format(line.kind)), line.words) for line in self.lines)


def measured_at(engine: Engine, found: Found) -> dict[str, float]:
    """Return what was measured at a finding's joint or chip; what does not apply is NaN."""
    names = JOINT_MEASURES if found.joint_id is not None else CHIP_MEASURES
    if found.joint_id is not None:
        columns = JointResult.__table__.c
        here = columns.joint_id == found.joint_id
    else:
        columns = ChipResult.__table__.c
        here = columns.chip_id == found.chip_id
    with reading(engine) as connection:
        row = connection.execute(select(*(columns[name] for name in names)).where(
            columns.inspection_id == found.inspection_id, here)).first()
    return {name: math.nan if row is None or value is None else float(value)
            for name, value in zip(names, row or [None] * len(names), strict=True)}


def marks_of(found: Found, family: Family, measured: Mapping[str, float], window: Window,
             upright: NDArray[np.float64]) -> Marks:
    """Return the marks of a finding over its cut-out of a window.

    `upright` (2, 2) maps board mm to an upright picture of 1 px per mm, as in `SeenView`.
    """
    per_mm = SIDE_PX / (2.0 * window.half_mm)
    matrix = upright * per_mm
    to = Similarity(matrix, np.full(2, SIDE_PX / 2.0) - matrix @ np.array([window.x_mm, window.y_mm]))
    joints = {joint.name: joint for joint in family.joints}
    joint = joints.get(found.place)
    if joint is not None:
        lands = [joint, joints[found.other]] if found.other in joints else [joint]
        lines = [Line("land", "land", tuple(_path(land_outline(item, to), closed=True) for item in lands))]
        lines += _joint_lines(found, joint, joints.get(found.other), measured, to, per_mm)
        return Marks(tuple(lines))
    chip = next((item for item in family.chips if item.ref == found.place), None)
    return Marks(() if chip is None else tuple(_chip_lines(chip, measured, to)))


def _joint_lines(found: Found, joint: Joint, other: Joint | None, measured: Mapping[str, float], to: Similarity,
                 per_mm: float) -> list[Line]:
    center = np.array([joint.x_mm, joint.y_mm])
    lines: list[Line] = []
    toe, gap, azimuth = (measured.get(name, math.nan)
                         for name in ("toe_radius_mm", "largest_gap_deg", "gap_azimuth_deg"))
    open_deg = gap if gap > 0.0 and math.isfinite(azimuth) else 0.0
    is_round = max(joint.land_w_mm, joint.land_h_mm) < 1.05 * min(joint.land_w_mm, joint.land_h_mm)
    if found.finding in WETTING and is_round and toe > 0.0 and open_deg < 360.0:
        # Its mean says little on a long land. In the gap there is no toe, so its ring is open there.
        angles = np.deg2rad(np.linspace(0.0, 360.0 - open_deg, 73) + (azimuth + open_deg / 2.0 if open_deg else 0.0))
        arc = center + toe * np.stack([np.cos(angles), np.sin(angles)], axis=1)
        lines.append(Line("toe", f"mean toe, {with_unit('toe_radius_mm', toe)} from the hole's centre",
                          (_path(to.to_px(arc)),)))
    if found.finding == "partial_wetting" and open_deg:
        lines.append(_gap(joint, gap, azimuth, to))
    if found.finding == "lead_missing":
        ring = _circle(center, max(joint.lead_w_mm, joint.lead_h_mm) / 2.0)
        lines.append(Line("lead", "where the lead's end should be", (_path(to.to_px(ring), closed=True),)))
    if found.finding == "no_solder":
        lines.append(Line("lead", "hole", (_path(to.to_px(_circle(center, joint.hole_mm / 2.0)), closed=True),)))
    if found.finding == "bridge" and other is not None:
        lines.append(_bridge(joint, other, measured.get("bridge_width_mm", math.nan), found, to))
    reach = measured.get("projection_mm", math.nan)
    if found.finding == "solder_projection" and reach > 0.0:
        ring = _circle(center, max(joint.lead_w_mm, joint.lead_h_mm) / 2.0 + reach)
        lines.append(Line("reach", f"as far as the spike reaches: {with_unit('projection_mm', reach)} from the lead",
                          (_path(to.to_px(ring), closed=True),)))
    for finding, name, what in (("solder_ball", "ball_diameter_mm", "the ball"),
                                ("blowhole", "pit_diameter_mm", "the pit")):
        size = measured.get(name, math.nan)
        if found.finding == finding and size > 0.0:
            radius = size / 2.0 * per_mm
            at = np.full(2, SIDE_PX - INSET_PX - radius)
            lines.append(Line("size", f"ring as large as {what}, {with_unit(name, size)}; its place is not recorded",
                              (_path(_circle(at, radius), closed=True),)))
    return lines


def _gap(joint: Joint, gap_deg: float, azimuth_deg: float, to: Similarity) -> Line:
    """Return a gap as an arc outside the land, with a tick at each end."""
    center = np.array([joint.x_mm, joint.y_mm])
    half = min(gap_deg, 360.0) / 2.0
    angles = np.deg2rad(np.linspace(azimuth_deg - half, azimuth_deg + half, 73))
    edge = edges_towards((joint,), angles[None])[0] + GAP_OFF_MM
    ray = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    paths = [_path(to.to_px(center + edge[:, None] * ray), closed=gap_deg >= 360.0)]
    if gap_deg < 360.0:
        for end in (0, -1):
            tick = np.array([[edge[end] - 0.12], [edge[end] + 0.12]]) * ray[end]
            paths.append(_path(to.to_px(center + tick)))
    return Line("gap", f"widest gap, {with_unit('largest_gap_deg', gap_deg)}", tuple(paths))


def _bridge(joint: Joint, other: Joint, width_mm: float, found: Found, to: Similarity) -> Line:
    """Return the corridor between two joints, as wide as the solder where it is narrowest."""
    width = width_mm if width_mm > 0.0 else found.value
    ends = np.array([(joint.x_mm, joint.y_mm), (other.x_mm, other.y_mm)])
    along = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-9)
    inset = np.stack([along * joint.hole_mm, -along * other.hole_mm]) / 2.0
    aside = 0.5 * width * np.array([-along[1], along[0]])
    return Line("bridge", f"bridge to {other.name}, {with_unit('bridge_width_mm', width)} where it is narrowest",
                tuple(_path(to.to_px(ends + inset + side)) for side in (aside, -aside)))


def _chip_lines(chip: Chip, measured: Mapping[str, float], to: Similarity) -> list[Line]:
    """Return where a chip should be and, where one was found, where it is."""
    lines = [Line("land", "where the chip should be", (_path(chip_outline(chip, to), closed=True),))]
    along, across, turn = (measured.get(name, math.nan) for name in ("shift_along_mm", "shift_across_mm", "turn_deg"))
    if all(map(math.isfinite, (along, across, turn))):
        angle = math.radians(chip.long_axis_deg)
        x = chip.x_mm + along * math.cos(angle) - across * math.sin(angle)
        y = chip.y_mm + along * math.sin(angle) + across * math.cos(angle)
        there = Chip(chip.ref, x, y, chip.rotation_deg + turn, chip.body_w_mm, chip.body_h_mm)
        lines.append(Line("toe", f"where it was found: {along:+.2f} mm along, {across:+.2f} mm across, turned "
                          f"{turn:+.0f} deg", (_path(chip_outline(there, to), closed=True),)))
    return lines


def scale_bar(window: Window) -> str:
    """Return a bar of a round length in mm, to lay over a cut-out of a window."""
    per_mm = SIDE_PX / (2.0 * window.half_mm)
    length = next(mm for mm in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if mm * per_mm > 70.0 or mm == 5.0)
    width, y = length * per_mm, SIDE_PX - 16.0
    words = f"{length:g} mm"
    return (f'<svg class="bar" viewBox="0 0 {SIDE_PX} {SIDE_PX}" role="img" aria-label="Scale bar: {words}">'
            f'<rect class="plate" x="8" y="{y - 26:.0f}" width="{width + 20:.1f}" height="34" rx="4"/>'
            f'<path class="line" d="M18 {y - 5:.0f}V{y + 3:.0f}M18 {y - 1:.0f}H{18 + width:.1f}'
            f'M{18 + width:.1f} {y - 5:.0f}V{y + 3:.0f}"/>'
            f'<text x="{18 + width / 2:.1f}" y="{y - 9:.0f}" text-anchor="middle">{words}</text></svg>')


def _circle(center: Sequence[float] | Points, radius: float) -> Points:
    angles = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    return np.asarray(center) + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)


def _path(points: Points, *, closed: bool = False) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + ("Z" if closed else "")
