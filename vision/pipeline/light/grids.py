"""Square sample grids around every joint, all joints as one array."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.light.optics import DARK, Optics, sector_of, slope_from_responses
from vision.pipeline.light.surface import STEEP_DEG, Surface, is_dim_flat
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.register import Registration
from vision.setup.family import Joint

SIDE = 108  # samples each way of the fine grid
REACH_MM = 0.45  # how far the fine grid reaches beyond the land


@dataclass(frozen=True)
class Owners:
    """Who owns the pixels that samples lie in, see owner_map: asked of few samples, it is looked up for these alone."""

    owners: NDArray[np.uint16]  # [row, column] of the picture
    x_px: NDArray[np.float32]  # of all samples, in OpenCV's pixel count
    y_px: NDArray[np.float32]

    def at(self, place: NDArray[np.intp]) -> NDArray[np.uint16]:
        """Return the owners at samples counted through the grids; beyond the picture lies nobody's."""
        row, column = (np.rint(part.ravel().take(place)).astype(np.intp) for part in (self.y_px, self.x_px))
        height, width = self.owners.shape
        inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
        found = self.owners.ravel().take((row * width + column) * inside)
        return np.asarray(found * inside, dtype=np.uint16)


@dataclass(frozen=True)
class FineGrid:
    """Joints sampled on squares that reach a little beyond their lands; rows run along board -y.

    Arrays [joint, row, column] unless stated.
    """

    step_mm: NDArray[np.float64]  # [joint] distance of neighbouring samples
    x_mm: NDArray[np.float64]  # from the hole's centre, board axes
    y_mm: NDArray[np.float64]
    energy: NDArray[np.float32]  # 1 = as bright as the view's lit solder, or flat
    radiance: NDArray[np.float32]  # the same with what is flat and dim left dim
    steep_deg: NDArray[np.float32]  # slope, passing over to STEEP_DEG where unlit
    owner: Owners
    unlit: NDArray[np.bool_] | None = None  # falls whither the steepest lights do not shine; None: they go all round
    lights_change: NDArray[np.bool_] | None = None  # falls whither those begin or end


def fine_grid(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
              surface: Surface, owners: NDArray[np.uint16]) -> FineGrid:
    """Sample all joints of a view on fine grids and turn light into slope."""
    step = grid_step(joints)
    map_x, map_y = _maps(joints, registration, step, SIDE)
    slope, energy, radiance = _slope_and_energy(capture.sample(map_x, map_y), map_x, map_y, optics, surface)
    # From lit to unlit the steepness passes over gradually, or noise on the brim would make false edges.
    lit = energy - np.float32(DARK - 0.12)
    lit *= np.float32(1.0 / 0.25)
    steep = np.clip(lit, 0.0, 1.0, out=lit)
    slope -= np.float32(STEEP_DEG)
    steep *= slope
    steep += np.float32(STEEP_DEG)
    along = (np.arange(SIDE) - SIDE // 2) * step[:, None]
    shape = (len(joints), SIDE, SIDE)
    x, y = (np.broadcast_to(part, shape) for part in (along[:, None, :], -along[:, :, None]))
    facing = _facing(map_x, map_y, optics)
    if facing is None:
        return FineGrid(step, x, y, energy, radiance, steep, Owners(owners, map_x, map_y))
    unlit = optics.steepest_from_deg < optics.steepest_from_deg.max()
    change = (unlit != np.roll(unlit, 1)) | (unlit != np.roll(unlit, -1))
    return FineGrid(step, x, y, energy, radiance, steep, Owners(owners, map_x, map_y), unlit[facing], change[facing])


def grid_step(joints: Sequence[Joint]) -> NDArray[np.float64]:
    """Return the distance of neighbouring samples of the joints' fine grids, mm, [joint]."""
    return np.array([land_reach(joint) + REACH_MM for joint in joints]) * (2.0 / SIDE)


@lru_cache(maxsize=1)
def cells_off() -> NDArray[np.float64]:
    """Return how far from the hole each sample of a fine grid lies, in samples, [row, column]."""
    axis = np.arange(SIDE, dtype=np.float64) - SIDE // 2
    return np.asarray(np.hypot(axis[:, None], axis[None, :]), dtype=np.float64)


def land_reach(joint: Joint) -> float:
    """Return the largest distance of the land's edge from its centre, mm."""
    if joint.land_shape == "rect":
        return float(np.hypot(joint.land_w_mm, joint.land_h_mm)) / 2.0
    return max(joint.land_w_mm, joint.land_h_mm) / 2.0


def lifted_flats(slope: NDArray[np.float32], energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Count what is flat as lit: it mirrors the lens and is dim, but under the highest light alone."""
    flat = is_dim_flat(slope, energy)
    return np.maximum(energy, flat.astype(np.float32))  # energy is never negative


def grid_lights(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
                surface: Surface, step: NDArray[np.float64], side: int,
                aside_mm: NDArray[np.float64] | None = None) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Radiance on a square grid around every hole against lit solder, [joint, row, column], and of every light.

    Flats are lifted in all lights together, not in each one, [light, joint, row, column]. Rows run along board -y.
    `step` [joint] is the distance of neighbouring samples in mm, `side` their number each way; `aside_mm` [joint, 2] is
    how far off the hole the grid's middle lies.
    """
    map_x, map_y = _maps(joints, registration, step, side, aside_mm)
    lights = capture.sample(map_x, map_y)
    energy = _slope_and_energy(lights, map_x, map_y, optics, surface)[1]
    factor = (optics.white / surface.lit_level).astype(np.float32)[:, None, None, None]
    return energy, np.clip(lights, np.float32(0.0), np.float32(np.inf)) * factor


def _slope_and_energy(lights: NDArray[np.float32], map_x: NDArray[np.float32], map_y: NDArray[np.float32],
                      optics: Optics, surface: Surface,
                      ) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return slope in degrees and radiance against lit solder, flats lifted and as it is, [joint, row, column].

    `lights` are the responses sampled at the maps' places, [light, joint, row, column].
    """
    facing = _facing(map_x, map_y, optics)
    slope, energy = slope_from_responses(lights.swapaxes(0, 1), optics, surface.roughness, facing)
    energy *= np.float32(1.0 / surface.lit_level)
    return slope, lifted_flats(slope, energy), energy


def _facing(map_x: NDArray[np.float32], map_y: NDArray[np.float32], optics: Optics) -> NDArray[np.uint8] | None:
    """Return whither the samples fall, away from the hole, [joint, row, column]; None where all lights go round."""
    if optics.by_sector is None:
        return None
    middle = map_x.shape[1] // 2
    return sector_of(map_x - map_x[:, middle, middle, None, None], map_y - map_y[:, middle, middle, None, None])


def _maps(joints: Sequence[Joint], registration: Registration, step: NDArray[np.float64],
          side: int, aside_mm: NDArray[np.float64] | None = None) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return where in the picture the samples lie, in OpenCV's pixel count, x and y [joint, row, column]."""
    axis = np.arange(side) - side // 2
    places = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 2)
    center = registration.to_picture.to_px(places if aside_mm is None else places + aside_mm) - 0.5
    matrix = registration.to_picture.matrix
    maps = []
    for row in (0, 1):
        # Columns run along board x, rows along board -y.
        across = step[:, None] * (matrix[row, 0] * axis) + center[:, row, None]
        down = step[:, None] * (-matrix[row, 1] * axis)
        maps.append(across.astype(np.float32)[:, None, :] + down.astype(np.float32)[:, :, None])
    return maps[0], maps[1]
