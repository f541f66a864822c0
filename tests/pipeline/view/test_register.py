"""Registration: against drawn truth and against scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.pipeline import drawn
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.fitting import fit_similarity
from vision.pipeline.view.register import RegistrationError, circle_center, register_view
from vision.setup import Fiducial


def capture_of(plane: np.ndarray) -> Capture:
    responses = np.stack([plane] * 3)
    return Capture("v1", responses, np.zeros(plane.shape, dtype=np.uint8), ())


def error_at_joints(board, registration, truth) -> float:
    places = [(joint.x_mm, joint.y_mm) for joint in board.joints]
    rest = registration.to_picture.to_px(places) - truth.to_px(places)
    return float(np.sqrt((rest**2).sum(axis=1).mean())) * 0.02


@pytest.mark.parametrize("offset_mm, turn_deg", [((0.0, 0.0), 0.0), ((0.5, -0.5), 1.2), ((-0.43, 0.21), -1.2),
                                                 ((0.0, 0.5), 0.6)])
@pytest.mark.parametrize("mask, metal", [(0.15, 0.9), (0.05, 0.35), (0.8, 0.3)])
def test_board_is_found_within_the_goal(offset_mm, turn_deg, mask, metal):
    board, station = drawn.family(), drawn.station()
    truth = drawn.moved(drawn.nominal(board, station), tuple(value / 0.02 for value in offset_mm), turn_deg)
    plane = drawn.draw(board, truth, mask=mask, metal=metal, noise=0.01)
    found = register_view(capture_of(plane), board, board.views[0], station)
    assert found.method == "fiducials"
    assert found.marks == 3
    assert error_at_joints(board, found, truth) < 0.005  # the goal for rendered boards is 0.03 mm
    assert found.scale == pytest.approx(1.0, abs=1e-3)
    # The picture's y runs down: drawn.moved turns clockwise to the eye.
    assert found.rotation_deg == pytest.approx(-turn_deg, abs=0.05)


def test_offset_is_reported_in_board_millimetres():
    board, station = drawn.family(), drawn.station()
    nominal = drawn.nominal(board, station)
    shifted = drawn.moved(nominal, tuple(nominal.matrix @ np.array([0.3, -0.2])), 0.0)
    found = register_view(capture_of(drawn.draw(board, shifted)), board, board.views[0], station)
    assert found.offset_mm == pytest.approx((0.3, -0.2), abs=0.005)


def test_a_covered_fiducial_is_done_without():
    board, station = drawn.family(), drawn.station()
    truth = drawn.moved(drawn.nominal(board, station), (12.0, -9.0), 0.8)
    plane = drawn.draw(board, truth, skip_fiducials=(1,), noise=0.01)
    found = register_view(capture_of(plane), board, board.views[0], station)
    assert found.marks == 2
    assert error_at_joints(board, found, truth) < 0.01


def test_a_false_mark_is_outvoted():
    board, station = drawn.family(), drawn.station()
    truth = drawn.moved(drawn.nominal(board, station), (5.0, 5.0), 0.3)
    bad = drawn.family(fiducials=(*board.fiducials[:2], Fiducial(1.9, 9.0, 1.0), Fiducial(11.2, 9.3, 1.0)))
    plane = drawn.draw(bad, truth, noise=0.01)
    asked = drawn.family(fiducials=(*board.fiducials, Fiducial(11.2, 9.3, 1.0)))
    found = register_view(capture_of(plane), asked, asked.views[0], station)
    assert found.marks == 3
    assert error_at_joints(board, found, truth) < 0.01


def test_lands_serve_when_no_fiducial_is_seen():
    board, station = drawn.family(), drawn.station()
    truth = drawn.moved(drawn.nominal(board, station), (18.0, -14.0), 0.9)
    plane = drawn.draw(board, truth, skip_fiducials=(0, 1, 2), noise=0.01)
    found = register_view(capture_of(plane), board, board.views[0], station)
    assert found.method == "lands"
    assert error_at_joints(board, found, truth) < 0.02


def test_an_empty_picture_and_a_wrong_board_are_refused():
    board, station = drawn.family(), drawn.station()
    empty = np.random.default_rng(3).normal(0.2, 0.01, drawn.SIZE[::-1]).astype(np.float32)
    with pytest.raises(RegistrationError, match="family drawn was not found"):
        register_view(capture_of(empty), board, board.views[0], station)
    other = drawn.family(joints=tuple(joint.__class__(**(joint.__dict__ | {"x_mm": joint.x_mm + 1.3}))
                                      for joint in board.joints))
    plane = drawn.draw(other, drawn.nominal(other, station), noise=0.01)
    with pytest.raises(RegistrationError, match="wrong board, wrong side or turned"):
        register_view(capture_of(plane), board, board.views[0], station)


@settings(max_examples=60, deadline=None)
@given(st.floats(-3.0, 3.0), st.floats(0.8, 1.2), st.floats(-50, 50), st.floats(-50, 50), st.integers(0, 10_000))
def test_similarity_fit_agrees_with_scikit_image(angle, scale, dx, dy, seed):
    """scikit-image's SimilarityTransform (Umeyama 1991) is the reference."""
    from skimage.transform import SimilarityTransform

    rng = np.random.default_rng(seed)
    source = rng.uniform(0, 400, (6, 2))
    true = SimilarityTransform(scale=scale, rotation=angle, translation=(dx, dy))
    target = true(source) + rng.normal(0, 0.5, (6, 2))
    reference = SimilarityTransform.from_estimate(source, target)
    ours, _ = fit_similarity(source, target)
    assert np.allclose(ours.matrix, reference.params[:2, :2], atol=1e-9)
    assert np.allclose(ours.shift, reference.params[:2, 2], atol=1e-6)


@pytest.mark.parametrize("center", [(60.0, 60.0), (60.25, 59.6), (61.49, 60.77)])
@pytest.mark.parametrize("radius", [14.0, 25.3])
def test_circle_centre_is_sub_pixel(center, radius):
    """scikit-image's disk drawn at twelve-fold size is the reference."""
    from skimage.draw import disk

    factor = 12
    big = np.zeros((120 * factor, 120 * factor), dtype=np.float32)
    big[disk((center[1] * factor - 0.5, center[0] * factor - 0.5), radius * factor)] = 1.0
    small = big.reshape(120, factor, 120, factor).mean(axis=(1, 3))
    found = circle_center(small, np.array(center) + (1.7, -1.2), radius)
    assert found == pytest.approx(center, abs=0.03)
