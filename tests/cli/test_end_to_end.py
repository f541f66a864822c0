"""The whole job on a small board: render, train, grade, and ask the database."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from command_line import run

from models.limits import read_limits
from vision.setup import Chip, Family, Fiducial, Joint, View, read_station, write_family
from vision.teaching import read_truth

TRAINING, LOT = 16, 6


def small_family() -> Family:
    """Two rows of six joints of two land kinds, two chips, three fiducials: 20 x 10 mm."""
    joints = [Joint("J1", str(k + 1), 3.0 + 2.54 * k, 7.0, "round", 1.8, 1.8, 0.0, 1.1, "square", 0.64, 0.64,
                    f"N{k}", "P1", "N3", "1") for k in range(6)]
    joints += [Joint("X1", str(k + 1), 3.4 + 2.7 * k, 3.0, "oblong", 1.8, 2.4, 0.0, 1.1, "round", 0.8, 0.8, f"M{k}",
                     "P2", "N4", "2") for k in range(5)]
    fiducials = (Fiducial(1.0, 1.0, 1.0), Fiducial(19.0, 1.0, 1.0), Fiducial(1.0, 9.2, 1.0))
    return Family("small", 2, "bottom", tuple(joints), (Chip("R1", 18.0, 7.6, 90.0, 1.6, 0.8),), fiducials,
                  (View("v1", (10.0, 5.0)),))


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the whole job has been done with the commands."""
    from setup_files import STATION

    folder = tmp_path_factory.mktemp("shop")
    write_family(small_family(), folder / "family")
    (folder / "station.toml").write_text(STATION.replace("zenith_deg = [8, 24]", "zenith_deg = [8, 26]"))
    run("render", folder / "lot", *setup(folder), "--boards", LOT, "--seed", 5, "--defects", 25, "--jobs", 2)
    run("train", folder / "family", "--station", folder / "station.toml", "--out", folder / "limits.toml",
        "--boards", TRAINING, "--seed", 8, "--cache", folder / "cache", "--jobs", 2)
    run("grade", folder / "lot", *setup(folder), "--limits", folder / "limits.toml", "--db", folder / "r.sqlite",
        "--overlays", folder / "overlays", "--jobs", 2)
    return folder


def setup(folder: Path) -> Sequence[object]:
    return ("--family", folder / "family", "--station", folder / "station.toml")


def rows(folder: Path, statement: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(folder / "r.sqlite")
    try:
        return connection.execute(statement).fetchall()
    finally:
        connection.close()


def test_every_board_and_joint_is_in_the_database(shop: Path) -> None:
    boards = json.loads(run("results", "list", "--db", shop / "r.sqlite", "--json").stdout)
    assert sorted(board["serial"] for board in boards) == [f"B{k:04d}" for k in range(1, LOT + 1)]
    assert {board["verdict"] for board in boards} <= {"accept", "review", "reject"}
    assert rows(shop, "SELECT count(*) FROM joint_result") == [(LOT * 11,)]
    assert run("results", "verify", "--db", shop / "r.sqlite").exit_code == 0


def test_most_defects_are_found_and_most_good_joints_pass(shop: Path) -> None:
    """A smoke check on a sheet learned from 16 tiny boards; the benchmarks say what the product reaches."""
    truth = read_truth(shop / "lot")
    graded = {}
    for serial in sorted({serial for serial, _, _ in truth}):
        shown = json.loads(run("results", "show", serial, "--db", shop / "r.sqlite", "--json").stdout)
        graded |= {(serial, joint["ref"], joint["pin"]): joint["verdict"] for joint in shown["joint_results"]}
    clear = {key: row for key, row in truth.items() if key[2] and not row.marginal}
    bad = [graded[key] for key, row in clear.items() if set(row.findings) - {"blowhole"}]
    good = [graded[key] for key, row in clear.items() if not row.findings]
    assert len(bad) >= 8
    assert len(good) >= 30
    assert np.mean([verdict == "accept" for verdict in bad]) <= 0.25
    assert np.mean([verdict == "reject" for verdict in good]) <= 0.15


def test_findings_have_reasons_in_words(shop: Path) -> None:
    done = run("results", "list", "--db", shop / "r.sqlite", "--verdict", "reject", "--json")
    serial = json.loads(done.stdout)[0]["serial"]
    text = run("results", "show", serial, "--db", shop / "r.sqlite").stdout
    assert "needs at" in text
    assert len(list((shop / "overlays").glob(f"{serial}_*"))) == 1


def test_the_sheet_is_readable_and_carries_evidence(shop: Path) -> None:
    sheet = read_limits(shop / "limits.toml")
    assert sheet.family == "small"
    assert "16 rendered boards, seed 8" in sheet.note
    assert {"partial_wetting", "no_solder", "bridge"} <= {rule.finding for rule in sheet.rules}
    assert all(rule.evidence is not None for rule in sheet.rules)
    fixed = [rule for rule in sheet.rules if rule.when[0].measure == "coverage_deg" and rule.when[0].below == 270.0]
    assert fixed  # class 2: 270 degrees on the solder side, IPC-A-610E-G 7.3.5.4


def test_training_again_from_the_cache_gives_the_same_sheet(shop: Path) -> None:
    before = (shop / "limits.toml").read_bytes()
    done = run("train", shop / "family", "--station", shop / "station.toml", "--out", shop / "again.toml",
               "--boards", TRAINING, "--seed", 8, "--cache", shop / "cache", "--jobs", 1, "--json")
    assert (shop / "again.toml").read_bytes() == before
    assert f"{TRAINING} of {TRAINING} boards came from" in done.stderr
    data = json.loads(done.stdout)
    assert data["boards"] == TRAINING
    assert {row["measure"] for row in data["measurements"]} >= {"coverage_deg", "land_cover_pct", "shift_along_mm"}
    assert data["validation"][0]["what"].startswith("escapes")


def test_training_over_an_edited_sheet_keeps_it(shop: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "limits.toml"
    sheet.write_text((shop / "limits.toml").read_text().replace("below = 270.0", "below = 300.0"))
    edited = sheet.read_text()
    done = run("train", shop / "family", "--station", shop / "station.toml", "--out", sheet, "--boards", TRAINING,
               "--seed", 8, "--cache", shop / "cache", "--no-uncertainty", "--jobs", 1)
    assert "another limit sheet was there; it is kept in" in done.stderr
    row = json.loads(run("limits", "history", sheet, "--json").stdout)[0]
    assert row["why"] == "trained anew on 16 boards, seed 8"
    assert run("limits", "history", sheet, "--restore", row["before"]).stdout == edited


def test_a_different_board_or_seed_is_another_lot(shop: Path) -> None:
    from dataclasses import replace

    from vision.teaching.lots import lot_key

    station, family = read_station(shop), small_family()
    keys = {lot_key(family, station, 8, 0.4), lot_key(family, station, 9, 0.4), lot_key(family, station, 8, 0.3),
            lot_key(replace(family, workmanship_class=3), station, 8, 0.4),
            lot_key(family, replace(station, mm_per_px=0.02), 8, 0.4)}
    assert len(keys) == 5
    assert lot_key(family, station, 8, 0.4) == lot_key(small_family(), read_station(shop), 8, 0.4)


def test_rendering_again_gives_the_same_bytes(shop: Path, tmp_path: Path) -> None:
    run("render", tmp_path / "lot", *setup(shop), "--boards", 2, "--seed", 5, "--defects", 25, "--jobs", 1)
    for path in (tmp_path / "lot").glob("*.png"):
        assert path.read_bytes() == (shop / "lot" / path.name).read_bytes()
    again = (tmp_path / "lot" / "truth.csv").read_text()
    assert (shop / "lot" / "truth.csv").read_text().startswith(again)


def test_a_lot_is_never_rendered_over_another(shop: Path) -> None:
    done = run("render", shop / "lot", *setup(shop), code=1)
    assert "holds a truth.csv already; render into a new folder" in done.stderr


def test_bad_pictures_cost_their_own_board_only(shop: Path, tmp_path: Path) -> None:
    for path in sorted((shop / "lot").glob("*.png")):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    first, second, third, *_ = sorted(tmp_path.glob("*.png"))
    first.write_bytes(first.read_bytes()[:4000])
    second.write_bytes(b"no picture at all")
    cv2.imwrite(str(third), np.zeros((300, 500, 3), dtype=np.uint8))
    done = run("grade", tmp_path, *setup(shop), "--limits", shop / "limits.toml", "--db", tmp_path / "r.sqlite",
               "--jobs", 1, "--json", "--fail-on", "ungraded", code=3)
    found = {row["serial"]: row for row in json.loads(done.stdout)}
    assert len(found) == LOT
    for serial in ("B0001", "B0002", "B0003"):
        assert found[serial]["verdict"] == "ungraded"
        assert found[serial]["reason"]
        assert "the program failed" not in found[serial]["reason"]
    assert all(found[f"B{k:04d}"]["verdict"] != "ungraded" for k in range(4, LOT + 1))


def test_gallery_shows_a_row_for_each_finding(shop: Path, tmp_path: Path) -> None:
    run("render", tmp_path / "lot", *setup(shop), "--boards", 3, "--defects", 60, "--gallery", tmp_path / "g.png",
        "--jobs", 1)
    picture = cv2.imread(str(tmp_path / "g.png"))
    kinds = {finding for row in read_truth(tmp_path / "lot").values() if len(row.findings) == 1 and not row.marginal
             for finding in row.findings}
    assert picture.shape[0] >= 150 * len(kinds)
    assert picture.std() > 20.0


def test_demo_does_the_whole_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from vision.cli.demo import _print_text

    out = tmp_path / "demo"
    done = run("demo", "--out", out, "--boards", 3, "--training", 8, "--jobs", 2, "--json")
    assert "Traceback" not in done.stderr
    told = json.loads(done.stdout)
    assert (told["boards"], told["joints"]) == (3, 3 * 42)
    assert sum(told["verdicts"].values()) == 3
    assert 0.05 < told["bad_joints"] / told["joints"] < 0.3
    true, rates = told["truth"], {row["what"].split(" (")[0]: row for row in told["rates"]}
    bad = true["bad_joints"] + true["bad_chips"]
    assert (bad, true["good"]) == (rates["escapes"]["of"], rates["false calls"]["of"])  # counted alike
    assert bad + true["good"] + true["indicators"] + true["marginal"] == true["joints"] + true["chips"]
    assert all(0.0 <= row["low_pct"] <= row["share_pct"] <= row["high_pct"] <= 100.0 for row in told["rates"])
    assert any("needs at" in place["why"] for place in told["worst"])
    assert all(Path(place["path"]).exists() for place in told["places"])
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.count("data:image/jpeg;base64,") >= 3
    for file in ("family/family.toml", "family/joints.csv", "pictures/truth.csv"):
        assert (out / file).is_file()
    assert len(list((out / "overlays").iterdir())) == 3
    show = told["next"][0]["command"].split()
    assert show[:3] == ["meniscope", "results", "show"]
    assert run(*show[1:]).exit_code == 0  # what it proposes works
    sheet = (out / "limits.toml").read_text()
    (out / "limits.toml").write_text(sheet.replace("guard = ", "guard = 1", 1))
    again = run("demo", "--out", out, "--boards", 3, "--training", 8, "--jobs", 2)
    assert "another limit sheet was there; it is kept in" in again.stderr
    assert (out / "limits.toml").read_text() == sheet
    kept = json.loads(run("limits", "history", out / "limits.toml", "--json").stdout)
    assert [row["why"] for row in kept] == ["the demo was run again with 8 boards to learn from, seed 1"]
    _print_text(told)
    text = capsys.readouterr().out
    assert text.startswith(f"\n3 boards of family demo-psu: 126 joints, {true['bad_joints']} of them bad (")
    assert f"and {true['chips']} chips, {true['bad_chips']} of them bad; apart from these " in text
    for word in ("escapes", "false calls", "95 % interval", "The worst places and why", "needs at", "Where things are",
                 "What to try next", "workmanship standard"):
        assert word in text


def test_demo_leaves_other_peoples_folders_alone(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    done = run("demo", "--out", tmp_path, code=1)
    assert "holds other files" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]
