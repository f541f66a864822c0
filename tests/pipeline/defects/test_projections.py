"""Spikes on surfaces that are written down, not rendered."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.synthetic_images.small import small_family
from vision.pipeline.defects.projections import (
    ALONG,
    CROSSED_MM,
    FLANK,
    OFF,
    _cross_edge,
    _has_flanks,
    _has_no_like,
    find_projections,
)
from vision.pipeline.defects.ridges import Ridge
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.grids import SIDE, FineGrid, Owners
from vision.pipeline.view.lands import corners_seen, edges_towards
from vision.pipeline.view.unwrap import AZIMUTHS

STEP_MM = 0.025
LAND_MM, LEAD_MM = 0.9, 0.3
AXIS = (np.arange(SIDE) - SIDE // 2) * STEP_MM
X, Y = np.meshgrid(AXIS, -AXIS)
NOWHERE = np.zeros((1, AZIMUTHS), dtype=bool)
ANYWHERE = np.full((1, AZIMUTHS), np.inf)


def leads() -> Leads:
    one = np.ones(1)
    return Leads(one, 0.0 * one, 0.0 * one, 2.0 * LEAD_MM * one, LEAD_MM * one, np.zeros((1, 2)))


def owned(land: NDArray[Any]) -> Owners:
    """The joint's land in a picture whose pixels are the grid's samples."""
    y_px, x_px = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    return Owners(land.astype(np.uint16), x_px, y_px)


def grid(*ridges: tuple[float, float, float, float]) -> FineGrid:
    """A fillet of 40 degrees; each ridge (direction in degrees, from and to mm off the hole, depth) is flatter."""
    steep = np.full(X.shape, 40.0)
    for direction, start, stop, depth in ridges:
        angle = np.deg2rad(direction)
        along, aside = X * np.cos(angle) + Y * np.sin(angle), Y * np.cos(angle) - X * np.sin(angle)
        steep -= depth * np.exp(-0.5 * (aside / 0.05) ** 2) * ((along > start) & (along < stop))
    lit, shown = np.ones((1, SIDE, SIDE), dtype=np.float32), steep.astype(np.float32)[None]
    return FineGrid(np.array([STEP_MM]), X[None], Y[None], lit, lit, shown, owned(np.hypot(X, Y) < LAND_MM))


def reach(*ridges: tuple[float, float, float, float], on_board: NDArray[np.float64] = ANYWHERE,
          chips: NDArray[np.bool_] = NOWHERE) -> float:
    return float(find_projections(small_family().joints[:1], grid(*ridges), NOWHERE, leads(), on_board, chips)[0])


def test_a_spike_reaches_from_the_leads_edge_to_its_tip() -> None:
    assert reach((20.0, 0.15, 1.2, 30.0)) == pytest.approx(1.2 - LEAD_MM, abs=0.08)


def sided(beyond_deg: float) -> float:
    """How far a crest of 20 degrees reaches whose counter-clockwise side is as steep as told, the other 45 degrees."""
    angle = np.deg2rad(20.0)
    along, aside = X * np.cos(angle) + Y * np.sin(angle), Y * np.cos(angle) - X * np.sin(angle)
    before, after = (1.0 / (1.0 + np.exp(-4.0 * (sign * aside - 0.07) / 0.05)) for sign in (-1.0, 1.0))
    shown = 20.0 + 25.0 * before + (beyond_deg - 20.0) * after
    fillet = np.where((along > 0.15) & (along < 0.85), shown, 45.0)
    table = replace(grid(), steep_deg=fillet.astype(np.float32)[None])
    return float(find_projections(small_family().joints[:1], table, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])


@pytest.mark.parametrize(("steeper_deg", "depth_deg", "is_spike"), [(0.0, 18.0, True), (0.0, 14.0, False),
                                                                    (12.0, 18.0, False)])
def test_a_short_spike_has_a_flat_crest_that_falls_away_to_both_sides(steeper_deg: float, depth_deg: float,
                                                                      is_spike: bool) -> None:
    """One of a quarter of a millimetre over a fillet of 40 degrees; a shallow crease and one of steep solder are none.

    Another spike or crease that is nearly as sharp makes it one of a set.
    """
    def found(*ridges: tuple[float, float, float, float]) -> float:
        table = grid(*ridges)
        table.steep_deg[...] += steeper_deg
        return float(find_projections(small_family().joints[:1], table, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])

    spike = (20.0, 0.12, 0.55, depth_deg)
    assert found(spike) == (pytest.approx(0.55 - LEAD_MM, abs=0.05) if is_spike else 0.0)
    assert found(spike, (110.0, 0.12, 0.55, 16.0)) == 0.0


@pytest.mark.parametrize(("beyond_deg", "is_spike"), [(45.0, True), (32.0, True), (27.0, False), (20.0, False)])
def test_a_crest_falls_to_both_sides(beyond_deg: float, is_spike: bool) -> None:
    """Where a shade, a skin of flux or another light begins, steepness changes to one side only."""
    assert (sided(beyond_deg) > 0.3) is is_spike


@pytest.mark.parametrize(("turn_rad", "rises", "is_flag"), [
    (0.3, ((20.0, 1.0), (2.0, 25.0)), True), (-0.3, ((1.0, 20.0), (25.0, 2.0)), True),
    (0.3, ((1.0, 20.0), (25.0, 2.0)), False), (0.6, ((20.0, 1.0), (2.0, 25.0)), False)])
def test_the_two_edges_of_a_flag_fall_to_its_outer_sides(turn_rad: float, rises: tuple[tuple[float, float], ...],
                                                         is_flag: bool) -> None:
    edges = [Ridge(0.2, 0.9, 1400.0, 1.0, azimuth, 1200.0) for azimuth in (3.1, 3.1 + turn_rad)]
    assert [_has_flanks(edge, own, edges, rises) for edge, own in zip(edges, rises, strict=True)] == [is_flag] * 2


def test_what_goes_on_beyond_the_land_counts_only_where_metal_may_lie() -> None:
    """A crease of the fillet that a printed line continues, as bright as a crest."""
    there = reach((20.0, 0.15, 1.2, 30.0), on_board=np.full((1, AZIMUTHS), LAND_MM + 0.05))
    assert there == pytest.approx(LAND_MM + 0.05 - LEAD_MM, abs=0.08)


def test_a_spike_over_the_board_may_begin_far_out_and_have_rivals() -> None:
    """No fillet has a ridge that goes on over the board, but where a chip's land is; on the land it may be a crease."""
    assert reach((20.0, 0.75, 1.25, 60.0)) == pytest.approx(1.25 - LEAD_MM, abs=0.08)
    assert reach((20.0, 0.76, 0.92, 60.0)) == 0.0
    assert reach((20.0, 0.75, 1.25, 60.0), chips=np.ones((1, AZIMUTHS), dtype=bool)) == 0.0
    creases = [(angle, 0.4, 0.85, 60.0) for angle in (110.0, 200.0, 290.0)]
    assert reach((20.0, 0.45, 1.25, 60.0), *creases) == pytest.approx(1.25 - LEAD_MM, abs=0.08)


@pytest.mark.parametrize(("depth_deg", "brightness", "end_mm", "is_spike"), [
    (35.0, 0.55, 1.25, True), (35.0, 0.35, 1.25, False), (17.0, 0.55, 1.25, False), (35.0, 0.55, 0.85, True),
    (17.0, 0.55, 0.85, False), (17.0, 0.9, 0.85, True)])
def test_a_thin_spike_may_be_dim_if_its_flanks_are_steep(depth_deg: float, brightness: float, end_mm: float,
                                                is_spike: bool) -> None:
    """Blur mixes its crest with its flanks. Dim ridges with others are what steep solder mirrors of its neighbours."""
    ridge = (20.0, 0.2, end_mm, depth_deg)
    table = grid(ridge)
    dim = replace(table, radiance=np.full_like(table.radiance, brightness))
    found = float(find_projections(small_family().joints[:1], dim, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])
    assert found == (pytest.approx(end_mm - LEAD_MM, abs=0.08) if is_spike else 0.0)


@pytest.mark.parametrize(("shape", "width_mm", "height_mm", "turn_deg"), [
    ("round", 1.8, 1.8, 0.0), ("rect", 1.7, 1.7, 30.0), ("rect", 1.2, 2.4, 0.0), ("oblong", 1.4, 2.4, 75.0)])
def test_a_ridge_crosses_an_edge_where_it_runs_from_inside_to_outside(shape: Any, width_mm: float, height_mm: float,
                                                                     turn_deg: float) -> None:
    """Ridges of many directions and lengths from a lead off the middle: none that crosses is passed over early."""
    joint = replace(small_family().joints[0], land_shape=shape, land_w_mm=width_mm, land_h_mm=height_mm,
                    land_rotation_deg=turn_deg)
    one = replace(leads(), offset_x_mm=np.array([0.11]), offset_y_mm=np.array([-0.07]))
    crossing = 0
    for azimuth in np.arange(0.05, 2.0 * np.pi, 0.1):
        for end in np.arange(0.2, 1.4, 0.05):
            away = LEAD_MM + np.array([0.1, end])
            x, y = 0.11 + away * np.cos(azimuth), -0.07 + away * np.sin(azimuth)
            beyond = np.hypot(x, y) - edges_towards((joint,), np.arctan2(y, x))[0]
            expected = bool(beyond[0] <= -CROSSED_MM[0] and beyond[1] >= CROSSED_MM[1])
            ridge = Ridge(0.1, float(end), 900.0, 1.0, float(azimuth), 900.0)
            assert _cross_edge([ridge], joint, one, 0, NOWHERE[0], np.zeros(0)).tolist() == [expected]
            crossing += expected
    assert crossing > 100


@pytest.mark.parametrize(("off_rad", "beyond_mm", "crosses"), [
    (0.0, 0.4, False),  # a crease that print round the land seems to continue
    (0.15, 0.4, True), (0.15, 0.2, False), (0.3, 0.2, True)])
def test_what_points_to_a_corner_crosses_where_it_goes_on_far_and_not_exactly_there(off_rad: float, beyond_mm: float,
                                                                                   crosses: bool) -> None:
    joint = replace(small_family().joints[0], land_shape="rect", land_w_mm=1.8, land_h_mm=1.8)
    corners = corners_seen(joint)
    azimuth = float(corners[0]) + off_rad
    end = float(edges_towards((joint,), np.array([azimuth]))[0, 0]) + beyond_mm - LEAD_MM
    ridge = Ridge(0.1, end, 900.0, 1.0, azimuth, 1600.0)
    assert _cross_edge([ridge], joint, leads(), 0, NOWHERE[0], corners).tolist() == [crosses]


@pytest.mark.parametrize("creases_deg, is_spike", [(28.0, False), (11.0, True)])
def test_a_spike_on_the_lead_is_told_from_creases_that_come_in_sets(creases_deg: float, is_spike: bool) -> None:
    """Three creases start on the lead's corners and run as far as the spike; a spike is far sharper than they."""
    creases = [(angle, 0.15, 0.75, creases_deg) for angle in (110.0, 200.0, 290.0)]
    assert (reach((20.0, 0.1, 0.75, 30.0), *creases) > 0.0) == is_spike


@pytest.mark.parametrize(("crest_deg", "behind_deg", "is_alone"), [(16.0, 0.0, True), (16.0, 12.0, False),
                                                                    (34.0, 0.0, False)])
def test_what_falls_to_one_side_only_is_no_crease_and_makes_no_ridge_one_of_a_set(crest_deg: float, behind_deg: float,
                                                                                 is_alone: bool) -> None:
    """Three lines where a shade ends, sharper than a crest of solder, which must be flat to stand against them."""
    spike = Ridge(0.26, 0.69, 2044.0, 1.02, 0.9, 880.0)
    shades = [Ridge(0.0, 0.7, 1300.0, 0.8, azimuth, 950.0) for azimuth in (0.2, -0.3, -2.7)]
    step = np.broadcast_to(np.arange(-FLANK - OFF, FLANK + OFF + 1, dtype=np.float32), (ALONG, 2 * (FLANK + OFF) + 1))
    slopes = {spike: np.minimum(crest_deg + 6.0 * np.abs(step), 46.0)}
    slopes |= {one: 30.0 + np.clip(2.0 * step, -0.2 * behind_deg * step, 20.0) for one in shades}
    assert _has_no_like(spike, [spike, *shades], slopes.__getitem__) is is_alone


@pytest.mark.parametrize("shape, side_mm, is_spike", [("round", 2.0 * LEAD_MM, True), ("square", 0.532, False)])
def test_a_short_ridge_over_a_square_leads_corner_is_no_spike(shape: Any, side_mm: float, is_spike: bool) -> None:
    """The corner itself lies on the lead, 0.08 mm further out than the edge of a round lead as large."""
    joint = replace(small_family().joints[0], lead_shape=shape, lead_w_mm=side_mm, lead_h_mm=side_mm)
    found = find_projections((joint,), grid((45.0, 0.1, 0.58, 20.0)), NOWHERE, leads(), ANYWHERE, NOWHERE)
    assert bool(found[0] > 0.0) == is_spike


@pytest.mark.parametrize(("first_turn_deg", "is_spike"), [(0.0, False), (25.0, True)])
def test_creases_to_a_rectangular_lands_corners_come_in_sets_though_one_begins_further_in(first_turn_deg: float,
                                                                                          is_spike: bool) -> None:
    """Three begin halfway out; beside a pit the fourth begins near the lead. As sharp between corners it is a spike."""
    joint = replace(small_family().joints[0], land_shape="rect", land_w_mm=2.0, land_h_mm=2.0, land_rotation_deg=0.0,
                    lead_shape="round", lead_w_mm=2.0 * LEAD_MM, lead_h_mm=2.0 * LEAD_MM)
    longer = (45.0 + first_turn_deg, 0.5, 1.25, 30.0)
    creases = [(angle, 0.85, 1.25, 30.0) for angle in (135.0, 225.0, 315.0)]
    shown = replace(grid(longer, *creases), owner=owned(np.ones((SIDE, SIDE))))
    found = float(find_projections((joint,), shown, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])
    assert (found > 0.0) == is_spike


@pytest.mark.parametrize(("angles", "depth_deg", "is_spike"), [
    ((135.0, 225.0, 315.0), 22.0, False), ((135.0, 225.0, 315.0), 19.0, True), ((135.0, 225.0, 315.0), 12.0, True),
    ((135.0, 225.0), 22.0, True)])
def test_a_crease_may_run_up_to_the_lead_where_all_others_are_there(angles: tuple[float, ...], depth_deg: float,
                                                                    is_spike: bool) -> None:
    """A ridge from the lead to a corner, and creases to other corners that begin further out and are less sharp."""
    joint = replace(small_family().joints[0], land_shape="rect", land_w_mm=2.0, land_h_mm=2.0, land_rotation_deg=0.0,
                    lead_shape="round", lead_w_mm=2.0 * LEAD_MM, lead_h_mm=2.0 * LEAD_MM)
    creases = [(angle, 0.65, 1.25, depth_deg) for angle in angles]
    shown = replace(grid((45.0, 0.15, 1.25, 30.0), *creases), owner=owned(np.ones((SIDE, SIDE))))
    found = float(find_projections((joint,), shown, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])
    assert (found > 0.0) == is_spike


def test_creases_to_corners_are_no_rivals_of_a_spike_on_the_lead() -> None:
    """It points between them, and they may together be as long."""
    joint = replace(small_family().joints[0], land_shape="rect", land_w_mm=2.0, land_h_mm=2.0, land_rotation_deg=0.0,
                    lead_shape="round", lead_w_mm=2.0 * LEAD_MM, lead_h_mm=2.0 * LEAD_MM)
    creases = [(angle, 0.4, 1.25, 26.0) for angle in (45.0, 135.0, 225.0, 315.0)]
    shown = replace(grid((180.0, 0.15, 1.2, 30.0), *creases), owner=owned(np.ones((SIDE, SIDE))))
    found = find_projections((joint,), shown, NOWHERE, leads(), ANYWHERE, NOWHERE)
    assert found[0] == pytest.approx(1.2 - LEAD_MM, abs=0.08)
    plain = replace(grid(*creases), owner=shown.owner)
    assert find_projections((joint,), plain, NOWHERE, leads(), ANYWHERE, NOWHERE)[0] == 0.0


@pytest.mark.parametrize(("crest_deg", "is_spike"), [(43.0, False), (37.0, False), (30.0, True), (15.0, True)])
def test_a_crest_beyond_the_lead_is_flat_all_along(crest_deg: float, is_spike: bool) -> None:
    """A line over a flat lead goes on in solder of 55 degrees, too steep to be lit: what is less steep there at best.

    Neighbours that it mirrors read flatter here and there; a spike's crest is flat.
    """
    angle = np.deg2rad(20.0)
    along, aside = X * np.cos(angle) + Y * np.sin(angle), Y * np.cos(angle) - X * np.sin(angle)
    line = np.exp(-0.5 * (aside / 0.05) ** 2)
    over_lead = (along > 0.15) & (along < LEAD_MM)
    beyond = (along >= LEAD_MM) & (along < 0.8)
    steep = 55.0 - 40.0 * line * over_lead - (55.0 - crest_deg) * line * beyond
    table = replace(grid(), steep_deg=steep.astype(np.float32)[None])
    found = float(find_projections(small_family().joints[:1], table, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])
    assert (found > 0.4) is is_spike


@pytest.mark.parametrize(("flank_deg", "is_spike"), [(40.0, False), (60.0, True)])
def test_a_crest_between_flanks_that_are_far_steeper_may_be_steep(flank_deg: float, is_spike: bool) -> None:
    """A short spike of 34 degrees over solder of 40 degrees: its flanks alone tell it from a speck."""
    angle = np.deg2rad(20.0)
    along, aside = X * np.cos(angle) + Y * np.sin(angle), Y * np.cos(angle) - X * np.sin(angle)
    crest, flank = np.exp(-0.5 * (aside / 0.03) ** 2), np.exp(-0.5 * ((np.abs(aside) - 0.1) / 0.035) ** 2)
    over = (along > 0.12) & (along < 0.58)
    steep = 40.0 + over * ((flank_deg - 40.0) * flank - 6.0 * crest)
    table = replace(grid(), steep_deg=steep.astype(np.float32)[None])
    found = float(find_projections(small_family().joints[:1], table, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])
    assert (found > 0.2) is is_spike


@pytest.mark.parametrize(("fillet_deg", "is_spike"), [(26.0, True), (40.0, False)])
def test_a_crest_may_be_steep_between_flanks_that_stand_on_a_fillet_which_is_not(fillet_deg: float,
                                                                                  is_spike: bool) -> None:
    """A spike that rises over a lit fillet: a crest of 37 degrees, flanks of 60, and the fillet beyond them."""
    angle = np.deg2rad(20.0)
    along, aside = X * np.cos(angle) + Y * np.sin(angle), Y * np.cos(angle) - X * np.sin(angle)
    flank = np.exp(-0.5 * ((np.abs(aside) - 0.1) / 0.035) ** 2)
    crest = np.exp(-0.5 * (aside / 0.035) ** 2)
    spike = fillet_deg + (60.0 - fillet_deg) * flank + (37.0 - fillet_deg) * crest
    steep = np.where((along > LEAD_MM) & (along < 0.88), spike, fillet_deg)
    table = replace(grid(), steep_deg=steep.astype(np.float32)[None])
    found = float(find_projections(small_family().joints[:1], table, NOWHERE, leads(), ANYWHERE, NOWHERE)[0])
    assert (found > 0.3) is is_spike
