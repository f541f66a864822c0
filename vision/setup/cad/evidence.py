"""How files of one board fit each other: origin, scale and mirroring settled by where their features lie.

Layout programs export one board with differing origins, units and senses of x. The holes and pads themselves
tell: the right reading of a file is the one under which its features fall on those of the netlist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

#: Places of one feature in two files may differ by rounding to 0.001 mm or 0.0001 inch in each.
SAME_PLACE_MM = 0.06
#: Shifts are counted in cells of this size before they are refined.
CELL_MM = 0.1
#: Share of the smaller set that must be found again for files to belong to one board.
ENOUGH = 0.8
MOST_FOR_VOTE = 400


#: A transform that changes something needs this many partners: fewer may be chance.
FEWEST_FOR_CHANGE = 4


@dataclass(frozen=True)
class Evidence:
    """One thing understood of a file, and how: the file `said` it, other files have `shown` it, or it was `assumed`."""

    file: str
    text: str
    how: str

    def __str__(self) -> str:
        return f"{Path(self.file).name}: {self.text} [{self.how}]"


@dataclass(frozen=True)
class Transform:
    """Signs, scale and shift that carry a file's coordinates into those of the reference."""

    sign_x: float = 1.0
    sign_y: float = 1.0
    scale: float = 1.0
    dx_mm: float = 0.0
    dy_mm: float = 0.0

    def apply(self, points: Points) -> Points:
        """Carry points (n, 2)."""
        return np.asarray(points * (np.array([self.sign_x, self.sign_y]) * self.scale)
                          + np.array([self.dx_mm, self.dy_mm]), dtype=np.float64)

    @property
    def plain(self) -> bool:
        """Whether it changes nothing but the last digits."""
        return (self.sign_x == self.sign_y == self.scale == 1.0
                and max(abs(self.dx_mm), abs(self.dy_mm)) <= SAME_PLACE_MM)

    @property
    def mirrored(self) -> bool:
        """Whether the sense of rotation is reversed."""
        return self.sign_x * self.sign_y < 0.0

    def turn(self, rotation_deg: float) -> float:
        """Carry a rotation, counter-clockwise."""
        turned = -rotation_deg if self.mirrored else rotation_deg
        return (turned + (180.0 if self.sign_x < 0.0 else 0.0)) % 360.0

    def words(self) -> str:
        """Say it: `same origin, not mirrored`, `origin moved by (10, 0) mm, x mirrored`."""
        moved = abs(self.dx_mm) > SAME_PLACE_MM or abs(self.dy_mm) > SAME_PLACE_MM
        origin = f"origin moved by ({self.dx_mm:.3f}, {self.dy_mm:.3f}) mm" if moved else "same origin"
        axes = [name for name, sign in (("x", self.sign_x), ("y", self.sign_y)) if sign < 0.0]
        scale = "" if self.scale == 1.0 else f", scaled by {self.scale:g}"
        return f"{origin}, {' and '.join(axes) + ' mirrored' if axes else 'not mirrored'}{scale}"


@dataclass(frozen=True)
class Fit:
    """A transform and how well it fits: partner of each point in the reference, -1 for none."""

    transform: Transform
    partner: NDArray[np.int64]
    matched: int
    share: float  # of the smaller of both sets
    residual_mm: float  # median distance of partners
    rivals: tuple[Transform, ...] = ()  # other transforms that fit as well and do something else

    @property
    def good(self) -> bool:
        """Whether enough was found again for files of one board."""
        return self.share >= ENOUGH and self.matched >= (1 if self.transform.plain else FEWEST_FOR_CHANGE)


class Placed(Protocol):
    """What has a place on the board, mm."""

    @property
    def x_mm(self) -> float:
        """To the right."""

    @property
    def y_mm(self) -> float:
        """Upward."""


def points_of(items: Sequence[Placed]) -> Points:
    """Return the places of some lands, pads or components, (n, 2) mm."""
    return np.array([(item.x_mm, item.y_mm) for item in items], dtype=np.float64).reshape(-1, 2)


def fit_points(reference: Points, points: Points, sizes: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
               scales: Sequence[float] = (1.0,)) -> Fit:
    """Find the transform that carries most points onto points of the reference.

    `reference` (m, 2) and `points` (n, 2) in mm; `sizes` are hole diameters of both, NaN where unknown, and only
    decide between transforms that fit the places equally well. A transform that changes nothing wins a tie.
    """
    found: list[tuple[tuple[float, ...], Fit]] = []
    for scale in scales:
        for sign_x, sign_y in ((1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)):
            turned = points * (np.array([sign_x, sign_y]) * scale)
            for shift in _shifts(reference, turned):
                transform = Transform(sign_x, sign_y, scale, float(shift[0]), float(shift[1]))
                fit = _fit(reference, turned + shift, transform)
                plain = transform.scale == 1.0 and sign_x == sign_y == 1.0
                agreeing = _agreeing(fit, sizes, scale)
                at_origin = float(abs(shift[0]) < SAME_PLACE_MM and abs(shift[1]) < SAME_PLACE_MM)
                found.append(((fit.matched, agreeing, float(plain and at_origin), float(plain), at_origin), fit))
    found.sort(key=lambda item: item[0], reverse=True)
    key, best = found[0]
    rivals = tuple(fit.transform for other, fit in found[1:]
                   if other[:3] == key[:3] and _differ(fit.transform, best.transform))
    return Fit(best.transform, best.partner, best.matched, best.share, best.residual_mm, rivals)


def nearest(reference: Points, points: Points) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return distance and index of the nearest reference point of every point."""
    from scipy.spatial import cKDTree

    distance, index = cKDTree(reference).query(points)
    return np.asarray(distance, dtype=np.float64), np.asarray(index, dtype=np.int64)


def _shifts(reference: Points, points: Points) -> list[Points]:
    """No shift, and the three that most pairs of points ask for."""
    some = points[np.linspace(0, len(points) - 1, min(len(points), MOST_FOR_VOTE)).astype(int)]
    differences = (reference[None, :, :] - some[:, None, :]).reshape(-1, 2)
    cells = np.round(differences / CELL_MM).astype(np.int64)
    keys = cells[:, 0] * 1_000_003 + cells[:, 1]
    unique, counts = np.unique(keys, return_counts=True)
    shifts: list[Points] = [np.zeros(2)]
    for key in unique[np.argsort(-counts, kind="stable")[:3]]:
        start = np.median(differences[keys == key], axis=0)
        near = np.abs(differences - start).max(axis=1) < CELL_MM
        shifts.append(np.asarray(np.median(differences[near], axis=0), dtype=np.float64))
    return shifts


def _fit(reference: Points, moved: Points, transform: Transform) -> Fit:
    distance, index = nearest(reference, moved)
    partner = np.where(distance <= SAME_PLACE_MM, index, -1)
    matched = len(np.unique(partner[partner >= 0]))
    residual = float(np.median(distance[partner >= 0])) if matched else float("nan")
    return Fit(transform, partner, matched, matched / min(len(np.unique(reference, axis=0)),
                                                          len(np.unique(moved, axis=0))), residual)


def _agreeing(fit: Fit, sizes: tuple[NDArray[np.float64], NDArray[np.float64]] | None, scale: float) -> float:
    """Count partners whose hole sizes agree."""
    if sizes is None:
        return 0.0
    has = fit.partner >= 0
    differ = np.abs(sizes[0][fit.partner[has]] - sizes[1][has] * scale)
    return float(np.sum(differ <= 0.1))


def _differ(one: Transform, two: Transform) -> bool:
    return (one.sign_x, one.sign_y, one.scale) != (two.sign_x, two.sign_y, two.scale) or (
        abs(one.dx_mm - two.dx_mm) > 2 * CELL_MM or abs(one.dy_mm - two.dy_mm) > 2 * CELL_MM)
