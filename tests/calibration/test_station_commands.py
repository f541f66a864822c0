"""What a user types: calibrate a station, look at the page, check a shift, grade boards with the new file."""

from __future__ import annotations

import csv
import json
import re
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from synthetic_images.lot import render_lot
from tests.calibration.drawn import (
    Drawing,
    ball_levels,
    draw_ball,
    draw_dark,
    draw_plane,
    pictures,
    three_exposures,
    three_rings,
    write,
    written_station,
)
from tests.synthetic_images.small import small_family, small_station
from vision.cli import main
from vision.setup import read_station, write_family

BRIGHT = "do not look into the rings"


def run(*arguments, code=0):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output + str(result.exception)
    return result


def shifted(station, low, high):
    from dataclasses import replace

    return replace(station, lights=tuple(
        replace(light, zenith_deg=(light.zenith_deg[0] + low, light.zenith_deg[1] + high)) for light in station.lights))


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """A rough station file, drawn pictures of the true one, and what `calibrate` made of them."""
    folder = tmp_path_factory.mktemp("station")
    true = three_rings()
    path = written_station(folder / "rough", shifted(true, 2.0, 3.0))
    draw_ball(folder / "pictures", true)
    draw_plane(folder / "pictures", true)
    draw_dark(folder / "pictures", true, 6.0)
    result = run("station", "calibrate", path, folder / "pictures", "--ball-mm", "6", "--out", folder / "new")
    return folder, result


def test_old_and_new_numbers_are_shown(calibrated):
    folder, result = calibrated
    assert re.search(r"high +a +blue +10\.0 to 29\.0 +8\.0 to 26\.0 ", result.stdout)
    assert "300.0 px across = 6.000 mm" in result.stdout
    assert BRIGHT in result.stderr
    assert "kept: cross-talk: no pictures with one light on at a time" in result.stderr
    assert "wrote" in result.stderr
    new = read_station(folder / "new")
    for light, true in zip(new.lights, three_rings().lights, strict=True):
        assert np.abs(np.subtract(light.zenith_deg, true.zenith_deg)).max() <= 0.15
        assert light.flat_field == folder / "new" / f"flat_{light.name}.png"
        assert cv2.imread(str(light.flat_field), cv2.IMREAD_UNCHANGED).dtype == np.uint8


class Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.images, self.outside, self.open = 0, [], []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        link = found.get("src") or found.get("href") or ""
        if link:
            self.images += link.startswith("data:image/")
            self.outside += [link] if not link.startswith("data:") else []
        if tag == "svg":
            assert found.get("aria-label")
        if tag == "img":
            assert found.get("alt")


def test_the_page_stands_alone_and_shows_ball_bands_and_flat_fields(calibrated):
    folder, _ = calibrated
    text = (folder / "new" / "calibration.html").read_text()
    page = Page()
    page.feed(text)
    assert page.outside == []
    assert page.images == 6  # three views of the ball, three flat-fields
    assert text.count('class="rim"') == 3
    assert "10.0 to 29.0" in text
    assert BRIGHT in text
    assert "<script" not in text
    assert "nan" not in re.sub(r"data:[^\"]+", "", text).lower()


def test_nothing_is_overwritten_without_force(calibrated):
    folder, _ = calibrated
    before = (folder / "new" / "station.toml").read_bytes()
    arguments = ("station", "calibrate", folder / "rough", folder / "pictures", "--out",
                 folder / "new" / "station.toml")
    assert "--force" in run(*arguments, code=1).stderr
    assert (folder / "new" / "station.toml").read_bytes() == before
    run(*arguments, "--force")


def test_json_has_the_numbers_and_no_talk(tmp_path, calibrated):
    folder, _ = calibrated
    told = json.loads(run("station", "calibrate", folder / "rough", folder / "pictures", "--json", "--out",
                          tmp_path / "n").stdout)
    assert [light["name"] for light in told["lights"]] == ["high", "middle", "low"]
    assert told["lights"][0]["zenith_deg"] == pytest.approx([8.0, 26.0], abs=0.15)
    assert told["balls"][0]["radius_px"] == pytest.approx(150.0, abs=0.2)
    assert told["scale"] is None  # no known diameter
    assert len(told["written"]) == 6


def test_pictures_may_be_named_one_by_one(tmp_path):
    station = three_exposures()
    path = written_station(tmp_path / "s", station)
    paths = draw_ball(tmp_path / "p", station)
    given = [word for exposure, picture in paths.items() for word in ("--ball", f"{exposure}={picture}")]
    told = json.loads(run("station", "calibrate", path, *given, "--json", "--out", tmp_path / "n").stdout)
    assert told["lights"][2]["zenith_deg"] == pytest.approx([54.0, 78.0], abs=0.15)
    refused = run("station", "calibrate", path, "--ball", paths["a"], "--out", tmp_path / "m", code=2)
    assert "EXPOSURE=FILE" in refused.stderr


@pytest.mark.parametrize("command", ["check", "calibrate"])
@pytest.mark.parametrize(("kind", "typed", "words"), [
    ("--ball", "nosuch.png", "--ball nosuch.png: no file nosuch.png; give a picture's path, or EXPOSURE=FILE"),
    ("--plane", "a=nosuch.png", "--plane a=nosuch.png: no file nosuch.png"),
    ("--ball", "b={there}", "--ball b={there}: no exposure 'b'; the station's lights use 'a'"),
    ("--dark", ".", "--dark .: no file .;")])
def test_a_slip_of_the_typing_is_no_fault_of_the_station(calibrated, tmp_path, command, kind, typed, words):
    folder, _ = calibrated
    there = next((folder / "pictures").glob("ball*.png"))
    refused = run("station", command, folder / "new", kind, typed.format(there=there),
                  *(("--out", tmp_path / "n") if command == "calibrate" else ()), code=2)
    assert words.format(there=there) in " ".join(refused.stderr.split())
    assert not refused.stdout


def test_a_picture_named_alone_may_have_an_equals_sign_in_its_name(calibrated, tmp_path):
    folder, _ = calibrated
    path = tmp_path / "ball=1.png"
    path.write_bytes(next((folder / "pictures").glob("ball*.png")).read_bytes())
    told = json.loads(run("station", "check", folder / "new", "--ball", path, "--json").stdout)
    assert told["result"] == "good"


@pytest.mark.parametrize(("arguments", "code", "words"), [
    (("--out", "x"), 1, "ball, plane, dark or only-LIGHT"), (("--out", "x", "--take-scale"), 2, "--ball-mm"),
    (("--out", "x", "--boards", "b"), 2, "--family"), ((), 2, "--out")])
def test_a_command_line_that_cannot_work_says_what_is_missing(tmp_path, monkeypatch, arguments, code, words):
    monkeypatch.chdir(tmp_path)
    path = written_station(tmp_path / "s", three_rings())
    assert words in run("station", "calibrate", path, *arguments, code=code).stderr
    assert not (tmp_path / "x").exists()


def test_a_failed_calibration_writes_nothing(tmp_path):
    path = written_station(tmp_path / "s", three_rings())
    draw_plane(tmp_path / "p", three_rings(), serial="ball")
    assert "no ball found" in run("station", "calibrate", path, tmp_path / "p", "--out", tmp_path / "n", code=1).stderr
    assert not (tmp_path / "n").exists()


def test_the_scale_may_be_taken_from_the_ball(tmp_path):
    path = written_station(tmp_path / "s", three_rings(mm_per_px=0.0202))
    draw_ball(tmp_path / "p", three_rings())
    arguments = ("station", "calibrate", path, tmp_path / "p", "--ball-mm", "6", "--out", tmp_path / "n")
    assert "caution: scale: the ball says 0.02 mm a pixel" in run(*arguments).stderr
    assert read_station(tmp_path / "n").mm_per_px == 0.0202
    run(*arguments, "--force", "--take-scale")
    assert read_station(tmp_path / "n").mm_per_px == pytest.approx(0.02, rel=2e-4)


def test_a_shift_is_checked(tmp_path, calibrated):
    folder, _ = calibrated
    station = folder / "new"
    good = run("station", "check", station, folder / "pictures", "--fail-on", "caution")
    assert re.search(r"^good: \d+ good, 0 caution, 0 fault; against the calibration of 20", good.stdout, re.MULTILINE)
    assert BRIGHT in good.stderr
    planes = ball_levels(three_rings(), Drawing())
    planes["middle"] = planes["middle"] * 0.75
    write(tmp_path / "weak", three_rings(), "ball", pictures(three_rings(), planes, Drawing()))
    weak = run("station", "check", station, tmp_path / "weak", "--fail-on", "fault")
    assert "light middle (exposure a, red) is weak" in weak.stdout
    run("station", "check", station, tmp_path / "weak", "--fail-on", "caution", code=3)
    planes["middle"] = planes["middle"] * 0.0
    write(tmp_path / "dead", three_rings(), "ball", pictures(three_rings(), planes, Drawing()))
    assert "is dead" in run("station", "check", station, tmp_path / "dead", "--fail-on", "fault", code=3).stdout
    told = json.loads(run("station", "check", station, tmp_path / "dead", "--json").stdout)
    assert told["result"] == "fault"
    rows = list(csv.DictReader(run("station", "check", station, tmp_path / "weak", "--csv").stdout.splitlines()))
    assert {row["result"] for row in rows} == {"good", "caution"}
    assert rows[0]["limits"]


def test_values_beside_each_other_have_as_many_digits() -> None:
    from vision.calibration.check import Finding
    from vision.cli._station_check import _line

    cells = _line(Finding("plane", "level", "high", 70.2, 70.0, "grey levels", -0.3, "%", (15.0, 45.0), "good", ""))
    assert (cells["reference"], cells["now"]) == ("70.2 grey levels", "70.0 grey levels")
    assert _line(Finding("ball", "level", "", 128.0, 128.0, "px", 0.0, "px", None, "good", ""))["now"] == "128 px"


def test_a_check_without_reference_or_pictures_says_what_to_do(tmp_path, calibrated):
    folder, _ = calibrated
    assert "PICTURES: got nothing to compare" in run("station", "check", folder / "new", code=1).stderr
    (tmp_path / "empty").mkdir()  # the folder that was given is the one to name
    for words in (("check", folder / "new", tmp_path / "empty"),
                  ("calibrate", folder / "rough", tmp_path / "empty", "--out", tmp_path / "never" / "station.toml")):
        told = run("station", *words, code=1).stderr
        assert f"{tmp_path / 'empty'}: got n" in told
        assert "like ball_" in told
    missing = run("station", "check", folder / "rough", folder / "pictures", code=1).stderr
    assert "reference.toml" in missing
    assert "station calibrate" in missing


def test_example_pictures_can_be_calibrated(tmp_path):
    path = written_station(tmp_path / "s", three_rings())
    result = run("station", "example-pictures", tmp_path / "e", "--station", path)
    words = result.stdout.split()
    assert words[:3] == ["meniscope", "station", "calibrate"]
    run(*words[1:])
    true = read_station(tmp_path / "e" / "true-station.toml")
    for old, new, real in zip(three_rings().lights, read_station(tmp_path / "e" / "calibrated").lights, true.lights,
                              strict=True):
        assert np.abs(np.subtract(old.zenith_deg, real.zenith_deg)).max() > 0.3
        assert np.abs(np.subtract(new.zenith_deg, real.zenith_deg)).max() <= 0.3


def test_boards_are_graded_with_the_calibrated_station(tmp_path):
    """From a rough station file and drawn targets to verdicts on a rendered lot, and a day's check of those boards."""
    true, family = small_station(), small_family()
    rough = written_station(tmp_path / "rough", shifted(true, 3.0, 4.0))
    drawing = Drawing(size_px=(800, 560), centre_px=(390.0, 270.0), radius_px=160.0)
    draw_ball(tmp_path / "p", true, drawing)
    draw_plane(tmp_path / "p", true, drawing)
    write_family(family, tmp_path / "family")
    render_lot(family, true, tmp_path / "boards", boards=6, seed=8, defect_rate=0.15)
    new = tmp_path / "new" / "station.toml"
    run("station", "calibrate", rough, tmp_path / "p", "--out", new, "--boards", tmp_path / "boards", "--family",
        tmp_path / "family")
    write_limits(LimitSheet(workmanship_rules(2), family="small"), tmp_path / "limits.toml")
    rows = json.loads(run("grade", tmp_path / "boards", "--family", tmp_path / "family", "--station", new, "--limits",
                          tmp_path / "limits.toml", "--db", tmp_path / "r.sqlite", "--jobs", "1", "--json").stdout)
    assert len(rows) == 6
    assert all(row["verdict"] != "ungraded" for row in rows)
    with (tmp_path / "boards" / "truth.csv").open() as file:
        truth = {(row["serial"], f"{row['ref']}.{row['pin']}") for row in csv.DictReader(file)
                 if row["finding"] in ("no_solder", "bridge")}
    found = {(row["serial"], item["place"]) for row in rows for item in row["findings"] if item["verdict"] == "reject"}
    assert truth
    assert truth <= found
    checked = run("station", "check", new, "--boards", tmp_path / "boards", "--family", tmp_path / "family",
                  "--fail-on", "fault")
    assert "boards  level" in checked.stdout
    # The same boards under the same file: nothing has changed, so the new flat-fields were in use at first too.
    told = json.loads(run("station", "check", new, "--boards", tmp_path / "boards", "--family", tmp_path / "family",
                          "--json").stdout)["findings"]
    assert all(abs(finding["change"]) < 0.2 for finding in told if finding["what"] in ("level", "focus", "scale"))
