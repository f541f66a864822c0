"""Lands as marks: are they where the family has them, and where is the board when no fiducial is seen."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.view.fitting import fit_similarity
from vision.setup.family import Joint
from vision.setup.geometry import Similarity

COARSE_MM = 0.08  # pixel size of the coarse search
COARSE_REACH_MM = 1.6
MIN_COARSE_MATCH = 0.35


def land_outline(joint: Joint, to_picture: Similarity, grow_mm: float = 0.0, steps: int = 48) -> NDArray[np.float64]:
    """Return the outline of a joint's land in picture px, (steps, 2), grown by a margin."""
    azimuth = np.arange(steps, dtype=np.float64) * (2.0 * np.pi / steps)
    radius = edges_towards((joint,), azimuth)[0] + grow_mm
    points = np.stack([joint.x_mm + radius * np.cos(azimuth), joint.y_mm + radius * np.sin(azimuth)], axis=1)
    return to_picture.to_px(points)


def in_land_axes(x_mm: NDArray[np.float64], y_mm: NDArray[np.float64],
                 turn_rad: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return places on the board, seen from lands' middles, along and across lands that are turned so far."""
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return x_mm * cos + y_mm * sin, y_mm * cos - x_mm * sin


def edges_towards(joints: Sequence[Joint], azimuth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from each land's centre to its edge, mm, (joint, azimuth).

    `azimuth` is that on the board, radians, the same for all joints (azimuth,) or each joint's own (joint, azimuth).
    """
    size = np.array([(joint.land_w_mm, joint.land_h_mm) for joint in joints]).reshape(-1, 2)
    turn = np.deg2rad([joint.land_rotation_deg for joint in joints])
    return edge_distance(size, np.array([joint.land_shape for joint in joints], dtype=np.str_), azimuth - turn[:, None])


def corners_seen(joint: Joint, x_mm: float = 0.0, y_mm: float = 0.0) -> NDArray[np.float64]:
    """Return the directions to the corners of a rectangular land, rad on the board; none of other lands, (corner,).

    They are seen from a place so far off the land's centre.
    """
    if joint.land_shape != "rect":
        return np.zeros(0)
    turn = np.deg2rad(joint.land_rotation_deg)
    x = 0.5 * joint.land_w_mm * np.array([1.0, -1.0, -1.0, 1.0])
    y = 0.5 * joint.land_h_mm * np.array([1.0, 1.0, -1.0, -1.0])
    return np.asarray(np.arctan2(x * np.sin(turn) + y * np.cos(turn) - y_mm,
                                 x * np.cos(turn) - y * np.sin(turn) - x_mm), dtype=np.float64)


def lead_edges(joints: Sequence[Joint], azimuth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from each lead's middle to its edge in one direction (joint,) on the board, radians: mm, (joint,)."""
    return lead_edges_towards(joints, azimuth[:, None])[:, 0]


def lead_edges_towards(joints: Sequence[Joint], azimuth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from each lead's middle to its edge, mm, (joint, azimuth); `azimuth` as of edges_towards."""
    size = np.array([(joint.lead_w_mm, joint.lead_h_mm) for joint in joints]).reshape(-1, 2)
    shapes = np.array(["round" if joint.lead_shape == "round" else "rect" for joint in joints])
    turn = np.deg2rad([joint.land_rotation_deg for joint in joints])
    return edge_distance(size, shapes, azimuth - turn[:, None])


def edge_distance(size_mm: NDArray[np.float64], shapes: NDArray[np.str_],
                  azimuth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from the land's centre to its edge, mm, (joint, azimuth), azimuth in the land's own axes.

    Round: a circle or, with unlike sides, an ellipse never occurs (the reader refuses it). Oblong: a
    rectangle with half-round ends. Rect: a rectangle.
    """
    half_w, half_h = size_mm[:, :1] / 2.0, size_mm[:, 1:] / 2.0
    cos, sin = np.abs(np.cos(azimuth)), np.abs(np.sin(azimuth))
    with np.errstate(divide="ignore"):
        rect = np.minimum(half_w / cos, half_h / sin)
    end = np.minimum(half_w, half_h)  # radius of the half-round ends
    ahead = np.where(half_w >= half_h, cos, sin)  # component along the long axis
    aside = np.where(half_w >= half_h, sin, cos)
    straight = np.abs(half_w - half_h)  # half length of the straight part
    with np.errstate(divide="ignore", invalid="ignore"):
        side = end / aside
    on_side = side * ahead <= straight
    cap = straight * ahead + np.sqrt(np.maximum(end**2 - (straight * aside) ** 2, 0.0))
    oblong = np.where(on_side, side, cap)
    kind = shapes[:, None]
    return np.where(kind == "round", half_w, np.where(kind == "oblong", oblong, rect))


def match_lands(grey: NDArray[np.float32], joints: Sequence[Joint], nominal: Similarity,
                mm_per_px: float) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Find the board by the pattern of its lands alone.

    Returns nominal and found places of the lands in px, (n, 2) each, outliers left out, or None.
    """
    coarse = _coarse_match(grey, joints, nominal, mm_per_px)
    if coarse is None:
        return None
    places = nominal.to_px([(joint.x_mm, joint.y_mm) for joint in joints])
    guess = Similarity(coarse.matrix @ nominal.matrix, coarse.matrix @ nominal.shift + coarse.shift)
    sources, targets = [], []
    for joint, place in zip(joints, places, strict=True):
        shift = land_shift(grey, joint, guess, 0.3 / mm_per_px)
        if shift is not None:
            sources.append(place)
            targets.append(guess.to_px((joint.x_mm, joint.y_mm)) + shift)
    if len(sources) < 4:
        return None
    source, target = np.stack(sources), np.stack(targets)
    return _without_outliers(source, target, 0.1 / mm_per_px)


def _without_outliers(source: NDArray[np.float64], target: NDArray[np.float64],
                      least: float) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    keep = np.ones(len(source), dtype=bool)
    for _ in range(5):
        if keep.sum() < 4:
            return None
        fit, _ = fit_similarity(source[keep], target[keep])
        rest = np.hypot(*(target - fit.to_px(source)).T)
        keep = rest <= max(least, 2.5 * float(np.median(rest[keep])))
    return source[keep], target[keep]


def _coarse_match(grey: NDArray[np.float32], joints: Sequence[Joint], nominal: Similarity,
                  mm_per_px: float) -> Similarity | None:
    """Search rotation and shift of the land pattern on a small picture; returns nominal px -> found px."""
    factor = mm_per_px / COARSE_MM
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    contrast = np.abs(small - np.median(small))
    reach = int(np.ceil(COARSE_REACH_MM / COARSE_MM))
    padded = cv2.copyMakeBorder(contrast, reach, reach, reach, reach, cv2.BORDER_REFLECT)
    height, width = small.shape
    middle = np.array([grey.shape[1], grey.shape[0]]) / 2.0
    best, best_fit = MIN_COARSE_MATCH, None
    for turn_deg in np.arange(-3.0, 3.01, 0.5):
        angle = np.deg2rad(turn_deg)
        matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        turned = Similarity(matrix @ nominal.matrix, matrix @ (nominal.shift - middle) + middle)
        pattern = np.zeros((height, width), dtype=np.float32)
        for joint in joints:
            cv2.fillPoly(pattern, [np.round(land_outline(joint, turned) * factor).astype(np.int32)], 1.0)
        match = cv2.matchTemplate(padded, pattern, cv2.TM_CCOEFF_NORMED)
        _, score, _, (column, row) = cv2.minMaxLoc(match)
        if score > best:
            shift = (np.array([column, row]) - reach) / factor
            best, best_fit = score, Similarity(matrix, middle - matrix @ middle + shift)
    return best_fit


def land_shift(grey: NDArray[np.float32], joint: Joint, to_picture: Similarity,
               reach: float) -> NDArray[np.float64] | None:
    """Return how far (px) a land's outline lies from where it should be, or None where it is not made out.

    The edge strength under the land's outline is summed for every shift within reach; the best shift is
    refined by a parabola each way.
    """
    outline = land_outline(joint, to_picture, steps=96)
    margin = int(np.ceil(reach)) + 4
    low, high = np.floor(outline.min(axis=0)).astype(int) - margin, np.ceil(outline.max(axis=0)).astype(int) + margin
    if (low < 0).any() or high[0] > grey.shape[1] or high[1] > grey.shape[0]:
        return None
    window = grey[low[1]:high[1], low[0]:high[0]]
    across, down = cv2.Sobel(window, cv2.CV_32F, 1, 0), cv2.Sobel(window, cv2.CV_32F, 0, 1)
    edges = np.minimum(cv2.magnitude(across, down), 1.0)
    line = np.zeros(edges.shape, dtype=np.float32)
    cv2.polylines(line, [np.round((outline - low - 0.5) * 16).astype(np.int32)], True, 1.0, 1, cv2.LINE_AA, 4)
    soft = np.asarray(cv2.GaussianBlur(line, (0, 0), 1.2), dtype=np.float32)
    inner = soft[margin - 2:-(margin - 2), margin - 2:-(margin - 2)]
    match = np.asarray(cv2.matchTemplate(edges, inner, cv2.TM_CCOEFF_NORMED), dtype=np.float32)
    _, score, _, (column, row) = cv2.minMaxLoc(match)
    if score < 0.25 or not (0 < column < match.shape[1] - 1 and 0 < row < match.shape[0] - 1):
        return None
    fine = np.array([_vertex(match[row, column - 1:column + 2]), _vertex(match[row - 1:row + 2, column])])
    found: NDArray[np.float64] = np.array([column, row]) + fine - (margin - 2)
    return found


def _vertex(three: NDArray[np.float32]) -> float:
    bend = float(three[0] - 2.0 * three[1] + three[2])
    return 0.0 if bend > -1e-9 else float(np.clip(0.5 * (three[0] - three[2]) / bend, -0.5, 0.5))
