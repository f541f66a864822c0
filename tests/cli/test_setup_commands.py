"""`meniscope station` and `meniscope family`."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

from click.testing import CliRunner, Result

from vision.cli import main


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_station_show_says_what_slopes_each_light_reaches(setup_folder: Path) -> None:
    done = run("station", "show", setup_folder)
    assert done.exit_code == 0
    # a mirror of slope s seen from above shows the sky at zenith angle 2 s: law of reflection
    assert "high    a         blue     8 to 24     4 to 12" in done.output
    assert "0.025 mm a pixel" in done.output
    # eight pixels of 0.025 mm; half the steepest zenith angle
    assert "balls and pits from 0.20 mm, slopes up to 40 degrees in 3 bands of light" in done.output


def test_station_check_file_says_what_a_good_station_cannot_show(setup_folder: Path) -> None:
    path = setup_folder / "station.toml"
    path.write_text(path.read_text().replace("mm_per_px = 0.025", "mm_per_px = 0.1"))
    done = run("station", "check-file", path)
    assert done.exit_code == 0
    assert "below 0.80 mm may go unseen" in done.output
    assert "at most 0.0375" in done.output


def test_station_show_as_json_and_csv(setup_folder: Path) -> None:
    data = json.loads(run("station", "show", setup_folder, "--json").output)
    assert data["mm_per_px"] == 0.025
    assert [light["slope_to_deg"] for light in data["lights"]] == [12.0, 25.0, 40.0]
    rows = list(csv.DictReader(io.StringIO(run("station", "show", setup_folder, "--csv").output)))
    assert [row["channel"] for row in rows] == ["blue", "green", "red"]


def test_family_show(setup_folder: Path) -> None:
    text = run("family", "show", setup_folder).output
    assert "workmanship class 2, pictured from the bottom, 4 joints, 1 chip, 3 fiducials" in text
    assert "round 1.8 mm" in text
    data = json.loads(run("family", "show", setup_folder, "--json").output)
    assert data["lands"] == {"round 1.8 mm": 2, "oblong 2.4 x 1.6 mm": 1, "rect 2 x 2 mm": 1}
    assert sum(step["joints"] for step in data["steps"]) == 4


def test_family_joints_and_chips(setup_folder: Path) -> None:
    rows = json.loads(run("family", "joints", setup_folder, "--json").output)
    assert [(row["ref"], row["pin"], row["x_mm"]) for row in rows] == [("J1", "1", 4.0), ("J1", "2", 6.54),
                                                                       ("C1", "1", 9.5), ("C1", "2", 12.0)]
    assert run("family", "chips", setup_folder, "--csv").output.splitlines() == [
        "ref,x_mm,y_mm,rotation_deg,body_w_mm,body_h_mm", "R1,8.0,8.0,90.0,1.6,0.8"]


def test_family_uncertainty_knows_the_names_that_it_is_asked_for(setup_folder: Path) -> None:
    """A name that is not known gave no rows, as if training had found nothing."""
    for option, got, wanted in (("--measure", "coverage", "did you mean coverage_deg?"),
                                ("--condition", "blurr", "did you mean blur?"),
                                ("--condition", "nosuch", "one of nominal, gain")):
        done = run("family", "uncertainty", setup_folder, option, got)
        assert done.exit_code == 2
        assert f"got '{got}'" in done.stderr
        assert wanted in done.stderr
        assert done.stdout == ""
    known = run("family", "uncertainty", setup_folder, "--measure", "coverage_deg", "--condition", "weak light")
    assert known.exit_code == 0
    assert "`meniscope train` finds it" in known.stderr
    # A condition of the shop's own, in a file that another program wrote, is known as well.
    (setup_folder / "uncertainty.csv").write_text(
        "measure,condition,from,to,n,bias,standard_uncertainty,low_95,high_95\nturn_deg,night,-20,20,50,0,1.5,-3,3\n")
    rows = json.loads(run("family", "uncertainty", setup_folder, "--condition", "night", "--json").stdout)
    assert [row["measure"] for row in rows] == ["turn_deg"]


def test_good_files_check_as_good(setup_folder: Path) -> None:
    done = run("station", "check-file", setup_folder)
    assert (done.exit_code, done.output) == (0, f"{setup_folder}: good\n")
    done = run("family", "check", setup_folder)
    assert (done.exit_code, done.output) == (0, f"{setup_folder}: good\n")


def test_check_prints_every_problem_and_ends_with_1(setup_folder: Path) -> None:
    joints = setup_folder / "joints.csv"
    joints.write_text(joints.read_text().replace("6.54", "wide").replace("9.5", "nan"))
    done = run("family", "check", setup_folder)
    assert done.exit_code == 1
    assert done.output.splitlines() == [f"{joints}: row 3, x_mm: got 'wide', wanted a number",
                                        f"{joints}: row 4, x_mm: got 'nan', wanted a finite number",
                                        f"{setup_folder}: 2 problems"]
    data = json.loads(run("family", "check", setup_folder, "--json").output)
    assert not data["good"]
    assert data["problems"][0] == {"file": str(joints), "where": "row 3, x_mm", "got": "'wide'", "wanted": "a number"}


def test_check_with_a_station_without_picture_size_is_not_plainly_good(setup_folder: Path) -> None:
    done = run("family", "check", setup_folder, "--station", setup_folder)
    assert done.exit_code == 0
    lines = done.output.splitlines()
    assert "caution: station: picture_px is not given: whether the views show every land was not checked" in lines[-2]
    assert lines[-1] == f"{setup_folder}: good, with 1 caution"
    told = json.loads(run("family", "check", setup_folder, "--station", setup_folder, "--json").output)
    assert told["good"] is True
    assert [found["kind"] for found in told["findings"]] == ["no_picture_size"]


def test_check_flags_a_lost_decimal_point(setup_folder: Path) -> None:
    joints = setup_folder / "joints.csv"
    rows = joints.read_text().splitlines()
    assert rows[1].startswith("J1,1,4.0,")
    joints.write_text("\n".join([rows[0], rows[1].replace("4.0,", "400.0,", 1), *rows[2:]]) + "\n")
    done = run("family", "check", setup_folder)
    assert done.exit_code == 0
    assert "caution: J1.1: at x 400, " in done.output
    assert done.output.endswith(": good, with 1 caution\n")


def test_check_cautions_about_a_station_that_does_not_suit(setup_folder: Path) -> None:
    station = setup_folder / "station.toml"
    station.write_text(station.read_text().replace("0.025", "0.08"))
    done = run("family", "check", setup_folder, "--station", setup_folder)
    assert done.exit_code == 0
    assert "caution: station: mm_per_px: got 0.08, 20 px across a land of 1.6 mm" in done.output
