"""Chips known by the straight edges all round them, in windows that are drawn; and a whole one with a light body."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline.chips.test_chips import draw_chip
from vision.pipeline.chips.boxes import find_box
from vision.pipeline.chips.windows import GRID

STEP_MM, HALF = 0.045, (22.0, 14.0)  # a chip of 1.98 x 1.26 mm
BOARD, LAND, LIGHT = (0.3, 0.35, 0.2), (1.2, 0.5, 0.3), (0.75, 0.8, 0.75)

Plane = NDArray[np.float32]
Colour = tuple[float, float, float]


def window(body: Colour | None, *, off: tuple[float, float] = (0.0, 0.0), turn: float = 0.0, lands: Colour = LAND,
           long_side: float = 22.0) -> Plane:
    """A board with two lands that reach beyond a chip, and the chip so far off, in samples, and turned."""
    fine = 8
    planes = np.empty((3, GRID * fine, GRID * fine), np.float32)

    def rectangle(middle: tuple[float, float], half: tuple[float, float], values: Colour, deg: float = 0.0) -> None:
        place = tuple(float((part + (GRID - 1) / 2.0 + 0.5) * fine - 0.5) for part in middle)
        corners = cv2.boxPoints((place, (2.0 * fine * half[0], 2.0 * fine * half[1]), deg)).round().astype(np.int32)
        for plane, value in zip(planes, values, strict=True):
            cv2.fillPoly(plane, [corners], value)

    for plane, value in zip(planes, BOARD, strict=True):
        plane[:] = value
    for sign in (-1.0, 1.0):
        rectangle((sign * 24.0, 0.0), (9.0, 15.0), lands)
    if body is not None:
        # Columns run along the chip and rows across it, counter-clockwise from there on the board.
        rectangle(off, (long_side, 14.0), body, turn)
    return np.stack([cv2.resize(plane, (GRID, GRID), interpolation=cv2.INTER_AREA) for plane in planes])


@pytest.mark.parametrize("off", [(0.0, 0.0), (5.0, 0.0), (-3.0, 4.0)])
def test_a_light_chip_is_found_where_it_lies(off: tuple[float, float]) -> None:
    found = find_box(window(LIGHT, off=off), HALF, STEP_MM)
    assert found.evidence > 0.9
    assert (found.along_mm, found.across_mm) == pytest.approx((off[0] * STEP_MM, off[1] * STEP_MM), abs=STEP_MM)
    assert abs(found.turn_deg) < 1.0


@pytest.mark.parametrize("turn", [-7.0, 4.0])
def test_a_light_chip_is_found_as_it_is_turned(turn: float) -> None:
    found = find_box(window(LIGHT, turn=turn), HALF, STEP_MM)
    assert found.evidence > 0.9
    assert found.turn_deg == pytest.approx(turn, abs=1.0)


@pytest.mark.parametrize("scene", [
    window(None),  # two lands
    window(BOARD, lands=LAND),  # a body of the board's colour: its sides do not show
    window((0.35, 0.4, 0.25)),  # hardly another
    window(LIGHT, long_side=15.0),  # something between the lands, but shorter than the chip
    window(None, lands=LIGHT)])
def test_lands_and_what_lies_between_them_are_no_chip(scene: Plane) -> None:
    assert find_box(scene, HALF, STEP_MM).evidence < 0.3


@pytest.mark.parametrize("body", [(0.75, 0.8, 0.75), (0.9, 0.55, 0.4)])
def test_a_chip_as_light_as_its_dull_plating_is_present(body: Colour) -> None:
    """Its ends shine as its body does: 0.85 under the flattest light."""
    found = draw_chip(0.15, body=body, other_end=body, end_mm=0.0, lands_mm=(1.4, 1.4))
    assert found["chip_present"] > 0.9
    assert abs(found["shift_along_mm"]) < 0.08
    assert found["body_cover_pct"] > 75.0
