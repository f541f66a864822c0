"""Drawing joints into the canvas: lands, holes, fillets, caps and leads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.canvas import Canvas, Window, window
from synthetic_images.meniscus import fillet_profiles, pressure
from synthetic_images.outline import lead_reach
from synthetic_images.plan import AZIMUTHS, CAP, DISH, FILLET, FILM, OPEN, BoardPlan, lead_outline

F32 = NDArray[np.float32]
Array = NDArray[np.float64]
NODES = 96
SMOOTH_DEG = 9.0  # standard deviation of the evening along the azimuth
DEPTH_MM = -0.9  # where the floor of an open hole is drawn
SOLDER_SIDE_HANGS = 1.0  # gravity pulls the solder away from the board while the solder side faces the pot


@dataclass(frozen=True)
class Shapes:
    """What all joints' windows need, prepared as arrays over joints.

    lead (joint, azimuth) outline about the lead's axis; toe (joint, azimuth) about the same axis; height
    (joint, azimuth, node) of the fillet on radii from `first` (joint,) in steps of `pitch` (joint,) mm.
    """

    lead: F32
    toe: F32
    height: F32
    first: Array
    pitch: Array
    reach: Array  # (joint,) half window in mm


def prepare(plan: BoardPlan) -> Shapes:
    """Solve all fillets of a board."""
    shapes = plan.joints
    joints = plan.family.joints
    lead = lead_outline(joints, shapes)
    centre_toe = recentred(shapes.toe, shapes.lead_shift)
    has_fillet = shapes.form == FILLET
    wide = np.where(has_fillet, np.quantile(centre_toe, 0.9, axis=1), lead.mean(axis=1) + 0.4)
    wide = np.maximum(wide, lead.mean(axis=1) * 1.15)
    k = pressure(lead.mean(axis=1), wide, shapes.lead_angle, shapes.toe_angle) + shapes.fill_bias
    toe = np.maximum(centre_toe, lead + 1e-3)
    lead32, toe32 = lead.astype(np.float32), toe.astype(np.float32)
    profile = fillet_profiles(lead32, toe32, shapes.lead_angle[:, None].astype(np.float32),
                              k[:, None].astype(np.float32), side=SOLDER_SIDE_HANGS, nodes=NODES)
    top = np.maximum(shapes.edge.max(axis=1), shapes.toe.max(axis=1))
    reach = np.maximum(top + 0.12, lead_reach(joints) * 1.1 + np.hypot(*shapes.lead_shift.T))
    first, last = lead.min(axis=1) * 0.97, toe.max(axis=1) * 1.01
    pitch = (last - first) / (NODES - 1)
    radius = first[:, None] + pitch[:, None] * np.arange(NODES)
    height = _on_radii(np.asarray(profile.height, dtype=np.float32), lead32, toe32, radius.astype(np.float32))
    return Shapes(lead32, centre_toe.astype(np.float32), _smooth_round(height), first, pitch, reach)


def _on_radii(height: F32, lead: F32, toe: F32, radius: F32) -> F32:
    """Resample profiles (joint, azimuth, node) to common radii (joint, node) about the lead's axis."""
    t = radius[:, None, :] - lead[..., None]
    t /= (toe - lead)[..., None]
    np.sqrt(np.clip(t, 0.0, 1.0, out=t), out=t)
    t *= NODES - 1
    low = np.minimum(t.astype(np.int32), NODES - 2)
    t -= low
    place = low + (np.arange(low.shape[0] * AZIMUTHS, dtype=np.int32) * NODES).reshape(-1, AZIMUTHS, 1)
    near = height.take(place)
    t *= height.ravel()[1:].take(place) - near
    near += t
    return np.asarray(near, dtype=np.float32)


def _smooth_round(height: F32, sigma_deg: float = SMOOTH_DEG) -> F32:
    """Even out heights along the azimuth: surface tension knows no creases, square leads and lands would draw them."""
    order = np.fft.rfftfreq(AZIMUTHS, 1.0 / AZIMUTHS)
    soften = np.exp(-0.5 * (order * np.deg2rad(sigma_deg)) ** 2).astype(np.float32)
    waves = np.fft.rfft(height, axis=-2)
    waves *= soften[:, None]
    return np.asarray(np.fft.irfft(waves, AZIMUTHS, axis=-2), dtype=np.float32)


def recentred(radius: Array, shift: Array) -> Array:
    """Return outlines (joint, azimuth) given about the origin as seen from points `shift` (joint, 2)."""
    angle = np.arange(AZIMUTHS) * (2 * np.pi / AZIMUTHS)
    cos, sin = np.cos(angle), np.sin(angle)
    rows = np.arange(len(radius))[:, None]
    seen = radius.copy()
    for _ in range(6):
        x = shift[:, :1] + seen * cos
        y = shift[:, 1:] + seen * sin
        place = (np.arctan2(y, x) / (2 * np.pi) * AZIMUTHS) % AZIMUTHS
        low = place.astype(np.intp) % AZIMUTHS
        part = place - np.floor(place)
        edge = radius[rows, low] * (1 - part) + radius[rows, (low + 1) % AZIMUTHS] * part
        seen = np.maximum(seen + (edge - np.hypot(x, y)), 0.02)
    return np.asarray(seen)


def draw_solder(canvas: Canvas, plan: BoardPlan, shapes: Shapes) -> None:
    """Draw every land, hole and solder surface that the canvas shows."""
    for index, box in _windows(canvas, plan, shapes.reach):
        _draw_land(canvas, plan, index, box)
        _draw_solder(canvas, plan, shapes, index, box)


def draw_leads(canvas: Canvas, plan: BoardPlan, lean: Array) -> None:
    """Draw the leads over the solder.

    `lean` (joint, 2) is the sideways shift per mm of height that the viewing direction adds, in the board frame.
    """
    tilt = np.hypot(*(plan.joints.lead_tilt + lean).T) * plan.joints.protrusion
    reach = lead_reach(plan.family.joints) * 1.1 + tilt + np.hypot(*plan.joints.lead_shift.T) + 0.08
    for index, box in _windows(canvas, plan, reach):
        if plan.joints.has_lead[index]:
            _draw_lead(canvas, plan, index, box, lean[index])


def _windows(canvas: Canvas, plan: BoardPlan, reach: Array) -> Iterator[tuple[int, Window]]:
    for index, joint in enumerate(plan.family.joints):
        box = window(canvas, joint.x_mm, joint.y_mm, float(reach[index]))
        if box is not None:
            yield index, box


def to_polar(box: Window, shift: Array) -> tuple[F32, F32]:
    """Return distance and azimuth (rad, 0 to 2 pi) of a window's samples from a point against its centre."""
    radius, angle = cv2.cartToPolar(box.u - np.float32(shift[0]), box.v - np.float32(shift[1]))
    return np.asarray(radius, dtype=np.float32), np.asarray(angle, dtype=np.float32)


def polar(table: F32, angle: F32) -> F32:
    """Return a closed outline (azimuth,) at these angles (rad, 0 to 2 pi), linearly interpolated."""
    if table.max() == table.min():
        return np.full(angle.shape, table[0], np.float32)
    place = angle * np.float32(AZIMUTHS / (2 * np.pi))
    low = place.astype(np.int32)
    place -= low
    ring = np.concatenate([table, table[:2]])
    place *= np.diff(ring).take(low)
    place += ring.take(low)
    return np.asarray(place, dtype=np.float32)


def within(radius: F32, angle: F32, table: F32) -> NDArray[np.bool_]:
    """Return whether samples lie inside a closed outline (azimuth,); looked up only where it may pass."""
    inside = np.asarray(radius < table.min(), dtype=np.bool_)
    band = np.flatnonzero((radius < table.max()) & ~inside)
    if len(band):
        inside.ravel()[band] = radius.take(band) < polar(table, angle.take(band))
    return inside


def _draw_land(canvas: Canvas, plan: BoardPlan, index: int, box: Window) -> None:
    shapes, joint = plan.joints, plan.family.joints[index]
    radius, angle = to_polar(box, np.zeros(2))
    edge = polar(shapes.edge[index].astype(np.float32), angle)
    land = radius < edge
    dx, dy = shapes.hole_shift[index]
    hole = cv2.magnitude(box.u - np.float32(dx), box.v - np.float32(dy)) < np.float32(joint.hole_mm / 2.0)
    height, surface, marks = canvas.layers(box.place)
    gap_x, gap_y = plan.mask_shift
    away = cv2.magnitude(box.u - np.float32(gap_x), box.v - np.float32(gap_y))
    opening = np.subtract(away, np.float32(plan.mask_gap), out=away) < edge
    opening &= surface == cv.MASK
    np.copyto(surface, np.int16(cv.LAMINATE), where=opening)
    np.copyto(surface, np.int16(cv.land_of(index)), where=land)
    np.copyto(surface, np.int16(cv.HOLE), where=hole)
    marks |= (land & ~hole).view(np.uint8) * np.uint8(cv.IS_LAND)
    radius /= edge
    np.multiply(radius, radius, out=radius)
    radius *= np.float32(-plan.land_dome)
    radius += np.float32(plan.land_dome)
    np.copyto(height, radius, where=land)
    np.copyto(height, np.float32(DEPTH_MM), where=hole)
    dx, dy = shapes.lead_shift[index]
    core = window(canvas, joint.x_mm, joint.y_mm, float(lead_reach((joint,))[0]) * 1.1 + float(np.hypot(dx, dy)))
    if core is None:
        return
    foot = _across(plan, index, core.u - np.float32(dx), core.v - np.float32(dy)) < 1.0
    marks = canvas.marks[core.place]
    # Where no lead stands this is its nominal place, from which coverage is counted.
    marks |= foot.view(np.uint8) * np.uint8(cv.IS_FOOT)


def _draw_solder(canvas: Canvas, plan: BoardPlan, shapes: Shapes, index: int, box: Window) -> None:
    form = plan.joints.form[index]
    if form == OPEN:
        return
    ground, surface, marks = canvas.layers(box.place)
    if form == FILLET:
        height, inside = _fillet(plan, shapes, index, box)
    elif form == FILM:
        height, inside = _film(plan, index, box)
        inside &= surface != cv.HOLE
    else:
        height, inside = _cap(plan, index, box, float(plan.joints.cap_angle[index]), form == DISH)
    np.copyto(surface, np.int16(cv.solder_of(index)), where=inside)
    marks |= inside.view(np.uint8) * np.uint8(cv.IS_SOLDER)
    np.copyto(ground, height, where=inside)


def _fillet(plan: BoardPlan, shapes: Shapes, index: int, box: Window) -> tuple[F32, NDArray[np.bool_]]:
    """Return the fillet's height and where it is: everything from the lead's axis to the toe."""
    radius, angle = to_polar(box, plan.joints.lead_shift[index])
    inside = within(radius, angle, shapes.toe[index])
    whole = not plan.joints.inner[index].any() and np.ptp(shapes.toe[index]) <= 0.4 * shapes.toe[index].max()
    if whole and (shapes.toe[index] - shapes.lead[index]).min() > 0.03:
        return _fillet_height(shapes, index, radius, angle, inside), inside
    lead = polar(shapes.lead[index], angle)
    inside &= polar(shapes.toe[index], angle) > lead + 0.03
    height = _fillet_height(shapes, index, radius, angle, inside)
    own = radius < lead
    if plan.joints.inner[index].any():
        free = lead + polar(plan.joints.inner[index].astype(np.float32), angle)
        inside &= (radius > free) | (free - lead < 0.02)
        own &= free - lead < 0.02
    if not whole:
        height = _taper(height, inside, own, box, plan.joints.toe_angle[index])
    return height, inside


def _fillet_height(shapes: Shapes, index: int, radius: F32, angle: F32, inside: NDArray[np.bool_]) -> F32:
    """Return a fillet's height over a window, looked up where it is, 0 elsewhere."""
    t = radius[inside]
    t -= np.float32(shapes.first[index])
    t *= np.float32(1.0 / shapes.pitch[index])
    np.clip(t, 0.0, NODES - 1.001, out=t)
    low = t.astype(np.int32)
    t -= low
    share = angle[inside]
    share *= np.float32(AZIMUTHS / (2 * np.pi))
    first = share.astype(np.int32)
    share -= first
    first *= NODES
    first += low
    table = np.concatenate([shapes.height[index].ravel(), shapes.height[index, :2].ravel()])
    step = np.diff(table)
    near = step.take(first)
    near *= t
    near += table.take(first)
    first += NODES
    far = step.take(first)
    far *= t
    far += table.take(first)
    far -= near
    far *= share
    far += near
    height = np.zeros(radius.shape, np.float32)
    height[inside] = far
    return height


def _taper(height: F32, inside: NDArray[np.bool_], lead: NDArray[np.bool_], box: Window, toe_angle: float) -> F32:
    """Bend the solder down towards the sides of a gap, where it ends with a contact angle and not as a cliff.

    The height is held below the distance to the solder's outline times the tangent of the angle (smooth minimum).
    """
    pitch = float(np.hypot(box.u[0, 1] - box.u[0, 0], box.v[0, 1] - box.v[0, 0]))
    away = cv2.distanceTransform((inside | lead).astype(np.uint8), cv2.DIST_L2, 5) * np.float32(pitch)
    limit = cv2.GaussianBlur(away, (0, 0), 1.5) * np.float32(np.tan(toe_angle + np.deg2rad(22.0))) + np.float32(1e-3)
    positive = np.maximum(height, 1e-4)
    return np.asarray(positive * limit / np.cbrt(positive**3 + limit**3), dtype=np.float32)


def _cap(plan: BoardPlan, index: int, box: Window, contact: float, dish: bool) -> tuple[F32, NDArray[np.bool_]]:
    """Return height and extent of a spherical cap over the joint; beyond 90 degrees its outline overhangs its base."""
    radius, angle = to_polar(box, plan.joints.cap_shift[index])
    table = plan.joints.toe[index]
    outline = polar(table.astype(np.float32), angle)
    q = radius / outline
    if float(np.ptp(table)) > 0.1 * float(table.mean()):  # only the rim follows a land's corners, the dome is smooth
        smooth = polar(_smooth_round(table.astype(np.float32)[:, None], 34.0)[:, 0], angle)
        q = np.where(q < 1.0, radius / (smooth + (outline - smooth) * np.minimum(q, 1.0) ** 4), q)
    mean = float(plan.joints.toe[index].mean())
    if dish:  # a flat lens, hollow for negative angles
        return (np.float32(mean * np.tan(contact / 2.0)) * (1.0 - q**2)).astype(np.float32), q < 1.0
    reach = min(contact, np.pi / 2.0)  # the widest place is the base below 90 degrees, the equator above
    sphere = mean / np.sin(reach)
    height = sphere * (np.sqrt(np.maximum(1.0 - (q * np.sin(reach)) ** 2, 0.0)) - np.cos(contact))
    return height.astype(np.float32), q < 1.0


def _film(plan: BoardPlan, index: int, box: Window) -> tuple[F32, NDArray[np.bool_]]:
    """Return height and extent of solder on a land round an open hole: an arc from the hole's edge to the toe."""
    radius, angle = to_polar(box, plan.joints.cap_shift[index])
    hole = np.float32(plan.family.joints[index].hole_mm / 2.0)
    width = np.maximum(polar(plan.joints.toe[index].astype(np.float32), angle) - hole, np.float32(1e-3))
    q = (radius - hole) / width
    rise = np.float32(np.tan(plan.joints.cap_angle[index]))
    return (width * rise * q * (1.0 - q)).astype(np.float32), (q > 0.0) & (q < 1.0)


def _lead_frame(plan: BoardPlan, index: int) -> tuple[float, float, float, float, bool]:
    """Return half sizes, cosine and sine of the lead's direction, and whether it is round."""
    joint, shapes = plan.family.joints[index], plan.joints
    turn = float(shapes.lead_turn[index]) + np.deg2rad(joint.land_rotation_deg)
    scale = float(shapes.lead_scale[index]) / 2.0
    return (joint.lead_w_mm * scale, joint.lead_h_mm * scale, float(np.cos(turn)), float(np.sin(turn)),
            joint.lead_shape == "round")


def _across(plan: BoardPlan, index: int, x: F32, y: F32) -> F32:
    """Return how far out samples lie in the lead's cross-section: 0 on the axis, 1 on its edge."""
    half_w, half_h, cos, sin, is_round = _lead_frame(plan, index)
    a = (x * np.float32(cos) + y * np.float32(sin)) / np.float32(half_w)
    b = (y * np.float32(cos) - x * np.float32(sin)) / np.float32(half_h)
    if is_round:
        return np.asarray(cv2.magnitude(a, b), dtype=np.float32)
    a, b = np.abs(a), np.abs(b)
    box = np.maximum(a, b)
    return np.asarray(np.maximum(box, (a + b) / np.float32(1.86)), dtype=np.float32)  # corners are slightly cut


def _draw_lead(canvas: Canvas, plan: BoardPlan, index: int, box: Window, lean: Array) -> None:
    shapes = plan.joints
    top = float(shapes.protrusion[index])
    slant = shapes.lead_tilt[index] + lean
    shift = shapes.lead_shift[index]
    steps = int(np.clip(np.ceil(np.hypot(*slant) * top / canvas.step_mm), 1, 24))
    height = np.full(box.u.shape, -1.0, np.float32)
    for level in np.linspace(0.0, top, steps + 1)[1:]:
        x = box.u - np.float32(shift[0] + slant[0] * level)
        y = box.v - np.float32(shift[1] + slant[1] * level)
        q = _across(plan, index, x, y)
        height[q < 1.0] = level
    end = q < 1.0
    size = float(np.sqrt(plan.family.joints[index].lead_w_mm * plan.family.joints[index].lead_h_mm)) / 2.0
    relief = _end_relief(int(shapes.lead_end[index]), q, size)
    cut = shapes.end_tilt[index]
    height[end] += (relief + np.float32(cut[0]) * x + np.float32(cut[1]) * y)[end]
    ground, surface, marks = canvas.layers(box.place)
    if shapes.lead_buried[index]:
        cover = height + np.float32(0.03)
        bump = (cover > ground) & (height > 0) & (surface == cv.solder_of(index))
        ground[bump] = cover[bump]
        smooth = cv2.GaussianBlur(ground, (0, 0), 0.05 / canvas.step_mm)
        near = cv2.dilate(bump.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
        near &= surface == cv.solder_of(index)
        ground[near] = smooth[near]
        return
    seen = height > np.maximum(ground, 0.0)
    ground[seen] = height[seen]
    surface[seen] = cv.lead_of(index)
    marks[seen & end] |= cv.IS_LEAD_END


def _end_relief(kind: int, q: F32, size: float) -> F32:
    """Return the lead's end relief against its top: burred cut, tinned dome, round dome or chamfer."""
    if kind == 0:
        relief = -0.25 * size * np.maximum(q - 0.88, 0.0) / 0.12
    elif kind == 1:
        relief = 0.28 * size * (0.5 - q**2)
    elif kind == 2:
        relief = 0.5 * size * (np.sqrt(np.maximum(1.05 - q**2, 0.0)) - 0.7)
    else:
        relief = -0.55 * size * np.maximum(q - 0.55, 0.0)
    return np.asarray(relief, dtype=np.float32)


__all__ = ["CAP", "Shapes", "draw_leads", "draw_solder", "polar", "prepare", "recentred"]
