"""A short way for the iron: nearest neighbour, then 2-opt, on an open path from a given start.

Sources: nearest neighbour, Rosenkrantz, Stearns and Lewis, SIAM J. Comput. 6 (1977) 563; 2-opt, Croes, Operations
Research 6 (1958) 791.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def short_path(points_mm: ArrayLike, start_mm: tuple[float, float]) -> list[int]:
    """Return the order in which to visit points (n, 2) from a start that is not itself visited; the end is free.

    Deterministic: ties go to the lower index. The result cannot be shortened by reversing any one stretch of it.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    places = np.vstack([np.asarray(start_mm, dtype=np.float64), points])
    distance = np.hypot(places[:, None, 0] - places[None, :, 0], places[:, None, 1] - places[None, :, 1])
    order = _nearest_neighbour(distance)
    return [int(stop) - 1 for stop in _two_opt(order, distance)[1:]]


def path_length(points_mm: ArrayLike, order: list[int], start_mm: tuple[float, float]) -> float:
    """Return the length in mm of the way from the start through all points in this order."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    way = np.vstack([np.asarray(start_mm, dtype=np.float64), points[order]])
    return float(np.hypot(*np.diff(way, axis=0).T).sum())


def _nearest_neighbour(distance: NDArray[np.float64]) -> list[int]:
    order, left = [0], list(range(1, len(distance)))
    while left:
        nearest = min(left, key=lambda stop: distance[order[-1], stop])
        order.append(nearest)
        left.remove(nearest)
    return order


def _two_opt(order: list[int], distance: NDArray[np.float64]) -> list[int]:
    """Reverse stretches as long as one of them shortens the way; the first stop stays."""
    way = np.asarray(order)
    count = len(way)
    shorter = True
    while shorter:
        shorter = False
        for first in range(1, count - 1):
            last = np.arange(first + 1, count)
            before, here = way[first - 1], way[first]
            after = np.append(way[first + 2:], -1)
            # The last stop has nothing behind it: reversing up to it changes one leg only.
            old = distance[before, here] + np.where(after >= 0, distance[way[last], after], 0.0)
            new = distance[before, way[last]] + np.where(after >= 0, distance[here, after], 0.0)
            gain = old - new
            best = int(np.argmax(gain))
            if gain[best] > 1e-9:
                end = int(last[best]) + 1
                way[first:end] = way[first:end][::-1]
                shorter = True
    return [int(stop) for stop in way]
