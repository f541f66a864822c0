"""Solder balls on drawn pictures: spheres shaded by the lights' own geometry."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline.drawn import LIGHTS, station
from tests.synthetic_images.small import small_family
from vision.pipeline.defects.balls import NO_HOLES, at_corners, find_balls
from vision.pipeline.light.optics import optics_of, predict
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.unwrap import CLEARANCE_OWNER, FIDUCIAL_OWNER
from vision.setup import Light, Station

PX_PER_MM = 50.0
MASK = np.array([0.15, 0.12, 0.12], dtype=np.float32)
SLOPES = np.arange(0.0, 90.0, 1.0)
TABLE = predict(LIGHTS, SLOPES, 0.12)  # [slope, light]
SIZE = 240

Planes = NDArray[np.float32]


def board(mask: NDArray[np.float32] = MASK) -> tuple[Planes, NDArray[np.uint16]]:
    """Return bare board [light, row, col] and a map of owners with one land right of column 120."""
    planes = np.broadcast_to(mask[:, None, None], (3, SIZE, SIZE)).astype(np.float32).copy()
    owners = np.zeros((SIZE, SIZE), dtype=np.uint16)
    owners[60:180, 120:200] = 1
    return planes, owners


def shade(planes: Planes, inside: NDArray[np.bool_], slope_deg: NDArray[np.float64],
          around: NDArray[np.float32] = MASK) -> None:
    """Shade metal of the given slopes into the picture; what sees no light mirrors seven tenths of the board."""
    for light in range(3):
        mirrored = np.interp(slope_deg, SLOPES, TABLE[:, light]) + 0.7 * around[light] * (slope_deg > 42.0)
        planes[light][inside] = mirrored[inside]


def ball(planes: Planes, x: float, y: float, diameter_mm: float, around: NDArray[np.float32] = MASK) -> None:
    """Draw a sphere: at distance r from its middle the slope's sine is r / R (geometry)."""
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    share = np.hypot(column - x, row - y) / (0.5 * diameter_mm * PX_PER_MM)
    shade(planes, share < 1.0, np.rad2deg(np.arcsin(np.minimum(share, 1.0))), around)


def solder_land(planes: Planes) -> None:
    """Draw a solder toe of 12 to 30 degrees over the whole land, steeper to the right."""
    column = np.broadcast_to(np.arange(SIZE, dtype=np.float64), (SIZE, SIZE))
    inside = np.zeros((SIZE, SIZE), dtype=bool)
    inside[60:180, 120:200] = True
    shade(planes, inside, 12.0 + 18.0 * (column - 120.0) / 80.0)


def found(planes: Planes, owners: NDArray[np.uint16], mask: NDArray[np.float32] = MASK,
          blur_px: float = 0.7, px_per_mm: float = PX_PER_MM, holes: NDArray[np.float64] = NO_HOLES
          ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Blur as a camera does, add its noise and look for balls."""
    rng = np.random.default_rng(3)
    soft = np.stack([cv2.GaussianBlur(plane, (0, 0), blur_px) for plane in planes])
    soft = (soft + rng.normal(0.0, 0.01, soft.shape)).astype(np.float32)
    capture = Capture("v1", soft, np.zeros((SIZE, SIZE), dtype=np.uint8), ())
    balls = find_balls(capture, owners, mask, optics_of(station()), px_per_mm, holes)
    return balls.places_px, balls.diameter_mm


@pytest.mark.parametrize("diameter_mm", [0.13, 0.2, 0.35, 0.6, 0.9])
def test_ball_on_free_board_is_found_with_its_size(diameter_mm: float) -> None:
    planes, owners = board()
    ball(planes, 60.0, 100.0, diameter_mm)
    places, diameters = found(planes, owners)
    assert len(diameters) == 1
    # 0.05 mm and two pixels: the project's own aims.
    assert diameters[0] == pytest.approx(diameter_mm, abs=0.05)
    assert np.hypot(*(places[0] - (60.5, 100.5))) < 2.0


@pytest.mark.parametrize("diameter_mm", [0.16, 0.18, 0.21, 0.3])
def test_ball_out_of_focus_is_found(diameter_mm: float) -> None:
    """Blur mixes the lights of a small ball to the grey of print; from its middle outward their order is left."""
    planes, owners = board()
    ball(planes, 60.3, 99.6, diameter_mm)
    _, diameters = found(planes, owners, blur_px=1.2)
    assert diameters == pytest.approx([diameter_mm], abs=0.05)


@pytest.mark.parametrize(("dull", "diameter_mm", "blur_px"), [
    (1.0, 0.15, 1.0), (0.6, 0.14, 0.7), (0.6, 0.18, 1.0), (0.35, 0.18, 0.7), (0.3, 0.24, 1.0)])
def test_a_dull_small_ball_is_found(dull: float, diameter_mm: float, blur_px: float) -> None:
    """It gives the lights in order all the same, if less of them than lit solder does."""
    planes, owners = board()
    bare, _ = board()
    ball(planes, 60.3, 99.6, diameter_mm)
    _, diameters = found(bare + np.float32(dull) * (planes - bare), owners, blur_px=blur_px)
    assert diameters == pytest.approx([diameter_mm], abs=0.05)


@pytest.mark.parametrize("blur_px", [0.7, 1.2])
@pytest.mark.parametrize("radius_px", [3, 4, 5, 6, 8])
def test_dots_of_print_are_no_balls(radius_px: int, blur_px: float) -> None:
    planes, owners = board()
    for x, grey in ((40, 0.5), (70, 0.8), (100, 1.1)):
        row, column = np.mgrid[0:SIZE, 0:SIZE]
        planes[:, np.hypot(row - 100, column - x) <= radius_px] = grey
    assert len(found(planes, owners, blur_px=blur_px)[1]) == 0


@pytest.mark.parametrize("reach_px", [6, 9, 14])
def test_tip_of_a_spike_over_the_lands_edge_is_no_ball(reach_px: int) -> None:
    """A half-round spike 0.24 mm wide that ends so far beyond the land: its tip is round and lit like a ball."""
    planes, owners = board()
    solder_land(planes)
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    tip = 120.0 - reach_px + 6.0
    away = np.where(column < tip, np.hypot(row - 120.0, column - tip), np.abs(row - 120.0)) / 6.0
    shade(planes, (away < 1.0) & (column < 170), np.rad2deg(np.arcsin(np.minimum(away, 1.0))))
    assert len(found(planes, owners)[1]) == 0


@pytest.mark.parametrize("inward", [-1.0, -0.5, 0.0, 0.5])
@pytest.mark.parametrize("diameter_mm", [0.25, 0.5])
def test_ball_over_a_lands_edge_is_found(inward: float, diameter_mm: float) -> None:
    planes, owners = board()
    solder_land(planes)
    ball(planes, 120.0 + inward * 0.5 * diameter_mm * PX_PER_MM, 120.0, diameter_mm)
    _, diameters = found(planes, owners)
    assert len(diameters) == 1
    assert diameters[0] == pytest.approx(diameter_mm, abs=0.05)


def test_ball_on_a_board_as_bright_as_solder_is_found() -> None:
    bright = np.array([0.9, 0.75, 0.75], dtype=np.float32)
    planes, owners = board(bright)
    ball(planes, 60.0, 100.0, 0.4, bright)
    _, diameters = found(planes, owners, bright)
    assert diameters == pytest.approx([0.4], abs=0.05)


@pytest.mark.parametrize("diameter_mm", [0.25, 0.3, 0.4, 0.6])
def test_a_ball_is_known_though_the_flattest_of_many_narrow_rings_is_weak(diameter_mm: float) -> None:
    """It is mirrored within 0.13 radii of the ball's middle alone, a pixel or two of a ball so small."""
    bands = ((4.0, 15.0), (16.0, 28.0), (29.0, 41.0), (42.0, 54.0), (55.0, 67.0), (68.0, 81.0))
    lights = tuple(Light(f"ring {number}", "ab"[number % 2], ("red", "green", "blue")[number // 2], band)
                   for number, band in enumerate(bands))
    table, mask = predict(lights, SLOPES, 0.1), np.full(6, 0.55, dtype=np.float32)
    planes = np.full((6, SIZE, SIZE), 0.55, dtype=np.float32)
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    share = np.hypot(column - 60.3, row - 100.4) / (0.5 * diameter_mm * PX_PER_MM)
    slope = np.rad2deg(np.arcsin(np.minimum(share, 1.0)))
    for plane, answers in zip(planes, table.T, strict=True):
        plane[share < 1.0] = (np.interp(slope, SLOPES, answers) + 0.35 * (slope > 42.0))[share < 1.0]
    planes[0] *= 0.4
    soft = np.stack([cv2.GaussianBlur(plane, (0, 0), 0.9) for plane in planes])
    capture = Capture("v1", soft, np.zeros((SIZE, SIZE), dtype=np.uint8), ())
    six = Station("six", 1.0 / PX_PER_MM, "{serial}_{exposure}.png", lights)
    balls = find_balls(capture, np.zeros((SIZE, SIZE), dtype=np.uint16), mask, optics_of(six), PX_PER_MM)
    assert balls.diameter_mm == pytest.approx([diameter_mm], abs=0.05)


def test_dome_in_the_middle_of_a_land_is_a_lead_and_no_ball() -> None:
    planes, owners = board()
    solder_land(planes)
    ball(planes, 160.0, 120.0, 0.6)
    assert len(found(planes, owners)[1]) == 0


def test_soldered_land_alone_shows_no_ball() -> None:
    planes, owners = board()
    solder_land(planes)
    assert len(found(planes, owners)[1]) == 0


def test_crests_of_spikes_and_necks_are_no_balls() -> None:
    planes, owners = board()
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    # A half-round neck 0.3 mm wide, and a spike that tapers from 0.3 mm to its tip over 1.4 mm.
    for middle, half in ((40.0, np.full(SIZE, 7.5)), (200.0, np.clip(7.5 * (100.0 - np.arange(SIZE)) / 70.0, 0, 7.5))):
        share = np.abs(row - middle) / np.maximum(half[None], 1e-6)
        shade(planes, (share < 1.0) & (column > 30) & (column < 110), np.rad2deg(np.arcsin(np.minimum(share, 1.0))))
    assert (found(planes, owners)[1] < 0.13).all()


def test_white_print_and_flat_metal_are_no_balls() -> None:
    planes, owners = board()
    planes[:, 30:42, 30:42] = 0.8
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    shade(planes, np.hypot(row - 100, column - 60) < 12, np.zeros((SIZE, SIZE)))
    shade(planes, np.hypot(row - 200, column - 60) < 5, np.full((SIZE, SIZE), 20.0))
    assert (found(planes, owners)[1] < 0.13).all()


@pytest.mark.parametrize("px_per_mm", [15.0, 25.0, 60.0])
def test_specks_of_few_pixels_are_no_balls_whatever_the_scale(px_per_mm: float) -> None:
    """A glint of three pixels each way would be a ball of 0.25 mm at 15 px/mm; nothing tells it from one."""
    planes, owners = board()
    planes[:, 99:102, 59:62] = np.array([3.0, 1.5, 0.8], dtype=np.float32)[:, None, None]
    assert len(found(planes, owners, px_per_mm=px_per_mm)[1]) == 0


@pytest.mark.parametrize("px_per_mm", [15.0, 25.0, 60.0])
def test_ball_of_enough_pixels_is_found_whatever_the_scale(px_per_mm: float) -> None:
    planes, owners = board()
    ball(planes, 60.0, 100.0, 9.0 / PX_PER_MM)
    _, diameters = found(planes, owners, px_per_mm=px_per_mm)
    assert diameters * px_per_mm == pytest.approx([9.0], abs=1.8)


def test_a_ball_beside_a_fiducial_is_found_but_the_fiducial_is_none() -> None:
    """Around a fiducial the mask is open: a ball that rolled there is one, the round bare metal itself is not."""
    planes, owners = board()
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    away = np.hypot(column - 60.0, row - 60.0)
    owners[away < 52.0] = CLEARANCE_OWNER
    owners[away < 26.0] = FIDUCIAL_OWNER
    shade(planes, away < 25.0, np.zeros(away.shape))
    places, diameters = found(planes, owners)
    assert len(places) == 0
    ball(planes, 60.0, 99.0, 0.4)
    places, diameters = found(planes, owners)
    assert diameters == pytest.approx([0.4], abs=0.05)
    assert places[0] == pytest.approx([60.5, 99.5], abs=1.5)


@pytest.mark.parametrize("x, y, is_ball", [(180.0, 84.0, True), (156.0, 118.0, False)])
def test_a_ball_on_the_solder_is_told_from_a_domed_lead_by_where_the_hole_is(x: float, y: float, is_ball: bool) -> None:
    """A sphere of 0.4 mm deep inside a land of 1.6 x 2.4 mm: beside the hole it is a ball, over it a lead's end."""
    planes, owners = board()
    solder_land(planes)
    ball(planes, x, y, 0.4)
    places, diameters = found(planes, owners, holes=np.array([(155.0, 120.0, 22.0)]))
    assert len(places) == int(is_ball)
    if is_ball:
        assert diameters[0] == pytest.approx(0.4, abs=0.05)


def test_the_domed_cap_of_a_lead_is_no_ball_on_a_land_hardly_wider_than_its_hole() -> None:
    """A sphere of 0.9 mm over a hole of 0.95 mm lies within so many of its radii of the land's edge."""
    planes, owners = board()
    solder_land(planes)
    ball(planes, 146.0, 118.0, 0.9)
    assert len(found(planes, owners, holes=np.array([(146.0, 120.0, 0.475 * PX_PER_MM)]))[1]) == 0


@pytest.mark.parametrize(("along_mm", "across_mm", "diameter_mm", "shape", "is_corner"), [
    (0.95, 0.65, 0.2, "rect", True), (-0.95, 0.63, 0.2, "rect", True),
    (0.95, 0.65, 0.3, "rect", False),  # larger than what a corner rounds
    (0.95, 0.3, 0.2, "rect", False), (1.1, 0.8, 0.2, "rect", False),  # beside an edge, off the land
    (0.95, 0.65, 0.2, "oblong", False)])
def test_what_solder_rounds_in_a_lands_corner_is_no_ball(along_mm: float, across_mm: float, diameter_mm: float,
                                                         shape: Literal["rect", "oblong"], is_corner: bool) -> None:
    """On a land of 2 mm by 1.4 mm that is turned by 30 degrees."""
    joint = replace(small_family().joints[0], land_shape=shape, land_w_mm=2.0, land_h_mm=1.4, land_rotation_deg=30.0)
    cos, sin = np.cos(np.pi / 6.0), np.sin(np.pi / 6.0)
    place = np.array([[joint.x_mm + along_mm * cos - across_mm * sin, joint.y_mm + along_mm * sin + across_mm * cos]])
    assert at_corners(place, np.array([diameter_mm]), (joint,)).tolist() == [is_corner]
    assert at_corners(np.zeros((0, 2)), np.zeros(0), (joint,)).tolist() == []
