"""Pictures of single places for pages: small ones and whole sheets, of what can be shown."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from models.criteria import workmanship_rules
from models.limits import LimitSheet
from synthetic_images.board import plan_board, render_view
from tests.synthetic_images.small import small_family, small_station
from vision.pipeline.folder import BoardFiles
from vision.pipeline.grade import grade_board
from vision.pipeline.inspection import Inspection
from vision.report.pictures import place_pictures, sheet_pictures

SHEET = LimitSheet(workmanship_rules(2), family="small")


@pytest.fixture(scope="module")
def graded(tmp_path_factory: pytest.TempPathFactory) -> tuple[BoardFiles, Inspection]:
    path = tmp_path_factory.mktemp("places") / "B1_v1_a.png"
    plan = plan_board(small_family(), np.random.default_rng(31), planned={5: ("no_solder", 1.0)}, planned_chips={})
    assert cv2.imwrite(str(path), render_view(plan, "v1", small_station()).pictures["a"])
    files = BoardFiles("B1", {("v1", "a"): path})
    return files, grade_board(files, small_family(), small_station(), SHEET)


def test_places_get_small_pictures_and_whole_sheets(graded: tuple[BoardFiles, Inspection]) -> None:
    files, inspection = graded
    names = ["J1.6", "R1", "J9.9"]
    small = place_pictures(files, small_family(), small_station(), names, side_px=120)
    whole = sheet_pictures(files, small_family(), small_station(), SHEET, inspection, names)
    assert sorted(small) == sorted(whole) == ["J1.6", "R1"]
    assert {picture.shape for picture in small.values()} == {(120, 120, 3)}
    assert all(picture.shape[1] > 1200 for picture in whole.values())
    assert not np.array_equal(whole["J1.6"][:500, :500], whole["R1"][:500, :500])


def test_nothing_is_shown_when_nothing_is_asked_for(graded: tuple[BoardFiles, Inspection]) -> None:
    files, inspection = graded
    assert sheet_pictures(files, small_family(), small_station(), SHEET, inspection, []) == {}


def test_boards_whose_pictures_are_gone_are_left_out(graded: tuple[BoardFiles, Inspection], tmp_path: Path) -> None:
    _, inspection = graded
    gone = BoardFiles("B1", {("v1", "a"): tmp_path / "gone.png"})
    assert sheet_pictures(gone, small_family(), small_station(), SHEET, inspection, ["J1.6"]) == {}
