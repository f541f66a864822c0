"""Views and families without joints: chips are graded all the same, and the other views with them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from synthetic_images.board import plan_board
from tests.synthetic_images.small import quiet_recipe, small_family, small_station, write_views
from vision.calibration.boards import look_at_boards
from vision.cli import main
from vision.pipeline.folder import BoardFiles, scan_folder
from vision.pipeline.grade import grade_board
from vision.pipeline.measure import measure_board, parts_of_view
from vision.setup import Family, View, write_family, write_station
from vision.teaching.learn_family import learn_family

SHEET = LimitSheet(workmanship_rules(2), family="small")


def split_family(*more: View) -> Family:
    """Four joints that the first view answers for, and two chips that the second does."""
    views = (View("left", (6.0, 4.2)), View("right", (8.6, 4.2)), *more)
    return replace(small_family(), joints=tuple(joint for joint in small_family().joints if joint.pin in "1245"),
                   views=views)


def photographed(folder: Path, family: Family, chips: dict[int, tuple[str, float]]) -> BoardFiles:
    plan = plan_board(family, np.random.default_rng(3), planned={}, planned_chips=chips, recipe=quiet_recipe())
    return BoardFiles("B1", write_views(plan, small_station(), folder, "B1"))


@pytest.mark.parametrize("gone", [False, True])
def test_a_view_of_chips_alone_is_graded_with_the_others(tmp_path: Path, gone: bool) -> None:
    """By the command, with pictures drawn of both views."""
    family = split_family()
    parts = [parts_of_view(family, view, small_station(), (800, 560)) for view in family.views]
    assert [(len(joints), len(chips)) for joints, chips in parts] == [(4, 0), (0, 2)]
    (tmp_path / "pictures").mkdir()
    photographed(tmp_path / "pictures", family, {0: ("chip_missing", 1.0)} if gone else {})
    write_family(family, tmp_path / "family")
    write_station(small_station(), tmp_path / "station.toml")
    write_limits(SHEET, tmp_path / "limits.toml")
    done = CliRunner().invoke(main, [
        "grade", str(tmp_path / "pictures"), "--family", str(tmp_path / "family"), "--station",
        str(tmp_path / "station.toml"), "--limits", str(tmp_path / "limits.toml"), "--db", str(tmp_path / "r.sqlite"),
        "--overlays", str(tmp_path / "overlays"), "--zooms", str(tmp_path / "zooms"), "--zoom", "R1", "--jobs", "1",
        "--json"], catch_exceptions=False)
    assert done.exit_code == 0, done.stderr
    (board,) = json.loads(done.stdout)
    assert board["verdict"] == ("reject" if gone else "accept")
    assert [item["place"] for item in board["findings"]] == (["R1"] if gone else [])
    assert {path.name for path in (tmp_path / "overlays").iterdir()} == {"B1_left_overlay.jpg", "B1_right_overlay.jpg"}
    assert [path.name for path in (tmp_path / "zooms").iterdir()] == ["B1_R1_zoom.png"]


def test_an_empty_view_changes_nothing(tmp_path: Path) -> None:
    """A third view that answers for neither joints nor chips leaves the others' measurements alone."""
    more = split_family(View("edge", (6.9, -0.5)))
    assert parts_of_view(more, more.views[2], small_station(), (800, 560)) == ((), ())
    files = photographed(tmp_path, more, {})
    two, three = (measure_board(files, family, small_station()) for family in (split_family(), more))
    for before, after in ((two.joints, three.joints), (two.chips, three.chips)):
        assert after.refs == before.refs
        assert after.columns.keys() == before.columns.keys()
        assert all(np.array_equal(after.columns[name], before.columns[name], equal_nan=True) for name in before.columns)
    assert [one.view for one in three.registrations] == ["left", "right", "edge"]


@pytest.mark.parametrize("gone", [False, True])
def test_a_family_of_chips_alone(tmp_path: Path, gone: bool) -> None:
    """Its fiducials alone say where the board lies."""
    files = photographed(tmp_path, small_family(), {0: ("chip_missing", 1.0)} if gone else {})
    inspection = grade_board(files, replace(small_family(), joints=()), small_station(), SHEET, tmp_path / "overlays")
    assert inspection.joints == ()
    assert [(chip.ref, chip.verdict) for chip in inspection.chips] == [("R1", "reject" if gone else "accept"),
                                                                        ("C1", "accept")]
    assert inspection.verdict == ("reject" if gone else "accept")
    assert (tmp_path / "overlays" / "B1_v1_overlay.jpg").is_file()


def test_a_family_of_nothing_is_ungraded_and_says_why(tmp_path: Path) -> None:
    files = photographed(tmp_path, small_family(), {})
    inspection = grade_board(files, replace(small_family(), joints=(), chips=()), small_station(), SHEET)
    assert (inspection.verdict, inspection.joints, inspection.chips) == ("ungraded", (), ())
    assert inspection.reason == "family small has no joints and no chips, so there is nothing to grade"


def test_stations_and_families_learn_from_boards_with_such_a_view(tmp_path: Path) -> None:
    """What joints tell comes from the views that have some."""
    family = split_family()
    photographed(tmp_path, family, {})
    boards = scan_folder(tmp_path, small_station(), family)
    day = look_at_boards(boards, family, small_station())
    alone = look_at_boards(boards, replace(family, views=family.views[:1]), small_station())
    assert (day.read, day.lost, day.faults) == (1, (), ())
    assert day.mask == pytest.approx(alone.mask)
    assert learn_family(boards, family, small_station()).boards == ("B1",)
