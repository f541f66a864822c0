"""Fit a chip's outline with two metal ends into pictures: where, how turned, and how well.

A two-terminal chip is a dark or printed body between two metal ends that lie flat, so each end mirrors the flattest
light more than the body does, whatever the body's colour. All round runs an edge: to the mask beside it and to the
steep solder or the land beyond its ends. Bare lands of a missing chip shine too, but lie further apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics
from vision.setup.family import Chip
from vision.setup.geometry import Similarity

GRID = 112  # samples each way
MARGIN_MM = 1.5  # the window reaches this far beyond the chip's long side
EDGE = 0.17  # step of the square root of response that counts as a full edge; noise makes less than a fifth of it
NEAR_TURNS = (-10.0, -5.0, 0.0, 5.0, 10.0)
FAR_TURNS = tuple(float(turn) for turn in range(-90, 90, 6) if abs(turn) > 12)
FINE_TURNS = (-3.0, -1.5, 1.5, 3.0)
LOOKED_AT = 16  # so many of the far turns
FURTHEST = 0.8  # a chip further off than this share of its length is not looked for
SURE = 0.9  # evidence that ends the search among small turns

Array = NDArray[np.float64]
Plane = NDArray[np.float32]


@dataclass(frozen=True)
class Fit:
    """The best place of a chip: evidence 0 to 1, shift along and across its long axis (mm), turn (deg), cover (%)."""

    evidence: float
    along_mm: float
    across_mm: float
    turn_deg: float
    cover_pct: float


def fit_chip(capture: Capture, chip: Chip, to_picture: Similarity, optics: Optics) -> Fit:
    """Find a chip near its nominal place: first nearly straight, then turned any way.

    Turns any way are first compared in a picture half as fine; the best of them are then looked at in full.
    """
    long, short = max(chip.body_w_mm, chip.body_h_mm), min(chip.body_w_mm, chip.body_h_mm)
    step = (long + 2.0 * MARGIN_MM) / GRID
    window = _window(capture, chip, to_picture, step)
    coarse = _halved(window)
    flat = int(np.argmin(optics.slope_deg))
    half = (0.5 * long / step, 0.5 * short / step)
    coarse_half = (0.5 * half[0], 0.5 * half[1])
    best = max(_places(window, flat, half, NEAR_TURNS))
    if best[0] < SURE:
        far = sorted(_places(coarse, flat, coarse_half, FAR_TURNS))[-LOOKED_AT:]
        other = max(_places(window, flat, half, tuple(place[3] for place in far)))
        best = other if other[0] > best[0] + 0.05 else best
    best = max(best, *_places(window, flat, half, tuple(best[3] + by for by in FINE_TURNS)))
    evidence, u, v, turn = best
    if evidence <= 0.0:
        return Fit(0.0, np.nan, np.nan, np.nan, 0.0)
    # The shift was found in the turned chip's axes.
    angle = np.deg2rad(turn)
    along, across = u * np.cos(angle) - v * np.sin(angle), u * np.sin(angle) + v * np.cos(angle)
    cover = _cover(_turned(window, turn), flat, half, (u, v))
    return Fit(evidence, step * float(along), step * float(across), float((turn + 90.0) % 180.0 - 90.0), cover)


def _places(window: Plane, flat: int, half: tuple[float, float],
            turns: Sequence[float]) -> list[tuple[float, float, float, float]]:
    """Return evidence, shift in the turned axes (samples) and turn of the best place at each of some turns.

    `window` is [light, row, col].
    """
    turned = [_turned(window, turn) for turn in turns]
    planes = [np.stack([shown[light] for shown in turned], axis=-1) for light in range(len(window))]
    score = _scores(planes, flat, *half)
    middle = (score.shape[0] - 1) / 2.0
    best = score.reshape(-1, len(turns)).argmax(axis=0)
    row, column = np.unravel_index(best, score.shape[:2])
    evidence = score[row, column, np.arange(len(turns))]
    return [(float(found), float(u - middle), float(v - middle), turn)
            for found, u, v, turn in zip(evidence, column, row, turns, strict=True)]


def _halved(window: Plane) -> Plane:
    """Return a window half as fine."""
    light, rows, columns = window.shape
    half: Plane = window.reshape(light, rows // 2, 2, columns // 2, 2).mean(axis=(2, 4))
    return half


def _turned(window: Plane, turn: float) -> Plane:
    """Return a window [light, row, col] seen in turned axes."""
    if turn == 0.0:
        return window
    side = window.shape[1]
    middle = (side - 1) / 2.0
    matrix = cv2.getRotationMatrix2D((middle, middle), turn, 1.0)
    shown = np.empty_like(window)
    for plane, found in zip(window, shown, strict=True):
        cv2.warpAffine(plane, matrix, (side, side), dst=found, flags=cv2.INTER_LINEAR,
                       borderMode=cv2.BORDER_REPLICATE)
    return shown


def _cover(window: Plane, flat: int, half: tuple[float, float], shift: tuple[float, float]) -> float:
    """Return how much (%) of the chip's rectangle looks like its own ends or body.

    The ends are known by their shine; body is what shines less than halfway between body and ends, and print on it.
    """
    place = np.arange(GRID) - (GRID - 1) / 2.0
    along, across = np.abs(place[None, :] - shift[0]) / half[0], np.abs(place[:, None] - shift[1]) / half[1]
    inside = (along <= 1.0) & (across <= 1.0)
    shine = window[flat]
    ends, middle = inside & (along > 0.72) & (along < 0.95), inside & (along < 0.4)
    if not ends.any() or not middle.any():
        return 0.0
    limit = 0.5 * (np.median(shine[ends]) + np.median(shine[middle]))
    low, high = window.min(axis=0), window.max(axis=0)
    like = np.where(along > 0.65, shine > limit, (shine < limit) | (high < 1.25 * low)) & inside
    # Where the metal ends begin is unknown.
    like |= inside & (along > 0.45) & (along <= 0.72)
    return float(100.0 * like.sum() / max(int(inside.sum()), 1))


def _window(capture: Capture, chip: Chip, to_picture: Similarity, step: float) -> Plane:
    """Sample the square root of response [light, row, col] in axes along the chip's long axis and across."""
    axis = (np.arange(GRID) - (GRID - 1) / 2.0) * step
    angle = np.deg2rad(chip.rotation_deg + (90.0 if chip.body_h_mm > chip.body_w_mm else 0.0))
    u, v = np.meshgrid(axis, axis)
    board = np.stack([chip.x_mm + u * np.cos(angle) - v * np.sin(angle),
                      chip.y_mm + u * np.sin(angle) + v * np.cos(angle)], axis=-1)
    points = (to_picture.to_px(board) - 0.5).astype(np.float32)
    map_x, map_y = points[..., 0], points[..., 1]
    return np.sqrt(np.maximum(capture.sample(map_x, map_y), np.float32(0.0)))


def _scores(planes: Sequence[Plane], flat: int, half_long: float, half_short: float) -> Plane:
    """Return the evidence [row, col, turn] that a chip's middle lies there; half sides in samples.

    `planes` are the lights' windows [row, col, turn]. Places too far off have no evidence.
    """
    side = len(planes[0])
    along, across = (_edges(planes, way) for way in (1, 0))
    shine = _mean(planes[flat], 3, 3) if side == GRID else planes[flat]
    # Only middles within reach are looked at; what lies beyond the window counts as nothing.
    place = np.arange(side) - (side - 1) / 2.0
    reach = np.nonzero(np.abs(place) <= FURTHEST * 2.0 * half_long)[0]
    first, last = int(reach[0]), int(reach[-1]) + 1
    beyond = max(0, int(np.ceil(half_long)) + 1 - first)

    def at(plane: Plane, column: float, row: float) -> Plane:
        right, down = first + beyond + round(column), first + beyond + round(row)
        return plane[down:down + last - first, right:right + last - first]

    def framed(plane: Plane) -> Plane:
        whole = np.zeros((side + 2 * beyond, side + 2 * beyond, plane.shape[2]), dtype=np.float32)
        whole[beyond:beyond + side, beyond:beyond + side] = plane
        return whole

    end, body, ends, short_sides, long_sides = (
        framed(_mean(plane, width, height)) for plane, width, height in (
            (shine, 0.1 * half_long, 1.5 * half_short), (shine, 0.8 * half_long, 1.4 * half_short),
            (along, 1.0, 1.7 * half_short), (across, 0.26 * half_long, 1.0), (across, 1.1 * half_long, 1.0)))
    evidence = np.minimum(at(ends, -half_long, 0.0), at(ends, half_long, 0.0))
    sides = np.zeros_like(evidence)
    for sign in (-1.0, 1.0):
        metal = np.minimum(at(end, sign * 0.77 * half_long, 0.0), at(end, sign * 0.89 * half_long, 0.0))
        # The body sends back less than half of what a metal end does, in square roots seven tenths.
        shade = at(body, 0.0, 0.0) / np.maximum(metal, np.float32(0.05))
        evidence = np.minimum(evidence, np.clip((np.float32(0.95) - shade) * np.float32(4.0), 0.0, 1.0))
        for other in (-1.0, 1.0):
            sides += np.float32(0.15) * at(short_sides, sign * 0.84 * half_long, other * half_short)
        sides += np.float32(0.2) * at(long_sides, 0.0, sign * half_short)
    near = place[first:last] / (2.0 * half_long)
    evidence[np.hypot(near[:, None], near[None, :]) > FURTHEST] = 0.0
    found = np.zeros(planes[0].shape, dtype=np.float32)
    found[first:last, first:last] = evidence * sides
    return found


def _edges(planes: Sequence[Plane], axis: int) -> Plane:
    """Return how much of a full edge runs across an axis (0 rows, 1 columns) at each sample, 0 to 1.

    Two samples on either side are compared, in a window half as fine one.
    """
    reach = 2 if len(planes[0]) == GRID else 1
    steps = np.zeros_like(planes[0])
    inner = np.moveaxis(steps, axis, 0)[reach:-reach]
    for plane in planes:
        line = np.moveaxis(plane, axis, 0)
        two = line if reach == 1 else (line[1:] + line[:-1]) * np.float32(0.5)
        np.maximum(inner, np.abs(two[1 + reach:] - two[:-1 - reach]), out=inner)
    steps *= np.float32(1.0 / EDGE)
    return np.minimum(steps, np.float32(1.0), out=steps)


def _mean(plane: Plane, width: float, height: float) -> Plane:
    size = (max(1, round(width)), max(1, round(height)))
    return np.asarray(cv2.blur(plane, size, borderType=cv2.BORDER_REPLICATE), dtype=np.float32).reshape(plane.shape)
