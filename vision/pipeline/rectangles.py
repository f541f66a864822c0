"""Fit a chip's outline with two metal ends into pictures: where, how turned, and how well.

A two-terminal chip is a dark or printed body between two metal ends that lie flat, so each end mirrors the flattest
light more than the body does, whatever the body's colour. All round runs an edge: to the mask beside it and to the
steep solder or the land beyond its ends. Bare lands of a missing chip shine too, but lie further apart.
"""

from __future__ import annotations

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
    """Find a chip near its nominal place: first nearly straight, then turned any way."""
    long, short = max(chip.body_w_mm, chip.body_h_mm), min(chip.body_w_mm, chip.body_h_mm)
    step = (long + 2.0 * MARGIN_MM) / GRID
    window = _window(capture, chip, to_picture, step)
    flat = int(np.argmin(optics.slope_deg))
    half = (0.5 * long / step, 0.5 * short / step)
    best = max(_place(window, flat, half, turn) for turn in NEAR_TURNS)
    if best[0] < SURE:
        other = max(_place(window, flat, half, turn) for turn in FAR_TURNS)
        best = other if other[0] > best[0] + 0.05 else best
    best = max(best, *(_place(window, flat, half, best[3] + by) for by in FINE_TURNS))
    evidence, u, v, turn = best
    if evidence <= 0.0:
        return Fit(0.0, np.nan, np.nan, np.nan, 0.0)
    # The shift was found in the turned chip's axes.
    angle = np.deg2rad(turn)
    along, across = u * np.cos(angle) - v * np.sin(angle), u * np.sin(angle) + v * np.cos(angle)
    cover = _cover(_turned(window, turn), flat, half, (u, v))
    return Fit(evidence, step * float(along), step * float(across), float((turn + 90.0) % 180.0 - 90.0), cover)


def _place(window: Plane, flat: int, half: tuple[float, float], turn: float) -> tuple[float, float, float, float]:
    """Return evidence, shift in the turned axes (samples) and turn of the best place at one turn."""
    middle = (GRID - 1) / 2.0
    score = _scores(_turned(window, turn), flat, *half)
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    return float(score[row, column]), float(column - middle), float(row - middle), turn


def _turned(window: Plane, turn: float) -> Plane:
    if turn == 0.0:
        return window
    middle = (GRID - 1) / 2.0
    matrix = cv2.getRotationMatrix2D((middle, middle), turn, 1.0)
    return np.asarray(cv2.warpAffine(window, matrix, (GRID, GRID), flags=cv2.INTER_LINEAR,
                                     borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def _cover(window: Plane, flat: int, half: tuple[float, float], shift: tuple[float, float]) -> float:
    """Return how much (%) of the chip's rectangle looks like its own ends or body.

    The ends are known by their shine; body is what shines less than halfway between body and ends, and print on it.
    """
    place = np.arange(GRID) - (GRID - 1) / 2.0
    along, across = np.abs(place[None, :] - shift[0]) / half[0], np.abs(place[:, None] - shift[1]) / half[1]
    inside = (along <= 1.0) & (across <= 1.0)
    shine = window[..., flat]
    ends, middle = inside & (along > 0.72) & (along < 0.95), inside & (along < 0.4)
    if not ends.any() or not middle.any():
        return 0.0
    limit = 0.5 * (np.median(shine[ends]) + np.median(shine[middle]))
    low, high = window.min(axis=2), window.max(axis=2)
    like = np.where(along > 0.65, shine > limit, (shine < limit) | (high < 1.25 * low)) & inside
    # Where the metal ends begin is unknown.
    like |= inside & (along > 0.45) & (along <= 0.72)
    return float(100.0 * like.sum() / max(int(inside.sum()), 1))


def _window(capture: Capture, chip: Chip, to_picture: Similarity, step: float) -> Plane:
    """Sample the square root of response [row, col, light] in axes along the chip's long axis and across."""
    axis = (np.arange(GRID) - (GRID - 1) / 2.0) * step
    angle = np.deg2rad(chip.rotation_deg + (90.0 if chip.body_h_mm > chip.body_w_mm else 0.0))
    u, v = np.meshgrid(axis, axis)
    board = np.stack([chip.x_mm + u * np.cos(angle) - v * np.sin(angle),
                      chip.y_mm + u * np.sin(angle) + v * np.cos(angle)], axis=-1)
    points = (to_picture.to_px(board) - 0.5).astype(np.float32)
    map_x, map_y = points[..., 0], points[..., 1]
    return np.ascontiguousarray(np.moveaxis(np.sqrt(np.maximum(capture.sample(map_x, map_y), 0.0)), 0, 2))


def _scores(window: Plane, flat: int, half_long: float, half_short: float) -> Plane:
    """Return the evidence [row, col] that a chip's middle lies there; half sides in samples."""
    along, across = (_edges(window, way) for way in (1, 0))
    shine = _mean(np.ascontiguousarray(window[..., flat]), 3, 3)
    end = _mean(shine, 0.1 * half_long, 1.5 * half_short)
    body = _mean(shine, 0.8 * half_long, 1.4 * half_short)
    ends = _mean(along, 1.0, 1.7 * half_short)
    short_sides = _mean(across, 0.26 * half_long, 1.0)
    long_sides = _mean(across, 1.1 * half_long, 1.0)
    evidence = np.ones_like(shine)
    sides = np.zeros_like(shine)
    for sign in (-1.0, 1.0):
        metal = np.minimum(_at(end, sign * 0.77 * half_long, 0.0), _at(end, sign * 0.89 * half_long, 0.0))
        # The body sends back less than half of what a metal end does, in square roots seven tenths.
        evidence = np.minimum(evidence, np.clip((0.95 - body / np.maximum(metal, 0.05)) / 0.25, 0.0, 1.0))
        evidence = np.minimum(evidence, _at(ends, sign * half_long, 0.0))
        for other in (-1.0, 1.0):
            sides += np.float32(0.15) * _at(short_sides, sign * 0.84 * half_long, other * half_short)
        sides += np.float32(0.2) * _at(long_sides, 0.0, sign * half_short)
    place = (np.arange(GRID) - (GRID - 1) / 2.0) / (2.0 * half_long)
    evidence[np.hypot(place[:, None], place[None, :]) > FURTHEST] = 0.0
    return (evidence * sides).astype(np.float32)


def _edges(window: Plane, axis: int) -> Plane:
    """Return how much of a full edge runs across an axis (0 rows, 1 columns) at each sample, 0 to 1."""
    kernel = np.array([[-1.0, -1.0, 0.0, 1.0, 1.0]], dtype=np.float32) / 2.0
    planes = cv2.split(np.abs(cv2.filter2D(window, cv2.CV_32F, kernel if axis == 1 else kernel.T)))
    step = np.asarray(planes[0], dtype=np.float32)
    for plane in planes[1:]:
        step = np.maximum(step, plane).astype(np.float32)
    return np.asarray(np.minimum(step / np.float32(EDGE), 1.0), dtype=np.float32)


def _mean(plane: Plane, width: float, height: float) -> Plane:
    size = (max(1, round(width)), max(1, round(height)))
    return np.asarray(cv2.blur(plane, size, borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def _at(plane: Plane, column: float, row: float) -> Plane:
    """Return what lies (column, row) samples further at every sample, 0 beyond the window."""
    right, down = round(column), round(row)
    moved = np.zeros_like(plane)
    rows, columns = plane.shape
    moved[max(-down, 0):rows - max(down, 0), max(-right, 0):columns - max(right, 0)] = (
        plane[max(down, 0):rows + min(down, 0), max(right, 0):columns + min(right, 0)])
    return moved
