"""What is left of a chip's turn, on drawn rectangles of known turn."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.pipeline.chips.turns import turn_left

SIDE, HALF_LONG, HALF_SHORT = 112, 30.0, 15.0
AXIS = np.arange(SIDE) - (SIDE - 1) / 2.0
ALONG, ACROSS = AXIS / HALF_LONG, AXIS / HALF_SHORT


def chip(turn_deg: float, *, half_short: float = HALF_SHORT, body: float = 0.2, board: float = 0.3,
         noise: float = 0.0) -> NDArray[np.float32]:
    """A chip [light, row, col] of dark body and bright ends, turned counter-clockwise, with edges two samples wide.

    Rows run along the chip's across axis.
    """
    angle = np.deg2rad(turn_deg)
    x, y = AXIS[None, :], AXIS[:, None]
    along, across = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    inside = np.clip(0.5 + 0.5 * np.minimum(HALF_LONG - np.abs(along), half_short - np.abs(across)), 0.0, 1.0)
    end = np.clip(0.5 + 0.5 * (np.abs(along) - 0.6 * HALF_LONG), 0.0, 1.0)
    shown = np.stack([board + inside * (body + (light - body) * end - board) for light in (0.9, 0.6)])
    shown += np.random.default_rng(3).normal(0.0, noise, shown.shape)
    return shown.astype(np.float32)


@pytest.mark.parametrize("turn_deg", [-3.5, -1.2, 0.0, 0.6, 2.4, 3.7])
@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_a_turn_is_found_to_a_fraction_of_a_degree(turn_deg: float, noise: float) -> None:
    assert turn_left(chip(turn_deg, noise=noise), ALONG, ACROSS) == pytest.approx(turn_deg, abs=0.25)


def test_what_runs_beside_one_side_does_not_turn_the_chip() -> None:
    """A line of print beside a quarter of a side."""
    shown = chip(2.0)
    shown[:, 69:72, 45:60] = 0.8
    assert turn_left(shown, ALONG, ACROSS) == pytest.approx(2.0, abs=0.5)


def test_where_both_sides_disagree_or_nothing_has_an_edge_nothing_is_said() -> None:
    one, other = chip(4.0), chip(-4.0)
    torn = np.where(AXIS[None, :, None] > 0.0, one, other)
    assert turn_left(torn, ALONG, ACROSS) == 0.0
    assert turn_left(np.full((2, SIDE, SIDE), 0.4, dtype=np.float32), ALONG, ACROSS) == 0.0
