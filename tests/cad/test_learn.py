"""Learning a family's lands, lead places and mask from pictures: checked on rendered boards of known truth."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from models.errors import MeniscopeError
from synthetic_images.demo import demo_family, demo_station
from synthetic_images.lot import render_lot
from synthetic_images.recipe import Recipe, default_recipe, read_recipe
from vision.cli import main
from vision.pipeline.folder import scan_folder
from vision.pipeline.light.optics import METAL_REFLECTANCE, predict
from vision.setup import Family, Fiducial, Station, View, read_family, write_family, write_station
from vision.teaching.learn_family import RESIN_REFLECTANCE, Learned, colour_weights, learn_family


def board() -> Family:
    """Seven joints of two kinds on 24 mm x 11 mm."""
    whole = demo_family()
    joints = tuple(j for j in whole.joints if j.ref in ("C1", "C2", "Q1"))
    marks = (Fiducial(4.0, 8.0, 1.0), Fiducial(24.0, 8.0, 1.0))
    return replace(whole, name="learned", joints=joints, chips=(), fiducials=marks, views=(View("v1", (14.0, 5.0)),))


def camera() -> Station:
    return replace(demo_station(), picture_px=(1200, 560))


def misread(family: Family) -> Family:
    """As if CAD had said that the capacitors' lands are 0.24 mm smaller than they are."""
    return replace(family, joints=tuple(replace(j, land_w_mm=1.56, land_h_mm=1.56) if j.ref.startswith("C") else j
                                        for j in family.joints))


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good_boards")
    entries = dict(default_recipe().entries)
    entries["board.mask_colour"] = replace(entries["board.mask_colour"], names=("red",), weights=(1.0,))
    render_lot(board(), camera(), folder, boards=3, seed=11, defect_rate=0.0, recipe=Recipe(entries))
    return folder


def learned(pictures: Path, family: Family) -> Learned:
    return learn_family(scan_folder(pictures, camera(), family), family, camera())


def test_a_right_family_is_left_alone(pictures: Path) -> None:
    found = learned(pictures, board())
    assert found.boards == ("B0001", "B0002", "B0003")
    assert not any(size.proposed for size in found.lands)
    assert found.family == board()
    for size in found.lands:
        # The renderer's etching and mask play are within 0.05 mm a side, so 0.11 mm on the diameter covers both.
        assert size.measured_mm == pytest.approx(size.nominal_mm, abs=0.11)


def test_wrong_lands_are_found_and_corrected(pictures: Path) -> None:
    found = learned(pictures, misread(board()))
    proposed = {size.kind: size for size in found.lands if size.proposed}
    assert list(proposed) == ["round 1.56 mm, hole 0.9 mm"]
    size = proposed["round 1.56 mm, hole 0.9 mm"]
    assert abs(size.measured_mm[0] - 1.8) < 2.0 * size.uncertainty_mm  # truth within the stated uncertainty
    corrected = {joint.name: joint.land_w_mm for joint in found.family.joints}
    assert corrected["C1.1"] == pytest.approx(1.8, abs=0.11)
    assert corrected["Q1.1"] == 1.6


def test_lead_places_agree_with_the_truth_of_the_pictures(pictures: Path) -> None:
    one = learn_family(scan_folder(pictures, camera(), board())[:1], board(), camera())
    rows = [line.split(",") for line in (pictures / "truth.csv").read_text().splitlines()]
    columns = {name: k for k, name in enumerate(rows[0])}
    truth = {f"{row[columns['ref']]}.{row[columns['pin']]}": float(row[columns["lead_offset_mm"]]) for row in rows[1:]
             if row[columns["serial"]] == "B0001" and row[columns["lead_offset_mm"]]}
    errors = [float(np.hypot(place.offset_x_mm, place.offset_y_mm)) - truth[place.joint] for place in one.leads]
    assert len(errors) >= 5
    assert float(np.median(np.abs(errors))) < 0.08
    assert any("one board only" in note for note in one.notes)


def test_mask_colour_of_the_boards_comes_first(pictures: Path) -> None:
    weights = learned(pictures, board()).mask_weights
    assert next(iter(weights)) == "red"
    assert sum(weights.values()) == pytest.approx(1.0, abs=0.01)


def test_gloss_is_told_from_colour() -> None:
    # A black mask under a light beside the lens: gloss alone (Fresnel 4.65 % at n = 1.55) makes its channel brighter.
    station = demo_station()
    gloss = predict(station.lights, np.zeros(1), 0.16)[0] * RESIN_REFLECTANCE / METAL_REFLECTANCE
    assert gloss[0] > 4.0 * 0.027  # more than all of the colour of a black mask
    assert next(iter(colour_weights(gloss + 0.027, station))) == "black"


def test_no_board_to_learn_from(tmp_path: Path) -> None:
    with pytest.raises(MeniscopeError, match="no board to learn from"):
        learned(tmp_path, board())


def test_command_shows_before_it_writes(pictures: Path, tmp_path: Path) -> None:
    write_family(misread(board()), tmp_path)
    write_station(camera(), tmp_path / "station.toml")
    arguments = ["family", "learn-from", str(pictures), "--family", str(tmp_path), "--station", str(tmp_path)]
    shown = CliRunner().invoke(main, arguments)
    assert shown.exit_code == 0, shown.output
    assert "round 1.56 mm, hole 0.9 mm" in shown.output
    assert "nothing was written" in shown.output
    assert read_family(tmp_path) == misread(board())
    written = CliRunner().invoke(main, [*arguments, "--yes"])
    assert written.exit_code == 0, written.output
    assert next(j for j in read_family(tmp_path).joints if j.ref == "C1").land_w_mm == pytest.approx(1.8, abs=0.11)
    assert (tmp_path / "lead_offsets.csv").read_text().startswith("joint,boards,offset_x_mm")
    assert tomllib.loads((tmp_path / "recipe.toml").read_text())["board"]["mask_colour"]["names"][0] == "red"
    assert read_recipe(tmp_path / "recipe.toml").entries["board.mask_colour"].names[0] == "red"
