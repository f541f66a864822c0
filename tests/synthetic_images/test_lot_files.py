"""What a lot writes beside its pictures, at every bit depth, and what a family's own recipe changes."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from models.errors import InputError
from synthetic_images.canvas import LABELS
from synthetic_images.lot import render_lot
from synthetic_images.recipe import Recipe, default_recipe
from vision.cli import main
from vision.setup import Joint, View, write_family, write_station

from .small import quiet_recipe, render, small_family, small_station

DEEP = '[camera]\nbits = {kind = "fixed", value = 12, unit = "bit", reason = "this camera"}\n'
RED = '[board]\nmask_colour = {kind = "choice", names = ["red"], weights = [1.0], reason = "this board"}\n'


def test_maps_tell_what_every_pixel_shows(tmp_path: Path) -> None:
    render_lot(small_family(), small_station(), tmp_path, boards=1, seed=2, defect_rate=0.0, maps=True)
    with (tmp_path / "maps" / "labels.csv").open(encoding="utf-8") as file:
        names = {int(row["number"]): row["label"] for row in csv.DictReader(file)}
    assert tuple(names.values()) == LABELS
    labels = cv2.imread(str(tmp_path / "maps" / "B0001_v1_labels.png"), cv2.IMREAD_UNCHANGED)
    slope = cv2.imread(str(tmp_path / "maps" / "B0001_v1_slope.png"), cv2.IMREAD_UNCHANGED) / 100.0
    picture = cv2.imread(str(tmp_path / "B0001_v1_a.png"))
    assert labels.shape == slope.shape == picture.shape[:2]
    assert {"mask", "land", "solder", "lead", "chip", "fiducial"} <= {names[int(n)] for n in np.unique(labels)}
    assert slope[labels == LABELS.index("mask")].mean() < 1.0
    assert 8.0 < np.median(slope[labels == LABELS.index("solder")]) < 60.0


@pytest.mark.parametrize(("bits", "ending"), [(12, "png"), (16, "png"), (16, "tif")])
def test_deep_pictures_are_written_whole(tmp_path: Path, bits: int, ending: str) -> None:
    station = small_station(files="{serial}_{exposure}." + ending, black_level=300.0)
    render_lot(small_family(), station, tmp_path, boards=1, seed=1, defect_rate=0.0,
               recipe=quiet_recipe(camera__bits=bits))
    picture = cv2.imread(str(tmp_path / f"B0001_a.{ending}"), cv2.IMREAD_UNCHANGED)
    assert picture.dtype == np.uint16 and len(np.unique(picture)) > 1000
    assert bits == 16 or (picture % 16 == 0).all()


def test_jpeg_holds_no_deep_pictures(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="more than 8 bit"):
        render_lot(small_family(), small_station(files="{serial}_{exposure}.jpg"), tmp_path, boards=1, seed=1,
                   defect_rate=0.0, recipe=quiet_recipe(camera__bits=16))


def test_a_familys_recipe_holds_on_the_command_line(tmp_path: Path) -> None:
    write_family(small_family(), tmp_path / "family")
    write_station(small_station(black_level=200.0), tmp_path / "station.toml")
    (tmp_path / "family" / "recipe.toml").write_text(DEEP + RED, encoding="utf-8")
    done = CliRunner().invoke(main, [
        "render", str(tmp_path / "lot"), "--family", str(tmp_path / "family"), "--station",
        str(tmp_path / "station.toml"), "--boards", "1", "--jobs", "1", "--maps", "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)
    picture = cv2.imread(str(tmp_path / "lot" / "B0001_v1_a.png"), cv2.IMREAD_UNCHANGED)
    assert picture.dtype == np.uint16 and (picture % 16 == 0).all()
    mask = cv2.imread(str(tmp_path / "lot" / "maps" / "B0001_v1_labels.png"), cv2.IMREAD_UNCHANGED) == 0
    blue, green, red = picture[mask].mean(axis=0)
    assert red > 1.5 * max(blue, green)


def test_every_mask_colour_can_be_drawn() -> None:
    """White is the brightest, black darker than green, coloured ones brightest in their own channel."""
    shipped = default_recipe().entries
    seen = {}
    for colour in shipped["board.mask_colour"].names:
        entries = dict(quiet_recipe(board__residue=0.0, board__silk_share=0.0).entries)
        entries["board.mask_colour"] = replace(shipped["board.mask_colour"], names=(colour,), weights=(1.0,))
        _, view = render({}, 1, recipe=Recipe(entries))
        bare = view.labels == LABELS.index("mask")
        channels = [light.channel for light in small_station().lights]
        seen[colour] = {c: float(np.median(view.responses[i][bare])) for i, c in enumerate(channels)}
    assert set(seen) >= {"green", "blue", "red", "black", "white"}
    assert max(seen, key=lambda c: min(seen[c].values())) == "white" and min(seen["white"].values()) > 0.4
    assert seen["black"]["green"] < seen["green"]["green"]
    for colour in ("green", "blue", "red"):
        assert max(seen[colour], key=lambda c: seen[colour][c] - seen["black"][c]) == colour


def test_flags_are_thin_or_broad_pointed_or_blunt() -> None:
    """At equal reach the metal beyond the land differs widely between boards, and truth keeps to the planned reach."""
    areas, reaches = [], []
    for seed in range(14):
        plan, view = render({4: ("solder_projection", 0.6)}, seed, recipe=quiet_recipe(place__offset=0.0))
        row = next(r for r in view.rows if r.pin == "5")
        if plan.spikes[0].kind != "flag":
            continue
        joint = plan.family.joints[4]
        col, line = view.board_to_px.to_px((joint.x_mm, joint.y_mm)).astype(int)
        patch = view.labels[line - 110:line + 110, col - 110:col + 110]
        rows, cols = np.indices(patch.shape)
        away = np.hypot(rows - 110, cols - 110) * 0.02
        outside = (away > 1.28) & (away < 1.6)  # beyond the land's corners, short of the neighbours
        areas.append(np.count_nonzero(outside & (patch == LABELS.index("solder"))))
        reaches.append(row.values["projection_mm"])
    assert len(areas) >= 4
    assert np.abs(np.array(reaches) - default_recipe().at("defect.spike", 0.6)).max() < 0.25
    assert max(areas) > 2 * min(areas)


def test_bridges_flare_towards_the_lands() -> None:
    """A liquid neck is a saddle: narrowest in the middle, wider at both toes."""
    for seed in range(4):
        plan, view = render({0: ("bridge", 0.5)}, seed, recipe=quiet_recipe(place__offset=0.0, place__rotation=0.0))
        neck = plan.necks[0]
        a, b = (np.array([plan.family.joints[j].x_mm, plan.family.joints[j].y_mm]) for j in (neck.first, neck.second))
        way, widths = (b - a) / np.hypot(*(b - a)), []
        for share in (0.36, 0.5, 0.64):
            spots = a + share * (b - a) + np.linspace(-0.7, 0.7, 281)[:, None] * np.array([-way[1], way[0]])
            cols, rows = view.board_to_px.to_px(spots).astype(int).T
            widths.append(np.count_nonzero(view.labels[rows, cols] == LABELS.index("solder")) * 0.005)
        assert 0.8 * neck.width < widths[1] < 1.35 * neck.width + 0.05
        assert widths[0] > 1.03 * widths[1] and widths[2] > 1.03 * widths[1]


def test_rotated_lands_and_views_are_drawn_where_they_lie() -> None:
    """An oblong land turned by 30 degrees: the axis of its pixels' second moments lies along it."""
    family = small_family()
    turned = Joint("J1", "5", 4.94, 5.6, "oblong", 1.4, 2.6, 30.0, 1.0, "round", 0.5, 0.5, "N4")
    family = replace(family, joints=(*family.joints[:4], turned, family.joints[5]), views=(View("v1", (6.9, 4.2)),),
                     seen_from="top")
    plan, view = render({4: ("no_solder", 0.5)}, 2, recipe=quiet_recipe(place__offset=0.0, place__rotation=0.0),
                        family=family)
    x, y = view.board_to_px.to_px((turned.x_mm, turned.y_mm)).astype(int)
    patch = view.labels[y - 75:y + 75, x - 62:x + 62]
    rows, cols = np.nonzero((patch == LABELS.index("land")) | (patch == LABELS.index("hole")))
    spread = np.cov(cols, -rows)
    angle = np.rad2deg(0.5 * np.arctan2(2 * spread[0, 1], spread[0, 0] - spread[1, 1])) % 180.0
    assert angle == pytest.approx(120.0, abs=4.0)  # its long side is its height
    assert plan.family is family


def test_a_familys_recipe_makes_another_training_lot() -> None:
    """Tables measured on boards of another recipe are not taken for these."""
    from vision.teaching.lots import lot_key

    family, station = small_family(), small_station()
    keys = [lot_key(family, station, 1, 0.4, recipe) for recipe in (None, default_recipe(), quiet_recipe(),
                                                                   quiet_recipe(camera__blur=0.5))]
    assert keys[0] == keys[1] == keys[2] != keys[3]


@pytest.mark.parametrize("prefix", ["../esc", "/tmp/B", "..", ".B", "a\\b", "a:b", "a b", "B\n", "é", "B" * 61])
def test_a_prefix_that_leads_out_of_the_folder_is_refused(tmp_path: Path, prefix: str) -> None:
    write_family(small_family(), tmp_path / "family")
    write_station(small_station(), tmp_path / "station.toml")
    done = CliRunner().invoke(main, [
        "render", str(tmp_path / "lot"), "--family", str(tmp_path / "family"), "--station",
        str(tmp_path / "station.toml"), "--boards", "1", "--jobs", "1", "--prefix", prefix])
    assert done.exit_code == 2
    assert "wanted what may begin a file name" in done.stderr
    assert not (tmp_path / "lot").exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["family", "station.toml"]


def test_a_prefix_begins_the_serials(tmp_path: Path) -> None:
    write_family(small_family(), tmp_path / "family")
    write_station(small_station(), tmp_path / "station.toml")
    done = CliRunner().invoke(main, [
        "render", str(tmp_path / "lot"), "--family", str(tmp_path / "family"), "--station",
        str(tmp_path / "station.toml"), "--boards", "1", "--jobs", "1", "--prefix", "Lot_7-a."])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "lot" / "Lot_7-a.0001_v1_a.png").is_file()
