"""Overlays: one picture a view, with every verdict marked where the joint lies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.criteria import workmanship_rules
from models.limits import LimitSheet
from synthetic_images.board import plan_board, render_view
from tests.synthetic_images.small import small_family, small_station, write_views
from vision.pipeline.folder import BoardFiles
from vision.pipeline.grade import grade_board
from vision.pipeline.measure import see_view
from vision.pipeline.pictures.overlay import draw_view, natural
from vision.pipeline.pictures.paper import VERDICT_BGR
from vision.pipeline.view.capture import load_view
from vision.setup import View

SHEET = LimitSheet(workmanship_rules(2), family="small")


@pytest.fixture(scope="module")
def drawn_board(tmp_path_factory):
    """A board with a bare joint, a bridge and a missing chip: folder, files, inspection, as seen in its view."""
    folder = tmp_path_factory.mktemp("overlay")
    family, station = small_family(), small_station()
    plan = plan_board(family, np.random.default_rng(31), planned={0: ("bridge", 0.8), 5: ("no_solder", 1.0)},
                      planned_chips={1: ("chip_missing", 1.0)})
    path = folder / "B7_v1_a.png"
    assert cv2.imwrite(str(path), render_view(plan, "v1", station).pictures["a"])
    files = BoardFiles("B7", {("v1", "a"): path})
    inspection = grade_board(files, family, station, SHEET, overlay=folder / "new" / "overlays")
    seen = see_view(load_view("v1", files.pictures, station), family, family.views[0], station)
    return folder, files, inspection, seen


def is_colour(picture: np.ndarray, bgr: tuple[int, int, int], tolerance: int = 3) -> np.ndarray:
    return (np.abs(picture.astype(int) - bgr) <= tolerance).all(axis=2)


def test_grading_writes_one_picture_a_view(drawn_board):
    folder, _, inspection, seen = drawn_board
    (path,) = sorted((folder / "new" / "overlays").iterdir())
    assert path.name == "B7_v1_overlay.jpg"
    picture = cv2.imread(str(path))
    assert (picture.shape[1], picture.shape[0]) == seen.capture.size_px
    assert picture.std() > 10.0
    plain = natural(seen.capture, seen.optics.bands)
    changed = (np.abs(picture.astype(int) - plain) > 60).any(axis=2).mean()
    assert 0.01 < changed < 0.5
    # The heading bears the board's verdict by colour; JPEG shifts colours a little.
    assert is_colour(picture[2:6, -60:], VERDICT_BGR[inspection.verdict], 12).mean() > 0.9


def test_every_joint_is_outlined_in_its_verdicts_colour(drawn_board):
    _, _, inspection, seen = drawn_board
    assert inspection.verdict == "reject"
    picture = draw_view(seen, inspection)
    for joint in inspection.joints:
        x, y = seen.registration.to_picture.to_px((joint.x_mm, joint.y_mm)).astype(int)
        window = picture[max(y - 75, 0):y + 75, max(x - 75, 0):x + 75]
        assert is_colour(window, VERDICT_BGR[joint.verdict], 40).sum() > 80, joint.pin


def test_a_bridge_is_drawn_between_its_joints(drawn_board):
    _, _, inspection, seen = drawn_board
    joints = {f"{joint.ref}.{joint.pin}": joint for joint in inspection.joints}
    ends = [(joint, joints[finding.other]) for joint in inspection.joints for finding in joint.findings
            if finding.finding == "bridge"]
    assert ends
    picture = draw_view(seen, inspection)
    for here, there in ends:
        middle = np.mean([(here.x_mm, here.y_mm), (there.x_mm, there.y_mm)], axis=0)
        x, y = seen.registration.to_picture.to_px(middle).astype(int)
        half = 0.5 * here.measurements["bridge_width_mm"] * seen.registration.to_picture.px_per_mm
        row, column = np.nonzero(is_colour(picture[y - 40:y + 41, x - 40:x + 41], (255, 255, 255), 12))
        along = np.array([there.x_mm - here.x_mm, there.y_mm - here.y_mm]) @ seen.registration.to_picture.matrix.T
        aside = ((column - 40) * -along[1] + (row - 40) * along[0]) / np.hypot(*along)
        for side in (-half, half):
            assert (np.abs(aside - side) < 2.5).sum() > 60, "a line along each edge of the bridge"


def test_gaps_and_leads_are_drawn_where_they_were_seen(drawn_board):
    _, _, inspection, seen = drawn_board
    picture = draw_view(seen, inspection)
    bare = next(joint for joint in inspection.joints if any(f.finding == "no_solder" for f in joint.findings))
    assert bare.measurements["largest_gap_deg"] == pytest.approx(360.0)

    def whites(joint, low_mm, high_mm):
        """White pixels in a ring round the land's middle."""
        x, y = seen.registration.to_picture.to_px((joint.x_mm, joint.y_mm)) - 0.5
        row, column = np.nonzero(is_colour(picture, (255, 255, 255), 12))
        away = np.hypot(column - x, row - y) / seen.registration.to_picture.px_per_mm
        return ((away > low_mm) & (away < high_mm)).sum()

    # The land of joint 6 is 1.6 x 2.4 mm: a thick line just outside runs all round it.
    assert whites(bare, 0.88, 1.45) > 1000
    whole = next(joint for joint in inspection.joints if joint.pin == "3")
    assert whole.verdict == "accept"
    assert whole.measurements["lead_visible"] > 0.5
    assert 10 <= whites(whole, 0.0, 0.2) < 60, "the lead's end"
    assert whites(whole, 0.88, 1.45) < 250, "the toe where the land is longest"


def test_chips_are_outlined(drawn_board):
    _, _, inspection, seen = drawn_board
    picture = draw_view(seen, inspection)
    without = draw_view(seen, replace(inspection, chips=()))
    changed = (picture != without).any(axis=2)
    for chip in inspection.chips:
        x, y = seen.registration.to_picture.to_px((chip.x_mm, chip.y_mm)).astype(int)
        assert changed[y - 80:y + 80, x - 80:x + 80].any()
    bare = draw_view(seen, replace(inspection, joints=(), chips=()))
    assert (bare[40:] == natural(seen.capture, seen.optics.bands)[40:]).all()


def test_drawing_leaves_the_pictures_alone(drawn_board):
    _, files, inspection, seen = drawn_board
    before = seen.capture.responses.copy()
    draw_view(seen, inspection)
    assert np.array_equal(before, seen.capture.responses)
    assert Path(inspection.pictures[0].path) == files.pictures["v1", "a"]


def test_no_overlay_for_an_ungraded_board(tmp_path):
    path = tmp_path / "B8_v1_a.png"
    path.write_bytes(b"not a picture")
    inspection = grade_board(BoardFiles("B8", {("v1", "a"): path}), small_family(), small_station(), SHEET,
                             overlay=tmp_path / "overlays")
    assert inspection.verdict == "ungraded"
    assert not list(tmp_path.glob("overlays/*"))


def test_two_views_give_two_pictures(tmp_path):
    family = replace(small_family(), views=(View("left", (4.9, 4.2)), View("right", (9.3, 4.2))))
    station = small_station(picture_px=(600, 560))
    plan = plan_board(family, np.random.default_rng(8), planned={})
    pictures = write_views(plan, station, tmp_path, "A")
    inspection = grade_board(BoardFiles("A", pictures), family, station, SHEET, overlay=tmp_path / "out")
    names = [f"{joint.ref}.{joint.pin}" for joint in inspection.joints]
    assert sorted(names) == sorted(joint.name for joint in family.joints)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["A_left_overlay.jpg", "A_right_overlay.jpg"]
