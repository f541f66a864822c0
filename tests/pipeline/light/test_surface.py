"""What looks like flat bare land, of responses that are written down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.pipeline.fillets.test_gaps import patches
from vision.pipeline.light.surface import LIKE_FIDUCIAL, like_land, mask_response

LAND = np.array([2.7, 0.4, 0.08], dtype=np.float32)


@pytest.mark.parametrize(("factors", "is_land"), [
    ((1.0, 1.0, 1.0), True), ((1.2, 1.1, 1.0), True), ((0.75, 1.0, 1.0), True), ((1.0, 1.38, 1.3), True),
    ((1.4, 0.8, 0.9), False), ((0.65, 1.0, 1.0), False), ((1.0, 2.0, 1.0), False)])
def test_land_gives_less_of_its_strongest_light_than_a_flat_toe(factors: tuple[float, ...], is_land: bool) -> None:
    """Solder that is nearly flat mirrors the light next to the lens as land does, and more of it."""
    planes = (LAND * np.array(factors, dtype=np.float32))[:, None]
    assert bool(like_land(planes, LAND, LIKE_FIDUCIAL)[0]) is is_land


@pytest.mark.parametrize(("share", "is_known"), [(0.1, True), (0.7, True), (0.7, False), (1.0, True)])
def test_print_round_a_land_does_not_tell_what_the_board_beside_it_gives(share: float, is_known: bool) -> None:
    """Rings and frames of white print round four of six lands, over a share of all directions.

    Where they hide the board wholly, the others' boards tell; a print that was not recognised passes for the board.
    """
    board, white = np.array([0.3, 0.12, 0.1], dtype=np.float32), np.array([0.9, 0.8, 0.7], dtype=np.float32)
    places = patches()
    joints, azimuths, radii = places.radius_mm.shape
    seen = np.broadcast_to(board[None, :, None, None], (joints, 3, azimuths, radii)).copy()
    seen[:4, :, :round(share * azimuths)] = white[None, :, None, None]
    shown = replace(places, responses=seen, free=np.ones_like(places.free))
    found = mask_response(shown, white.astype(np.float64) if is_known else None)
    assert found[4:] == pytest.approx(np.tile(board, (2, 1)))
    assert found[:4] == pytest.approx(np.tile(board if is_known else white, (4, 1)))
