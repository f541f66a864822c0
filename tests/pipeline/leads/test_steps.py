"""Rough solder of known slope: the step at a lead's edge against domes and mounds without one, and empty holes.

The pictures are what the renderer's own table of rough metal gives on those slopes: no code of the measuring side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.pipeline import drawn
from tests.pipeline.view.test_unwrap import renderer_response
from vision.pipeline.fillets.gaps import LAND, lead_distance, open_hole
from vision.pipeline.leads.lead import find_leads
from vision.pipeline.leads.steps import slope_steps
from vision.pipeline.light.optics import Optics, optics_of
from vision.pipeline.light.surface import Surface, find_surface
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import AZIMUTHS, JointPatches, owner_map, unwrap_joints
from vision.setup.family import Joint
from vision.setup.geometry import Similarity

PX_PER_MM, SIDE = 40.0, 320
LEAD_MM, HOLE_MM, LAND_MM = 0.3, 0.45, 0.9
MIDDLE = np.array([4.0, 4.0])
TO_PICTURE = Similarity(PX_PER_MM * np.diag([1.0, -1.0]), np.array([0.0, 8.0 * PX_PER_MM]))
ROUGH = 0.26  # GGX: dull solder, which is lit up to slopes that show no light in a mirror
Slopes = NDArray[np.float64]


def cone(away: Slopes) -> Slopes:
    """A fillet of even steepness up to a lead's flat end."""
    return np.where(away < LEAD_MM, 4.0, 36.0)


def hollow(away: Slopes) -> Slopes:
    """A fillet that flattens outward, r sin(slope) = const, round a chamfered end."""
    end = np.where(away < 0.7 * LEAD_MM, 3.0, 20.0)
    return np.where(away < LEAD_MM, end, np.rad2deg(np.arcsin(np.clip(0.21 / np.maximum(away, 0.2), 0.0, 1.0))))


def dome(away: Slopes) -> Slopes:
    """A cap of solder: the sine of slope grows with the distance from its middle."""
    return np.rad2deg(np.arcsin(np.clip(away / 1.1, 0.0, 1.0)))


def mound(away: Slopes) -> Slopes:
    """A mound that is steepest where a lead's edge would be, and flattens both ways little by little."""
    return np.interp(away, (0.0, LEAD_MM + 0.05, LAND_MM), (0.0, 34.0, 12.0))


def pimple(away: Slopes) -> Slopes:
    """A cone of solder without a lead, flat at its tip only: a third as far as a lead's edge would be."""
    return np.where(away < LEAD_MM / 3.0, 3.0, 34.0)


JOINT = Joint("J1", "1", *MIDDLE.tolist(), "round", 2.0 * LAND_MM, 2.0 * LAND_MM, 0.0, 2.0 * HOLE_MM, "round",
              2.0 * LEAD_MM, 2.0 * LEAD_MM, "N1")
JOINTS = (JOINT, JOINT)
PLACE = Registration("v1", TO_PICTURE, (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")


def seen(slopes: Callable[[Slopes], Slopes], off_mm: float = 0.0,
         black_mm: float = 0.0) -> tuple[Capture, Optics, JointPatches, Surface]:
    """What is seen of solder with such slopes by the distance from a place off the middle; black up to so far."""
    station = drawn.station(mm_per_px=1.0 / PX_PER_MM)
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    x, y = (column + 0.5) / PX_PER_MM - MIDDLE[0], MIDDLE[1] - (row + 0.5) / PX_PER_MM
    table = np.arange(0.0, 80.1, 0.5)
    shades = renderer_response(station.lights, table, ROUGH).T
    slope = slopes(np.hypot(x - off_mm, y))
    planes = np.stack([np.interp(slope, table, shade) for shade in shades])
    planes = np.where(np.hypot(x, y) < LAND_MM, planes, 0.05)
    planes = np.where(np.hypot(x, y) < black_mm, 0.005, planes)
    pictures = np.stack([gaussian_filter(plane, 0.8) for plane in planes]).astype(np.float32)
    capture = Capture("v1", pictures, np.zeros((SIDE, SIDE), dtype=np.uint8), ())
    owners = owner_map(capture.size_px, drawn.family(joints=(JOINT,)), JOINTS, (), TO_PICTURE, 0.0)
    optics, patches = optics_of(station), unwrap_joints(capture, JOINTS, PLACE, owners)
    return capture, optics, patches, find_surface(patches, capture, PLACE, optics, ())


def looked_at(slopes: Callable[[Slopes], Slopes], off_mm: float = 0.0) -> tuple[float, float]:
    """How surely a step is seen around the middle, and how surely a lead is, in the end."""
    capture, optics, _, surface = seen(slopes, off_mm)
    step = slope_steps(capture, JOINTS, PLACE, optics, surface, np.array([1]), np.array([[off_mm, 0.0]]))
    return float(step[0]), float(find_leads(capture, JOINTS, PLACE, optics, surface).visible[0])


@pytest.mark.parametrize("slopes", [cone, hollow])
@pytest.mark.parametrize("off_mm", [0.0, 0.1])
def test_a_lead_in_rough_solder_is_known_by_its_edge(slopes: Callable[[Slopes], Slopes], off_mm: float) -> None:
    step, visible = looked_at(slopes, off_mm)
    assert step == 1.0
    assert visible == 1.0


@pytest.mark.parametrize("slopes", [dome, mound, pimple])
def test_solder_without_an_edge_shows_no_lead(slopes: Callable[[Slopes], Slopes]) -> None:
    step, visible = looked_at(slopes)
    assert step < 0.05
    assert visible < 0.25


@pytest.mark.parametrize(("slopes", "black_mm", "covered"), [
    (lambda away: np.full_like(away, 14.0), HOLE_MM, 0.0),  # solder that wets the land round an empty hole
    (lambda away: np.interp(away, (HOLE_MM, LAND_MM), (44.0, 12.0)), HOLE_MM, 1.0),  # a fillet, its lead as dark as it
    (lambda away: np.full_like(away, 14.0), 0.0, 1.0)])  # a hole that is full
def test_an_empty_hole_leaves_nothing_covered_though_the_land_is_wetted(
        slopes: Callable[[Slopes], Slopes], black_mm: float, covered: float) -> None:
    capture, optics, patches, surface = seen(slopes, black_mm=black_mm)
    leads = find_leads(capture, JOINTS, PLACE, optics, surface)
    onto_land = np.ones((2, AZIMUTHS), dtype=bool)
    found = open_hole(patches, surface, leads, lead_distance(patches, leads, LAND), onto_land)
    assert leads.visible.max() < 0.25
    assert 1.0 - found.mean() == covered


@pytest.mark.parametrize(("dimmed", "is_step"), [(0.93, False), (0.5, True)])
def test_a_flat_film_a_little_dimmer_round_a_leads_place_is_not_steep_there(dimmed: float, is_step: bool) -> None:
    """So flat it hardly mirrors the flattest light, as bright as what counts as unlit; what is far darker is steep."""
    capture, optics, _, surface = seen(lambda away: np.full_like(away, 8.0))
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    away = np.hypot((column + 0.5) / PX_PER_MM - MIDDLE[0], MIDDLE[1] - (row + 0.5) / PX_PER_MM)
    ring = gaussian_filter(np.where((away > LEAD_MM) & (away < LEAD_MM + 0.12), dimmed, 1.0), 0.8)
    bright = float((capture.responses[:, SIDE // 2, SIDE // 2] * optics.white).sum())
    film = replace(capture, responses=(capture.responses * ring).astype(np.float32))
    step = slope_steps(film, JOINTS, PLACE, optics, replace(surface, lit_level=bright / 0.64), np.array([1]),
                       np.zeros((1, 2)))
    assert (step[0] > 0.5) == is_step
