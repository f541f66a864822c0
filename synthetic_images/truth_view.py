"""Truth that needs more than one joint: bridges, loose balls, chips."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.canvas import Canvas, window
from synthetic_images.chips import body_of
from synthetic_images.criteria import chip_finding
from synthetic_images.outline import land_edge
from synthetic_images.plan import BoardPlan
from synthetic_images.truth import TruthRow, in_picture

Array = NDArray[np.float64]
FARTHEST_MM = 6.0  # no solder reaches farther between two joints
HALF_CORRIDOR_MM = 1.2


def bridge_widths(plan: BoardPlan, canvas: Canvas, shown: Sequence[int]) -> dict[int, float]:
    """Return, per joint that solder joins to another net, the narrowest width of the widest such join in mm."""
    joints = plan.family.joints
    place = np.array([(j.x_mm, j.y_mm) for j in joints])
    solder = ((canvas.marks[::2, ::2] & cv.IS_SOLDER) > 0).astype(np.uint8)
    bodies = np.asarray(cv2.connectedComponents(solder, connectivity=8, ltype=cv2.CV_32S)[1], dtype=np.int32)
    body = [_body_at(bodies, canvas, plan, j) for j in shown]
    widths: dict[int, float] = {}
    for a, first in enumerate(shown):
        for b in range(a + 1, len(shown)):
            second = shown[b]
            near = np.hypot(*(place[first] - place[second])) <= FARTHEST_MM
            same = joints[first].net == joints[second].net != ""
            if not near or same or not body[a] & body[b]:
                continue
            width = _neck(plan, canvas, first, second)
            for j in (first, second):
                if width > 0:
                    widths[j] = max(widths.get(j, 0.0), width)
    return widths


def _body_at(bodies: NDArray[np.int32], canvas: Canvas, plan: BoardPlan, joint: int) -> set[int]:
    """Return the numbers of the bodies of solder on a joint's land or lead."""
    place = plan.family.joints[joint]
    box = window(canvas, place.x_mm, place.y_mm, float(plan.joints.edge[joint].min()))
    if box is None:
        return set()
    own = bodies[box.rows.start // 2:(box.rows.stop + 1) // 2, box.cols.start // 2:(box.cols.stop + 1) // 2]
    return set(np.unique(own[own > 0]).tolist())


def _neck(plan: BoardPlan, canvas: Canvas, first: int, second: int) -> float:
    """Return the narrowest width (mm) of solder that runs through the corridor between two lands, 0 for none."""
    joints = plan.family.joints
    a, b = (np.array([joints[j].x_mm, joints[j].y_mm]) for j in (first, second))
    length = float(np.hypot(*(b - a)))
    way = (b - a) / length
    # The corridor runs from hole edge to hole edge: solder between the two lands may leave the lands anywhere.
    ends = [joints[first].hole_mm / 2.0 + 0.05, length - joints[second].hole_mm / 2.0 - 0.05]
    along = np.arange(ends[0], ends[1], canvas.step_mm)
    across = np.arange(-HALF_CORRIDOR_MM, HALF_CORRIDOR_MM, canvas.step_mm)
    if along.size < 2:
        return 0.0
    points = a + along[:, None, None] * way + across[None, :, None] * np.array([-way[1], way[0]])
    place = canvas.board_to_fine.to_px(points).astype(np.intp)
    cols = np.clip(place[..., 0], 0, canvas.height.shape[1] - 1)
    rows = np.clip(place[..., 1], 0, canvas.height.shape[0] - 1)
    solder = ((canvas.marks[rows, cols] & cv.IS_SOLDER) > 0).astype(np.uint8)
    _, parts = cv2.connectedComponents(solder, connectivity=4, ltype=cv2.CV_32S)
    through = set(np.unique(parts[0])) & set(np.unique(parts[-1])) - {0}
    widths = [float(np.count_nonzero(parts == part, axis=1).min()) * canvas.step_mm for part in through]
    return max(widths, default=0.0)


def ball_values(plan: BoardPlan, canvas: Canvas) -> dict[int, tuple[float, float]]:
    """Return, per joint, how many loose balls are nearest to its land and the largest one's diameter in mm."""
    found: dict[int, tuple[float, float]] = {}
    place = np.array([(j.x_mm, j.y_mm) for j in plan.family.joints])
    mask = (canvas.surface[canvas.inner] == cv.BALL).astype(np.uint8)
    left, top, width, height = cv2.boundingRect(mask)
    if not width:
        return found
    count, _, stats, centres = cv2.connectedComponentsWithStats(mask[top:top + height, left:left + width])
    for number in range(1, count):
        diameter = 2.0 * canvas.step_mm * float(np.sqrt(stats[number, cv2.CC_STAT_AREA] / np.pi))
        spot = canvas.board_to_fine.to_mm(centres[number] + (left, top) + canvas.pad + 0.5)
        away = spot - place
        azimuth = np.arctan2(away[:, 1], away[:, 0])[:, None]
        joint = int(np.argmin(np.hypot(*away.T) - land_edge(plan.family.joints, azimuth)[:, 0]))
        many, largest = found.get(joint, (0.0, 0.0))
        found[joint] = (many + 1.0, max(largest, diameter))
    return found


def chip_rows(plan: BoardPlan, canvas: Canvas, view: str, serial: str) -> list[TruthRow]:
    """Return the truth of every chip whose place lies whole in the picture."""
    rows = []
    for index, chip in enumerate(plan.family.chips):
        narrow, long = sorted((chip.body_w_mm, chip.body_h_mm))
        if not in_picture(canvas, chip.x_mm, chip.y_mm, long / 2.0 + 0.3):
            continue
        box = window(canvas, chip.x_mm, chip.y_mm, long + 1.0)
        if box is None:
            continue
        number = body_of(plan, index)
        surface = canvas.surface[box.place]
        seen = (surface == number) | (surface == number + 1) | (surface == number + 3)
        values = _chip_values(seen, box, chip.long_axis_deg)
        values["body_cover_pct"] = float(100.0 * seen.sum() * canvas.step_mm**2 / (narrow * long))
        standing = plan.chips[index].present and plan.chips[index].standing
        if standing:
            values["turn_deg"] = np.nan
        finding, marginal = chip_finding(values, narrow, standing)
        rows.append(TruthRow(serial, view, chip.ref, "", finding, values, marginal))
    return rows


def _chip_values(seen: NDArray[np.bool_], box: cv.Window, axis_deg: float) -> dict[str, float]:
    """Return presence, shift and turn from centroid and second moments of what is seen of the chip."""
    if not seen.any():
        return {"chip_present": 0.0, "shift_along_mm": np.nan, "shift_across_mm": np.nan, "turn_deg": np.nan}
    u, v = box.u[seen].astype(np.float64), box.v[seen].astype(np.float64)
    du, dv = u.mean(), v.mean()
    spread = np.cov(u, v)
    angle = np.rad2deg(0.5 * np.arctan2(2 * spread[0, 1], spread[0, 0] - spread[1, 1]))
    turn = (angle - axis_deg + 90.0) % 180.0 - 90.0
    cos, sin = np.cos(np.deg2rad(axis_deg)), np.sin(np.deg2rad(axis_deg))
    return {"chip_present": 1.0, "shift_along_mm": float(du * cos + dv * sin),
            "shift_across_mm": float(dv * cos - du * sin), "turn_deg": float(turn)}
