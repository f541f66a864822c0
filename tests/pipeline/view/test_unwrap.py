"""Lands laid flat: edges, areas and directions against closed forms and scikit-image; slopes of known solids."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.pipeline import drawn
from vision.pipeline.light.optics import SLOPES_DEG, optics_of, predict
from vision.pipeline.light.surface import find_surface
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import edge_distance, land_outline
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import (
    AZIMUTHS,
    CHIP_OWNER,
    CLEARANCE_OWNER,
    FREE,
    HOLE,
    OUTSIDE,
    OUTSIDE_MM,
    RING,
    azimuths_rad,
    owner_map,
    unwrap_again,
    unwrap_joints,
)
from vision.setup import Chip, Family, Joint, Similarity

SIDES = st.floats(0.5, 4.0)
LANDS = [("round", 1.8, 1.8), ("oblong", 2.4, 1.5), ("oblong", 1.4, 2.6), ("rect", 1.7, 1.7), ("rect", 2.6, 1.3)]


def land_of(shape: str, width: float, height: float, turn: float = 0.0, hole: float = 0.9) -> Joint:
    return Joint("J1", "1", 5.0, 5.0, shape, width, height, turn, hole, "round", 0.6, 0.6)


def placed(board: Family) -> Registration:
    return Registration("v1", drawn.nominal(board, drawn.station()), (0.0, 0.0), 0.0, 1.0, 0.0, 3, "fiducials")


def laid_flat(board: Family, plane: np.ndarray | None = None, saturated: np.ndarray | None = None):
    shape = drawn.SIZE[::-1]
    plane = np.zeros(shape, dtype=np.float32) if plane is None else plane
    flags = np.zeros(shape, dtype=np.uint8) if saturated is None else saturated
    at = placed(board)
    owners = owner_map(drawn.SIZE, board, board.joints, board.chips, at.to_picture, 0.0)
    return unwrap_joints(Capture("v1", np.stack([plane] * 3), flags, ()), board.joints, at, owners)


def closed_area(joint: Joint) -> float:
    width, height = joint.land_w_mm, joint.land_h_mm
    if joint.land_shape == "rect":
        return width * height
    end = min(width, height)
    return np.pi * end * end / 4.0 + (max(width, height) - end) * end


@given(st.sampled_from(["round", "oblong", "rect"]), SIDES, SIDES, st.floats(-7.0, 7.0, allow_subnormal=False))
def test_edge_lies_on_the_outline(shape, width, height, azimuth):
    """Closed forms: a circle, the points at one distance from a line segment, and the unit square scaled."""
    height = width if shape == "round" else height
    edge = edge_distance(np.array([[width, height]]), np.array([shape]), np.array([[azimuth]]))[0, 0]
    x, y = edge * np.cos(azimuth), edge * np.sin(azimuth)
    if shape == "rect":
        assert max(abs(x) / (width / 2), abs(y) / (height / 2)) == pytest.approx(1.0, abs=1e-9)
        return
    end = min(width, height) / 2
    from_line = np.hypot(max(abs(x) - (width / 2 - end), 0.0), max(abs(y) - (height / 2 - end), 0.0))
    assert from_line == pytest.approx(end, abs=1e-9)


@pytest.mark.parametrize("shape, width, height", LANDS)
@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0])
def test_areas_sum_to_hole_and_land(shape, width, height, turn):
    """Closed forms of circle, stadium and rectangle; scikit-image counts the same outline drawn at 10 um."""
    from skimage.draw import polygon
    from skimage.measure import label, regionprops

    joint = land_of(shape, width, height, turn)
    patches = laid_flat(drawn.family(joints=(joint,)))
    assert patches.area_mm2[0, :, HOLE].sum() == pytest.approx(np.pi * 0.45**2, rel=1e-4)
    land = float(patches.area_mm2[0, :, :OUTSIDE.start].sum())
    # Two degrees a sample: a rectangle's corners are met to half a per cent.
    assert land == pytest.approx(closed_area(joint), rel=5e-3)
    fine = Similarity(np.eye(2) / 0.01, np.array([-200.0, -200.0]))
    outline = land_outline(joint, fine, steps=2000)
    canvas = np.zeros((600, 600), dtype=np.uint8)
    canvas[polygon(outline[:, 1] - 0.5, outline[:, 0] - 0.5, canvas.shape)] = 1  # it counts from pixel centres
    (seen,) = regionprops(label(canvas))
    assert land == pytest.approx(seen.area * 0.01**2, rel=8e-3)
    assert (np.array(seen.centroid) + 0.5) / 100.0 + 2.0 == pytest.approx((5.0, 5.0), abs=0.01)
    # A land's orientation by its second moments; rows run along board y here, since the map does not mirror.
    if width != height:
        along = turn if width > height else turn + 90.0
        assert (90.0 - np.rad2deg(seen.orientation) - along + 90.0) % 180.0 == pytest.approx(90.0, abs=1.0)


def test_zones_are_aligned_for_every_land():
    """Hole edge and land edge fall midway between the same two samples whatever the land's size."""
    joints = tuple(land_of(*land, turn=20.0 * n, hole=0.7 + 0.1 * n) for n, land in enumerate(LANDS))
    patches = laid_flat(drawn.family(joints=joints))
    radius, step = patches.radius_mm, patches.step_mm
    assert (np.diff(radius, axis=2) > 0.0).all()
    hole = np.broadcast_to(patches.hole_mm[:, None], patches.land_edge_mm.shape)
    borders = (hole, HOLE.stop - 1, RING.start), (patches.land_edge_mm, RING.stop - 1, OUTSIDE.start)
    for edge, before, after in borders:
        assert np.allclose(radius[:, :, before] + step[:, :, before] / 2.0, edge, atol=1e-5)
        assert np.allclose(radius[:, :, after] - step[:, :, after] / 2.0, edge, atol=1e-5)
    reach = radius[:, :, -1] + step[:, :, -1] / 2.0
    assert np.allclose(reach, patches.land_edge_mm + OUTSIDE_MM, atol=1e-5)


@pytest.mark.parametrize("turn", [0.0, 30.0, 120.0])
def test_a_turned_land_reaches_farthest_along_its_own_axis(turn):
    patches = laid_flat(drawn.family(joints=(land_of("oblong", 2.6, 1.4, turn),)))
    farthest = np.rad2deg(azimuths_rad()[patches.land_edge_mm[0].argmax()])
    assert (farthest - turn + 90.0) % 180.0 == pytest.approx(90.0, abs=1.5)


@pytest.mark.parametrize("azimuth", [0.0, 40.0, 90.0, 200.0, 310.0])
@pytest.mark.parametrize("seen_from, right", [("top", 1.0), ("bottom", -1.0)])
def test_azimuth_runs_counter_clockwise_on_the_component_side(seen_from, right, azimuth):
    """Seen from the component side azimuths run as on paper; seen from below, right and left change places."""
    board = drawn.family(joints=(land_of("round", 1.8, 1.8),), seen_from=seen_from, fiducials=())
    middle = drawn.nominal(board, drawn.station()).to_px((5.0, 5.0))
    # The picture's y runs down on both sides.
    spot = middle + 0.7 / 0.02 * np.array([right * np.cos(np.deg2rad(azimuth)), -np.sin(np.deg2rad(azimuth))])
    row, column = np.mgrid[0:drawn.SIZE[1], 0:drawn.SIZE[0]] + 0.5
    plane = np.exp(-((column - spot[0])**2 + (row - spot[1])**2) / (2 * 3.0**2)).astype(np.float32)
    bright = laid_flat(board, plane).responses[0, 0]
    at, radius = np.unravel_index(bright.argmax(), bright.shape)
    assert (np.rad2deg(azimuths_rad()[at]) - azimuth + 180.0) % 360.0 == pytest.approx(180.0, abs=2.0)
    assert laid_flat(board).radius_mm[0, at, radius] == pytest.approx(0.7, abs=0.03)


def test_free_board_ends_at_neighbours_chips_and_the_picture():
    """Beyond a land's edge only what lies on no other land and no chip is free."""
    first = land_of("round", 1.8, 1.8)
    second = Joint("J1", "2", 7.0, 5.0, "round", 1.8, 1.8, 0.0, 0.9, "round", 0.6, 0.6)
    edge = Joint("J2", "1", -0.9, 5.0, "round", 1.8, 1.8, 0.0, 0.9, "round", 0.6, 0.6)
    board = drawn.family(joints=(first, second, edge), chips=(Chip("R1", 5.0, 7.0, 0.0, 1.6, 2.0),), fiducials=())
    patches = laid_flat(board)
    degrees = np.rad2deg(azimuths_rad())
    blocked = ~patches.free[0].all(axis=1)
    assert blocked[np.abs(degrees - 90.0) < 10.0].all()  # the chip above
    assert blocked[(degrees < 10.0) | (degrees > 350.0)].all()  # the neighbour to the right
    assert not blocked[(degrees > 150.0) & (degrees < 330.0)].any()
    assert patches.in_picture.tolist() == [True, True, False]


def test_saturated_share_is_by_area():
    board = drawn.family(joints=(land_of("round", 1.8, 1.8),), fiducials=())
    flags = np.zeros(drawn.SIZE[::-1], dtype=np.uint8)
    flags[:, :int(drawn.nominal(board, drawn.station()).to_px((5.0, 5.0))[0])] = 1
    assert laid_flat(board, saturated=flags).saturated_pct[0] == pytest.approx(50.0, abs=2.0)


def shaded(board: Family, slope_of, roughness: float, response_of=predict) -> np.ndarray:
    """Responses [light, row, col] of solids around every hole on a plain mask; slope_of(joint number, r mm) in deg."""
    lights = drawn.station().lights
    at = placed(board).to_picture
    row, column = np.mgrid[0:drawn.SIZE[1], 0:drawn.SIZE[0]] + 0.5
    board_mm = at.to_mm(np.stack([column, row], axis=-1))
    table = response_of(lights, SLOPES_DEG.astype(float), roughness)
    picture = np.full((3, *drawn.SIZE[::-1]), 0.08, dtype=np.float32)
    for number, joint in enumerate(board.joints):
        away = np.hypot(board_mm[..., 0] - joint.x_mm, board_mm[..., 1] - joint.y_mm)
        on_land = away < joint.land_w_mm / 2.0
        slope = slope_of(number, away[on_land])
        for light in range(3):
            picture[light][on_land] = np.interp(slope, SLOPES_DEG, table[:, light])
    return picture


def renderer_response(lights, slopes_deg, roughness):
    """The renderer's own tables: another integration of the same published model, with tin's reflectance."""
    from synthetic_images.light import METALS, ROUGHNESS, light_tables, node_slopes

    tables = light_tables(lights)
    at = int(np.argmin(np.abs(ROUGHNESS - roughness)))
    values = tables.specular[METALS.index("tin"), at, 0]
    asked = np.deg2rad(slopes_deg)
    return np.stack([np.interp(asked, node_slopes(), values[:, light]) for light in range(len(lights))], axis=1)


def slopes_seen(board: Family, picture: np.ndarray):
    capture = Capture("v1", picture, np.zeros(drawn.SIZE[::-1], dtype=np.uint8), ())
    at = placed(board)
    patches = unwrap_joints(capture, board.joints, at,
                            owner_map(drawn.SIZE, board, board.joints, (), at.to_picture, 0.0))
    return patches, find_surface(patches, capture, at, optics_of(drawn.station()), ())


def round_lands() -> Family:
    joints = tuple(Joint("J1", str(n + 1), 2.5 + 2.8 * (n % 3), 3.2 + 3.2 * (n // 3), "round", 2.0, 2.0, 0.0, 0.8,
                         "round", 0.5, 0.5) for n in range(6))
    return drawn.family(joints=joints, fiducials=())


@pytest.mark.parametrize("lights", [1, 3, 4, 7])
def test_joints_sampled_again_are_as_if_all_were_sampled(lights):
    """Two of six joints moved, one of them out of the picture: everything as from a look at all of them."""
    rng, board = np.random.default_rng(5), round_lands()
    planes = rng.random((lights, *drawn.SIZE[::-1]), dtype=np.float32)
    together = tuple(np.ascontiguousarray(np.moveaxis(planes[start:start + 4], 0, 2)) for start in range(0, lights, 4))
    flags = (rng.random(drawn.SIZE[::-1]) > 0.999).astype(np.uint8)
    capture, at = Capture("v1", planes, flags, (), together), placed(board)

    def owners(joints):
        return owner_map(drawn.SIZE, board, joints, (), at.to_picture, 0.04)

    moved = list(board.joints)
    moved[1], moved[5] = replace(moved[1], x_mm=moved[1].x_mm + 0.11), replace(moved[5], x_mm=moved[5].x_mm + 30.0)
    first = unwrap_joints(capture, board.joints, at, owners(board.joints))
    whole = unwrap_joints(capture, moved, at, owners(moved))
    again = unwrap_again(first, capture, moved, np.array([1, 5]), at, owners(moved))
    assert not again.in_picture[5] and again.in_picture[1]
    for name in ("responses", "free", "saturated_pct", "in_picture", "middle_px"):
        assert np.array_equal(getattr(again, name), getattr(whole, name)), name


@pytest.mark.parametrize("lights", [1, 3, 4, 7])
def test_joints_are_sampled_as_in_the_whole_picture(lights):
    """Against OpenCV's remap of every light's whole picture, joints across its edges as well."""
    rng, board = np.random.default_rng(6), round_lands()
    planes = rng.random((lights, *drawn.SIZE[::-1]), dtype=np.float32)
    together = tuple(np.ascontiguousarray(np.moveaxis(planes[start:start + 4], 0, 2)) for start in range(0, lights, 4))
    at = placed(board)
    at = replace(at, to_picture=Similarity(at.to_picture.matrix, at.to_picture.shift - (130.3, 155.6)))
    capture = Capture("v1", planes, np.zeros(drawn.SIZE[::-1], dtype=np.uint8), (), together)
    patches = unwrap_joints(capture, board.joints, at, np.zeros(drawn.SIZE[::-1], dtype=np.uint16))
    assert 0 < patches.in_picture.sum() < len(board.joints)
    place = patches.middle_px[:, None, None] + patches.radius_mm[..., None] * patches.ray_px[None, :, None]
    x, y = (place[..., axis].reshape(-1, place.shape[2]) for axis in (0, 1))
    for light, plane in enumerate(planes):
        expected = cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        assert np.allclose(patches.responses[:, light].reshape(expected.shape), expected, atol=1e-3)


@pytest.mark.parametrize("response_of, tolerance", [(predict, 2.0), (renderer_response, 3.0)])
def test_slope_of_a_sphere(response_of, tolerance):
    """Closed form: on a sphere of radius R the slope is asin(r / R)."""
    board = round_lands()
    sphere_mm = 1.6
    picture = shaded(board, lambda _, r: np.rad2deg(np.arcsin(r / sphere_mm)), 0.13, response_of)
    patches, surface = slopes_seen(board, picture)
    true = np.rad2deg(np.arcsin(np.minimum(patches.radius_mm[:, :, RING] / sphere_mm, 1.0)))
    found = surface.slope_deg[:, :, RING]
    inner = (true > 10.0) & (true < 35.0) & (patches.radius_mm[:, :, RING] < 0.95)
    assert inner.sum() > 1000
    assert np.abs(found - true)[inner].mean() < tolerance
    assert np.abs(np.median((found - true)[inner])) < tolerance
    assert not surface.dark[:, :, RING][inner].any()


@pytest.mark.parametrize("response_of, tolerance", [(predict, 2.5), (renderer_response, 3.5)])
def test_slope_of_cones(response_of, tolerance):
    """A cone has one slope everywhere; spheres beside it show every light at its purest, as fillets do.

    Slopes in the middle of a light's band: between two bands a single slope cannot be told from a rougher surface.
    """
    board = round_lands()
    true = {1: 15.0, 3: 19.0, 4: 23.0}

    def slope(number: int, r: np.ndarray) -> np.ndarray:
        return np.full_like(r, true[number]) if number in true else np.rad2deg(np.arcsin(r / 1.6))

    _, surface = slopes_seen(board, shaded(board, slope, 0.13, response_of))
    middle = slice(RING.start + 3, RING.stop - 3)
    found = np.median(surface.slope_deg[list(true), :, middle], axis=(1, 2))
    assert np.abs(found - list(true.values())).max() < tolerance


def test_azimuth_samples_fill_the_circle():
    assert len(azimuths_rad()) == AZIMUTHS
    assert np.diff(azimuths_rad()) == pytest.approx(2 * np.pi / AZIMUTHS)


@pytest.mark.parametrize(("width", "height", "turn"), [(2.0, 1.25, 0.0), (1.25, 2.0, 0.0), (2.0, 1.25, 30.0)])
def test_the_lands_at_a_chips_ends_are_no_free_board(width: float, height: float, turn: float) -> None:
    """They reach 0.3 to 0.5 mm beyond its body there, and hardly beside it (common practice, no published source)."""
    board = drawn.family(joints=(), chips=(Chip("R1", 5.0, 5.0, turn, width, height),))
    at = placed(board)
    owners = owner_map(drawn.SIZE, board, (), board.chips, at.to_picture, 0.0)

    def owner(along: float, across: float) -> int:
        angle = np.deg2rad(turn if width > height else turn + 90.0)
        turned = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        x, y = at.to_picture.to_px((5.0, 5.0) + turned @ (along, across)).astype(int)
        return int(owners[y, x])

    assert owner(0.9, 0.0) == owner(-0.9, 0.5) == CHIP_OWNER
    assert owner(1.3, 0.0) == owner(-1.3, 0.5) == CLEARANCE_OWNER
    assert owner(1.6, 0.0) == owner(0.0, 0.8) == owner(1.2, 0.8) == FREE
