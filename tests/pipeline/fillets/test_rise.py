"""Fillets rise towards the lead, land does not. Surfaces are written down, not rendered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline import drawn
from tests.pipeline.fillets.test_gaps import F32, LEAD_MM, fillets, patches, surface
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.fillets.fillet import covered_azimuths, measure_fillets
from vision.pipeline.fillets.gaps import LAND, lead_distance
from vision.pipeline.fillets.rise import without_rise
from vision.pipeline.fillets.thin import Toes
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.optics import optics_of
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import RING, RING_STEPS

GAP = slice(40, 110)


def leads(visible: float = 1.0) -> Leads:
    count = len(patches().hole_mm)
    return Leads(np.full(count, visible), np.zeros(count), np.zeros(count), np.full(count, 2 * LEAD_MM),
                 np.full(count, LEAD_MM), np.zeros((count, 2)))


def with_domed_land(steep_energy: float = 0.3) -> tuple[F32, F32]:
    """Fillets on all joints, but on a sector of the third one land that is domed: 12, 7 and 20 degrees outward."""
    slope, energy = fillets(steep_energy)
    count = slope.shape[2]
    course = np.interp(np.arange(count), (0, RING.start, RING.start + 10, RING.stop, count), (12, 12, 7, 20, 20))
    slope[2, GAP], energy[2, GAP] = course.astype(np.float32), 1.0
    return slope, energy


def seen(slope: F32, energy: F32, lights_reach_deg: float = 27.0) -> Surface:
    found = surface(slope, energy)
    flat = np.zeros(slope.shape, dtype=bool)
    flat[2, GAP, RING.start + 4:RING.start + 24] = True
    return replace(found, bare=by_radius(flat),
                   steepest_from_deg=np.full(slope.shape[1], lights_reach_deg, dtype=np.float32))


def level(shown: Surface, visible: float = 1.0) -> NDArray[np.bool_]:
    one = leads(visible)
    return without_rise(shown, one, lead_distance(patches(), one, LAND))


def test_a_fillet_rises_towards_its_lead_and_a_domed_land_does_not() -> None:
    found = level(seen(*with_domed_land()))
    assert found[2, GAP].all()
    assert found.sum() == GAP.stop - GAP.start


def test_without_a_lead_there_is_nothing_to_rise_to() -> None:
    assert not level(seen(*with_domed_land()), visible=0.0).any()


def test_where_it_is_dark_nobody_sees_whether_solder_rises() -> None:
    slope, energy = with_domed_land()
    energy[2, GAP, :RING.start + 20] = 0.1
    assert not level(seen(slope, energy)).any()


@pytest.mark.parametrize(("steepest_deg", "lights_reach_deg", "rises"), [(17.0, 27.0, False), (17.0, 20.0, True),
                                                                         (23.0, 27.0, True)])
def test_lights_that_show_no_steep_slope_ask_for_less(steepest_deg: float, lights_reach_deg: float,
                                                      rises: bool) -> None:
    slope, energy = with_domed_land()
    slope[2, GAP, RING.start:RING.start + 4] = steepest_deg
    assert bool(level(seen(slope, energy, lights_reach_deg))[2, GAP].any()) != rises


def test_where_nothing_rises_there_is_a_gap_and_the_domed_land_is_bare() -> None:
    """The land's slope alone says that solder ends at its edge, not where it begins."""
    places, shown, one = patches(), seen(*with_domed_land()), leads()
    to_edge = np.full(places.land_edge_mm.shape, RING_STEPS)
    toes = Toes(to_edge, to_edge, np.zeros(to_edge.shape, dtype=np.float32))
    away = lead_distance(places, one, LAND)
    covered = covered_azimuths(places, shown, one, toes, away)
    assert not covered[2, GAP].any() and covered[[0, 1, 3, 4, 5]].all()
    nowhere = np.zeros(covered.shape, dtype=bool)
    columns, _ = measure_fillets(places, shown, one, toes, nowhere, optics_of(drawn.station()))
    share = 1.0 - (GAP.stop - GAP.start) / covered.shape[1]
    assert columns["coverage_deg"][2] == pytest.approx(360.0 * share, abs=4.0)
    assert columns["land_cover_pct"][2] < 100.0 * share + 8.0 < columns["land_cover_pct"][0]


def test_what_does_not_look_like_land_may_rise_nearer_to_its_lead_than_a_picture_shows() -> None:
    shown = seen(*with_domed_land())
    assert not level(replace(shown, bare=np.zeros_like(shown.bare))).any()
