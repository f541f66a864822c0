"""Tongues of metal on the board beside a land."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.pipeline.defects.test_projections import LAND_MM, LEAD_MM, NOWHERE, STEP_MM, leads
from vision.pipeline.defects.tongues import board_reach, find_tongues
from vision.pipeline.view.unwrap import AZIMUTHS, OUTSIDE


def around() -> Any:
    return SimpleNamespace(land_edge_mm=np.full((1, AZIMUTHS), LAND_MM),
                           step_mm=np.full((1, AZIMUTHS, OUTSIDE.stop), STEP_MM))


def test_where_metal_may_lie_on_the_board() -> None:
    """As far as the last metal seen, a little past it, and anywhere where metal is seen as far as one looks."""
    from tests.pipeline.fillets.test_gaps import patches

    places = patches()
    metal = np.zeros((len(places.hole_mm), AZIMUTHS, 12), dtype=bool)
    metal[0, 40:60, :5] = True
    metal[1, 10:30, 3:] = True
    found = board_reach(places, metal)
    step = places.step_mm[0, 0, -1]
    assert found[0, 50] == pytest.approx(places.land_edge_mm[0, 50] + 5 * step + 0.09, abs=1e-3)
    assert found[0, 100] == pytest.approx(places.land_edge_mm[0, 100] + 0.09, abs=1e-3)
    assert np.isinf(found[1, 20]) and np.isfinite(found[1, 40])


@pytest.mark.parametrize(("dark", "reaches"), [((), True), ((1,), True), ((1, 3), True), ((0, 1, 3), False)])
def test_a_tongue_may_be_dark_along_its_crest(dark: tuple[int, ...], reaches: bool) -> None:
    """Five directions wide and 0.3 mm long over the mask; in some of them nothing shines."""
    metal = np.zeros((1, AZIMUTHS, 12), dtype=bool)
    metal[0, 40:45] = True
    metal[0, [40 + place for place in dark]] = False
    tongue, azimuth = find_tongues(around(), metal, NOWHERE, leads(), np.zeros_like(metal))
    assert tongue[0] == pytest.approx(LAND_MM + 0.3 - LEAD_MM if reaches else 0.0, abs=1e-6)
    assert not reaches or 40 <= azimuth[0] <= 45


@pytest.mark.parametrize(("directions", "dark_to", "reaches"), [
    (3, 1, True), (3, 3, True), (9, 1, False), (3, 12, False)])
def test_a_spikes_own_brim_at_the_lands_edge_may_be_dark(directions: int, dark_to: int, reaches: bool) -> None:
    """In the middle of a tongue nothing shines over the first samples; two directions on each side are too few."""
    metal = np.zeros((1, AZIMUTHS, 12), dtype=bool)
    metal[0, 40:44 + directions] = True
    metal[0, 42:42 + directions, :dark_to] = False
    metal[0, 41 if directions > 3 else 40] = False
    tongue, _ = find_tongues(around(), metal, NOWHERE, leads(), np.zeros_like(metal))
    assert (tongue[0] > 0.0) == reaches


@pytest.mark.parametrize(("directions", "steps", "bare", "reaches"), [
    (15, 8, True, False),  # a trace that an opening aside of the land shows: 0.5 mm wide, 0.2 mm long
    (15, 8, False, True),  # a flag of solder as wide
    (40, 7, False, False),  # solder or trace along much of an edge
    (5, 12, True, True)])  # the flat crest of a spike
def test_what_is_bare_and_wider_than_long_is_a_trace(directions: int, steps: int, bare: bool, reaches: bool) -> None:
    metal = np.zeros((1, AZIMUTHS, 12), dtype=bool)
    metal[0, 40:40 + directions, :steps - 2] = True  # so far all of it, and further in the middle
    metal[0, 42:40 + directions - 2, :steps] = True
    tongue, _ = find_tongues(around(), metal, NOWHERE, leads(), metal & bare)
    assert (tongue[0] > 0.0) == reaches
