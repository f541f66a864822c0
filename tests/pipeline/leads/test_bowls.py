"""Which way solder falls in a hole, on radiances that are written down: a fillet outward, a bowl inward."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic_images.demo import demo_station
from vision.pipeline.leads.bins import REACH
from vision.pipeline.leads.bowls import bowls
from vision.pipeline.light.optics import optics_of
from vision.setup.geometry import Similarity
from vision.setup.station import Light

SIDE = 64
AXIS = np.arange(SIDE) - SIDE // 2
X, Y = np.meshgrid(AXIS.astype(float), -AXIS.astype(float))  # the board's
LEAD = 0.45 * SIDE / 2.0 / REACH  # radius in samples, of a hole's SIDE / 2 / REACH
TURNED = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]])
VIEWS = {"from above": np.diag([40.0, -40.0]), "from below": np.diag([-40.0, -40.0]),
         "turned": 40.0 * TURNED @ np.diag([1.0, -1.0])}
SECTORS = (60.0, 180.0, 300.0)
HALVES = (0.0, 180.0)


def judged(view: str, azimuths_deg: tuple[float, ...], inward: NDArray[np.bool_], off: tuple[int, int] = (0, 0),
           level: float = 1.0) -> float:
    """How surely solder is a bowl that falls inward where told, else outward, lit by a ring and lights from sides.

    A light sends most to the lens where solder falls towards it: in the picture, counter-clockwise from the right.
    """
    matrix = VIEWS[view]
    right, down = np.einsum("ij,jrc->irc", matrix, np.stack([X - off[1], Y + off[0]]))
    falls = np.arctan2(-down, right) + np.pi * inward
    lit = [np.full((SIDE, SIDE), 0.4)]
    lit += [level * np.clip(np.cos(falls - np.deg2rad(azimuth)), 0.0, 1.0) for azimuth in azimuths_deg]
    towards = [(np.nan, np.nan), *((np.cos(a), -np.sin(a)) for a in np.deg2rad(azimuths_deg))]
    around = (np.hypot(X, Y) > LEAD)[None]
    row, column = (np.array([value], dtype=np.int64) for value in off)
    found = bowls(np.array(lit, dtype=np.float32)[:, None], around, row, column, Similarity(matrix, np.zeros(2)),
                  np.array(towards, dtype=np.float32))
    return float(found[0])


@pytest.mark.parametrize("view", list(VIEWS))
@pytest.mark.parametrize("azimuths_deg", [SECTORS, HALVES])
@pytest.mark.parametrize("off", [(0, 0), (3, -4)])
def test_a_bowl_falls_inward_and_a_fillet_outward(view: str, azimuths_deg: tuple[float, ...],
                                                  off: tuple[int, int]) -> None:
    everywhere = np.ones((SIDE, SIDE), dtype=bool)
    assert judged(view, azimuths_deg, everywhere, off) > 0.9
    assert judged(view, azimuths_deg, ~everywhere, off) == 0.0


def test_the_holes_wall_in_a_gap_beside_a_fillet_is_no_bowl() -> None:
    """On one side one looks at the wall of the open hole, which faces the fillet."""
    assert judged("from below", SECTORS, X > 0.0) < 0.1


def test_what_is_dark_tells_nothing() -> None:
    assert judged("from below", SECTORS, np.ones((SIDE, SIDE), dtype=bool), level=0.01) == 0.0


def test_only_lights_over_half_a_turn_at_most_shine_from_a_side() -> None:
    rings = demo_station()
    assert optics_of(rings).from_side is None
    bars = tuple(Light(f"bar-{turn:.0f}", rings.lights[0].exposure, "red", (40.0, 60.0), (turn - 55.0, turn + 55.0))
                 for turn in (90.0, 270.0))
    wide = Light("wide", rings.lights[0].exposure, "green", (40.0, 60.0), (0.0, 240.0))
    seen = optics_of(replace(rings, lights=(*rings.lights[:1], *bars, wide))).from_side
    assert seen is not None
    assert np.isnan(seen[[0, 3]]).all()
    assert seen[1:3] == pytest.approx(np.array([[0.0, -1.0], [0.0, 1.0]]), abs=1e-6)  # up and down in the picture
