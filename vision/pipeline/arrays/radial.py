"""Tables of polar samples [joint, azimuth, radius], and what runs along their radius.

Such a table lies in memory one radius after the other, each with all azimuths of all joints. So a zone is one piece,
and a step along the radius is one step for all rays at once.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Kind = TypeVar("Kind", bound=np.generic)


def by_radius(table: NDArray[Kind]) -> NDArray[Kind]:
    """Return a table [..., joint, azimuth, radius] that lies in memory one radius after the other."""
    return radius_last(np.ascontiguousarray(radius_first(table)))


def radius_first(table: NDArray[Kind]) -> NDArray[Kind]:
    """Return a view [..., radius, joint, azimuth] of a table [..., joint, azimuth, radius]."""
    return table.swapaxes(-1, -2).swapaxes(-2, -3)  # NumPy's moveaxis takes ten times as long


def radius_last(planes: NDArray[Kind]) -> NDArray[Kind]:
    """Return a view [..., joint, azimuth, radius] of planes [..., radius, joint, azimuth]."""
    return planes.swapaxes(-3, -2).swapaxes(-2, -1)


def one_of(step: int, table: NDArray[Kind]) -> NDArray[Kind]:
    """Return one of so many azimuths of a table [joint, azimuth, radius] as a table of its own.

    The copy pays: NumPy takes up to twenty times as long over samples that do not lie side by side.
    """
    return by_radius(table[:, ::step])


def of_some(table: NDArray[Kind], joints: NDArray[np.intp]) -> NDArray[Kind]:
    """Return a table [joint, azimuth, radius] of some joints as one of its own."""
    return radius_last(radius_first(table)[:, joints])


def taken(table: NDArray[Kind], place: NDArray[np.intp], joint: NDArray[np.intp] | None = None) -> NDArray[Kind]:
    """Return the samples of a table [joint, azimuth, radius] at places on its rays, [joint, azimuth] or one axis more.

    As NumPy's take_along_axis does, in a third of its time; the places are those of all joints or of the numbers
    `joint`.
    """
    joints, azimuths, _ = table.shape
    first = (np.arange(joints) if joint is None else joint) * azimuths
    ray = first[:, None] + np.arange(azimuths)
    return on_rays(table, ray.reshape(ray.shape + (1,) * (place.ndim - 2)), place)


def on_rays(table: NDArray[Kind], ray: NDArray[np.intp], place: NDArray[np.intp]) -> NDArray[Kind]:
    """Return the samples of a table [joint, azimuth, radius] at places on rays, counted joint by joint."""
    joints, azimuths, count = table.shape
    held = radius_first(table)
    if held.flags.c_contiguous:
        found: NDArray[Kind] = held.reshape(-1).take(place * (joints * azimuths) + ray)
    else:
        found = np.ascontiguousarray(table).reshape(-1).take(ray * count + place)
    return found


def until(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return how many samples of each ray come before the first flag [joint, azimuth, radius]: all for none."""
    met, count = (np.zeros(flags.shape[:2], dtype=np.uint8) for _ in range(2))
    for plane in radius_first(flags).view(np.uint8):
        met |= plane
        count += met
    return np.asarray(flags.shape[2] - count.astype(np.intp), dtype=np.intp)


def number(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return how many flags [joint, azimuth, radius] hold on each ray; at most 255 lie on one."""
    return np.asarray(radius_first(flags).view(np.uint8).sum(axis=0, dtype=np.uint8).astype(np.intp))


def reach_of(flags: NDArray[np.bool_]) -> slice:
    """Return the part of the radii within which flags [joint, azimuth, radius] hold anywhere: no sum needs the rest."""
    held = np.flatnonzero(radius_first(flags).any(axis=(1, 2)))
    return slice(int(held[0]), int(held[-1]) + 1) if len(held) else slice(0, 0)


def largest_at(values: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return the place of the first of the largest values [joint, azimuth, radius] on each ray."""
    held = radius_first(values)
    most, place = held[0].copy(), np.zeros(held.shape[1:], dtype=np.uint8)
    for step, plane in enumerate(held[1:], start=1):
        place[plane > most] = step
        np.maximum(most, plane, out=most)
    return place.astype(np.intp)


def running_count(flags: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return how many flags [joint, azimuth, radius] hold up to each sample; at most 255 lie on a ray."""
    counts = np.empty_like(flags, dtype=np.uint8)
    held, found = radius_first(flags), radius_first(counts)
    if len(held):
        found[0] = held[0]
    for step in range(1, len(held)):
        np.add(found[step - 1], held[step], out=found[step], dtype=np.uint8, casting="unsafe")
    return counts


def running_sum(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the sums of values [joint, azimuth, radius] before each sample and after the last, one more a ray."""
    sums = np.zeros((values.shape[2] + 1, *values.shape[:2]), dtype=np.float32)
    for step, plane in enumerate(radius_first(values)):
        np.add(sums[step], plane, out=sums[step + 1])
    return radius_last(sums)


def total(values: NDArray[np.float32], factor: NDArray[np.float32] | None) -> NDArray[np.float64]:
    """Return the sum [joint] of values [joint, azimuth, radius], times a factor; rays in short, their sum in long."""
    rays = values.sum(axis=2) if factor is None else np.einsum("jar,jar->ja", values, factor)
    return np.asarray(rays.sum(axis=1, dtype=np.float64), dtype=np.float64)
