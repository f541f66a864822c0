"""The grading job as a first script would do it: scikit-image, one joint after the other.

It looks for everything that the pipeline looks for (fillet, lead, pits, projections, bridges, balls, chips), by the
usual function for each, with ordinary settings and no search that a sensible author would leave out. It states no
uncertainty, knows nothing of slopes but an average of the lights, and is far less right. `fillets` alone is what the
script costs where only solder, coverage and lead are asked for.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from skimage.draw import disk
from skimage.feature import blob_dog, canny, match_template
from skimage.filters import gaussian, threshold_otsu
from skimage.measure import label, profile_line, regionprops
from skimage.transform import SimilarityTransform, hough_circle, warp_polar

from vision.pipeline.view.capture import Capture
from vision.setup import Family, Joint, Similarity, Station, nominal_view

Picture = NDArray[np.float64]
MID_SLOPES_DEG = (8.5, 20.0, 33.0)  # in the middle of what each light of the demo station mirrors


class Scene(Protocol):
    """One board's family, station and pictures."""

    @property
    def family(self) -> Family: ...
    @property
    def station(self) -> Station: ...
    @property
    def capture(self) -> Capture: ...


def whole_job(scene: Scene) -> list[dict[str, float]]:
    """Look for all that the pipeline looks for; one row a joint, then one a chip."""
    picture = picture_of(scene)
    to_picture = placed(picture, scene)
    rows = []
    for joint in scene.family.joints:
        row = _fillet(picture, joint, to_picture)
        row |= _spots(picture, joint, to_picture)
        rows.append(row)
    _bridges(picture, scene.family.joints, to_picture, rows)
    _balls(picture, scene, to_picture, rows)
    return rows + [_chip(picture, scene, index, to_picture) for index in range(len(scene.family.chips))]


def fillets(scene: Scene) -> list[dict[str, float]]:
    """Look at solder, coverage and lead alone."""
    picture = picture_of(scene)
    to_picture = placed(picture, scene)
    return [_fillet(picture, joint, to_picture) for joint in scene.family.joints]


def picture_of(scene: Scene) -> Picture:
    """Return the responses [row, col, light]."""
    return np.moveaxis(np.asarray(scene.capture.responses, dtype=np.float64), 0, -1)


def placed(picture: Picture, scene: Scene) -> Similarity:
    """Find the fiducials by label and centroid and fit a similarity."""
    nominal = nominal_view(scene.family, scene.family.views[0], scene.station, scene.capture.size_px)
    bright = gaussian(np.clip(picture.max(axis=2), 0.0, 1.5), 1.0)
    source, target = [], []
    for mark in scene.family.fiducials:
        place = nominal.to_px((mark.x_mm, mark.y_mm))
        left, top = (max(int(value) - 75, 0) for value in place)
        window = bright[top:top + 150, left:left + 150]
        nearest = min(regionprops(label(window > threshold_otsu(window))),
                      key=lambda one: abs(one.area - np.pi * (mark.diameter_mm * 25.0)**2))
        source.append(place)
        target.append(np.array(nearest.centroid[::-1]) + 0.5 + (left, top))
    fit = SimilarityTransform.from_estimate(np.array(source), np.array(target))
    turn, shift = fit.params[:2, :2], fit.params[:2, 2]
    return Similarity(turn @ nominal.matrix, turn @ nominal.shift + shift)


def _window(picture: Picture, joint: Joint, to_picture: Similarity) -> tuple[Picture, int]:
    """Return a joint's window, smoothed, and how far it reaches from the middle."""
    x, y = to_picture.to_px((joint.x_mm, joint.y_mm))
    reach = int(np.ceil((max(joint.land_w_mm, joint.land_h_mm) / 2.0 + 0.36) * to_picture.px_per_mm))
    top, left = int(y) - reach, int(x) - reach
    return gaussian(picture[top:top + 2 * reach + 1, left:left + 2 * reach + 1], 1.0, channel_axis=-1), reach


def _masks(joint: Joint, reach: int, scale: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return land and hole as masks of the window; lands are taken for round."""
    shape = (2 * reach + 1, 2 * reach + 1)
    land, hole = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    land[disk((reach, reach), joint.land_w_mm / 2.0 * scale, shape=shape)] = True
    hole[disk((reach, reach), joint.hole_mm / 2.0 * scale, shape=shape)] = True
    return land, hole


def _fillet(picture: Picture, joint: Joint, to_picture: Similarity) -> dict[str, float]:
    """Threshold and label each light, compare with masks of land and hole, count covered azimuths on a polar cut."""
    window, reach = _window(picture, joint, to_picture)
    scale = to_picture.px_per_mm
    found: dict[str, float] = {}
    for light in range(window.shape[2]):
        plane = window[:, :, light]
        regions = regionprops(label(plane > threshold_otsu(plane)), intensity_image=plane)
        regions.sort(key=lambda region: -region.area)
        if regions:
            first = regions[0]
            found |= {f"area_{light}": float(first.area), f"round_{light}": float(first.eccentricity),
                      f"solid_{light}": float(first.solidity), f"edge_{light}": float(first.perimeter),
                      f"mean_{light}": float(first.intensity_mean)}
    energy = window.sum(axis=2)
    level = threshold_otsu(energy)
    land, hole = _masks(joint, reach, scale)
    ring = land & ~hole
    found["land_cover_pct"] = 100.0 * float(((energy > level) & ring).sum() / max(ring.sum(), 1))
    flat = warp_polar(window, center=(reach, reach), radius=reach, output_shape=(180, 68), channel_axis=-1)
    bright = flat.sum(axis=2) > level
    found["coverage_deg"] = 2.0 * float(bright[:, 20:56].mean(axis=1).round().sum())
    slope = (flat * MID_SLOPES_DEG).sum(axis=2) / np.maximum(flat.sum(axis=2), 1e-6)
    found["wetting_angle_deg"] = float(np.median(slope[:, 48:56]))
    found["fillet_height_mm"] = float(np.tan(np.deg2rad(slope[:, 20:56])).mean(axis=0).sum()) / scale
    dark = regionprops(label((energy < level) & hole))
    found["lead_offset_mm"] = min((float(np.hypot(*(np.array(one.centroid) - reach))) / scale for one in dark),
                                  default=float("nan"))
    return found


def _spots(picture: Picture, joint: Joint, to_picture: Similarity) -> dict[str, float]:
    """Look for the lead's end (circles by Hough), pits (dark blobs) and projections (metal beyond the land)."""
    window, reach = _window(picture, joint, to_picture)
    scale = to_picture.px_per_mm
    energy = window.sum(axis=2)
    land, hole = _masks(joint, reach, scale)
    radii = np.arange(0.35, 0.66, 0.05) * joint.lead_w_mm * scale
    circles = hough_circle(canny(energy, sigma=1.0), radii.astype(int))
    which, row, column = np.unravel_index(int(circles.argmax()), circles.shape)
    found = {"lead_votes": float(circles.max()), "lead_radius_mm": float(radii[which]) / scale,
             "lead_row": float(row), "lead_column": float(column)}
    pits = blob_dog(energy.max() - energy, min_sigma=0.05 * scale, max_sigma=0.18 * scale, threshold=0.1)
    inside = [sigma for row, column, sigma in pits if land[int(row), int(column)] and not hole[int(row), int(column)]]
    found["pit_diameter_mm"] = 2.0 * np.sqrt(2.0) * max(inside, default=0.0) / scale
    beyond = regionprops(label((energy > threshold_otsu(energy)) & ~land))
    found["projection_mm"] = max((float(one.axis_major_length) for one in beyond), default=0.0) / scale
    return found


def _bridges(picture: Picture, joints: tuple[Joint, ...], to_picture: Similarity,
             rows: list[dict[str, float]]) -> None:
    """Ask along a line between neighbours whether it is bright all the way."""
    energy = picture.sum(axis=2)
    level = threshold_otsu(energy[::4, ::4])
    places = to_picture.to_px(np.array([(joint.x_mm, joint.y_mm) for joint in joints]))
    for one in range(len(joints)):
        for two in range(one + 1, len(joints)):
            if np.hypot(*(places[one] - places[two])) > 3.5 * to_picture.px_per_mm:
                continue
            line = profile_line(energy, places[one, ::-1], places[two, ::-1], linewidth=7, mode="nearest")
            middle = line[len(line) // 3:-(len(line) // 3)]
            if (middle > level).all():
                rows[one]["bridge"] = rows[two]["bridge"] = 1.0


def _balls(picture: Picture, scene: Scene, to_picture: Similarity, rows: list[dict[str, float]]) -> None:
    """Look for bright blobs on the board off all lands, chips and fiducials; give each to the nearest joint."""
    family, scale = scene.family, to_picture.px_per_mm
    half = gaussian(picture.max(axis=2), 1.0)[::2, ::2]  # half as fine is fine enough for a ball of 0.15 mm
    free = half.copy()
    parts = [(joint.x_mm, joint.y_mm, 0.75 * max(joint.land_w_mm, joint.land_h_mm)) for joint in family.joints]
    parts += [(chip.x_mm, chip.y_mm, 0.8 * max(chip.body_w_mm, chip.body_h_mm)) for chip in family.chips]
    parts += [(mark.x_mm, mark.y_mm, 0.8 * mark.diameter_mm) for mark in family.fiducials]
    for x_mm, y_mm, reach in parts:
        x, y = to_picture.to_px((x_mm, y_mm)) / 2.0
        free[disk((y, x), reach * scale / 2.0, shape=half.shape)] = np.median(half)
    places = to_picture.to_px(np.array([(joint.x_mm, joint.y_mm) for joint in family.joints]))
    for row, column, sigma in blob_dog(free, min_sigma=0.03 * scale, max_sigma=0.18 * scale, threshold=0.1):
        nearest = int(np.argmin(np.hypot(places[:, 0] - 2.0 * column, places[:, 1] - 2.0 * row)))
        found = 4.0 * np.sqrt(2.0) * float(sigma) / scale
        rows[nearest]["ball_diameter_mm"] = max(rows[nearest].get("ball_diameter_mm", 0.0), found)


def _chip(picture: Picture, scene: Scene, index: int, to_picture: Similarity) -> dict[str, float]:
    """Match a drawn template of the chip, dark body between bright ends, around its place."""
    chip, scale = scene.family.chips[index], to_picture.px_per_mm
    x, y = to_picture.to_px((chip.x_mm, chip.y_mm))
    wide, high = int(chip.body_w_mm * scale), int(chip.body_h_mm * scale)
    search = int(0.8 * scale)
    energy = picture.sum(axis=2)
    window = energy[max(int(y) - high // 2 - search, 0):int(y) + high // 2 + search,
                    max(int(x) - wide // 2 - search, 0):int(x) + wide // 2 + search]
    template = np.zeros((high, wide))
    template[:, :wide // 5] = template[:, -(wide // 5):] = 1.0
    match = match_template(window, template)
    row, column = np.unravel_index(int(np.argmax(match)), match.shape)
    return {"match": float(match.max()), "row": float(row), "column": float(column)}
