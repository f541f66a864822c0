"""Strips of another look beside a lead, on surfaces that are written down, not rendered."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline import drawn
from tests.pipeline.fillets.test_gaps import LEAD_MM, fillets, patches, surface
from vision.pipeline.defects.wedges import find_wedges
from vision.pipeline.leads.lead import Leads
from vision.pipeline.view.unwrap import AZIMUTHS, OUTSIDE, azimuths_rad

PLACES = patches()
COUNT = len(PLACES.hole_mm)
NOWHERE = np.zeros((COUNT, AZIMUTHS), dtype=bool)
ROUND, RECT = 0, next(n for n, joint in enumerate(drawn.family().joints) if joint.land_shape == "rect")


def reach(*strips: tuple[float, float, float, float, float], joint: int = ROUND, flank: float = 0.1,
          joined: NDArray[np.bool_] = NOWHERE, elsewhere: NDArray[np.bool_] = NOWHERE,
          bare_beyond: bool = False) -> NDArray[np.float64]:
    """How far wedges reach, [joint], on fillets (from 32 degrees to 15) of which one joint has strips.

    A strip is (direction in degrees, from and to mm off the lead's edge, slope in degrees, energy); it is 0.14 mm wide,
    and to both sides of it 0.05 mm are as bright as `flank`, 1 = lit solder. With `bare_beyond` what lies beyond the
    land looks like bare land.
    """
    slope, energy = fillets(0.1)
    for direction, start, stop, deg, bright in strips:
        turn = azimuths_rad()[:, None] - np.deg2rad(direction)
        along, aside = PLACES.radius_mm[joint] * np.cos(turn), np.abs(PLACES.radius_mm[joint] * np.sin(turn))
        inside = (along > LEAD_MM + start) & (along < LEAD_MM + stop)
        energy[joint][inside & (aside < 0.12)] = flank
        strip = inside & (aside < 0.07)
        slope[joint][strip], energy[joint][strip] = deg, bright
    leads = Leads(np.ones(COUNT), np.zeros(COUNT), np.zeros(COUNT), np.full(COUNT, 2 * LEAD_MM),
                  np.full(COUNT, LEAD_MM), np.zeros((COUNT, 2)))
    seen = surface(slope, energy)
    if bare_beyond:
        seen.bare[:, :, OUTSIDE] = True
    return find_wedges(PLACES, seen, drawn.family().joints, leads, joined, elsewhere)


@pytest.mark.parametrize("direction", [17.0, 140.0, 359.0])
@pytest.mark.parametrize("slope_deg", [2.0, 44.0])
def test_a_strip_reaches_from_the_leads_edge_to_its_end(direction: float, slope_deg: float) -> None:
    """Flatter than the fillet, as most spikes are, or steeper than its foot and lit where it is too steep to be lit."""
    found = reach((direction, 0.0, 0.6, slope_deg, 1.0))
    assert found[ROUND] == pytest.approx(0.6, abs=0.1)
    assert not np.delete(found, ROUND).any()


def test_a_fillet_alone_has_no_wedge() -> None:
    assert not reach().any()


def test_a_short_strip_is_grain() -> None:
    assert not reach((17.0, 0.25, 0.35, 2.0, 1.0)).any()


@pytest.mark.parametrize("bare", [False, True])
def test_a_bare_trace_beside_the_land_is_no_part_of_a_wedge(bare: bool) -> None:
    """A strip that lies mostly on the board counts where it is solder."""
    edge = float(PLACES.land_edge_mm[ROUND, 8]) - LEAD_MM
    found = reach((17.0, edge - 0.12, edge + 0.3, 2.0, 1.0), bare_beyond=bare)
    assert (found[ROUND] > 0.0) is not bare


def test_creases_run_to_the_corners_of_a_land_in_sets() -> None:
    """A spike may run to a corner as well, but it does so alone."""
    land = drawn.family().joints[RECT]
    corner = float(np.rad2deg(np.arctan2(land.land_h_mm, land.land_w_mm)))
    creases = [(turn + land.land_rotation_deg, 0.0, 0.6, 44.0, 1.0)
               for turn in (corner, 180.0 - corner, 180.0 + corner, -corner)]
    assert not reach(*creases, joint=RECT).any()
    assert reach(creases[2], joint=RECT)[RECT] > 0.4


def test_where_one_side_of_a_fillet_is_higher_its_creases_are_sharper() -> None:
    """One of two looks unlike what lies beside it for far longer; elsewhere the same strips are a spike."""
    land = drawn.family().joints[RECT]
    corner = float(np.rad2deg(np.arctan2(land.land_h_mm, land.land_w_mm)))
    turns = [turn + land.land_rotation_deg for turn in (corner, 180.0 + corner)]
    long, short = ((turn, 0.0, stop, 44.0, 1.0) for turn, stop in zip(turns, (0.55, 0.15), strict=True))
    assert not reach(long, short, joint=RECT).any()
    aside = [(turn + 30.0, *rest) for turn, *rest in (long, short)]
    assert reach(*aside, joint=RECT)[RECT] > 0.3


def test_a_dark_strip_is_an_image_of_what_stands_beside() -> None:
    assert not reach((17.0, 0.0, 0.7, 15.0, 0.25)).any()


def test_bridges_and_gaps_run_outward_too() -> None:
    strip = (17.0, 0.0, 0.6, 44.0, 1.0)
    towards = NOWHERE.copy()
    towards[:, :20] = True
    assert not reach(strip, joined=towards).any()
    assert not reach(strip, elsewhere=towards).any()
    near = NOWHERE.copy()
    near[:, 12:20] = True  # from 24 degrees on; a bridge may begin as far aside as that
    assert reach(strip, elsewhere=near)[ROUND] > 0.4
    near[:, 8:12] = True
    assert not reach(strip, joined=near).any()
