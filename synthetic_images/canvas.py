"""The fine grid on which a board's surface is built: height, kind of surface and marks of every sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.setup import Similarity

# Kinds of surface. From FIRST_JOINT on every joint has three of its own: solder, land, lead.
MASK, TRACK, LAMINATE, SILK, HOLE, FIDUCIAL, BALL = range(7)
FIRST_JOINT = 16
SOLDER_OF, LAND_OF, LEAD_OF = range(3)

# Marks (bits).
IS_SOLDER, IS_PIT, IS_SPIKE, IS_FOOT, IS_LEAD_END, IS_LAND = 1, 2, 4, 8, 16, 32  # foot: the lead at the land's level

#: Labels of the label map on request.
LABELS = ("mask", "land", "solder", "lead", "hole", "chip", "fiducial", "ball")


@dataclass(frozen=True)
class Canvas:
    """Fine grid, padded by `pad` samples on every side of the picture.

    height (row, col) float32 in mm above the land; surface (row, col) int16; marks (row, col) uint8;
    `to_board` maps fine grid (x, y) to board mm, `step_mm` is the grid's pitch on the board.
    """

    height: NDArray[np.float32]
    surface: NDArray[np.int16]
    marks: NDArray[np.uint8]
    board_to_fine: Similarity
    supersample: int
    pad: int
    step_mm: float

    def layers(self, place: tuple[slice, slice]
               ) -> tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.uint8]]:
        """Return height, surface and marks of a window, as views."""
        return self.height[place], self.surface[place], self.marks[place]

    @property
    def inner(self) -> tuple[slice, slice]:
        """The part of the grid that the picture shows."""
        rows, cols = self.height.shape
        return slice(self.pad, rows - self.pad), slice(self.pad, cols - self.pad)


def new_canvas(board_to_px: Similarity, size_px: tuple[int, int], supersample: int, pad_mm: float) -> Canvas:
    """Return an empty canvas (all mask at height 0) for pictures of (width, height) px."""
    step = 1.0 / (board_to_px.px_per_mm * supersample)
    pad = supersample * int(np.ceil(pad_mm / step / supersample))
    shape = (size_px[1] * supersample + 2 * pad, size_px[0] * supersample + 2 * pad)
    fine = Similarity(board_to_px.matrix * supersample, board_to_px.shift * supersample + pad)
    return Canvas(np.zeros(shape, np.float32), np.full(shape, MASK, np.int16), np.zeros(shape, np.uint8), fine,
                  supersample, pad, step)


@dataclass(frozen=True)
class Window:
    """A rectangle of the canvas with its samples' places against a board point, in mm (float32)."""

    rows: slice
    cols: slice
    u: NDArray[np.float32]  # (row, col) along board x
    v: NDArray[np.float32]

    @property
    def place(self) -> tuple[slice, slice]:
        """The rectangle as an index."""
        return self.rows, self.cols


def window(canvas: Canvas, x_mm: float, y_mm: float, reach_mm: float) -> Window | None:
    """Return the window around a board point, or None where it lies outside the canvas."""
    (a, b), (c, d) = canvas.board_to_fine.matrix.tolist()
    shift = canvas.board_to_fine.shift.tolist()
    centre = (a * x_mm + b * y_mm + shift[0], c * x_mm + d * y_mm + shift[1])
    reach = math.ceil(reach_mm / canvas.step_mm) + 1
    rows, cols = canvas.height.shape
    left, top = (math.floor(place) - reach for place in centre)
    right, bottom = left + 2 * reach + 1, top + 2 * reach + 1
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, cols), min(bottom, rows)
    if right - left < 2 or bottom - top < 2:
        return None
    scale = a * d - b * c
    px = (np.arange(left, right) + 0.5 - centre[0]).astype(np.float32)
    py = (np.arange(top, bottom) + 0.5 - centre[1]).astype(np.float32)[:, None]
    u = np.float32(d / scale) * px + np.float32(-b / scale) * py
    v = np.float32(-c / scale) * px + np.float32(a / scale) * py
    return Window(slice(top, bottom), slice(left, right), u, v)


def solder_of(joint: int) -> int:
    """Return the surface number of a joint's solder."""
    return FIRST_JOINT + 3 * joint + SOLDER_OF


def land_of(joint: int) -> int:
    """Return the surface number of a joint's land."""
    return FIRST_JOINT + 3 * joint + LAND_OF


def lead_of(joint: int) -> int:
    """Return the surface number of a joint's lead."""
    return FIRST_JOINT + 3 * joint + LEAD_OF
