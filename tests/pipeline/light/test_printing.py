"""Print on the board: known by what it gives under every light, and told from metal."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline.drawn import LIGHTS
from tests.pipeline.light.test_balance import NOBODY, TINTED, board
from vision.pipeline.defects.corridors import is_metal
from vision.pipeline.light.optics import optics_of
from vision.pipeline.light.printing import board_samples, print_part, print_response
from vision.setup import Station

MASK = np.array([[0.36, 0.13, 0.03]], np.float32)
YELLOW = np.array([0.88, 0.58, 0.33])
BRIM = np.array([0.3, 0.7, 1.0, 1.0, 0.7, 0.3])[:, None]  # a stroke across: board and print in parts
STROKE = MASK + BRIM * (YELLOW - MASK[0])
SOLDER = np.array([[3.5, 0.1, 0.05], [0.4, 1.5, 0.1], [0.3, 0.2, 2.0]])  # mirrors one light after the other

Array = NDArray[np.float64]


def test_print_is_what_is_bright_on_the_free_board() -> None:
    assert print_response(board_samples(board(TINTED), NOBODY)) == pytest.approx(0.6 * TINTED, rel=0.05)
    assert print_response(board_samples(board(None), NOBODY)) is None


def test_what_covers_other_parts_is_no_print() -> None:
    owners = NOBODY.copy()
    owners[30:, 90:610] = 1
    assert print_response(board_samples(board(TINTED), owners)) is None


@pytest.mark.parametrize(("colours", "is_print"), [(STROKE, True), (SOLDER, False), (MASK, False),
                                                   (1.6 * STROKE[2:4], False)])
def test_print_and_its_brim_are_told_from_solder_and_from_the_board(colours: Array, is_print: bool) -> None:
    found = print_part(colours.T.astype(np.float32), MASK.T, YELLOW) > 0.0
    assert found.tolist() == [is_print] * len(colours)


def test_yellow_print_is_no_metal_where_its_colour_is_known() -> None:
    """A Lambertian surface of any colour; under one light it may be as bright as dull metal."""
    station = Station("bench", 0.02, "{serial}.png", LIGHTS)
    samples = np.concatenate([STROKE[2:4], SOLDER]).T[None].astype(np.float32)
    optics = optics_of(station)
    assert is_metal(samples, MASK, optics)[0].tolist() == [True] * 5
    assert is_metal(samples, MASK, optics, YELLOW)[0].tolist() == [False, False, True, True, True]
    both = np.concatenate([samples, samples[..., ::-1]])
    assert is_metal(both, np.repeat(MASK, 2, axis=0), optics, YELLOW)[1].tolist() == [True, True, True, False, False]


def test_dull_solder_is_like_print_and_board_in_parts_but_no_brim_of_print_is_near() -> None:
    """A bridge of dull solder, answering all lights alike, and as much of it beside a stroke of white print."""
    white, optics = np.array([1.25, 1.25, 1.2]), optics_of(Station("bench", 0.02, "{serial}.png", LIGHTS))
    dull, board = np.array([1.1, 0.8, 0.6]), MASK[0]
    samples = np.tile(dull[:, None], 24)[None].astype(np.float32)
    assert print_part(samples[0], MASK.T.astype(np.float32), white).max() < 0.75
    assert is_metal(samples, MASK, optics, white)[0].all()
    assert not is_metal(samples, MASK, optics)[0].any()
    brim = 0.7 * white + 0.3 * board
    stroke = np.stack([brim, white, white, white, brim], axis=1)[None].astype(np.float32)
    assert not is_metal(stroke, MASK, optics, white).any()


@pytest.mark.parametrize(("shares", "is_print"), [
    ((1.0, 1.0, 0.4, 1.25), True),  # a lead shades it from one side, solder sends it a little of the other
    ((1.0, 1.0, 1.25, 0.4), True), ((1.0, 1.0, 0.4, 0.4), False), ((0.4, 1.0, 1.0, 1.0), False),
    ((1.0, 1.0, 2.0, 0.4), False), ((1.0, 1.0, 1.9, 1.0), False)])
def test_print_may_be_shaded_from_a_light_that_shines_from_one_side(shares: tuple[float, ...], is_print: bool) -> None:
    """Two whole rings and two halves of a low one; what mirrors a half ring outshines print under it."""
    white, mask = np.array([1.1, 1.12, 1.02, 1.05]), np.array([[0.22], [0.15], [0.12], [0.13]], np.float32)
    samples = (mask + np.array(shares)[:, None] * (white[:, None] - mask)).astype(np.float32)
    assert (print_part(samples, mask, white, (2, 3))[0] > 0.0) == is_print
    assert not is_print or print_part(samples, mask, white)[0] == 0.0
