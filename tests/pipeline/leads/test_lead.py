"""Leads on a drawn light board: steep solder beside them mirrors the board and is no dark rim."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.pipeline import drawn
from vision.pipeline.leads.lead import GRID, _shapes, _size, find_leads
from vision.pipeline.light.optics import Optics, optics_of
from vision.pipeline.light.surface import Surface, find_surface
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.outlines import shapes_of
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import owner_map, unwrap_joints
from vision.setup.family import Family, Joint
from vision.setup.geometry import Similarity

PX_PER_MM, SIDE = 40.0, 320
LEAD_MM, STEEP_MM, LAND_MM = 0.3, 0.48, 0.9
MASK = np.array([0.62, 0.70, 0.52])  # responses of the lights on a light mask
MIDDLE = np.array([4.0, 4.0])
TO_PICTURE = Similarity(PX_PER_MM * np.diag([1.0, -1.0]), np.array([0.0, 8.0 * PX_PER_MM]))


def picture(end: NDArray[np.float64], optics: Optics, off_mm: float) -> NDArray[np.float32]:
    """A fillet on a light board: the lead's end, solder that mirrors the board, then the lights from low to high."""
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    x, y = (column + 0.5) / PX_PER_MM - MIDDLE[0], MIDDLE[1] - (row + 0.5) / PX_PER_MM
    away, lead = np.hypot(x, y), np.hypot(x - off_mm, y)
    planes = np.empty((3, SIDE, SIDE))
    planes[:] = MASK[:, None, None]
    slope = np.interp(away, (STEEP_MM, LAND_MM), (38.0, 12.0))
    lit = np.exp(-0.5 * ((slope - np.asarray(optics.slope_deg)[:, None, None]) / 5.0) ** 2)
    planes = np.where(away < LAND_MM, lit * (optics.lit_energy / optics.white)[:, None, None], planes)
    planes = np.where(away < STEEP_MM, 0.8 * MASK[:, None, None], planes)  # the board, dimmed
    planes = np.where(lead < LEAD_MM, end[:, None, None], planes)
    return np.stack([gaussian_filter(plane, 0.8) for plane in planes]).astype(np.float32)


def seen(end: NDArray[np.float64], off_mm: float) -> tuple[float, float]:
    """How surely a lead is seen, and where (mm, along board x)."""
    station = drawn.station(mm_per_px=1.0 / PX_PER_MM)
    optics = optics_of(station)
    joint = Joint("J1", "1", *MIDDLE.tolist(), "round", 2.0 * LAND_MM, 2.0 * LAND_MM, 0.0, 1.0, "round", 2.0 * LEAD_MM,
                  2.0 * LEAD_MM, "N1")
    family: Family = drawn.family(joints=(joint,))
    capture = Capture("v1", picture(end, optics, off_mm), np.zeros((SIDE, SIDE), dtype=np.uint8), ())
    registration = Registration("v1", TO_PICTURE, (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")
    owners = owner_map(capture.size_px, family, (joint, joint), (), TO_PICTURE, 0.0)
    patches = unwrap_joints(capture, (joint, joint), registration, owners)
    surface: Surface = find_surface(patches, capture, registration, optics, ())
    assert (surface.mask_level > 0.4).all()  # a light board
    leads = find_leads(capture, (joint, joint), registration, optics, surface)
    return float(leads.visible[0]), float(leads.offset_x_mm[0])


@pytest.mark.parametrize("off_mm", [0.0, 0.08])
def test_a_lead_among_solder_that_mirrors_a_light_board_is_seen_in_its_place(off_mm: float) -> None:
    """Its end is as bright as what lies around it, but has another colour (a matt end scatters all lights alike)."""
    end = np.array([0.62, 0.52, 0.30]) * 0.9
    visible, x_mm = seen(end, off_mm)
    assert visible > 0.5
    assert x_mm == pytest.approx(off_mm, abs=0.04)


@pytest.mark.parametrize(("edge_mm", "expected_mm"), [(0.30, 0.60), (0.33, 0.66), (None, np.nan)])
def test_an_end_that_bulges_is_as_large_as_its_edge(edge_mm: float | None, expected_mm: float) -> None:
    """A cut end smeared round at its brim grows darker from its middle on: that is no edge, and alone tells no size."""
    joint = Joint("J1", "1", 0.0, 0.0, "round", 1.8, 1.8, 0.0, 1.0, "round", 2.0 * LEAD_MM, 2.0 * LEAD_MM, "N1")
    shapes = _shapes(shapes_of((joint,)))
    axis = (np.arange(GRID) - GRID // 2) * float(shapes.step_mm[0])
    away = np.hypot(axis[:, None], axis[None, :])
    end = np.interp(away, (0.0, 0.11, 0.2, 0.22), (1.6, 1.6, 0.8, 0.78))
    moved = end if edge_mm is None else gaussian_filter(np.where(away < edge_mm, end, 0.55), 1.0)
    size = float(_size(moved[None].astype(np.float32), shapes)[0])
    assert size == pytest.approx(expected_mm, abs=0.02, nan_ok=True)
