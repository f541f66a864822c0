"""What each polar sample is and how steep: solder, bare land, dark; by the physics of the station's lights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import radius_first, radius_last
from vision.pipeline.arrays.ranks import median, percentile
from vision.pipeline.light.optics import (
    DARK,
    FAINT,
    TILTS_DEG,
    Optics,
    light_moment,
    roughness_from_purity,
    sector_of,
    slope_from_moment,
)
from vision.pipeline.light.plateaus import dull_land
from vision.pipeline.light.sectors import bare_sectors
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import EDGE_STEPS, OUTSIDE, RING, RING_STEPS, JointPatches
from vision.setup.family import Fiducial

BRIGHT_MASK = 0.4  # a mask brighter than this share of lit solder is seen in what mirrors it
#: The board in a mirror gives no light more than the first share of what it gives itself, and all lights alike within
#: the second factor. Dimmed by much it is no land or solder, and a little light from the side may show besides.
MIRRORED = ((1.15, 1.4), (0.75, 1.8))
#: Print gives so much of what it does in full, and is round a land if this share of samples is; so many tell the board.
MOSTLY, FRAMED, FEW_OF_BOARD = 0.5, 0.25, 40
STEEP_DEG = 55.0  # slope taken for dark, unlit solder
FLAT_DIM = 0.20  # flat solder or land that mirrors the lens is at least this bright against lit solder
#: What is dim and reads less than the first is flat. From there to the second it must be ever nearer to lit: steep
#: solder shows the whole board and reads 20 or more, but where it mirrors a lit neighbour it may read 13.
DIM_FLAT_DEG = (9.0, 15.0)
LIKE_FIDUCIAL = 1.42  # a bare land answers every light within this factor of the fiducials
LIKE_DULL = 1.15  # or within this one of what dull lands on the same board give
BRIGHTER = 1.3  # of its strongest light it gives no more than so much more: solder mirrors better
ASIDE = 0.065  # of all that land gives: so much more any light may give, from the side or from what stands beside it
LEVEL_LIKE, LEVEL_DEG, LEVEL_REACH = 1.9, 0.35, 2  # or within this one where the mean slope stays level over 2 samples
MOST_MIXED = 12  # of the ring, however coarse the picture
FAINT_LIGHT = 0.01  # radiance that every light has on flat metal besides what its lobe sends there
FLAT_DEG = 9.0  # slopes below this can hardly be told from a flat land


@dataclass(frozen=True)
class Surface:
    """Labels and slopes of all joints' samples.

    Arrays [joint, azimuth, radius] unless stated. `energy` is total radiance, 1 = as bright as the view's lit
    solder. `bare` and `solder` are false where it is dark.
    """

    slope_deg: NDArray[np.float32]
    energy: NDArray[np.float32]
    dark: NDArray[np.bool_]
    bare: NDArray[np.bool_]
    solder: NDArray[np.bool_]
    mask_response: NDArray[np.float32]  # [joint, light]
    land_response: NDArray[np.float32] | None  # [light], of a flat bare land, from the fiducials
    moment_deg: NDArray[np.float32]  # radiance-weighted mean slope of the lights, finer than slope_deg where it is flat
    roughness: NDArray[np.float64]  # [joint] GGX alpha of the solder
    lit_level: float  # what energy 1 is, in radiance relative to the lights' own
    radiance: NDArray[np.float32]  # as energy, but what is flat and dim is left dim
    land_level: float | None  # radiance of a flat bare land, from the fiducials
    lands_response: NDArray[np.float32] | None  # [joint or 1, light], of flat bare land at each joint, dull where it is
    steepest_from_deg: NDArray[np.float32]  # [azimuth] what the steepest lights there light reads more than this
    mask_level: NDArray[np.float32]  # [joint] radiance of the bare board beside it, against lit solder
    land_scatter: float | None = None  # of neighbouring pixels on a flat bare land, against their mean


def find_surface(patches: JointPatches, capture: Capture, registration: Registration, optics: Optics,
                 fiducials: Sequence[Fiducial], printed: NDArray[np.float64] | None = None) -> Surface:
    """Return what each polar sample of a view's joints is, and how steep: solder, bare land or dark.

    `fiducials` are the family's, for what flat bare metal answers; places in mm on the board. `printed` [light] is what
    print on the board gives, if it shows any.
    """
    land, scatter = fiducial_response(capture, registration, fiducials)
    if len(patches.responses) == 0:
        return _without_joints(patches, optics, land, scatter)
    lands = lands_response(land, fiducials, capture, registration, patches.middle_px, optics)
    mask = mask_response(patches, printed)
    smooth = _with_clean_edges(_smooth(patches.responses), patches)
    roughness = solder_roughness(smooth, optics)
    moment, energy = light_moment(smooth, optics)
    facing = sector_of(patches.ray_px[:, 0], patches.ray_px[:, 1])  # a fillet falls outward
    slope = slope_from_moment(moment, optics, roughness, facing[None, :, None])
    if optics.tilt_per_mm:
        slope = _as_in_the_middle(slope, patches, capture.size_px, optics)
    level = lit_level(energy, optics)
    energy *= np.float32(1.0 / level)
    # Solder so flat that it mirrors the lens is dim too, but under the highest light alone.
    radiance, energy = energy, np.maximum(energy, is_dim_flat(slope, energy).astype(np.float32))
    dark = (energy < DARK) | mirrors_board(smooth, mask, optics, level)
    bare = _bare(smooth, lands, slope, moment, dark)
    dull = None if land is None else dull_land(smooth, land, dark, bare, moment, patches, optics)
    if dull is not None and lands is not None:
        some = np.maximum(lands, np.float32(0.0)) + np.float32(FAINT)
        lands = dull * (some / some.mean(axis=0))
        bare |= like_land(smooth.swapaxes(0, 1), lands.T[:, :, None, None], LIKE_DULL)
    bare |= bare_sectors(slope, dark, patches)
    land_level = None if land is None else float((np.maximum(land, 0.0) * optics.white).sum()) / level
    mask_level = (np.maximum(mask, np.float32(0.0)) * (optics.white / level).astype(np.float32)).sum(axis=1)
    return Surface(slope, energy, dark, bare, ~(dark | bare), mask, land, moment, roughness, level, radiance,
                   land_level, lands, optics.steepest_from_deg[facing], mask_level, scatter)


def _without_joints(patches: JointPatches, optics: Optics, land: NDArray[np.float32] | None,
                    scatter: float | None) -> Surface:
    """Return the surface of a view without joints: no samples, and lit solder as bright as the station predicts."""
    values, flags = np.zeros(patches.radius_mm.shape, np.float32), np.zeros(patches.radius_mm.shape, np.bool_)
    level = optics.lit_energy
    land_level = None if land is None else float((np.maximum(land, 0.0) * optics.white).sum()) / level
    facing = sector_of(patches.ray_px[:, 0], patches.ray_px[:, 1])
    return Surface(values, values, flags, flags, flags, np.zeros(patches.responses.shape[:2], np.float32), land, values,
                   np.zeros(0), level, values, land_level, None if land is None else land[None],
                   optics.steepest_from_deg[facing], np.zeros(0, np.float32), scatter)


def is_dim_flat(slope: NDArray[np.float32], energy: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say what is flat although it is dim; `energy` 1 = as bright as lit solder."""
    low, high = DIM_FLAT_DEG
    rise = np.float32((DARK - FLAT_DIM) / (high - low))
    needed = slope - np.float32(low)
    needed *= rise
    needed += np.float32(FLAT_DIM)
    np.clip(needed, np.float32(FLAT_DIM), np.float32(np.inf), out=needed)  # quicker than NumPy's maximum
    found = np.asarray(energy > needed, dtype=np.bool_)
    found &= slope < np.float32(high)
    return found


def _smooth(responses: NDArray[np.float32]) -> NDArray[np.float32]:
    """Average over three azimuths (circular), against grain and noise."""
    planes = np.ascontiguousarray(radius_first(responses.swapaxes(0, 1)))
    mean = np.full((1, 3), 1.0 / 3.0, dtype=np.float32)
    soft = np.asarray(cv2.filter2D(planes.reshape(-1, planes.shape[3]), -1, mean), dtype=np.float32)
    soft = soft.reshape(planes.shape)
    # In one table the first and the last azimuth have other neighbours than on the circle.
    for place, beside in ((0, 1), (-1, -2)):
        soft[..., place] = (planes[..., place] + planes[..., beside] + planes[..., -1 - place]) / np.float32(3.0)
    return radius_last(soft).swapaxes(0, 1)


def _with_clean_edges(responses: NDArray[np.float32], patches: JointPatches) -> NDArray[np.float32]:
    """Let what lies within a pixel of a land's edge, where land and mask mix, answer as what lies just inside.

    In pictures so fine that EDGE_STEPS samples hold a pixel all stays as it is. [joint, light, azimuth, radius]
    """
    ring_mm = patches.land_edge_mm - patches.hole_mm[:, None]
    mixed = np.minimum((patches.px_mm * RING_STEPS / ring_mm).astype(np.intp), MOST_MIXED)
    coarse = np.flatnonzero((mixed > EDGE_STEPS).any(axis=1))
    if len(coarse) == 0:
        return responses
    zone = slice(RING.stop - MOST_MIXED - 1, RING.stop)
    inside = np.arange(MOST_MIXED + 1)
    last = MOST_MIXED - np.where(mixed > EDGE_STEPS, mixed, 0)[coarse]
    place = np.minimum(inside, last[:, :, None])[:, None]
    responses[coarse, :, :, zone] = np.take_along_axis(responses[coarse, :, :, zone], place, axis=3)
    return responses


def solder_roughness(responses: NDArray[np.float32], optics: Optics) -> NDArray[np.float64]:
    """Return the roughness of every joint's solder, [joint], held near the view's median: one alloy, one process."""
    ring = responses[:, :, ::3, RING.start:RING.stop:2] * optics.white[None, :, None, None]
    energy = ring.sum(axis=1)
    bright = energy > 0.5 * percentile(energy.ravel(), 75.0)
    share = ring * (bright / np.maximum(energy, np.float32(1e-4)))[:, None]
    if optics.bands != tuple((light,) for light in range(share.shape[1])):
        # Sectors of one ring light the same slopes, each in its own direction.
        share = np.stack([share[:, band].sum(axis=1) for band in optics.bands], axis=1)
    purity = percentile(share.reshape(*share.shape[:2], -1), 93.0)
    own = roughness_from_purity(purity, optics)
    usual = float(np.median(own))
    # A joint that lacks slopes seems rougher than it is, never smoother.
    return np.clip(own, usual / 1.5, usual * 1.1)


def lit_level(energy: NDArray[np.float32], optics: Optics) -> float:
    """Return the radiance of lit solder in this view: the median over joints of the ring's upper quartile.

    Held within a factor of two of what the station's geometry predicts, so that a view full of bare holes is
    not taken for a dull one.
    """
    some = energy[:, ::4, RING.start:RING.stop:2]
    found = float(np.median(percentile(some.reshape(len(some), -1), 75.0)))
    return float(np.clip(found, 0.5 * optics.lit_energy, 2.0 * optics.lit_energy))


def fiducial_response(capture: Capture, registration: Registration,
                      fiducials: Sequence[Fiducial]) -> tuple[NDArray[np.float32] | None, float | None]:
    """Return the response [light] of a flat bare land, read from the fiducials: same finish, no solder.

    The median over fiducials of the median over the inner 60 % of each disc. Also return how much three neighbouring
    pixels scatter there against their mean, over all lights. None without fiducials in view.
    """
    height, width = capture.responses.shape[1:]
    found, scatter = [], []
    for fiducial in fiducials:
        x, y = registration.to_picture.to_px((fiducial.x_mm, fiducial.y_mm)) - 0.5
        radius = 0.3 * fiducial.diameter_mm * registration.to_picture.px_per_mm
        if not (radius <= x < width - radius and radius <= y < height - radius):
            continue
        reach = int(radius)
        rows, columns = (slice(round(place) - reach, round(place) + reach + 1) for place in (y, x))
        window = np.ascontiguousarray(capture.responses[:, rows, columns])
        disc = np.hypot(*np.mgrid[-reach:reach + 1, -reach:reach + 1]) <= radius
        found.append(median(window[:, disc]))
        three = np.stack([window[:, :, place:window.shape[2] - 2 + place] for place in range(3)])
        scatter.append(float((three.std(axis=0) / np.maximum(three.mean(axis=0) + np.float32(FAINT), 1e-3)).mean()))
    if not found:
        return None, None
    return np.median(found, axis=0).astype(np.float32), float(np.median(scatter))


def lands_response(land: NDArray[np.float32] | None, fiducials: Sequence[Fiducial], capture: Capture,
                   registration: Registration, middle_px: NDArray[np.float32],
                   optics: Optics) -> NDArray[np.float32] | None:
    """Return what flat bare land answers beside each joint, [joint, light]; one row for all where it is the same.

    Under a lens or lights at a finite distance flat metal off the picture's middle answers as if it were tilted. What
    the fiducials answer is carried over by the predicted answers for their tilt and for that at the joint; how rough
    the finish is follows from the shares of the lights on the fiducials.
    """
    if land is None or not optics.tilt_per_mm:
        return None if land is None else land[None]
    to_picture, size = registration.to_picture, capture.size_px
    marks = to_picture.to_px([(fiducial.x_mm, fiducial.y_mm) for fiducial in fiducials])
    shown = marks[((marks >= 0) & (marks <= size)).all(axis=1)]
    per_px = optics.tilt_per_mm / to_picture.px_per_mm
    there, here = (np.rad2deg(np.hypot(*(places - np.asarray(size) / 2.0).T) * per_px) for places in (shown, middle_px))

    def answers(tilt_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the predicted radiance [roughness, place, light]."""
        low = np.clip(tilt_deg.astype(np.intp), 0, len(TILTS_DEG) - 2)
        part = (tilt_deg - low)[None, :, None]
        return np.asarray(optics.flats[:, low] * (1.0 - part) + optics.flats[:, low + 1] * part, dtype=np.float64)

    at_marks = answers(there).mean(axis=1)  # [roughness, light]
    seen = np.maximum(land, 0.0) * optics.white
    off = np.abs(at_marks / at_marks.sum(axis=1, keepdims=True) - seen / max(float(seen.sum()), 1e-6)).sum(axis=1)
    likest = int(np.argmin(off))
    gain = (answers(here)[likest] + FAINT_LIGHT) / (at_marks[likest] + FAINT_LIGHT)
    return np.asarray(land[None] * gain, dtype=np.float32)


def _as_in_the_middle(slope: NDArray[np.float32], patches: JointPatches, size_px: tuple[int, int],
                      optics: Optics) -> NDArray[np.float32]:
    """Return slopes [joint, azimuth, radius] without the tilt that places off the picture's middle seem to have.

    Slopes fall outward from the joint, so the part of the tilt along that direction adds to them, and the part across
    widens them: seen^2 = (slope + along)^2 + across^2, as long as the tilt is small.
    """
    off = (patches.middle_px - np.asarray(size_px, dtype=np.float32) / np.float32(2.0)) * np.float32(patches.px_mm)
    per_mm, ray = np.float32(np.rad2deg(optics.tilt_per_mm)), patches.ray_px * np.float32(patches.px_mm)
    along, across = off @ ray.T, off @ np.stack([-ray[:, 1], ray[:, 0]])
    fade = np.cos(slope * np.float32(np.pi / 90.0))  # a mirror of this slope shows a light at twice its angle
    tilt = per_mm * (np.float32(1.0 - optics.near_share) + np.float32(optics.near_share) * fade)
    own = np.sqrt(np.maximum(slope * slope - (tilt * across[:, :, None]) ** 2, np.float32(0.0)))
    own -= tilt * (along[:, :, None] + patches.radius_mm)
    return np.asarray(np.maximum(own, np.float32(0.0)), dtype=np.float32)


def mask_response(patches: JointPatches, printed: NDArray[np.float64] | None = None) -> NDArray[np.float32]:
    """Return what the bare board just outside each land gives, [joint, light].

    The median over the free samples of the outer half of the outside zone, but for those that are `printed` [light],
    wholly or mostly: rings and frames of print stand round many a land. Joints without enough such samples get the
    view's median.
    """
    half = slice(OUTSIDE.start + (OUTSIDE.stop - OUTSIDE.start) // 2, OUTSIDE.stop)
    board = patches.free[:, ::3, (OUTSIDE.stop - OUTSIDE.start) // 2:]
    seen = patches.responses[:, :, ::3, half]
    if printed is not None:
        least = (MOSTLY * printed).astype(np.float32)[None, :, None, None]
        stroke = board & (seen > least).all(axis=1)
        # A median bears a stroke here and there.
        many = stroke.sum(axis=(1, 2)) > FRAMED * board.sum(axis=(1, 2))
        board = board & ~(stroke & many[:, None, None])
    samples = np.where(board[:, None], seen, np.nan)
    joints, lights = samples.shape[:2]
    flat = np.sort(samples.reshape(joints, lights, -1), axis=2)  # NaN goes last
    count = board.reshape(joints, -1).sum(axis=1)
    middle = np.clip(count // 2, 0, flat.shape[2] - 1)
    own = np.take_along_axis(flat, middle[:, None, None].repeat(lights, axis=1), axis=2)[:, :, 0]
    enough = count >= FEW_OF_BOARD
    general = np.median(own[enough], axis=0) if enough.any() else np.zeros(lights)
    return np.where(enough[:, None], own, general).astype(np.float32)


def mirrors_board(responses: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics,
                   level: float) -> NDArray[np.bool_]:
    """Say which samples show the board itself, mirrored in solder too steep to see a light.

    On a dark mask such solder is simply dark. On a bright one it has the mask's own colour, a little dimmed.
    """
    bright = (mask * optics.white[None]).sum(axis=1) / level > BRIGHT_MASK
    found = np.zeros_like(responses[:, 0], dtype=bool)
    if bright.any():
        ratio = responses[bright] / np.maximum(mask[bright], 0.02)[:, :, None, None]
        low, high = ratio.min(axis=1), ratio.max(axis=1)
        found[bright] = np.logical_or.reduce([(high < most) & (high < unlike * low) for most, unlike in MIRRORED])
    return found


def like_land(planes: NDArray[np.float32], land: NDArray[np.float32], factor: float) -> NDArray[np.bool_]:
    """Say where all planes [light, ...] answer within a factor of what flat bare land gives.

    But nowhere much more of the light that flat land mirrors most of: a flat toe of solder does.
    `land` is [light], or [light, joint, 1, 1] for planes [light, joint, ...].
    """
    alike = np.ones_like(planes[0], dtype=bool)
    aside, strongest = np.float32(ASIDE) * land.sum(axis=0), land.max(axis=0)
    for plane, flat, own in zip(planes, land + np.float32(FAINT), land, strict=True):
        most = np.maximum(flat * np.float32(factor), flat + aside) - np.float32(FAINT)
        most = np.where(own == strongest, np.minimum(most, flat * np.float32(BRIGHTER)), most)
        np.logical_and(alike, plane < most, out=alike)
        np.logical_and(alike, plane > flat / np.float32(factor) - np.float32(FAINT), out=alike)
    return alike


def _bare(responses: NDArray[np.float32], lands: NDArray[np.float32] | None, slope: NDArray[np.float32],
          moment: NDArray[np.float32], dark: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say which samples look like flat bare land: like the fiducials, or else just flat."""
    if lands is None:
        return np.asarray((slope < FLAT_DEG) & ~dark, dtype=np.bool_)
    planes = responses.swapaxes(0, 1)
    near, about = (like_land(planes, lands.T[:, :, None, None], factor) for factor in (LIKE_FIDUCIAL, LEVEL_LIKE))
    # Roughness differs from land to land and so does what they answer; but every land is flat, and solder is not.
    level_there = np.zeros_like(slope, dtype=bool)
    inner = slice(LEVEL_REACH, -LEVEL_REACH)
    level_there[:, :, inner] = np.abs(moment[:, :, 2 * LEVEL_REACH:] - moment[:, :, :-2 * LEVEL_REACH]) < LEVEL_DEG
    near |= about & level_there
    return near


def smooth_azimuth(flags: NDArray[np.bool_], width: int) -> NDArray[np.bool_]:
    """Majority over a window of azimuths (circular), [joint, azimuth]; width in samples, odd."""
    half = width // 2
    wrapped = np.concatenate([flags[:, -half:], flags, flags[:, :half]], axis=1).astype(np.float32)
    mean = cv2.blur(wrapped, (width, 1))[:, half:-half]
    return np.asarray(mean > 0.5, dtype=np.bool_)
