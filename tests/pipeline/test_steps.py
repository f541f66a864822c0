"""The step of slope at a lead's edge on rough solder: cones of known slope, against domes and mounds without a step.

The pictures are what the renderer's own table of rough metal gives on those slopes: no code of the measuring side.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.pipeline import drawn
from tests.pipeline.test_unwrap import renderer_response
from vision.pipeline.capture import Capture
from vision.pipeline.lead import find_leads
from vision.pipeline.optics import optics_of
from vision.pipeline.register import Registration
from vision.pipeline.steps import slope_steps
from vision.pipeline.surface import find_surface
from vision.pipeline.unwrap import owner_map, unwrap_joints
from vision.setup.family import Joint
from vision.setup.geometry import Similarity

PX_PER_MM, SIDE = 40.0, 320
LEAD_MM, LAND_MM = 0.3, 0.9
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


def looked_at(slopes: Callable[[Slopes], Slopes], off_mm: float = 0.0) -> tuple[float, float]:
    """How surely a step is seen around the middle, and how surely a lead is, in the end."""
    station = drawn.station(mm_per_px=1.0 / PX_PER_MM)
    optics = optics_of(station)
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    x, y = (column + 0.5) / PX_PER_MM - MIDDLE[0], MIDDLE[1] - (row + 0.5) / PX_PER_MM
    table = np.arange(0.0, 80.1, 0.5)
    shades = renderer_response(station.lights, table, ROUGH).T
    slope = slopes(np.hypot(x - off_mm, y))
    planes = np.stack([np.interp(slope, table, shade) for shade in shades])
    planes = np.where(np.hypot(x, y) < LAND_MM, planes, 0.05)
    pictures = np.stack([gaussian_filter(plane, 0.8) for plane in planes]).astype(np.float32)
    joint = Joint("J1", "1", *MIDDLE.tolist(), "round", 2.0 * LAND_MM, 2.0 * LAND_MM, 0.0, 0.9, "round", 2.0 * LEAD_MM,
                  2.0 * LEAD_MM, "N1")
    capture = Capture("v1", pictures, np.zeros((SIDE, SIDE), dtype=np.uint8), ())
    registration = Registration("v1", TO_PICTURE, (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")
    joints = (joint, joint)
    owners = owner_map(capture.size_px, drawn.family(joints=(joint,)), joints, (), TO_PICTURE, 0.0)
    surface = find_surface(unwrap_joints(capture, joints, registration, owners), capture, registration, optics, ())
    step = slope_steps(capture, joints, registration, optics, surface, np.array([1]), np.array([[off_mm, 0.0]]))
    return float(step[0]), float(find_leads(capture, joints, registration, optics, surface).visible[0])


@pytest.mark.parametrize("slopes", [cone, hollow])
@pytest.mark.parametrize("off_mm", [0.0, 0.1])
def test_a_lead_in_rough_solder_is_known_by_its_edge(slopes: Callable[[Slopes], Slopes], off_mm: float) -> None:
    step, visible = looked_at(slopes, off_mm)
    assert step == 1.0
    assert visible == 1.0


@pytest.mark.parametrize("slopes", [dome, mound])
def test_solder_without_an_edge_shows_no_lead(slopes: Callable[[Slopes], Slopes]) -> None:
    step, visible = looked_at(slopes)
    assert step < 0.05
    assert visible < 0.25
