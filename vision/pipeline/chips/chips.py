"""Are the chips near the joints in their places: presence, shift, turn."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.chips.rectangles import fit_chip
from vision.pipeline.light.optics import Optics
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.outlines import KEPT
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import azimuths_rad, chip_outline
from vision.setup.family import Chip, Joint

#: A fit with less evidence than the first shows no chip, with more than the second surely one. Two bare lands with
#: board between them reach the first: half of the outline is there.
NO_CHIP, SURE_CHIP = 0.52, 0.72
LEAST_SHOWN = 0.25  # weaker evidence has no place of its own
#: A chip's lands reach so far beyond its ends and sides at most (common practice, no published source); they are looked
#: for at so far from a joint's land.
CHIP_LAND_MM, CHIP_SIDE_MM, BESIDE_LAND_MM = 0.6, 0.2, (0.06, 0.2, 0.36)
#: A chip that is off by more than this, or turned by more, has left its lands, or one of them.
OFF_MM, OFF_DEG = 0.25, 8.0
AROUND_MM = 0.45  # so much around the body must be in the picture
Column = NDArray[np.float64]


@lru_cache(maxsize=KEPT)
def towards_chips(joints: tuple[Joint, ...], chips: tuple[Chip, ...]) -> NDArray[np.bool_]:
    """Say in which directions a chip's own land or solder may lie beside a joint's land, [joint, azimuth].

    How far a chip's lands reach beyond its ends no family tells; they lie on the line of its ends.
    """
    azimuth = azimuths_rad()
    edge = edges_towards(joints, azimuth)
    near = np.zeros(edge.shape, dtype=bool)
    middle = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 2)
    for chip in chips:
        for beyond in BESIDE_LAND_MM:
            x = middle[:, :1] + (edge + beyond) * np.cos(azimuth) - chip.x_mm
            y = middle[:, 1:] + (edge + beyond) * np.sin(azimuth) - chip.y_mm
            near |= _on_lands(chip, x, y)
    near.setflags(write=False)  # shared by all boards of a family
    return near


def _on_lands(chip: Chip, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which places, so far from a chip's middle on the board, may lie on it or on its lands; as x_mm."""
    angle = np.deg2rad(chip.long_axis_deg)
    long, short = (0.5 * side(chip.body_w_mm, chip.body_h_mm) for side in (max, min))
    along, across = x_mm * np.cos(angle) + y_mm * np.sin(angle), y_mm * np.cos(angle) - x_mm * np.sin(angle)
    return np.asarray((np.abs(along) < long + CHIP_LAND_MM) & (np.abs(across) < short + CHIP_SIDE_MM), dtype=np.bool_)


def measure_chips(capture: Capture, chips: Sequence[Chip], registration: Registration,
                  optics: Optics) -> tuple[dict[str, Column], NDArray[np.bool_]]:
    """Return the chips' measurements as columns [chip], and which places lie wholly in the picture.

    Signs: along and across in the chip's own axes, turn counter-clockwise. Where no chip is found, shift and turn
    are NaN and the cover is 0.
    """
    fits = [fit_chip(capture, chip, registration.to_picture, optics) for chip in chips]
    values = np.array([(fit.evidence, fit.along_mm, fit.across_mm, fit.turn_deg, fit.cover_pct) for fit in fits]
                      ).reshape(-1, 5)
    present = np.clip((values[:, 0] - NO_CHIP) / (SURE_CHIP - NO_CHIP), 0.0, 1.0)
    seen = present >= LEAST_SHOWN
    columns = {name: np.where(seen, values[:, 1 + column], np.nan)
               for column, name in enumerate(("shift_along_mm", "shift_across_mm", "turn_deg"))}
    width, height = capture.size_px
    inside = np.zeros(len(chips), dtype=bool)
    for index, chip in enumerate(chips):
        corners = chip_outline(chip, registration.to_picture, AROUND_MM)
        inside[index] = bool(((corners >= 0) & (corners <= (width, height))).all())
    return {"chip_present": present, **columns, "body_cover_pct": np.where(seen, values[:, 4], 0.0)}, inside


def on_lands_left(places_mm: NDArray[np.float64], capture: Capture, chips: Sequence[Chip], registration: Registration,
                  optics: Optics) -> NDArray[np.bool_]:
    """Say which places on the board (n, 2) lie where a chip's lands are that is missing or has left them, [n].

    The solder left there is domed and may look like a ball.
    """
    found = np.zeros(len(places_mm), dtype=bool)
    for chip in chips:
        near = _on_lands(chip, *(places_mm - (chip.x_mm, chip.y_mm)).T)
        if near.any():
            columns, _ = measure_chips(capture, [chip], registration, optics)
            off = np.hypot(columns["shift_along_mm"][0], columns["shift_across_mm"][0])
            if not (columns["chip_present"][0] >= 0.5 and off <= OFF_MM and abs(columns["turn_deg"][0]) <= OFF_DEG):
                found |= near
    return found
