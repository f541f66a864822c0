"""Outlines of all lands of a view at once, and whether the picture shows lands there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import edges_towards
from vision.setup.family import Joint
from vision.setup.geometry import Similarity

KEPT = 16  # geometry of so many views is kept; a family seldom has more
INSIDE_MM, OUTSIDE_MM = -0.08, (0.12, 0.28)  # what is compared across a land's edge
INSIDE_STEPS, OUTSIDE_STEPS, AROUND = 9, 3, 48
NEIGHBOURS_PX = ((-0.7, -0.7), (0.7, 0.7))
COLOURED, FAINT = 0.25, 0.1  # sum of the differences of shares of light; added where these are divided
SPARE = 0.05  # a few more lands than are asked for are looked at first: some may not stand out


def land_outlines(joints: Sequence[Joint], to_picture: Similarity, grow_mm: float = 0.0,
                  steps: int = AROUND) -> NDArray[np.float64]:
    """Return the outlines of the joints' lands in picture px, (joint, steps, 2), grown by a margin."""
    radius, direction = land_edges(shapes_of(joints), steps)
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 1, 2)
    return to_picture.to_px(center + (radius + grow_mm)[:, :, None] * direction)


class Shapes(tuple[Joint, ...]):
    """Joints with all holes in one place; their hash, which is asked for at every look-up, is worked out once."""

    @cached_property
    def _own_hash(self) -> int:
        return super().__hash__()

    def __hash__(self) -> int:
        """Return the tuple's hash."""
        return self._own_hash


def shapes_of(joints: Sequence[Joint]) -> Shapes:
    """Return the joints with all holes in one place.

    What hangs on shapes alone is kept for these, so that it is found again where a board's lands lie elsewhere.
    """
    return _shapes_of(tuple(joints))


@lru_cache(maxsize=KEPT)
def _shapes_of(joints: tuple[Joint, ...]) -> Shapes:
    return Shapes(_at_origin(joint) for joint in joints)


@lru_cache(maxsize=4096)
def _at_origin(joint: Joint) -> Joint:
    return replace(joint, x_mm=0.0, y_mm=0.0)


@lru_cache(maxsize=KEPT)
def land_edges(joints: tuple[Joint, ...], steps: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the distance of the land's edge from its centre in mm, (joint, steps), and unit vectors (steps, 2).

    Azimuths begin along board x.
    """
    azimuth = np.arange(steps, dtype=np.float64) * (2.0 * np.pi / steps)
    return _kept(edges_towards(joints, azimuth)), _kept(np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1))


def lands_seen(capture: Capture, joints: Sequence[Joint], to_picture: Similarity, enough: float = 1.0) -> float:
    """Return the share of lands whose outline is an edge in the picture: inside differs from just outside.

    Where `enough` is reached before all lands have been looked at, the rest are not: then it is this share at least.
    """
    radius, direction = land_edges(shapes_of(joints), AROUND)
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 1, 2)
    shown = np.flatnonzero(lands_shown(joints, to_picture, capture.size_px))
    seen, share, first = 0, 0.0, int(np.ceil(min(enough + SPARE, 1.0) * len(shown)))
    for some in (shown[:first], shown[first:]):
        if len(some) and share < enough:
            middle = (to_picture.to_px(center[some]) - 0.5).astype(np.float32)
            seen += int(_stand_out(capture, middle, radius[some], direction @ to_picture.matrix.T).sum())
            share = seen / len(shown)
    return share


def lands_shown(joints: Sequence[Joint], to_picture: Similarity, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Say which lands lie in a picture of (width, height) px with what is compared around them, [joint]."""
    corners = land_outlines(joints, to_picture, OUTSIDE_MM[1])
    return np.asarray(((corners >= 0) & (corners <= size_px)).all(axis=(1, 2)), dtype=np.bool_)


def _stand_out(capture: Capture, middle: NDArray[np.float32], radius: NDArray[np.float64],
               ray: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which lands stand out from the board, [joint]; their middles [joint, 1, 2] in OpenCV's pixel count.

    A soldered land holds bright and dark zones, so the inside is judged by its spread as well as its mean. `radius`
    [joint, azimuth] are the lands' edges in mm, `ray` [azimuth, 2] is a mm outward in px.
    """
    inner, near, far = radius + INSIDE_MM, radius + OUTSIDE_MM[0], radius + OUTSIDE_MM[1]
    inside_at = (np.arange(INSIDE_STEPS) + 0.5) / INSIDE_STEPS
    outside_at = (np.arange(OUTSIDE_STEPS) + 0.5) / OUTSIDE_STEPS
    away = np.concatenate([inner[:, :, None] * inside_at, near[:, :, None] + (far - near)[:, :, None] * outside_at],
                          axis=2).astype(np.float32)
    x, y = (middle[:, :, None, axis] + away * ray.astype(np.float32)[:, axis, None] for axis in (0, 1))
    near_x, near_y = (np.concatenate([part + np.float32(by[axis]) for by in NEIGHBOURS_PX], axis=2)
                      for axis, part in enumerate((x, y)))
    lights = capture.sample(near_x, near_y)
    # A place's brightness is the brightest light's, highlights held down, averaged over a few pixels against noise.
    values = _mean_of_near(np.clip(lights.max(axis=0), 0.0, 1.5))
    within, spread = _mean_std(values[:, :, :INSIDE_STEPS], inside_at)
    around, noise = _mean_std(values[:, :, INSIDE_STEPS:], np.ones(OUTSIDE_STEPS))
    found = np.asarray((np.abs(within - around) > 0.08 + 0.5 * noise) | (spread > 0.12 + 2.0 * noise), dtype=np.bool_)
    if not found.all():  # a light board is as bright as solder, but matt: it sends back all lights alike
        found[~found] = _coloured(_mean_of_near(lights[:, ~found]), inside_at)
    return found


def _mean_of_near(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Average values [..., place] over the neighbours of each place, which follow each other there."""
    mean = np.add.reduce(np.split(values, len(NEIGHBOURS_PX), axis=-1)) / np.float32(len(NEIGHBOURS_PX))
    return np.asarray(mean, dtype=np.float32)


def _coloured(lights: NDArray[np.float32], weight: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which lands have another colour than the board around them, from responses [light, joint, azimuth, radius].

    A place's colour is how much of all light every light has there; solder shows other lights from place to place.
    """
    bright = np.maximum(lights, np.float32(0.0))
    share = bright / (bright.sum(axis=0) + np.float32(FAINT))
    board = share[..., INSIDE_STEPS:].mean(axis=(2, 3))[:, :, None, None]
    off = np.abs(share - board).sum(axis=0)
    within, _ = _mean_std(off[:, :, :INSIDE_STEPS], weight)
    around, _ = _mean_std(off[:, :, INSIDE_STEPS:], np.ones(OUTSIDE_STEPS))
    return np.asarray(within > COLOURED + 2.0 * around, dtype=np.bool_)


def _mean_std(values: NDArray[np.float32],
              weight: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and standard deviation [joint] of values [joint, azimuth, radius], weighted along the radius."""
    share = weight / (weight.sum() * values.shape[1])
    mean = (values @ share).sum(axis=1)
    square = (values**2 @ share).sum(axis=1)
    return mean, np.sqrt(np.maximum(square - mean**2, 0.0))


def _kept(values: NDArray[np.float64]) -> NDArray[np.float64]:
    values.setflags(write=False)  # shared by all who ask
    return values
