"""Find the board in a picture: fiducials to sub-pixel place, a similarity fit that distrusts outliers."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from vision.pipeline.inspection import ViewRegistration
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.fitting import fit_similarity
from vision.pipeline.view.lands import match_lands
from vision.pipeline.view.outlines import lands_seen, lands_shown
from vision.setup.family import Family, Fiducial, View
from vision.setup.geometry import Similarity, nominal_view
from vision.setup.station import Station

SEARCH_MM = 1.6  # how far from its nominal place a fiducial is looked for
MAX_TURN_DEG = 6.0
MAX_SCALE_ERROR = 0.04
INLIER_MM = 0.12
MIN_MATCH = 0.55  # normalised correlation with a disc
COARSE_RADIUS_PX = 7.0  # discs are first looked for where they are still about this large
LANDS_NEEDED = 0.6  # share of lands that must be where the family has them


class RegistrationError(MeniscopeError):
    """The board could not be found in a picture; the text is the reason."""


@dataclass(frozen=True)
class Registration:
    """Where the board lies in one view: the map from board mm to picture px, and how it was found."""

    view: str
    to_picture: Similarity
    offset_mm: tuple[float, float]
    rotation_deg: float
    scale: float
    residual_mm: float
    marks: int
    method: str

    def summary(self) -> ViewRegistration:
        """Return the plain record of this registration."""
        return ViewRegistration(self.view, *self.offset_mm, self.rotation_deg, self.scale, self.residual_mm,
                                self.marks, self.method)


def register_view(capture: Capture, family: Family, view: View, station: Station) -> Registration:
    """Register one view on its fiducials, or on the lands where fewer than two fiducials are seen.

    Raises RegistrationError where neither works or where the picture shows another board.
    """
    nominal = nominal_view(family, view, station, capture.size_px)
    found = _fiducial_fit(capture, family.fiducials, nominal, station)
    if found is None:
        shifts = match_lands(mark_image(capture), family.joints, nominal, station.mm_per_px)
        if shifts is None:
            raise RegistrationError(f"view {view.name}: the board of family {family.name} was not found; "
                                    "check that the right board lies in the right place")
        sources, targets, method = *shifts, "lands"
    else:
        sources, targets, method = *found, "fiducials"
    fit, residual_px = fit_similarity(sources, targets)
    matrix = fit.matrix @ nominal.matrix
    to_picture = Similarity(matrix, fit.matrix @ nominal.shift + fit.shift)
    share = lands_seen(capture, family.joints, to_picture, LANDS_NEEDED)
    # A view of chips alone has no lands to look for, and its fiducials must do.
    if share < LANDS_NEEDED and lands_shown(family.joints, nominal, capture.size_px).any():
        raise RegistrationError(f"view {view.name}: only {100.0 * share:.0f} % of the lands are where family "
                                f"{family.name} has them, wanted {100.0 * LANDS_NEEDED:.0f} %; wrong board, wrong side "
                                "or turned?")
    center = np.asarray(view.center_mm)
    offset_px = to_picture.to_px(center) - nominal.to_px(center)
    offset = np.linalg.inv(nominal.matrix) @ offset_px
    scale = float(np.sqrt(np.linalg.det(fit.matrix)))
    # The picture's y runs down, so a turn that is counter-clockwise to the eye is negative in its matrix.
    turn = float(-np.rad2deg(np.arctan2(fit.matrix[1, 0], fit.matrix[0, 0])))
    return Registration(view.name, to_picture, (float(offset[0]), float(offset[1])), turn, scale,
                        residual_px * station.mm_per_px, len(sources), method)


def mark_image(capture: Capture, rows: slice = slice(None), columns: slice = slice(None)) -> NDArray[np.float32]:
    """Return a grey picture for finding marks, or part of it: the brightest light per pixel, highlights held down."""
    # Lights that lie interleaved are taken apart first: NumPy is slow over samples that do not lie side by side.
    planes = [plane for picture in capture.interleaved or capture.responses
              for plane in cv2.split(picture[rows, columns])]
    clipped = np.clip(reduce(cv2.max, planes), 0.0, 1.5)
    return np.asarray(cv2.GaussianBlur(clipped, (0, 0), 1.0), dtype=np.float32)


def _fiducial_fit(capture: Capture, fiducials: Sequence[Fiducial], nominal: Similarity,
                  station: Station) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return nominal and found places (px) of the fiducials that agree on one similarity, or None."""
    candidates: list[tuple[NDArray[np.float64], list[NDArray[np.float64]]]] = []
    for fiducial in fiducials:
        place = nominal.to_px((fiducial.x_mm, fiducial.y_mm))
        radius = fiducial.diameter_mm / 2.0 / station.mm_per_px
        spots = find_discs(capture, place, radius, SEARCH_MM / station.mm_per_px)
        if spots:
            candidates.append((place, spots))
    best: tuple[int, float, list[tuple[NDArray[np.float64], NDArray[np.float64]]]] | None = None
    for (place_a, spots_a), (place_b, spots_b) in itertools.combinations(candidates, 2):
        for spot_a, spot_b in itertools.product(spots_a, spots_b):
            if not _same_length(place_b - place_a, spot_b - spot_a):
                continue
            pair, _ = fit_similarity(np.stack([place_a, place_b]), np.stack([spot_a, spot_b]))
            if not _plausible(pair):
                continue
            agreeing = _agreeing(pair, candidates, INLIER_MM / station.mm_per_px)
            spread = sum(float(np.hypot(*(spot - pair.to_px(place)))) for place, spot in agreeing)
            if best is None or (len(agreeing), -spread) > (best[0], -best[1]):
                best = (len(agreeing), spread, agreeing)
        # Where every spot agrees, no pair that follows can find others.
        if best is not None and best[0] == sum(len(spots) for _, spots in candidates):
            break
    # Two marks fit any similarity exactly; where more were expected a lone pair may be two wrong spots, so the
    # check of the lands that follows has the last word.
    if best is None or best[0] < 2:
        return None
    return np.stack([place for place, _ in best[2]]), np.stack([spot for _, spot in best[2]])


def _same_length(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Say whether two vectors are as long as each other, as far as a board's scale allows: a quick look."""
    scale = math.hypot(*other.tolist()) / max(math.hypot(*one.tolist()), 1e-9)
    return abs(scale - 1.0) <= MAX_SCALE_ERROR


def _plausible(fit: Similarity) -> bool:
    turn = abs(np.rad2deg(np.arctan2(fit.matrix[1, 0], fit.matrix[0, 0])))
    return turn <= MAX_TURN_DEG and abs(fit.px_per_mm - 1.0) <= MAX_SCALE_ERROR


def _agreeing(fit: Similarity, candidates: Sequence[tuple[NDArray[np.float64], list[NDArray[np.float64]]]],
              tolerance_px: float) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    agreeing = []
    for place, spots in candidates:
        distances = [float(np.hypot(*(spot - fit.to_px(place)))) for spot in spots]
        nearest = int(np.argmin(distances))
        if distances[nearest] <= tolerance_px:
            agreeing.append((place, spots[nearest]))
    return agreeing


def find_discs(capture: Capture, place: NDArray[np.float64], radius: float, reach: float,
               most: int = 3) -> list[NDArray[np.float64]]:
    """Return sub-pixel centres (x, y) of discs of a radius near a place, best first; all in px.

    Bright discs on dark ground and dark ones on bright ground both count. They are looked for in a picture just fine
    enough to show them and refined in the full one.
    """
    margin = int(np.ceil(reach + 2.0 * radius)) + 2
    left, top = (int(value) - margin for value in place)
    right, bottom = left + 2 * margin + 1, top + 2 * margin + 1
    left, top = max(left, 0), max(top, 0)
    width, height = capture.size_px
    if min(right, width) <= left or min(bottom, height) <= top:
        return []
    window = mark_image(capture, slice(top, bottom), slice(left, right))
    shrink = max(1, int(radius / COARSE_RADIUS_PX))
    template = _disc_template(radius / shrink)
    if min(window.shape) // shrink <= template.shape[0]:
        return []
    small = cv2.resize(window, (window.shape[1] // shrink, window.shape[0] // shrink), interpolation=cv2.INTER_AREA)
    scale = np.array(window.shape[::-1]) / np.array(small.shape[::-1])
    match = np.abs(cv2.matchTemplate(small, template, cv2.TM_CCOEFF_NORMED))
    half = template.shape[0] / 2.0
    spots: list[NDArray[np.float64]] = []
    for _ in range(most):
        _, score, _, (column, row) = cv2.minMaxLoc(match)
        if score < MIN_MATCH:
            break
        refined = circle_center(window, np.array([column + half, row + half]) * scale, radius)
        if refined is not None:
            spots.append(refined + (left, top))
        cv2.circle(match, (column, row), int(np.ceil(radius / shrink)), 0.0, -1)
    return spots


@lru_cache(maxsize=16)
def _disc_template(radius: float) -> NDArray[np.float32]:
    side = int(np.ceil(1.5 * radius)) * 2 + 1
    axis = np.arange(side) - side // 2
    distance = np.hypot(axis[:, None], axis[None, :])
    disc = np.clip(radius + 0.5 - distance, 0.0, 1.0).astype(np.float32)
    disc.setflags(write=False)  # shared by all boards
    return disc


def circle_center(grey: NDArray[np.float32], coarse: NDArray[np.float64], radius: float) -> NDArray[np.float64] | None:
    """Refine a circle's centre from the steepest edge along 96 rays, by a robust algebraic circle fit (Kasa 1976).

    Returns None where no circle of about this radius is there.
    """
    center = coarse
    azimuth = np.arange(96) * (2.0 * np.pi / 96)
    rays = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    for spread in (0.45, 0.25):
        radii = np.arange(max(radius * (1.0 - spread), 1.0), radius * (1.0 + spread) + 0.01, 0.5)
        # The centre of the first pixel is (0.5, 0.5); OpenCV counts it as (0, 0).
        map_x, map_y = ((center[axis] + rays[:, axis, None] * radii - 0.5).astype(np.float32) for axis in (0, 1))
        profile = cv2.remap(grey, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        step = np.diff(cv2.GaussianBlur(profile, (5, 1), 1.0), axis=1)
        step *= np.sign(step.sum())
        edge, strength = _peak(step)
        radial = radii[0] + (edge + 0.5) * 0.5
        good = strength > 0.3 * _middle(strength)
        found = _circle_fit(center + rays * radial[:, None], good)
        if found is None or abs(found[2] - radius) > 0.3 * radius or np.hypot(*(found[:2] - center)) > radius:
            return None
        center = found[:2]
    return center


def _peak(rows: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return place (parabola through three samples) and height of each row's maximum."""
    at = np.clip(np.argmax(rows, axis=1), 1, rows.shape[1] - 2)
    index = np.arange(len(rows))
    before, here, after = rows[index, at - 1], rows[index, at], rows[index, at + 1]
    bend = before - 2.0 * here + after
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    return at + np.clip(shift, -0.5, 0.5), here.astype(np.float64)


def _circle_fit(points: NDArray[np.float64], good: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Return (x, y, radius) of the circle through most points, or None where fewer than a third agree."""
    keep = good.copy()
    result = None
    for _ in range(4):
        if keep.sum() < max(12, len(points) // 3):
            return None
        # Counted from their mean, the points' sums of x and y vanish, and two equations are left.
        middle = points[keep].mean(axis=0)
        x, y = (points[keep] - middle).T
        square = x * x + y * y
        xx, xy, yy = float(x @ x), float(x @ y), float(y @ y)
        determinant = xx * yy - xy * xy
        if determinant <= 1e-9 * (xx + yy) ** 2:
            return None
        right_x, right_y = float(x @ square) / 2.0, float(y @ square) / 2.0
        a, b = (right_x * yy - right_y * xy) / determinant, (right_y * xx - right_x * xy) / determinant
        radius = np.sqrt(float(square.mean()) + a * a + b * b)
        a, b = a + middle[0], b + middle[1]
        result = np.array([a, b, radius])
        rest = np.abs(np.hypot(points[:, 0] - a, points[:, 1] - b) - result[2])
        before, keep = keep, good & (rest <= max(2.5 * _middle(rest[keep]), 0.3))
        if np.array_equal(before, keep):
            break
    return result


def _middle(values: NDArray[np.float64]) -> float:
    """Return the median of a few values; NumPy's takes several times as long over so few."""
    ordered = np.sort(values)
    return 0.5 * float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])
