"""The commands as a user runs them: from CAD files to a drawn and checked family."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.cad import invented
from vision.cli import main
from vision.setup import read_family

pytest.importorskip("gerbonara")


def run(*arguments: object, input: str | None = None) -> Result:
    return CliRunner().invoke(main, ["family", *(str(argument) for argument in arguments)], input=input)


@pytest.fixture
def cad(tmp_path: Path) -> Path:
    return invented.write_all(invented.small_board(), tmp_path / "cad")


@pytest.fixture
def family(cad: Path, tmp_path: Path) -> Path:
    done = run("import", cad, "--name", "relay-24", "--out", tmp_path / "families" / "relay", "--field", 42, 30)
    assert done.exit_code == 0, done.output
    return tmp_path / "families" / "relay"


def test_import_shows_evidence_guesses_and_writes(cad: Path, tmp_path: Path) -> None:
    done = run("import", cad, "--name", "relay-24", "--out", tmp_path / "families" / "relay", "--field", 42, 30)
    assert done.exit_code == 0
    for text in ("board.ipc: unit mm (line 4, column 10); 24 through-hole pads", "[said]", "[shown]",
                 "29 of 29 holes lie on features of board.ipc", "24 joints, 3 chips, 3 fiducials",
                 "PinHeader_1x08: round lead 0.7 mm (hole - 0.30 mm)", "3 vias: vias are not soldered",
                 "views: 2 pictures (no plan has fewer)"):
        assert text in done.output
    folder = tmp_path / "families" / "relay"  # whoever looks for what was made finds all of it named
    assert f"wrote {folder / 'family.toml'}, {folder / 'joints.csv'}, {folder / 'chips.csv'}\n" in done.output
    found = read_family(tmp_path / "families" / "relay")
    assert (len(found.joints), len(found.views)) == (24, 2)
    assert "hole - 0.30 mm" in (tmp_path / "families" / "parts.csv").read_text()


def test_import_does_not_write_over_a_family(family: Path, cad: Path) -> None:
    done = run("import", cad, "--name", "x", "--out", family)
    assert done.exit_code == 1
    assert "got a family that is there already, wanted a new folder, or --replace" in done.output
    assert run("import", cad, "--name", "x", "--out", family, "--replace").exit_code == 0
    assert read_family(family).name == "x"


@pytest.mark.parametrize(("name", "words"), [
    ("", "got nothing, wanted at least 1 character"), ("  ", "got nothing, wanted at least 1 character"),
    ("a\tb", "wanted text without line breaks or control characters"), ("x" * 61, "wanted at most 60 characters")])
def test_import_refuses_a_name_that_no_command_would_read(cad: Path, tmp_path: Path, name: str, words: str) -> None:
    done = run("import", cad, "--name", name, "--out", tmp_path / "f" / "x")
    assert done.exit_code == 2
    assert words in done.stderr
    assert not (tmp_path / "f").exists()


def test_import_as_json_says_what_was_understood_and_written(cad: Path, tmp_path: Path) -> None:
    out = tmp_path / "f" / "relay"
    done = run("import", cad, "--name", "relay-24", "--out", out, "--field", 42, 30, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert (told["name"], told["joints"], told["chips"], told["fiducials"]) == ("relay-24", 24, 3, 3)
    assert {"file", "text", "how"} == set(told["understood"][0])
    assert {row["part"] for row in told["guesses"]} >= {"PinHeader_1x08"}
    assert told["guessed_joints"]
    assert [view["view"] for view in told["views"]] == ["v1", "v2"]
    assert told["written"] == [str(out / "family.toml"), str(out.parent / "parts.csv"), str(out / "joints.csv"),
                               str(out / "chips.csv")]
    dry = run("import", cad, "--name", "two", "--out", tmp_path / "g" / "two", "--dry-run", "--json")
    assert json.loads(dry.stdout)["written"] == []
    assert json.loads(dry.stdout)["views"] is None


def test_dry_run_writes_nothing(cad: Path, tmp_path: Path) -> None:
    done = run("import", cad, "--name", "x", "--out", tmp_path / "f" / "x", "--dry-run")
    assert done.exit_code == 0
    assert not (tmp_path / "f").exists()


def test_leads_are_asked_for_once_and_remembered(cad: Path, tmp_path: Path) -> None:
    out = tmp_path / "f" / "one"
    done = run("import", cad, "--name", "one", "--out", out, "--ask",
               input="square 0.64\nsquare 0.9\nsquare 0.6\n\nround 0.5\n")
    assert done.exit_code == 0, done.output
    assert "got 'square 0.9', wanted a shape and a size in mm such as square 0.64, at most 1 mm across" in done.output
    leads = {joint.name: (joint.lead_shape, joint.lead_w_mm) for joint in read_family(out).joints}
    assert (leads["J1.1"], leads["J2.3"], leads["K1.A1"]) == (("square", 0.64), ("square", 0.6), ("round", 1.0))
    again = run("import", cad, "--name", "two", "--out", tmp_path / "f" / "two", "--ask", input="")
    assert again.exit_code == 0, again.output
    assert "leads of" not in again.output  # no guess is left
    assert read_family(tmp_path / "f" / "two").joints == read_family(out).joints


def test_choice_and_programme(cad: Path, tmp_path: Path) -> None:
    programme = tmp_path / "prog.csv"
    programme.write_text("step,nozzle,pot,ref,pin\n1,N6,P1,J1,*\n2,N4,P2,K1,*\n")
    done = run("import", cad, "--name", "x", "--out", tmp_path / "x", "--programme", programme, "--ref", "J1", "--ref",
               "K1", "--area", 0, 0, 25, 40)
    assert done.exit_code == 0, done.output
    found = {joint.name: (joint.pot, joint.nozzle, joint.step) for joint in read_family(tmp_path / "x").joints}
    assert found["J1.1"] == ("P1", "N6", "1")
    assert found["K1.A1"] == ("P2", "N4", "2")
    assert "K1.A3" not in found
    slip = run("import", cad, "--name", "x", "--out", tmp_path / "y", "--ref", "J9")
    assert slip.exit_code == 1
    assert "got component J9, wanted one that the board has" in slip.output


def test_contradictions_name_both_places(cad: Path, tmp_path: Path) -> None:
    (cad / "board.drl").write_text(invented.excellon(invented.small_board()).replace("T2C1.3", "T2C1.7"))
    done = run("import", cad, "--name", "x", "--out", tmp_path / "x")
    assert done.exit_code == 1
    assert "board.drl: line" in done.output
    assert "got a hole of 1.7 mm for K1.A1, wanted 1.3 mm, as board.ipc line" in done.output
    assert run("import", cad, "--name", "x", "--out", tmp_path / "x", "--accept-differences").exit_code == 0


def test_views_write_a_picture_plan(family: Path) -> None:
    done = run("views", family, "--field", 30, 24, "--json")
    assert done.exit_code == 0
    rows = json.loads(done.stdout)
    assert [row["view"] for row in rows] == ["v1", "v2", "v3"]
    assert len(read_family(family).views) == 3
    plan = (family / "picture_plan.csv").read_text().splitlines()
    assert plan[0].startswith("view,center_x_mm,center_y_mm,rotation_deg,stage_x_mm,stage_y_mm")
    assert len(plan) == 4
    missing = run("views", family)
    assert missing.exit_code == 2
    assert "--field WIDTH HEIGHT" in missing.output


def test_check_finds_faults_with_advice(family: Path) -> None:
    done = run("check", family)
    assert (done.exit_code, done.output) == (0, f"{family}: good\n")
    joints = family / "joints.csv"
    joints.write_text(joints.read_text().replace("J1,2,12.54,8.0", "J1,2,11.0,8.0"))
    done = run("check", family)
    assert done.exit_code == 1
    assert done.output.startswith("fault: J1.1, J1.2: the lands overlap; correct position or size\n")
    data = json.loads(run("check", family, "--json").output)
    assert not data["good"]
    assert data["findings"][0]["kind"] == "lands_overlap"


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_draw(family: Path, ending: str, tmp_path: Path) -> None:
    target = tmp_path / f"map.{ending}"
    done = run("draw", family, "--field", 42, 30, "--out", target)
    assert (done.exit_code, done.output) == (0, f"wrote {target}\n")
    assert target.stat().st_size > 10_000


def test_300_joints_in_seconds(tmp_path: Path) -> None:
    """The whole way of a large board but for teaching: the goal allows minutes, this takes seconds."""
    cad = invented.write_all(invented.large_board(300), tmp_path / "cad")
    assert run("import", cad, "--name", "large", "--out", tmp_path / "large", "--field", 40, 30).exit_code == 0
    assert len(read_family(tmp_path / "large").joints) == 300
    assert run("check", tmp_path / "large").exit_code == 0
    assert run("draw", tmp_path / "large", "--field", 40, 30).exit_code == 0
