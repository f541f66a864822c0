"""Find the lead's end in every hole: solder too steep to be lit makes a dark rim around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.grids import grid_energy
from vision.pipeline.optics import Optics
from vision.pipeline.register import Registration
from vision.pipeline.surface import Surface
from vision.setup.family import Joint

GRID = 64  # samples each way
REACH = 1.7  # half side of the grid in hole radii
RIM_MM = 0.07  # width of the dark rim around a lead that is looked for
BEYOND_MM = ((0.10, 0.20), (0.20, 0.32), (0.32, 0.46))  # rings outside it, from the lead's edge
EDGES_MM = np.arange(-0.12, 0.1501, 0.03)  # outlines, from the nominal one, between which an end's edge is looked for
BAND_MM = 0.025  # half the width of the band around each that is averaged
LEAST_FALL = 0.06  # of brightness over two of them
OFFSET_ALLOWANCE_MM = 0.12  # a tilted lead's end may stand this much further off than the hole lets its foot


@dataclass(frozen=True)
class Leads:
    """Lead ends of all joints of a view, [joint]; offsets on the board, from the hole's centre."""

    visible: NDArray[np.float64]  # evidence 0 to 1
    offset_x_mm: NDArray[np.float64]
    offset_y_mm: NDArray[np.float64]
    size_mm: NDArray[np.float64]  # diameter of a disc as large; NaN where no lead is seen
    nominal_radius_mm: NDArray[np.float64]


def find_leads(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
               surface: Surface) -> Leads:
    """Look for every joint's lead end, all joints at once.

    Around a lead solder climbs steeper than any light can show, and further out it is lit: the lead's rim is
    dark against what lies outside it. A dome or a dish is lit in its middle and has no such rim where a lead
    would stand; an open hole is far darker inside than any lead's end. The rim is looked for at every shift that
    hole and tilt allow, and its darkness against the brightest of three rings further out is the evidence.
    """
    hole = np.array([joint.hole_mm / 2.0 for joint in joints])
    radius = np.array([lead_radius(joint) for joint in joints])
    step = 2.0 * REACH * hole / GRID
    energy = grid_energy(capture, joints, registration, optics, surface, step, GRID)
    axis = np.arange(GRID, dtype=np.float64) - GRID // 2
    edge = _edge_distance(joints, axis, step)
    spectrum = np.fft.rfft2(np.minimum(energy, 1.2))

    def mean_between(low: float, high: float) -> NDArray[np.float64]:
        kernel = _soft(edge - low, step) * _soft(high - edge, step) + 1e-9
        return _correlate(spectrum, kernel / kernel.sum(axis=(1, 2), keepdims=True))

    inside, rim = mean_between(-9.0, -0.05), mean_between(0.0, RIM_MM)
    beyond = np.max([mean_between(*ring) for ring in BEYOND_MM], axis=0)
    contrast = beyond - rim
    distance = np.hypot(axis[:, None], axis[None, :])[None] * step[:, None, None]
    allowed = np.maximum(hole - radius, 0.0)[:, None, None] + OFFSET_ALLOWANCE_MM
    score = contrast + 0.3 * np.abs(inside - rim)
    score[np.fft.ifftshift(distance > allowed, axes=(1, 2))] = -9.0
    at = score.reshape(len(joints), -1).argmax(axis=1)
    row, column = _signed(at // GRID), _signed(at % GRID)
    moved = _moved(np.minimum(energy, 1.2), row, column)
    dark_rim, darkest, face = _by_quadrant(moved, edge)
    rim_seen = np.clip((dark_rim - 0.12) / 0.22, 0.0, 1.0)
    # Where the whole fillet is too steep to be lit there is nothing brighter further out; then the end itself must
    # stand out, and evenly: a dome is brightest in its middle and darkens towards its brim.
    face_seen = np.clip((face - 0.15) / 0.15, 0.0, 1.0) * _even_face(energy, step, radius, row, column)
    visible = np.maximum(rim_seen, face_seen) * np.clip((darkest - 0.16) / 0.12, 0.0, 1.0)
    size = _size(moved, edge, radius)
    # Grid rows run along board -y, columns along board x.
    return Leads(visible, column * step, -row * step, np.where(visible > 0.0, size, np.nan), radius)


def _moved(energy: NDArray[np.float64], row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.float64]:
    """Shift every joint's grid so that the found lead stands in its middle."""
    rows = np.clip(np.arange(GRID)[None, :] + row[:, None], 0, GRID - 1)
    columns = np.clip(np.arange(GRID)[None, :] + column[:, None], 0, GRID - 1)
    joints = np.arange(len(energy))
    return np.asarray(energy[joints[:, None, None], rows[:, :, None], columns[:, None, :]], dtype=np.float64)


def _by_quadrant(moved: NDArray[np.float64], edge: NDArray[np.float64],
                 ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Look at the found lead quadrant by quadrant; all results [joint].

    Returns how dark the rim is against what lies beyond, in the better two quadrants (a flat fillet on the other
    sides hides no lead); the brightness of the end's darkest quadrant (a half-open hole is dark there); and how
    much brighter the end is than its rim.
    """
    axis = np.arange(GRID) - GRID // 2
    first = (axis[:, None] + axis[None, :] >= 0).astype(np.int64)
    quadrant = first + 2 * (axis[:, None] - axis[None, :] >= 0)

    def means(low: float, high: float) -> NDArray[np.float64]:
        band = (edge > low) & (edge <= high)
        return np.stack([_mean(moved, band & (quadrant == number)) for number in range(4)], axis=1)

    inside, rim = means(-9.0, -0.05), means(0.0, RIM_MM)
    beyond = np.max([means(*ring) for ring in BEYOND_MM], axis=0)
    better = np.sort(beyond - rim, axis=1)[:, 2:].mean(axis=1)
    return better, inside.min(axis=1), inside.mean(axis=1) - rim.mean(axis=1)


def _even_face(energy: NDArray[np.float64], step: NDArray[np.float64], radius: NDArray[np.float64],
               row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.float64]:
    """Say how evenly bright a lead's end is (0 to 1), comparing its middle with a band near its edge.

    A lead's cut end scatters light and is about as bright near its edge as in its middle, and less bright than lit
    solder.
    """
    axis = np.arange(GRID) - GRID // 2
    away = np.hypot((axis[None, :, None] - row[:, None, None]),
                    (axis[None, None, :] - column[:, None, None])) * step[:, None, None]
    r = radius[:, None, None]
    middle, near_edge = _mean(energy, away < 0.4 * r), _mean(energy, (away > 0.55 * r) & (away < 0.75 * r))
    even = np.clip((near_edge / np.maximum(middle, 1e-6) - 0.7) / 0.15, 0.0, 1.0)
    return np.asarray(even * np.clip((1.05 - middle) / 0.15, 0.0, 1.0), dtype=np.float64)


def _edge_distance(joints: Sequence[Joint], axis: NDArray[np.float64],
                   step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signed distance (mm) of grid points to the outline of a lead in the middle, [joint, row, column]."""
    x, y = axis[None, None, :] * step[:, None, None], -axis[None, :, None] * step[:, None, None]
    turn = np.deg2rad([joint.land_rotation_deg for joint in joints])[:, None, None]
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    half_w, half_h = (np.array([getattr(joint, name) / 2.0 for joint in joints])[:, None, None]
                      for name in ("lead_w_mm", "lead_h_mm"))
    out_w, out_h = np.abs(along) - half_w, np.abs(across) - half_h
    box = np.hypot(np.maximum(out_w, 0.0), np.maximum(out_h, 0.0)) + np.minimum(np.maximum(out_w, out_h), 0.0)
    disc = np.hypot(along, across) - half_w
    is_round = np.array([joint.lead_shape == "round" for joint in joints])[:, None, None]
    return np.asarray(np.where(is_round, disc, box), dtype=np.float64)


def lead_radius(joint: Joint) -> float:
    """Return the radius of a disc as large as the lead's section, mm."""
    area = joint.lead_w_mm * joint.lead_h_mm * (np.pi / 4.0 if joint.lead_shape == "round" else 1.0)
    return float(np.sqrt(area / np.pi))


def _soft(inside: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Anti-aliased indicator of a region from the signed distance to its edge (mm)."""
    return np.clip(inside / step[:, None, None] + 0.5, 0.0, 1.0)


def _correlate(spectrum: NDArray[np.complex128], kernel: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlate with kernels centred in their grids; result at [0, 0] is for no shift."""
    centred = np.fft.rfft2(np.fft.ifftshift(kernel, axes=(1, 2)))
    shifted = np.fft.irfft2(spectrum * np.conj(centred), s=(GRID, GRID))
    return np.asarray(np.fft.ifftshift(shifted, axes=(1, 2)), dtype=np.float64)


def _signed(index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Turn a wrapped shift into a signed one."""
    return np.where(index >= GRID // 2, index - GRID, index)


def _size(moved: NDArray[np.float64], edge: NDArray[np.float64], radius: NDArray[np.float64]) -> NDArray[np.float64]:
    """Diameter (mm) of a disc as large as the lead's end; NaN where its end is as dark as the rim around it.

    From the middle of the end outward, the mean brightness over outlines of the nominal shape falls most at the end's
    own edge, where the dark rim begins. `moved` is the energy with the found lead in the grid's middle.
    """
    course = np.stack([_mean(moved, np.abs(edge - place) < BAND_MM) for place in EDGES_MM], axis=1)
    fall = course[:, :-2] - course[:, 2:]
    best = fall.argmax(axis=1)
    joint = np.arange(len(fall))
    left, top, right = (fall[joint, np.clip(best + by, 0, fall.shape[1] - 1)] for by in (-1, 0, 1))
    bend = left - 2.0 * top + right
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(bend < -1e-9, np.clip(0.5 * (left - right) / bend, -0.5, 0.5), 0.0)
    beyond = EDGES_MM[1:-1][best] + fine * (EDGES_MM[1] - EDGES_MM[0])
    size = 2.0 * np.maximum(radius + beyond * radius / np.maximum(_inner(edge), 1e-6), 0.0)
    return np.where(top > LEAST_FALL, size, np.nan)


def _inner(edge: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far a lead's middle lies from its outline, mm."""
    return np.asarray(-edge.reshape(len(edge), -1).min(axis=1), dtype=np.float64)


def _mean(values: NDArray[np.float64], where: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.asarray((values * where).sum(axis=(1, 2)) / np.maximum(where.sum(axis=(1, 2)), 1), dtype=np.float64)
