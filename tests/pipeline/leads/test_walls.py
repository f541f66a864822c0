"""Bowls of solder in the hole, known by their walls, on courses of slope and light from the hole's middle outward."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.pipeline.fillets.test_gaps import patches, surface
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.leads.lead import Leads
from vision.pipeline.leads.walls import walled

PLACES = patches()
FROM_EDGE_MM = PLACES.radius_mm - PLACES.hole_mm[:, None, None]
WALL_DEG, FLAT_DEG = 35.0, 12.0


def judged(wall_deg: float = WALL_DEG, beyond_deg: float = FLAT_DEG, line: float = 0.2, line_mm: float = 0.0,
           bare: float = 0.0) -> float:
    """How surely this is a bowl: a flat bottom, its wall, a dark line at the hole's edge, and what lies beyond it."""
    away = FROM_EDGE_MM - line_mm
    slope = np.select([away < -0.25, away < 0.03], [3.0, wall_deg], beyond_deg).astype(np.float32)
    energy = np.where(np.abs(away) < 0.03, line, 1.0).astype(np.float32)
    azimuth = np.arange(slope.shape[1])[None, :, None]
    flags = (away > 0.03) & (azimuth < bare * slope.shape[1])
    seen = replace(surface(slope, energy), bare=by_radius(np.broadcast_to(flags, slope.shape)))
    found = walled(PLACES, seen)
    assert found == pytest.approx(np.full(len(found), found[0]))
    return float(found[0])


@pytest.mark.parametrize(("line_mm", "line"), [(-0.09, 0.1), (-0.06, 0.2), (0.0, 0.2), (0.0, 0.6), (0.04, 0.2)])
def test_a_bowls_wall_is_steepest_at_the_holes_edge_and_ends_there(line_mm: float, line: float) -> None:
    assert judged(line_mm=line_mm, line=line) == 1.0


@pytest.mark.parametrize("other", [
    {"wall_deg": 42.0, "beyond_deg": 27.0},  # a fillet, however much steeper what it climbs is
    {"line_mm": -0.09, "line": 0.5},  # a seam round the bevelled end of a lead that nearly fills the hole
    {"line_mm": 0.1},  # the brim of a cap
    {"beyond_deg": 30.0},  # solder goes on about as steep: a fillet with a dark streak round it
    {"wall_deg": 15.0},  # hardly steeper than what lies beyond: a groove
    {"line": 0.9},  # no dark line: a fillet that flattens out of the hole
    {"line_mm": -0.2},  # the dark line lies where a lead's edge is
    {"bare": 0.8}])  # the land is bare: a cap that stands on the lead
def test_what_goes_on_beyond_or_has_no_dark_line_is_no_bowl(other: dict[str, float]) -> None:
    assert judged(**other) == 0.0


def test_doubt_takes_evidence_and_size_with_it() -> None:
    none = np.zeros(3)
    leads = Leads(np.array([1.0, 1.0, 0.5]), none, none, np.full(3, 0.6), np.full(3, 0.3), np.zeros((3, 2)))
    doubted = leads.doubted(np.array([0.0, 1.0, 0.4]))
    assert doubted.visible == pytest.approx([1.0, 0.0, 0.3])
    assert np.isnan(doubted.size_mm).tolist() == [False, True, False]
