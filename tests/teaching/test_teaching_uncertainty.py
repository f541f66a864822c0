"""From `meniscope train` to uncertainties in the defect database: learned, kept, stated, explained."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from command_line import run
from setup_files import STATION

from models.uncertainty import ANY, NOMINAL, UncertaintyModel, stated
from synthetic_images.board import plan_board
from synthetic_images.recipe import default_recipe
from vision.setup import Chip, Family, Fiducial, Joint, View, read_family, read_station, write_family
from vision.teaching.conditions import CONDITIONS, fixed, repeated_tables, shifted
from vision.teaching.lots import training_tables
from vision.teaching.uncertainty import boards_again, with_stated

BOARDS, SEED = 8, 8


def family() -> Family:
    """Two rows of joints of two land kinds and one chip: 18 x 10 mm."""
    joints = [Joint("J1", str(k + 1), 3.0 + 2.54 * k, 7.0, "round", 1.8, 1.8, 0.0, 1.1, "square", 0.64, 0.64,
                    f"N{k}", "P1", "N3", "1") for k in range(5)]
    joints += [Joint("X1", str(k + 1), 3.4 + 2.7 * k, 3.0, "oblong", 1.8, 2.4, 0.0, 1.1, "round", 0.8, 0.8, f"M{k}",
                     "P2", "N4", "2") for k in range(4)]
    fiducials = (Fiducial(1.0, 1.0, 1.0), Fiducial(17.0, 1.0, 1.0), Fiducial(1.0, 9.2, 1.0))
    return Family("small", 2, "bottom", tuple(joints), (Chip("R1", 16.0, 7.0, 90.0, 1.6, 0.8),), fiducials,
                  (View("v1", (9.0, 5.0)),))


def setup(folder: Path) -> Sequence[object]:
    return ("--family", folder / "family", "--station", folder / "station.toml")


def train(folder: Path, out: str, *more: object) -> Result:
    return run("train", folder / "family", "--station", folder / "station.toml", "--out", folder / out,
               "--boards", BOARDS, "--seed", SEED, "--cache", folder / "cache", "--jobs", 2, *more)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a family taught and some boards graded."""
    folder = tmp_path_factory.mktemp("shop")
    write_family(family(), folder / "family")
    (folder / "station.toml").write_text(STATION)
    run("render", folder / "lot", *setup(folder), "--boards", 3, "--seed", 5, "--defects", 30, "--jobs", 2)
    train(folder, "limits.toml")
    run("grade", folder / "lot", *setup(folder), "--limits", folder / "limits.toml", "--db", folder / "r.sqlite",
        "--jobs", 1)
    return folder


def test_training_leaves_the_uncertainty_beside_the_family(shop: Path) -> None:
    model = read_family(shop / "family").uncertainty
    assert model is not None
    assert {band.station for band in model.bands} == {"bench"}
    measures = {band.measure for band in model.bands}
    assert measures >= {"coverage_deg", "land_cover_pct", "fillet_height_mm", "lead_offset_mm", "body_cover_pct"}
    assert {band.condition for band in model.bands} == {ANY, *(condition.name for condition in CONDITIONS)}
    nominal = next(band for band in model.bands if (band.measure, band.condition) == ("toe_radius_mm", NOMINAL))
    assert 0.0 < nominal.repeatability < nominal.standard_uncertainty < 0.3
    assert nominal.low_95 < 0.0 < nominal.high_95


def test_graded_boards_carry_what_is_stated(shop: Path) -> None:
    model = read_family(shop / "family").uncertainty
    assert model is not None
    kinds = {(joint.ref, joint.pin): joint.land_kind for joint in family().joints}
    board = json.loads(run("results", "show", "B0001", "--db", shop / "r.sqlite", "--json").stdout)
    assert len(board["joint_results"]) == 9
    for joint in board["joint_results"]:
        values = {name: np.array([joint[name]]) for name in ("coverage_deg", "land_cover_pct", "convexity")
                  if joint[name] is not None}
        told = stated(model, values, [kinds[joint["ref"], joint["pin"]]])
        for name in values:
            assert joint["uncertainty"][name] == pytest.approx(told.standard[name][0], rel=6e-3)  # three digits


def test_findings_are_shown_with_the_uncertainty_that_decides(shop: Path) -> None:
    boards = [json.loads(run("results", "show", f"B000{k}", "--db", shop / "r.sqlite", "--json").stdout)
              for k in (1, 2, 3)]
    board = next(board for board in boards if any(item["pin"] for item in board["findings"]))
    table = run("results", "show", board["serial"], "--db", shop / "r.sqlite").output
    assert "  u  " in table.replace("\t", "  ")
    item = next(item for item in board["findings"] if item["pin"])
    place = f"{item['ref']}.{item['pin']}"
    found = json.loads(run("limits", "explain", board["serial"], place, "--db", shop / "r.sqlite", "--json").stdout)
    line = next(line for line in found["rules"] if line["decides"])
    joint = next(joint for joint in board["joint_results"] if f"{joint['ref']}.{joint['pin']}" == place)
    measure = item["measure"]
    assert line["uncertainty"] == joint["uncertainty"][measure]
    assert line["in_uncertainties"] == pytest.approx(line["beyond"] / line["uncertainty"])
    assert 0.0 <= line["probability"] <= 1.0


def test_recorded_boards_can_be_checked_and_replayed(shop: Path) -> None:
    run("results", "verify", "--db", shop / "r.sqlite")
    again = run("results", "regrade", "--limits", shop / "limits.toml", "--db", shop / "r.sqlite", "--json")
    assert json.loads(again.stdout or "[]") == []  # the same sheet judges the same measurements alike


def test_training_again_says_the_same_and_keeps_other_stations(shop: Path) -> None:
    before = (shop / "family" / "uncertainty.csv").read_text()
    other = next(line for line in before.splitlines() if line.startswith("bench,")).replace("bench,", "elsewhere,", 1)
    (shop / "family" / "uncertainty.csv").write_text(before + other + "\n")
    done = json.loads(train(shop, "again.toml", "--json").stdout)
    assert (shop / "family" / "uncertainty.csv").read_text() == before + other + "\n"
    assert (shop / "again.toml").read_text() == (shop / "limits.toml").read_text()
    assert done["uncertainty"] == str(shop / "family" / "uncertainty.csv")
    assert all(row["stated"] is None or row["stated"] > 0.0 for row in done["measurements"])
    (shop / "family" / "uncertainty.csv").write_text(before)


def test_training_may_leave_the_family_as_it_is(shop: Path, tmp_path: Path) -> None:
    write_family(family(), tmp_path / "family")
    (tmp_path / "station.toml").write_text(STATION)
    (tmp_path / "cache").symlink_to(shop / "cache")
    done = train(tmp_path, "limits.toml", "--no-uncertainty", "--json")
    assert not (tmp_path / "family" / "uncertainty.csv").exists()
    assert json.loads(done.stdout)["uncertainty"] is None


def test_the_table_of_uncertainties_is_shown(shop: Path, tmp_path: Path) -> None:
    rows = json.loads(run("family", "uncertainty", shop / "family", "--measure", "toe_radius_mm", "--json").stdout)
    assert rows
    assert {row["condition"] for row in rows} == {""}
    blurred = json.loads(run("family", "uncertainty", shop / "family", "--condition", "blur", "--json").stdout)
    assert len({row["measure"] for row in blurred}) == len(blurred) > 10
    assert "repeatability" in run("family", "uncertainty", shop / "family").output
    write_family(family(), tmp_path)
    assert "nothing is known" in run("family", "uncertainty", tmp_path).stderr


def test_another_station_states_nothing(shop: Path) -> None:
    model = read_family(shop / "family").uncertainty
    assert isinstance(model, UncertaintyModel)
    tables = training_tables(family(), read_station(shop / "station.toml"), boards=BOARDS, seed=SEED,
                             cache=shop / "cache")
    assert tables.reused == BOARDS  # what was measured does not hang on what is stated about it
    assert with_stated(tables.joints, model, "another").uncertainties == {}
    told = with_stated(tables.joints, model, "bench").uncertainties["coverage_deg"]
    assert np.isfinite(told[np.isfinite(tables.joints.columns["coverage_deg"])]).all()


def test_boards_seen_again_are_the_same_boards_elsewhere(shop: Path) -> None:
    station = read_station(shop / "station.toml")
    first = training_tables(family(), station, boards=BOARDS, seed=SEED, cache=shop / "cache").joints
    again = {item.condition: item.joints for item in
             repeated_tables(family(), station, boards=boards_again(BOARDS), seed=SEED, cache=shop / "cache")}
    assert list(again) == [condition.name for condition in CONDITIONS]
    for table in again.values():
        assert set(table.boards) <= set(first.boards)
        rows = {key: row for row, key in enumerate(zip(first.boards, first.names, strict=True))}
        same = [rows[key] for key in zip(table.boards, table.names, strict=True)]
        # The truth is drawn on another grid, so it agrees but for the grid's steps.
        np.testing.assert_allclose(table.exact["land_cover_pct"], first.exact["land_cover_pct"][same], atol=1.0)
        assert [table.findings[k] for k in range(len(table)) if not table.marginal[k]] == \
               [first.findings[same[k]] for k in range(len(table)) if not table.marginal[k]]
        assert (table.columns["toe_radius_mm"] != first.columns["toe_radius_mm"][same]).any()


def test_conditions_change_what_they_say(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text(STATION)
    station = read_station(tmp_path / "station.toml")
    moved = shifted(station, 3.0)
    assert [light.zenith_deg for light in moved.lights] == [(11.0, 27.0), (33.0, 53.0), (61.0, 83.0)]
    assert shifted(station, -10.0).lights[0].zenith_deg == (0.0, 14.0)
    recipe = fixed(default_recipe(), "board.residue", 0.6)
    assert recipe.one("board.residue", np.random.default_rng(1)) == 0.6
    assert default_recipe().entries["board.residue"].kind == "beta"
    plan = plan_board(family(), np.random.default_rng(1), defect_rate=0.0)
    assert replace(plan, recipe=recipe).joints is plan.joints
