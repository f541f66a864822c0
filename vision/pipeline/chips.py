"""Are the chips near the joints in their places: presence, shift, turn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics
from vision.pipeline.rectangles import fit_chip
from vision.pipeline.register import Registration
from vision.pipeline.unwrap import chip_outline
from vision.setup.family import Chip

#: A fit with less evidence than the first shows no chip, with more than the second surely one. Two bare lands with
#: board between them reach the first: half of the outline is there.
NO_CHIP, SURE_CHIP = 0.52, 0.72
LEAST_SHOWN = 0.25  # weaker evidence has no place of its own
AROUND_MM = 0.45  # so much around the body must be in the picture
Column = NDArray[np.float64]


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
