"""No limit sheet is lost by teaching anew, and nothing is rendered for a family or a place that cannot do."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from command_line import run
from setup_files import JOINTS, write_setup

from models.criteria import workmanship_rules
from models.limits import LimitSheet, read_limits, sheet_hash, sheet_text
from vision.cli._limits_write import write_anew
from vision.cli.train import unmeasured_lines

SHEET = LimitSheet(workmanship_rules(2), "bench-4", 2)


def test_an_edited_sheet_is_kept_and_can_be_restored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "new" / "limits.toml"
    write_anew(SHEET, path, "first")
    write_anew(SHEET, path, "the same again")
    assert capsys.readouterr().err == ""
    assert not path.with_name("limits.toml.history").exists()
    edited = path.read_text().replace("below = 270.0", "below = 290.0") + "# the customer asked for this\n"
    path.write_text(edited)
    digest = sheet_hash(read_limits(path))
    write_anew(replace(SHEET, note="learned anew"), path, "trained anew")
    told = capsys.readouterr().err
    assert f"{path}: another limit sheet was there; it is kept in {path}.history" in told
    assert f"--restore {digest[:12]}" in told
    assert path.read_text() == sheet_text(replace(SHEET, note="learned anew"))
    rows = json.loads(run("limits", "history", path, "--json").stdout)
    assert [(row["before"], row["what"], row["why"]) for row in rows] == [
        (digest, "whole sheet: partial_wetting changed", "trained anew")]
    assert run("limits", "history", path, "--restore", digest[:12]).stdout == edited


def test_a_sheet_in_the_middle_of_editing_is_kept_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "limits.toml"
    path.write_text("[[rule]]\nfinding = ")
    write_anew(SHEET, path, "trained anew")
    assert "it is kept in" in capsys.readouterr().err
    rows = json.loads(run("limits", "history", path, "--json").stdout)
    assert rows[0]["what"] == "whole sheet: the sheet before could not be read"
    assert run("limits", "history", path, "--restore", rows[0]["before"]).stdout == "[[rule]]\nfinding = "


@pytest.fixture
def no_rendering(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("boards were rendered")

    monkeypatch.setattr("vision.teaching.training_tables", never)


@pytest.mark.usefixtures("no_rendering")
def test_a_faulty_family_is_refused_before_rendering(tmp_path: Path) -> None:
    setup = write_setup(tmp_path, joints=JOINTS.replace("12.0,5.0,rect", "9.6,5.0,rect"))
    done = run("train", setup, "--station", setup, "--out", setup / "limits.toml", code=1)
    assert "joints of this family cannot be graded, so nothing was rendered" in done.stderr
    assert "fault: C1.1, C1.2: lie 0.10 mm apart; remove one of them" in done.stderr
    assert "family check" in done.stderr
    assert not (setup / "limits.toml").exists()


@pytest.mark.usefixtures("no_rendering")
def test_a_place_that_takes_no_sheet_is_refused_before_rendering(tmp_path: Path) -> None:
    setup = write_setup(tmp_path)
    (setup / "picture.png").write_bytes(b"\x89PNG\xff\xfe")
    for place, words in (("picture.png", "no limit sheet"), ("family.toml/limits.toml", "is no folder")):
        assert words in run("train", setup, "--station", setup, "--out", setup / place, code=1).stderr


@pytest.mark.usefixtures("no_rendering")
def test_a_folder_that_is_read_only_is_refused_before_rendering(tmp_path: Path,
                                                                monkeypatch: pytest.MonkeyPatch) -> None:
    setup = write_setup(tmp_path)
    (setup / "locked").mkdir(mode=0o500)
    if os.geteuid() == 0:  # root may write everywhere: answered as it would be to the folder's owner
        monkeypatch.setattr(os, "access", lambda place, mode: os.stat(place).st_mode >> 6 & mode == mode)
    done = run("train", setup, "--station", setup, "--out", setup / "locked" / "limits.toml", code=1)
    assert "cannot be written" in done.stderr


def test_equal_reasons_are_told_once() -> None:
    lines = [f"B{number:04d}: no marks were found" for number in range(1, 41)] + ["B0041: too dark"]
    assert unmeasured_lines(lines) == ["B0001, B0002, B0003 and 37 more: no marks were found", "B0041: too dark"]
