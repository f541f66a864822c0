"""How board coordinates map to picture coordinates: the convention that renderer and pipeline share.

Board: millimetres, x right and y up as seen from the component side. Picture: x along the columns, y along
the rows, row 0 at the top; the centre of the first pixel is (0.5, 0.5) px. Seen from the bottom, board x is
mirrored. A view's rotation turns the board counter-clockwise as it appears in the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.setup.family import Family, Joint, View
from vision.setup.station import Station


@dataclass(frozen=True)
class Similarity:
    """An affine map from board mm to picture px: px = matrix @ mm + shift. Usually a similarity."""

    matrix: NDArray[np.float64]  # (2, 2)
    shift: NDArray[np.float64]  # (2,)

    def to_px(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Map points (..., 2) in board mm to picture (x, y) px."""
        points = np.asarray(points_mm, dtype=np.float64)
        return points @ self.matrix.T + self.shift

    def to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Map picture points (..., 2) in px to board mm."""
        points = np.asarray(points_px, dtype=np.float64)
        return (points - self.shift) @ np.linalg.inv(self.matrix).T

    @property
    def px_per_mm(self) -> float:
        """Scale: the square root of the area that a square millimetre takes in the picture."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))))


def drawn_turn_deg(matrix: NDArray[np.float64], rotation_deg: float) -> float:
    """Return a rotation on the board as that of a drawing made by `matrix` (2, 2), in degrees, clockwise as SVG counts.

    `rotation_deg` counts counter-clockwise from board x as seen from the component side.
    """
    angle = np.deg2rad(rotation_deg)
    direction = matrix @ np.array([np.cos(angle), np.sin(angle)])
    return float(np.rad2deg(np.arctan2(direction[1], direction[0])))


def nominal_view(family: Family, view: View, station: Station, size_px: tuple[int, int]) -> Similarity:
    """Return the map of an ideally placed board, for pictures of (width, height) px."""
    mirror = -1.0 if family.seen_from == "bottom" else 1.0
    angle = np.deg2rad(view.rotation_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = np.diag([1.0, -1.0]) @ turn @ np.diag([mirror, 1.0]) / station.mm_per_px
    shift = np.asarray(size_px, dtype=np.float64) / 2.0 - matrix @ np.asarray(view.center_mm)
    return Similarity(matrix, shift)


def view_size_px(family: Family, view: View, station: Station, margin_mm: float = 2.0) -> tuple[int, int]:
    """Return the picture size (width, height): the station's or its flat-fields', or what shows the whole view."""
    if station.picture_px is not None:
        return station.picture_px
    for light in station.lights:
        size = None if light.flat_field is None else _size_px(light.flat_field)
        if size is not None:
            return size
    at_origin = nominal_view(family, view, station, (0, 0))
    points = [(j.x_mm, j.y_mm) for j in family.joints] + [(f.x_mm, f.y_mm) for f in family.fiducials]
    reach = np.abs(at_origin.to_px(points)).max(axis=0) + margin_mm / station.mm_per_px
    width, height = (int(np.ceil(2.0 * side / 4.0)) * 4 for side in reach)
    return width, height


@lru_cache(maxsize=8)
def _size_px(path: Path) -> tuple[int, int] | None:
    """Return a picture's width and height, None where it cannot be read; whoever uses it says why."""
    import cv2

    try:
        picture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_UNCHANGED)
    except (OSError, cv2.error):
        return None
    return None if picture is None else (picture.shape[1], picture.shape[0])


def joint_columns(joints: Sequence[Joint]) -> dict[str, NDArray[np.float64]]:
    """Return the numeric columns of joints as arrays (joint,), for work on all joints at once."""
    names = ("x_mm", "y_mm", "land_w_mm", "land_h_mm", "land_rotation_deg", "hole_mm", "lead_w_mm", "lead_h_mm")
    return {name: np.array([getattr(joint, name) for joint in joints], dtype=np.float64) for name in names}
