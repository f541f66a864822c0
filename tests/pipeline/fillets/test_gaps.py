"""Dark beside the lead: an open hole, or solder too steep to be lit. Surfaces are written down, not rendered."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline import drawn
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.fillets.gaps import LAND, lead_distance, open_hole
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.surface import DARK, Surface
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.unwrap import HOLE_STEPS, OUTSIDE, RING, JointPatches, unwrap_joints
from vision.setup import Similarity

F32 = NDArray[np.float32]
LEAD_MM = 0.3
BEYOND = RING.stop - RING.start + OUTSIDE.stop - OUTSIDE.start


def patches() -> JointPatches:
    """The polar places of six drawn joints; what the picture shows does not matter."""
    family = drawn.family()
    capture = Capture("v1", np.zeros((3, 560, 700), dtype=np.float32), np.zeros((560, 700), dtype=np.uint8), ())
    place: Any = SimpleNamespace(to_picture=Similarity(50.0 * np.eye(2), np.zeros(2)))
    return unwrap_joints(capture, family.joints, place, np.zeros((560, 700), dtype=np.uint16))


def surface(slope: F32, energy: F32, board: float = 0.3) -> Surface:
    slope, energy = by_radius(slope), by_radius(energy)
    dark = energy < np.float32(DARK)
    none = np.zeros(energy.shape, dtype=bool)
    return Surface(slope, energy, dark, none, by_radius(~dark), np.zeros((len(slope), 3), dtype=np.float32), None,
                   slope, np.full(len(slope), 0.14), 1.0, energy, None, None,
                   np.full(slope.shape[1], 24.0, dtype=np.float32), np.full(len(slope), board, dtype=np.float32))


def opened(slope: F32, energy: F32, board: float = 0.3, side_mm: float | None = None) -> NDArray[np.bool_]:
    """Where open_hole sees an opening, [joint, azimuth], with a lead of 0.6 mm in the middle of every hole.

    `board` is what the bare board sends back, 1 = lit solder; `side_mm` is how far a lead's outline lies from its
    middle where it is not round.
    """
    places = patches()
    count = len(places.hole_mm)
    leads = Leads(np.ones(count), np.zeros(count), np.zeros(count), np.full(count, 2 * LEAD_MM),
                  np.full(count, LEAD_MM), np.zeros((count, 2)))
    if side_mm is not None:
        leads = replace(leads, outline_mm=np.full(places.land_edge_mm.shape, side_mm, dtype=np.float32))
    everywhere = np.ones(places.land_edge_mm.shape, dtype=bool)
    return open_hole(places, surface(slope, energy, board), leads, lead_distance(places, leads, LAND), everywhere)


def fillets(steep_energy: float) -> tuple[F32, F32]:
    """Fillets on all joints: too steep to be lit for 0.2 mm beside the lead, then 32 degrees falling to 15 at the toe.

    `steep_energy` is what the steep part gives of the board it mirrors, 1 = lit solder.
    """
    away = patches().radius_mm - np.float32(LEAD_MM)
    course = np.clip((away - 0.2) / 0.5, 0.0, 1.0)
    slope = np.where(away < 0.2, 20.0, 32.0 - 17.0 * course).astype(np.float32)
    energy = np.where((away > 0.0) & (away < 0.2), steep_energy, 1.0).astype(np.float32)
    return slope, energy


@pytest.mark.parametrize("steep_energy", [0.15, 0.3, 0.55])
def test_steep_solder_beside_the_lead_is_no_opening(steep_energy: float) -> None:
    """Whatever the board gives that steep solder mirrors, dull or light: it gives it at all joints alike."""
    assert not opened(*fillets(steep_energy)).any()


def test_a_brim_of_bare_land_at_the_holes_edge_is_an_opening() -> None:
    slope, energy = fillets(0.3)
    gap = slice(40, 90)
    slope[2, gap, HOLE_STEPS + 1:] = 4.0
    energy[2, gap, :HOLE_STEPS + 1] = 0.1
    energy[2, gap, HOLE_STEPS + 1:] = 0.9
    found = opened(slope, energy)
    assert found[2, gap].all()
    assert not np.delete(found, 2, axis=0).any()
    assert not found[2, 95:].any()


@pytest.mark.parametrize(("begins", "slope_deg", "is_open"), [
    (HOLE_STEPS + 1, 12.0, True), (HOLE_STEPS - 3, 12.0, False), (HOLE_STEPS + 1, 22.5, False)])
def test_solder_that_fills_the_hole_or_comes_out_of_the_dark_steep_is_no_brim(begins: int, slope_deg: float,
                                                                             is_open: bool) -> None:
    """A meniscus may be steep only so near to its lead that blur leaves a dark ring with level solder round it."""
    slope, energy = fillets(0.3)
    energy[2, :, :begins], energy[2, :, begins:] = 0.2, 0.95
    slope[2, :, begins:] = np.interp(np.arange(slope.shape[2] - begins), (0, 6, 12), (slope_deg, slope_deg, 11.0))
    assert opened(slope, energy)[2].all() == is_open
    assert opened(slope, energy)[2].any() == is_open


def test_level_solder_far_from_the_hole_is_no_brim() -> None:
    """The foot of a steep fillet that ends in a level toe: an open hole would end at its edge."""
    slope, energy = fillets(0.3)
    energy[1, :, HOLE_STEPS:HOLE_STEPS + 20] = 0.3
    slope[1, :, HOLE_STEPS + 20:] = 12.0
    energy[1, :, HOLE_STEPS + 20:] = 0.9
    assert not opened(slope, energy)[1].any()


@pytest.mark.parametrize("hole_energy, is_open", [(0.1, True), (0.25, True), (0.5, False)])
def test_a_crest_all_round_the_lead_shows_the_hole_where_it_is_black(hole_energy: float, is_open: bool) -> None:
    """Solder that rises from its toe to a level crest and falls off again towards the lead."""
    slope, energy = fillets(0.2)
    away = patches().radius_mm[3] - np.float32(LEAD_MM)
    slope[3] = np.where(away < 0.35, 3.0 + 60.0 * np.abs(0.35 - away), np.minimum(100.0 * (away - 0.35) + 3.0, 24.0))
    slope[3] -= np.where(away > 0.55, 30.0 * (away - 0.55), 0.0)
    energy[3] = np.where((away > 0.02) & (away < 0.2), hole_energy, 1.0)
    found = opened(slope, energy)
    assert found[3].mean() == pytest.approx(float(is_open), abs=0.15)
    assert not np.delete(found, 3, axis=0).any()


def crested(lowest: float, fall_from: float, dark_to: float, dark_energy: float) -> tuple[F32, F32]:
    """Fillets, but joint 3's solder falls off from a crest 0.25 mm beside the lead towards it, all round.

    Slopes at the crest and next to the lead in degrees; what is within `dark_to` mm of the lead gives `dark_energy`.
    """
    slope, energy = fillets(0.2)
    away = patches().radius_mm[3] - np.float32(LEAD_MM)
    inward = lowest + (fall_from - lowest) * np.clip((0.25 - away) / 0.1, 0.0, 1.0)
    outward = np.minimum(lowest + 150.0 * (away - 0.25), 26.0 - 40.0 * np.clip(away - 0.38, 0.0, 1.0))
    slope[3] = np.where(away < 0.25, inward, outward)
    energy[3] = np.where((away > 0.0) & (away < dark_to), dark_energy, 1.0)
    return slope, energy


def test_a_crest_is_seen_where_the_lands_edge_darkens_what_lies_beside_it() -> None:
    """Blur and a rounded edge leave the last samples of a land dark; they say nothing about the crest."""
    slope, energy = crested(lowest=6.0, fall_from=28.0, dark_to=0.15, dark_energy=0.2)
    energy[3, :, RING.stop - 4:RING.stop] = 0.5
    found = opened(slope, energy)
    assert found[3].all()
    assert not np.delete(found, 3, axis=0).any()


@pytest.mark.parametrize("dark_to, is_open", [(0.12, True), (0.03, False)])
def test_behind_a_crest_dim_is_the_hole_where_it_reaches_the_holes_edge(dark_to: float, is_open: bool) -> None:
    """Solder that sags towards the lead but touches it is dim only next to the lead, far from the hole's edge."""
    assert float(patches().hole_mm[3]) - LEAD_MM == pytest.approx(0.14, abs=0.02)
    found = opened(*crested(lowest=6.0, fall_from=28.0, dark_to=dark_to, dark_energy=0.45))
    assert found[3].mean() == pytest.approx(float(is_open), abs=0.05)


@pytest.mark.parametrize(("dark_to", "dark_energy", "is_open"), [(0.14, 0.2, True), (0.14, 0.4, False),
                                                                 (0.05, 0.2, False)])
def test_a_rim_round_a_hole_may_be_steepest_at_the_lands_edge(dark_to: float, dark_energy: float,
                                                              is_open: bool) -> None:
    """Solder drawn back from the lead; a dome round a lead looks so, too, but is dark beside it over little only."""
    slope, energy = crested(lowest=6.0, fall_from=28.0, dark_to=dark_to, dark_energy=dark_energy)
    away = patches().radius_mm[3] - np.float32(LEAD_MM)
    slope[3] = np.where(away > 0.25, np.minimum(6.0 + 40.0 * (away - 0.25), 36.0), slope[3])
    assert opened(slope, energy)[3].mean() == pytest.approx(float(is_open), abs=0.05)


@pytest.mark.parametrize(("side_mm", "is_open"), [(None, False), (0.29, False), (0.2, True)])
def test_what_gapes_beside_a_leads_flat_side_lies_nearer_to_its_middle(side_mm: float | None, is_open: bool) -> None:
    """A crest, and a slit as narrow as 0.07 mm that a round lead of the same area would cover."""
    slope, energy = crested(lowest=6.0, fall_from=28.0, dark_to=0.0, dark_energy=0.2)
    away = patches().radius_mm[3]
    energy[3] = np.where((away > 0.22) & (away < 0.29), 0.1, 1.0)
    found = opened(slope, energy, side_mm=side_mm)
    assert found[3].mean() == pytest.approx(float(is_open), abs=0.05)
    assert not np.delete(found, 3, axis=0).any()


@pytest.mark.parametrize(("width_mm", "lowest", "azimuths", "is_open"), [
    (0.1, 10.0, 60, True), (0.1, 10.0, 30, False), (0.1, 26.0, 60, False)])
def test_a_crest_may_be_all_that_is_lit(width_mm: float, lowest: float, azimuths: int, is_open: bool) -> None:
    """A line round the lead, level in its middle, between what is dark on both sides."""
    slope, energy = fillets(0.2)
    off = np.abs(patches().radius_mm[3, :azimuths] - np.float32(LEAD_MM + 0.3))
    line = off < width_mm / 2.0
    slope[3, :azimuths] = np.minimum(lowest + (28.0 - lowest) * off / (width_mm / 2.0), 28.0)
    energy[3, :azimuths] = np.where(line | (patches().radius_mm[3, :azimuths] < LEAD_MM), 1.0, 0.2)
    found = opened(slope, energy)
    assert found[3, 6:azimuths - 6].all() == is_open
    assert found.sum() <= azimuths * is_open


def test_a_dip_no_deeper_than_grain_is_no_crest() -> None:
    rng = np.random.default_rng(5)
    slope, energy = crested(lowest=24.0, fall_from=28.0, dark_to=0.15, dark_energy=0.2)
    slope = np.asarray(slope + rng.normal(0.0, 4.0, slope.shape), dtype=np.float32)
    assert opened(slope, energy)[3].mean() < 0.05


@pytest.mark.parametrize(("black_energy", "board", "is_open"),
                         [(0.02, 0.3, True), (0.06, 0.3, False), (0.03, 0.08, False), (0.01, 0.08, True)])
def test_far_blacker_than_the_board_in_steep_solder_is_a_hole(black_energy: float, board: float,
                                                              is_open: bool) -> None:
    """Steep solder mirrors the board, a hole nothing: seen against what the other joints' dark zones give.

    Solder at its steepest, at the lead, may be far darker than usual, where it sees itself or a dark board, and is
    still lighter than a hole.
    """
    slope, energy = fillets(0.4)
    black = slice(100, 140)
    energy[4, black] = np.where(energy[4, black] < 0.5, black_energy, energy[4, black])
    energy[2, black] = np.where(energy[2, black] < 0.5, 0.14, energy[2, black])
    found = opened(slope, energy, board)
    assert found[4, 102:138].all() == is_open
    assert found.sum() <= 40 * is_open


@pytest.mark.parametrize(("usual", "is_open"), [(0.4, True), (0.2, True), (0.15, False), (0.05, False)])
def test_where_steep_solder_does_not_mirror_the_board_blackness_says_nothing(usual: float, is_open: bool) -> None:
    """The board gives 0.3 of lit solder; dark zones that give half of that, or less, show something else."""
    slope, energy = fillets(usual)
    black = slice(100, 140)
    energy[4, black] = np.where(energy[4, black] < 0.5, 0.01, energy[4, black])
    found = opened(slope, energy, board=0.3)
    assert found[4, 102:138].all() == is_open
    assert found.sum() <= 40 * is_open


@pytest.mark.parametrize(("usual", "black_energy", "is_open"), [
    (0.5, 0.13, True), (0.5, 0.18, False), (0.3, 0.1, False)])
def test_on_a_light_board_a_hole_need_not_be_quite_black(usual: float, black_energy: float, is_open: bool) -> None:
    """The board gives as much as lit solder, and steep solder half of that: light strays into a hole, too."""
    slope, energy = fillets(usual)
    black = slice(100, 140)
    energy[4, black] = np.where(energy[4, black] < 0.6, black_energy, energy[4, black])
    found = opened(slope, energy, board=1.0)
    assert found[4, 102:138].all() == is_open
    assert found.sum() <= 40 * is_open


@pytest.mark.parametrize(("flattest", "wide", "is_open"), [(18, 30, False), (18, 180, True), (8, 30, True)])
def test_a_few_crests_far_out_on_the_land_are_wrinkles(flattest: int, wide: int, is_open: bool) -> None:
    """Steep, level at some ring sample, steep again and flat at the toe, over so many azimuths of joint 3."""
    slope, energy = fillets(0.15)
    place = np.arange(slope.shape[2]) - RING.start
    course = np.interp(place, (-3, flattest - 5, flattest, flattest + 5, 31, 36), (30, 28, 8, 26, 12, 12))
    sector = slice(40, 40 + wide) if wide < 180 else slice(None)
    slope[2, sector] = np.where(place >= -3, course, slope[2, sector]).astype(np.float32)
    energy[2, sector, RING.start - 3:] = 1.0
    energy[2, sector, RING.start - 8:RING.start - 3] = 0.2
    assert bool(opened(slope, energy)[2, sector].any()) == is_open
