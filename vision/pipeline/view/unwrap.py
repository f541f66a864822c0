"""Lay every joint of a view flat: one polar array for all joints, aligned at hole edge and land edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import by_radius, radius_last
from vision.pipeline.view.capture import REMAP_SIDE, Capture
from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.outlines import KEPT, land_outlines, shapes_of
from vision.pipeline.view.register import Registration
from vision.setup.family import Chip, Family, Joint
from vision.setup.geometry import Similarity

AZIMUTHS = 180
HOLE_STEPS, RING_STEPS, OUTSIDE_STEPS = 20, 36, 12
#: The three zones along the radius: hole, ring of the land, board just outside the land.
HOLE = slice(0, HOLE_STEPS)
RING = slice(HOLE_STEPS, HOLE_STEPS + RING_STEPS)
EDGE_STEPS = 2  # outermost ring samples that mix land and mask
OUTSIDE = slice(HOLE_STEPS + RING_STEPS, HOLE_STEPS + RING_STEPS + OUTSIDE_STEPS)
OUTSIDE_MM = 0.36  # how far beyond the land's edge the outside zone reaches

FREE, CHIP_OWNER, FIDUCIAL_OWNER = 0, 40_000, 50_000
CLEARANCE_OWNER = 50_001  # around a fiducial, where the mask is open and the laminate bare, and at a chip's ends
END_LAND_MM = 0.4  # lands reach so far beyond a chip's ends, for its fillets (common practice, no published source)


@dataclass(frozen=True)
class JointPatches:
    """All joints of a view in polar samples.

    responses: float32 [joint, light, azimuth, radius]; azimuth a lies at board angle (a + 0.5) * 360 / AZIMUTHS,
    counter-clockwise from board x seen from the component side. Of one light, all samples of a radius lie together
    in memory (see radial.py); the places are shared by all boards of a family, and read-only. Radius runs over the
    zones HOLE, RING, OUTSIDE, each evenly divided, so that hole edge and land edge fall between the same samples for
    every joint.
    """

    responses: NDArray[np.float32]
    radius_mm: NDArray[np.float32]  # [joint, azimuth, radius]
    step_mm: NDArray[np.float32]  # [joint, azimuth, radius] radial extent of the sample
    area_mm2: NDArray[np.float32]  # [joint, azimuth, radius]
    free: NDArray[np.bool_]  # [joint, azimuth, OUTSIDE] sample lies on no other land, chip or fiducial
    saturated_pct: NDArray[np.float32]  # [joint]
    in_picture: NDArray[np.bool_]  # [joint] the whole window lies in the picture
    land_edge_mm: NDArray[np.float32]  # [joint, azimuth]
    hole_mm: NDArray[np.float32]  # [joint] radius of the hole
    middle_px: NDArray[np.float32]  # [joint, 2] the hole's centre in OpenCV's pixel count
    ray_px: NDArray[np.float32]  # [azimuth, 2] a millimetre outward, in px to the right and down

    @property
    def px_mm(self) -> float:
        """Return the side of a pixel on the board, mm."""
        return float(1.0 / np.hypot(*self.ray_px[0]))

    @property
    def ring_step_mm(self) -> NDArray[np.float32]:
        """Return the radial extent of the land's samples, mm, [joint, azimuth]."""
        return (self.land_edge_mm - self.hole_mm[:, None]) / np.float32(RING_STEPS)


def azimuths_rad() -> NDArray[np.float64]:
    """Return the board angles of the azimuth samples, radians."""
    angles = (np.arange(AZIMUTHS, dtype=np.float64) + 0.5) * (2.0 * np.pi / AZIMUTHS)
    return np.asarray(angles, dtype=np.float64)


@dataclass(frozen=True)
class _Rays:
    """Where the samples of some joints lie on the board; as in JointPatches."""

    radius_mm: NDArray[np.float32]
    step_mm: NDArray[np.float32]
    area_mm2: NDArray[np.float32]
    land_edge_mm: NDArray[np.float32]
    hole_mm: NDArray[np.float32]
    rings_mm: NDArray[np.float32]  # radius_mm once more, [joint, radius, azimuth], one joint after the other
    land_area_mm2: NDArray[np.float64]  # [joint]


def unwrap_joints(capture: Capture, joints: Sequence[Joint], registration: Registration,
                  owners: NDArray[np.uint16]) -> JointPatches:
    """Sample all joints of a view. `owners` is the view's map of who owns a pixel (see owner_map)."""
    rays = _rays(shapes_of(joints))
    middle, ray = _middles(joints, registration)
    x, y = _places(rays.rings_mm, middle, ray)
    responses = radius_last(_sampled(capture, x, y)).swapaxes(0, 1)
    return JointPatches(responses, rays.radius_mm, rays.step_mm, rays.area_mm2,
                        _free(owners, x[:, OUTSIDE], y[:, OUTSIDE]),
                        _saturated_pct(capture, x, y, rays, np.arange(len(joints))), _inside(capture, x, y),
                        rays.land_edge_mm, rays.hole_mm, middle, ray)


def unwrap_again(patches: JointPatches, capture: Capture, joints: Sequence[Joint], moved: NDArray[np.intp],
                 registration: Registration, owners: NDArray[np.uint16]) -> JointPatches:
    """Return what unwrap_joints does, where only the joints numbered `moved` differ from those of `patches`.

    Only they are sampled anew, into the responses of `patches`, which serve no more.
    """
    rays = _rays(shapes_of(joints))
    middle, ray = _middles(joints, registration)
    x, y = _places(rays.rings_mm[moved], middle[moved], ray)
    patches.responses[moved] = radius_last(_sampled(capture, x, y)).swapaxes(0, 1)
    saturated, inside = patches.saturated_pct.copy(), patches.in_picture.copy()
    saturated[moved], inside[moved] = _saturated_pct(capture, x, y, rays, moved), _inside(capture, x, y)
    free = _free(owners, *_places(rays.rings_mm[:, OUTSIDE], middle, ray))
    return JointPatches(patches.responses, rays.radius_mm, rays.step_mm, rays.area_mm2, free, saturated, inside,
                        rays.land_edge_mm, rays.hole_mm, middle, ray)


def _middles(joints: Sequence[Joint], registration: Registration) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the holes' centres [joint, 2] in OpenCV's pixel count, and a mm outward [azimuth, 2] in px.

    The map is affine, so directions and centres map separately.
    """
    azimuth = azimuths_rad()
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 2)
    direction = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    return ((registration.to_picture.to_px(center) - 0.5).astype(np.float32),
            (direction @ registration.to_picture.matrix.T).astype(np.float32))


def _places(rings_mm: NDArray[np.float32], middle: NDArray[np.float32],
            ray: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return x and y in the picture of samples at radii [joint, radius, azimuth]."""
    x, y = (rings_mm * ray[:, axis] for axis in (0, 1))
    x += middle[:, 0, None, None]
    y += middle[:, 1, None, None]
    return x, y


def _inside(capture: Capture, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say which joints' samples [joint, radius, azimuth] lie in the picture: those of the outermost ring decide."""
    width, height = capture.size_px
    last_x, last_y = x[:, -1], y[:, -1]
    inside = (last_x.min(axis=1) >= 0) & (last_y.min(axis=1) >= 0)
    inside &= (last_x.max(axis=1) <= width - 1) & (last_y.max(axis=1) <= height - 1)
    return np.asarray(inside, dtype=np.bool_)


def _free(owners: NDArray[np.uint16], x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say which samples of all joints lie on no other part, [joint, azimuth, radius]; x and y by radius first."""
    owner = _sample(owners, x, y)
    own = np.arange(1, len(owner) + 1)[:, None, None]
    return by_radius(((owner == FREE) | (owner == own)).swapaxes(1, 2))


def _sampled(capture: Capture, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the responses [light, radius, joint, azimuth] at places x and y [joint, radius, azimuth].

    Joint by joint, from a copy of its part of the picture: a ring crosses all rows of that part, and the rows of a
    whole picture lie so far apart in memory that the processor would look up anew where each of them is.
    """
    joints, rings, azimuths = x.shape
    found = np.empty((len(capture.responses), rings, joints, azimuths), dtype=np.float32)
    bounds = np.concatenate([_bounds(part[:, -1], side) for part, side in zip((x, y), capture.size_px, strict=True)], 1)
    for joint, (left, right, top, bottom) in enumerate(bounds.tolist()):
        capture.sample_part(slice(top, bottom), slice(left, right), x[joint], y[joint], found[:, :, joint])
    return found


def _bounds(brim: NDArray[np.float32], side: int) -> NDArray[np.intp]:
    """Return the first pixel and the one after the last that places within brims [joint, azimuth] need, [joint, 2]."""
    first, stop = np.floor(brim.min(axis=1)), np.floor(brim.max(axis=1)) + 2
    return np.stack([np.clip(first, 0, side - 1), np.clip(stop, 1, side)], axis=1).astype(np.intp)


def _saturated_pct(capture: Capture, x: NDArray[np.float32], y: NDArray[np.float32], rays: _Rays,
                   joint: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return the share (%) of each land, hole included, where some channel is at full scale, [joint].

    x and y are the samples' places, [joint, radius, azimuth], of the joints so numbered in `rays`.
    """
    land = slice(0, OUTSIDE.start)
    edge_x, edge_y = x[:, OUTSIDE.start - 1], y[:, OUTSIDE.start - 1]
    bounds = np.stack([edge_x.min(axis=1), edge_x.max(axis=1) + 2, edge_y.min(axis=1), edge_y.max(axis=1) + 2], axis=1)
    bounds = np.maximum(bounds, 0.0).astype(int)
    share = np.zeros(len(x), dtype=np.float32)
    # Hardly any joint has saturated samples: only those that do are looked at closely.
    some = [index for index, (left, right, top, bottom) in enumerate(bounds.tolist())
            if capture.saturated[top:bottom, left:right].any()]
    if some:
        clipped = _sample(capture.saturated, x[some, land], y[some, land])
        clipped_mm2 = np.einsum("jra,jar->j", clipped.astype(np.float32), rays.area_mm2[joint[some], :, land],
                                dtype=np.float64)
        share[some] = 100.0 * clipped_mm2 / rays.land_area_mm2[joint[some]]
    return share


@lru_cache(maxsize=KEPT)
def _rays(joints: tuple[Joint, ...]) -> _Rays:
    """Return where the samples of a view's joints lie; the same on every board of a family."""
    radius, step, edge, hole = _radii(joints)
    area = (radius * step * (2.0 * np.pi / AZIMUTHS)).astype(np.float32)
    rays = _Rays(by_radius(radius.astype(np.float32)), by_radius(step.astype(np.float32)), by_radius(area),
                 edge.astype(np.float32), hole.astype(np.float32),
                 np.ascontiguousarray(radius.astype(np.float32).swapaxes(1, 2)),
                 area[:, :, : OUTSIDE.start].sum(axis=(1, 2), dtype=np.float64))
    for part in (rays.radius_mm, rays.step_mm, rays.area_mm2, rays.land_edge_mm, rays.hole_mm, rays.rings_mm,
                 rays.land_area_mm2):
        part.setflags(write=False)  # shared by all boards
    return rays


def _radii(joints: Sequence[Joint]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64],
                                             NDArray[np.float64]]:
    """Return sample radii and radial extents [joint, azimuth, radius], land edge [joint, azimuth], hole radius."""
    edge = edges_towards(joints, azimuths_rad())
    hole = np.array([joint.hole_mm / 2.0 for joint in joints])
    hole_at, ring_at, out_at = ((np.arange(n) + 0.5) / n for n in (HOLE_STEPS, RING_STEPS, OUTSIDE_STEPS))
    ring = (edge - hole[:, None])[:, :, None]
    parts = [np.broadcast_to(hole[:, None, None] * hole_at, (*edge.shape, HOLE_STEPS)),
             hole[:, None, None] + ring * ring_at, edge[:, :, None] + OUTSIDE_MM * out_at]
    steps = [np.broadcast_to(hole[:, None, None] / HOLE_STEPS, (*edge.shape, HOLE_STEPS)),
             np.broadcast_to(ring / RING_STEPS, (*edge.shape, RING_STEPS)),
             np.full((*edge.shape, OUTSIDE_STEPS), OUTSIDE_MM / OUTSIDE_STEPS)]
    return np.concatenate(parts, axis=2), np.concatenate(steps, axis=2), edge, hole


def _sample(plane: NDArray[Any], x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[Any]:
    """Take the nearest pixel's value of a plane at (x, y) in OpenCV's pixel count; any equal shape with 3 axes."""
    columns = x.shape[2]
    flat_x, flat_y = (np.ascontiguousarray(part).reshape(-1, columns) for part in (x, y))
    parts = [cv2.remap(plane, flat_x[start:start + REMAP_SIDE], flat_y[start:start + REMAP_SIDE], cv2.INTER_NEAREST,
                       borderMode=cv2.BORDER_REPLICATE) for start in range(0, len(flat_x), REMAP_SIDE)]
    return np.concatenate(parts or [np.empty((0, columns), plane.dtype)]).reshape(x.shape)


def owner_map(size_px: tuple[int, int], family: Family, joints: Sequence[Joint], chips: Sequence[Chip],
              to_picture: Similarity, grow_mm: float) -> NDArray[np.uint16]:
    """Return who owns each pixel: 0 free board, n the n-th joint's land (from 1), CHIP_OWNER + n, FIDUCIAL_OWNER.

    CLEARANCE_OWNER is where a fiducial's mask opening may lie, or the part of a chip's lands that its ends leave free.

    Lands, chips and fiducials are grown by a margin.
    """
    owners = np.zeros((size_px[1], size_px[0]), dtype=np.uint16)
    scale = to_picture.px_per_mm
    for fiducial in family.fiducials:
        place = np.round(to_picture.to_px((fiducial.x_mm, fiducial.y_mm)) * 16 - 8).astype(int)
        # A fiducial's mask opening is commonly twice its diameter (common practice, no published source).
        for across, owner in ((2.1, CLEARANCE_OWNER), (1.0, FIDUCIAL_OWNER)):
            radius = round((0.5 * across * fiducial.diameter_mm + grow_mm) * scale * 16)
            cv2.circle(owners, (int(place[0]), int(place[1])), radius, owner, -1, cv2.LINE_8, 4)
    with_ends, bodies = ([np.round(chip_outline(chip, to_picture, grow_mm, beyond)).astype(np.int32) for chip in chips]
                         for beyond in (END_LAND_MM, 0.0))
    for outline in with_ends:
        cv2.fillPoly(owners, [outline], CLEARANCE_OWNER)
    for number, outline in enumerate(bodies):
        cv2.fillPoly(owners, [outline], CHIP_OWNER + number)
    outlines = np.round(land_outlines(joints, to_picture, grow_mm) - 0.5).astype(np.int32)
    for number, outline in enumerate(outlines, start=1):
        cv2.fillPoly(owners, [outline], number)
    return owners


def chip_outline(chip: Chip, to_picture: Similarity, grow_mm: float = 0.0, beyond_mm: float = 0.0
                 ) -> NDArray[np.float64]:
    """Return the corners of a chip's body in picture px, (4, 2), grown by a margin, and at its ends by one more."""
    half_w, half_h = chip.body_w_mm / 2.0 + grow_mm, chip.body_h_mm / 2.0 + grow_mm
    if chip.body_w_mm >= chip.body_h_mm:
        half_w += beyond_mm
    else:
        half_h += beyond_mm
    angle = np.deg2rad(chip.rotation_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([(-half_w, -half_h), (half_w, -half_h), (half_w, half_h), (-half_w, half_h)])
    return to_picture.to_px(corners @ turn.T + (chip.x_mm, chip.y_mm))
