"""Open holes where a lead's end would have to be, on drawn brightness."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.pipeline.leads.holes import NEAR, SPOT_MM, pierced

SIDE, STEP_MM, END_MM = 64, 0.025, 0.32
AXIS = (np.arange(SIDE) - SIDE // 2) * STEP_MM
X, Y = np.meshgrid(AXIS, AXIS)


def judged(hole_mm: float, off_mm: float = 0.0, dark: float = 0.05, lit: float = 0.9, end_mm: float = END_MM) -> float:
    """How surely a dark disc among lit solder is a hole, where an end was found in the grid's middle."""
    energy = np.where(np.hypot(X - off_mm, Y) < hole_mm, dark, lit).astype(np.float32)
    edge: NDArray[np.float64] = np.hypot(X, Y) - end_mm
    return float(pierced(energy[None], (edge < -0.05)[None], (edge < -NEAR * SPOT_MM)[None], np.array([STEP_MM]))[0])


@pytest.mark.parametrize("off_mm", [0.0, 0.1, -0.12])
def test_a_dark_spot_in_the_midst_of_solder_is_a_hole_and_no_end(off_mm: float) -> None:
    assert judged(0.22, off_mm) == 1.0


@pytest.mark.parametrize("other", [
    {"hole_mm": 0.05},  # a pore or a scratch
    {"hole_mm": 0.6},  # an end that is dark all over, as dull copper is
    {"hole_mm": 0.22, "dark": 0.3},  # an end with a shade on it
    {"hole_mm": 0.22, "lit": 0.3},  # on dull solder
    {"hole_mm": 0.22, "off_mm": 0.5},  # dark solder beside the end
    {"hole_mm": 0.08, "end_mm": 0.1}])  # thinner than any hole that could be told
def test_what_is_small_or_shaded_or_dark_all_over_is_no_hole(other: dict[str, float]) -> None:
    assert judged(**other) == 0.0
