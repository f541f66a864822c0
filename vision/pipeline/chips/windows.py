"""What surrounds chips as windows [light, row, col] of square roots of response, turned any way, and their edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.pipeline.chips.doubts import Array, Plane
from vision.pipeline.view.capture import Capture
from vision.setup.family import Chip
from vision.setup.geometry import Similarity

GRID = 112  # samples each way
EDGE = 0.17  # step of the square root of response that counts as a full edge; noise makes less than a fifth of it

Half = tuple[float, float]  # half a chip's length and width, samples
Place = tuple[float, float, float, float]  # evidence, shift along and across the turned axes (samples), turn (deg)


@dataclass(frozen=True)
class Fit:
    """The best place of a chip: evidence 0 to 1, shift along and across its long axis (mm), turn (deg), cover (%)."""

    evidence: float
    along_mm: float
    across_mm: float
    turn_deg: float
    cover_pct: float


def fit_at(place: Place, left_deg: float, step_mm: float, cover_pct: float) -> Fit:
    """Return a place in turned axes as a fit in the chip's nominal ones; `left_deg` it is turned beyond the place."""
    evidence, u, v, turn = place
    angle = np.deg2rad(turn)
    x, y = u * np.cos(angle) - v * np.sin(angle), u * np.sin(angle) + v * np.cos(angle)
    return Fit(evidence, step_mm * float(x), step_mm * float(y), float((turn + left_deg + 90.0) % 180.0 - 90.0),
               cover_pct)


def window_round(capture: Capture, chip: Chip, to_picture: Similarity, step: float) -> Plane:
    """Sample the square root of response [light, row, col] in axes along the chip's long axis and across."""
    axis = (np.arange(GRID) - (GRID - 1) / 2.0) * step
    angle = np.deg2rad(chip.long_axis_deg)
    middle = to_picture.to_px((chip.x_mm, chip.y_mm)) - 0.5
    cos, sin = np.cos(angle), np.sin(angle)
    along, across = (to_picture.matrix @ way for way in ((cos, sin), (-sin, cos)))
    map_x, map_y = ((middle[part] + axis * along[part] + (axis * across[part])[:, None]).astype(np.float32)
                    for part in (0, 1))
    seen = capture.sample(map_x, map_y)
    return np.sqrt(np.clip(seen, np.float32(0.0), np.float32(np.inf), out=seen), out=seen)


def in_own_axes(window: Plane, half: Half, place: Place) -> tuple[Plane, Array, Array]:
    """Return a window in a chip's axes, and its columns' and rows' places there: 1 at the ends and at the sides."""
    _, u, v, turn = place
    return turned_by(window, turn), *axes_about(window, half, u, v)


def axes_about(window: Plane, half: Half, u: float, v: float) -> tuple[Array, Array]:
    """Return the places of a turned window's columns and rows along and across a chip whose middle is u, v off."""
    axis = np.arange(window.shape[1]) - (window.shape[1] - 1) / 2.0
    return (axis - u) / half[0], (axis - v) / half[1]


def part_within(side: int, reach: float) -> slice:
    """Return the part of an axis of `side` samples that lies within reach of its middle."""
    first = max(0, int(np.floor(side / 2.0 - reach)))
    return slice(first, side - first)


def halved(window: Plane) -> Plane:
    """Return a window half as fine."""
    light, rows, columns = window.shape
    half: Plane = window.reshape(light, rows // 2, 2, columns // 2, 2).mean(axis=(2, 4))
    return half


def turned_by(window: Plane, turn: float) -> Plane:
    """Return a window [light, row, col] seen in turned axes."""
    if turn == 0.0:
        return window
    shown = np.empty_like(window)
    turn_into(shown, window, turn, slice(0, None), slice(0, None))
    return shown


def turn_into(shown: Plane, window: Plane, turn: float, rows: slice, columns: slice) -> None:
    """Fill `shown` with a part of a window [light, row, col] as seen in turned axes."""
    if turn == 0.0:
        shown[:] = window[:, rows, columns]
        return
    middle = (window.shape[1] - 1) / 2.0
    matrix = cv2.getRotationMatrix2D((middle, middle), turn, 1.0)
    # OpenCV turns the other way than the matrix says: what lies in the part is looked up in the whole.
    matrix[:, 2] -= (columns.start, rows.start)
    for plane, found in zip(window, shown, strict=True):
        cv2.warpAffine(plane, matrix, found.shape[::-1], dst=found, flags=cv2.INTER_LINEAR,
                       borderMode=cv2.BORDER_REPLICATE)


def edges_across(turned: Plane, axis: int, fine: bool, full: float = EDGE) -> Plane:
    """Return how much of a full edge runs across an axis of [light, turn, row, col], 0 to 1, [row, col, turn].

    Two samples on either side are compared, in a window half as fine one.
    """
    reach = 2 if fine else 1
    length = turned.shape[axis]

    def part(first: int, last: int) -> tuple[slice, ...]:
        return (slice(None),) * axis + (slice(first, length + last),)

    two = turned if reach == 1 else turned[part(1, 0)] + turned[part(0, -1)]
    length = two.shape[axis]
    step = two[part(1 + reach, 0)] - two[part(0, -1 - reach)]
    strongest = np.abs(step, out=step).max(axis=0)
    strongest *= np.float32(1.0 / full / reach)
    length = turned.shape[axis]
    turns, rows, columns = turned.shape[1:]
    steps = np.zeros((rows, columns, turns), dtype=np.float32)
    np.minimum(strongest, np.float32(1.0), out=steps.transpose(2, 0, 1)[part(reach, -reach)[1:]])
    return steps
