"""Grids of all joints at once: moved so that what was found lies in their middles, and summed over labelled samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

REACH = 1.7  # half side of the grids in hole radii


@dataclass(frozen=True)
class Bins:
    """Labels of grids [joint, row, column]: which samples are in some bin, in which, and how many are in each."""

    place: NDArray[np.intp]  # of every sample in a bin, in the grids laid flat
    item: NDArray[np.intp]  # of each of these, joint * labels + label
    numbers: NDArray[np.float64]  # [joint, label]

    def sums(self, values: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return the sum of values [joint, row, column] of each label, [joint, label]."""
        sums = np.bincount(self.item, values.ravel().take(self.place), self.numbers.size)
        return np.asarray(sums.reshape(self.numbers.shape), dtype=np.float64)


def bins(labels: NDArray[np.uint8], count: int) -> Bins:
    """Return the bins of labels below `count`; samples with other labels are in none."""
    joints = len(labels)
    item = (labels.reshape(joints, -1) + (np.arange(joints, dtype=np.intp) * count)[:, None]).ravel()
    place = np.flatnonzero(labels < count)
    numbers = np.bincount(item[place], minlength=joints * count).reshape(joints, count).astype(np.float64)
    return Bins(place, item[place], numbers)


def moved_grids(energy: NDArray[np.float32], row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.float32]:
    """Shift every joint's grid so that the found lead stands in its middle."""
    side = energy.shape[1]
    rows = np.clip(np.arange(side)[None, :] + row[:, None], 0, side - 1)
    columns = np.clip(np.arange(side)[None, :] + column[:, None], 0, side - 1)
    place = (np.arange(len(energy))[:, None] * side + rows)[:, :, None] * side + columns[:, None, :]
    moved: NDArray[np.float32] = energy.ravel().take(place.ravel()).reshape(energy.shape)
    return moved
