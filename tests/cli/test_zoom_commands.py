"""Pictures of single joints from the command line: while grading, and of what was recorded."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from command_line import run

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from synthetic_images.board import plan_board, render_view
from tests.synthetic_images.small import small_family, small_station
from vision.pipeline.pictures.zoom import WIDTH
from vision.setup import write_family, write_station


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a board of which J1.6 has no solder, its family, station and limit sheet, graded with sheets."""
    folder = tmp_path_factory.mktemp("zooms")
    family, station = small_family(), small_station()
    write_family(family, folder / "family")
    write_station(station, folder / "station.toml")
    write_limits(LimitSheet(workmanship_rules(2), family.name), folder / "limits.toml")
    plan = plan_board(family, np.random.default_rng(31), planned={5: ("no_solder", 1.0)}, planned_chips={})
    (folder / "pictures").mkdir()
    assert cv2.imwrite(str(folder / "pictures" / "B7_v1_a.png"), render_view(plan, "v1", station).pictures["a"])
    done = run(*grade(folder), "--zooms", folder / "bad")
    assert f"joint sheets in {folder / 'bad'}" in done.stderr
    return folder


def grade(folder: Path) -> tuple[object, ...]:
    return ("grade", folder / "pictures", "--family", folder / "family", "--station", folder / "station.toml",
            "--limits", folder / "limits.toml", "--db", folder / "results.sqlite", "--jobs", 1)


def explain(folder: Path, *more: object) -> tuple[object, ...]:
    return ("limits", "explain", "B7", "J1.6", "--db", folder / "results.sqlite", *more)


def test_grading_writes_a_sheet_for_what_is_not_accepted(bench: Path) -> None:
    names = [path.name for path in (bench / "bad").iterdir()]
    assert "B7_J1.6_zoom.png" in names
    assert "B7_J1.2_zoom.png" not in names
    assert cv2.imread(str(bench / "bad" / "B7_J1.6_zoom.png")).shape[1] == WIDTH


def test_grading_draws_the_joints_that_are_named(bench: Path) -> None:
    run(*grade(bench), "--again", "--zooms", bench / "named", "--zoom", "J1.2", "--zoom", "R1")
    assert sorted(path.name for path in (bench / "named").iterdir()) == ["B7_J1.2_zoom.png", "B7_R1_zoom.png"]


def test_joints_that_do_not_exist_and_sheets_without_a_folder_are_refused(bench: Path) -> None:
    assert "has no J9.1" in run(*grade(bench), "--zooms", bench / "x", "--zoom", "J9.1", code=1).stderr
    assert "--zoom wants --zooms" in run(*grade(bench), "--zoom", "J1.1", code=2).stderr
    assert not (bench / "x").exists()


def test_a_recorded_joint_is_drawn_as_it_was_while_grading(bench: Path, tmp_path: Path) -> None:
    done = run(*explain(bench, "--picture", tmp_path / "joint.png"))
    assert "B7 J1.6: reject" in done.stdout
    assert f"picture in {tmp_path / 'joint.png'}" in done.stderr
    assert "caution" not in done.stderr
    drawn, graded = (cv2.imread(str(path)) for path in (tmp_path / "joint.png", bench / "bad" / "B7_J1.6_zoom.png"))
    # Recorded uncertainties are rounded and records know the station without its file; the picture is the same.
    assert np.mean(drawn != graded) < 0.01
    run(*explain(bench, "--picture", tmp_path / "chip.png", "--station", bench / "station.toml"))


def test_a_picture_that_cannot_be_written_is_one_clear_error(bench: Path, tmp_path: Path) -> None:
    text = run(*explain(bench, "--picture", tmp_path / "nowhere" / "joint.png"), code=1).stderr
    assert "name a file that can be written" in text


@pytest.mark.parametrize(("name", "ending"), [("joint.txt", ".txt"), ("joint.jpg", ".jpg"), ("joint", "(none)")])
def test_a_picture_is_written_under_the_ending_of_what_it_is(bench: Path, tmp_path: Path, name: str, ending: str
                                                             ) -> None:
    done = run(*explain(bench, "--picture", tmp_path / name), code=1)
    assert f"{name}: got the ending {ending!r}, wanted .png" in done.stderr
    assert not done.stdout
    assert not (tmp_path / name).exists()
    run(*explain(bench, "--picture", tmp_path / "JOINT.PNG"))
    assert (tmp_path / "JOINT.PNG").exists()


def test_pictures_that_changed_after_grading_are_not_drawn(bench: Path, tmp_path: Path) -> None:
    path = bench / "pictures" / "B7_v1_a.png"
    before = path.read_bytes()
    path.write_bytes(before + b"\0")
    try:
        text = run(*explain(bench, "--picture", tmp_path / "joint.png"), code=1).stderr
    finally:
        path.write_bytes(before)
    assert "changed after the board was graded" in text
    assert not (tmp_path / "joint.png").exists()


def test_a_picture_under_a_second_serial_is_told_and_leaves_no_drawing(bench: Path, tmp_path: Path) -> None:
    (tmp_path / "pictures").mkdir()
    for serial in ("B7", "B8"):
        (tmp_path / "pictures" / f"{serial}_v1_a.png").write_bytes((bench / "pictures" / "B7_v1_a.png").read_bytes())
    command = [*grade(bench), "--overlays", tmp_path / "seen", "--zooms", tmp_path / "bad", "--json"]
    command[1] = tmp_path / "pictures"
    command[command.index("--db") + 1] = tmp_path / "results.sqlite"
    done = run(*command)
    rows = {row["serial"]: row for row in json.loads(done.stdout)}
    assert {row["verdict"] for row in rows.values()} == {"reject", "ungraded"}
    second = next(serial for serial, row in rows.items() if row["verdict"] == "ungraded")
    first = "B7" if second == "B8" else "B8"
    assert rows[second]["joints"] == 0
    assert f"byte for byte that of board {first}" in rows[second]["reason"]
    assert f"caution: the very picture of another board again: {second} as {first}." in done.stderr
    assert [path.name for path in (tmp_path / "seen").iterdir()] == [f"{first}_v1_overlay.jpg"]
    assert {path.name[:2] for path in (tmp_path / "bad").iterdir()} == {first}
