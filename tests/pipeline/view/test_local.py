"""Lands that lie off where the board as a whole puts them: on drawn edges, and on a picture pulled out of shape."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from synthetic_images.board import plan_board, render_view
from tests.pipeline import drawn
from tests.synthetic_images.small import small_family, small_station
from vision.pipeline.folder import BoardFiles
from vision.pipeline.measure import measure_board, see_view
from vision.pipeline.view.capture import Capture, load_view
from vision.pipeline.view.local import GROWN_MM, LEAST_MM, corrected_joints, fit_outlines, land_inset, land_shifts
from vision.pipeline.view.register import register_view
from vision.pipeline.view.unwrap import unwrap_joints
from vision.setup import Similarity, nominal_view


@pytest.mark.parametrize("shift_mm", [(0.0, 0.0), (0.05, 0.02), (0.12, -0.09), (-0.15, 0.1)])
def test_shift_of_drawn_lands_is_found(shift_mm: tuple[float, float]) -> None:
    """Even lands of all shapes, drawn so far off where they are looked for."""
    family, station = drawn.family(), drawn.station()
    nominal = nominal_view(family, family.views[0], station, drawn.SIZE)
    there = Similarity(nominal.matrix, nominal.shift + nominal.matrix @ np.array(shift_mm))
    planes = np.stack([drawn.draw(family, there, noise=0.02, seed=light) for light in range(3)])
    capture = Capture("v1", planes, np.zeros(planes.shape[1:], dtype=np.uint8), ())
    place: Any = SimpleNamespace(to_picture=nominal)
    patches = unwrap_joints(capture, family.joints, place, np.zeros(planes.shape[1:], dtype=np.uint16))
    found, sure = land_shifts(fit_outlines(family.joints, patches))
    assert np.abs(found - shift_mm).max() < 0.012
    if np.hypot(*shift_mm) > 0.0:
        assert sure.all()
    moved = corrected_joints(family.joints, patches)
    assert (moved is not None) == (np.hypot(*shift_mm) > LEAST_MM)
    if moved is not None:
        for before, after in zip(family.joints, moved, strict=True):
            assert (after.x_mm - before.x_mm, after.y_mm - before.y_mm) == pytest.approx(shift_mm, abs=0.012)


@pytest.mark.parametrize("smaller_mm", [0.0, 0.04, 0.1])
def test_what_is_much_smaller_than_a_land_is_no_land(smaller_mm: float) -> None:
    """A toe that stops short of the edge all round, more on one side than on the other, does not move its joint."""
    family, station = drawn.family(), drawn.station()
    lands = tuple(replace(joint, land_w_mm=joint.land_w_mm - 2.0 * smaller_mm,
                          land_h_mm=joint.land_h_mm - 2.0 * smaller_mm) for joint in family.joints)
    nominal = nominal_view(family, family.views[0], station, drawn.SIZE)
    there = Similarity(nominal.matrix, nominal.shift + nominal.matrix @ np.array((0.08, -0.06)))
    plane = drawn.draw(replace(family, joints=lands), there, noise=0.02)
    capture = Capture("v1", plane[None], np.zeros(plane.shape, dtype=np.uint8), ())
    place: Any = SimpleNamespace(to_picture=nominal)
    patches = unwrap_joints(capture, family.joints, place, np.zeros(plane.shape, dtype=np.uint16))
    moved = corrected_joints(family.joints, patches)
    assert (moved is not None) == (smaller_mm <= GROWN_MM)


@pytest.mark.parametrize(("smaller_mm", "of", "found_mm"), [
    (0.0, 6, 0.0), (0.008, 6, 0.0), (0.017, 6, 0.017), (0.03, 6, 0.03), (0.045, 6, 0.045),
    (-0.04, 6, 0.0), (0.08, 6, 0.0), (0.045, 3, 0.0)])
def test_lands_that_all_end_further_in_than_drawn(smaller_mm: float, of: int, found_mm: float) -> None:
    """Copper etched narrower: lands drawn so much smaller, all or some, and what larger ones give, which are none.

    What seems larger may be the mask's opening, and a toe that stops short ends far in, or on some lands only.
    """
    family, station = drawn.family(), drawn.station()
    lands = tuple(replace(joint, land_w_mm=joint.land_w_mm - 2.0 * smaller_mm,
                          land_h_mm=joint.land_h_mm - 2.0 * smaller_mm) if number < of else joint
                  for number, joint in enumerate(family.joints))
    there = nominal_view(family, family.views[0], station, drawn.SIZE)
    plane = drawn.draw(replace(family, joints=lands), there, noise=0.02)
    capture = Capture("v1", plane[None], np.zeros(plane.shape, dtype=np.uint8), ())
    place: Any = SimpleNamespace(to_picture=there)
    patches = unwrap_joints(capture, family.joints, place, np.zeros(plane.shape, dtype=np.uint16))
    assert land_inset(fit_outlines(family.joints, patches)) == pytest.approx(found_mm, abs=0.0101 if found_mm else 0.0)
    corrected = corrected_joints(family.joints, patches)
    if not found_mm:
        assert corrected is None
        return
    assert corrected is not None
    for before, after in zip(family.joints, corrected, strict=True):
        assert before.land_w_mm - after.land_w_mm == pytest.approx(2.0 * found_mm, abs=0.0202)
        assert (after.x_mm, after.y_mm, after.lead_w_mm) == (before.x_mm, before.y_mm, before.lead_w_mm)


def test_a_picture_pulled_out_of_shape_is_measured_where_the_joints_are(tmp_path) -> None:
    """One place of the board is drawn aside by 0.16 mm, smoothly, as by a bent board; fiducials stay where they are."""
    family, station = small_family(), small_station()
    plan = plan_board(family, np.random.default_rng(61), planned={})
    view = render_view(plan, "v1", station, serial="B1")
    joint = family.joints[1]
    middle = view.board_to_px.to_px((joint.x_mm, joint.y_mm))
    pull = view.board_to_px.matrix @ np.array([0.13, 0.1])
    path = tmp_path / "B1_v1_a.png"
    assert cv2.imwrite(str(path), drawn.bent(view.pictures["a"], middle, pull, 1.6 / station.mm_per_px))
    files = BoardFiles("B1", {("v1", "a"): path})
    capture = load_view("v1", files.pictures, station)
    registered = register_view(capture, family, family.views[0], station).to_picture
    seen = see_view(capture, family, family.views[0], station)
    # Where the joint truly lies, and where it was looked at.
    true = registered.to_px((joint.x_mm, joint.y_mm)) - view.board_to_px.to_px((joint.x_mm, joint.y_mm)) - pull
    looked = registered.to_px((seen.joints[1].x_mm, seen.joints[1].y_mm)) - middle - pull
    assert np.hypot(*true) * station.mm_per_px > 0.1
    assert np.hypot(*looked) * station.mm_per_px < 0.06
    measured = measure_board(files, family, station).joints
    # What is reported is the place on the board's drawing.
    assert measured.x_mm.tolist() == [place.x_mm for place in family.joints]
    assert measured.y_mm.tolist() == [place.y_mm for place in family.joints]
    exact = next(row for row in view.rows if (row.ref, row.pin) == (joint.ref, joint.pin)).values
    assert measured.columns["coverage_deg"][1] == pytest.approx(exact["coverage_deg"], abs=6.0)
    assert measured.columns["lead_offset_mm"][1] == pytest.approx(exact["lead_offset_mm"], abs=0.08)
