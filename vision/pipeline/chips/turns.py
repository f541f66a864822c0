"""By how much a chip is turned beyond what was found: from the course of the edges along its long sides."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALONG = 0.92  # of half the length: edges are looked at so far from the middle; ends are rounded
ACROSS_SAMPLES = 3.0  # so far to either side of where a long side should be its edge is looked for
AVERAGED = 5  # samples along the side that are averaged
UNLIKE_DEG, MOST_DEG = 3.0, 4.0  # by which both sides' turns may differ, and most that is left to find
LEAST_SCATTER = 0.15  # samples by which any edge is off its line
ROUNDS = 4  # of fitting, with what lies off the line counting less each time


def turn_left(shown: NDArray[np.float32], along: Array, across: Array) -> float:
    """Return how far (deg, counter-clockwise) a chip is turned in the axes in which it was found; 0 where unclear.

    Turns are first compared in steps, by evidence that hardly changes over two degrees. Here a line is fitted to where
    the picture changes most along each long side.

    Parameters
    ----------
    shown
        Square roots of response in the chip's axes, [light, row, column].
    along, across
        Places of columns and rows, 1 at the ends and at the sides.

    """
    columns = np.abs(along) <= ALONG
    half_long, half_short = 1.0 / (along[1] - along[0]), 1.0 / (across[1] - across[0])
    change = np.zeros(shown.shape[1:], dtype=np.float32)
    change[1:-1] = np.abs(shown[:, 2:] - shown[:, :-2]).sum(axis=0)
    change = np.asarray(cv2.blur(change, (AVERAGED, 1)), dtype=np.float32)
    slopes, weights = [], []
    for side in (-1.0, 1.0):
        rows = np.abs(across - side) * half_short <= ACROSS_SAMPLES
        if np.count_nonzero(rows) < ACROSS_SAMPLES or np.count_nonzero(columns) < 2 * AVERAGED:
            return 0.0
        part = change[np.ix_(rows, columns)].astype(np.float64)
        part = (part - part.min(axis=0)) ** 2
        strength = part.sum(axis=0)
        place = (part * across[rows, None]).sum(axis=0) * half_short / np.maximum(strength, 1e-9)
        slope, weight = _line(along[columns] * half_long, place, np.sqrt(part.max(axis=0)))
        slopes.append(slope)
        weights.append(weight)
    turns = np.rad2deg(np.arctan(slopes))
    if sum(weights) <= 0.0 or abs(turns[1] - turns[0]) > UNLIKE_DEG:
        return 0.0
    turn = float(np.average(turns, weights=weights))
    return turn if abs(turn) <= MOST_DEG else 0.0


def _line(x: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Return the slope of a weighted line through places, those far off it left out by degrees, and what it weighs."""
    slope, counts = 0.0, weight
    for _ in range(ROUNDS):
        total = float(counts.sum())
        if total <= 0.0:
            return 0.0, 0.0
        middle_x, middle_y = (counts * x).sum() / total, (counts * y).sum() / total
        slope = float((counts * (x - middle_x) * (y - middle_y)).sum() / (counts * (x - middle_x) ** 2).sum())
        off = y - middle_y - slope * (x - middle_x)
        counts = weight / (1.0 + (off / (1.5 * np.median(np.abs(off)) + LEAST_SCATTER)) ** 2)
    return slope, float(counts.sum())
