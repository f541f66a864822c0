"""A joint that is looked at beside its nominal place: every command names the place on the board's drawing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from sqlalchemy import Engine, text

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from synthetic_images.board import plan_board, render_view
from tests.pipeline import drawn
from tests.synthetic_images.small import quiet_recipe, small_family, small_station
from vision.cli import main
from vision.pipeline.folder import scan_folder
from vision.pipeline.measure import see_view
from vision.pipeline.view.capture import load_view
from vision.records import Filter, open_database
from vision.records.database import transaction
from vision.records.verify import Tally, verify
from vision.setup import write_family, write_station

MOVED = 1  # this joint lacks part of its fillet, and the board is bent there


def run(*arguments: str) -> str:
    done = CliRunner().invoke(main, list(arguments), catch_exceptions=False)
    assert done.exit_code == 0, done.output + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A graded board on which one bad joint lies 0.16 mm off where the fiducials put it."""
    folder = tmp_path_factory.mktemp("moved")
    family, station = small_family(), small_station()
    plan = plan_board(family, np.random.default_rng(61), planned={MOVED: ("partial_wetting", 0.9)},
                      recipe=quiet_recipe())
    view = render_view(plan, "v1", station, serial="B1")
    joint = family.joints[MOVED]
    picture = drawn.bent(view.pictures["a"], view.board_to_px.to_px((joint.x_mm, joint.y_mm)),
                         view.board_to_px.matrix @ np.array([0.13, 0.1]), 1.6 / station.mm_per_px)
    (folder / "pictures").mkdir()
    assert cv2.imwrite(str(folder / "pictures" / "B1_v1_a.png"), picture)
    write_family(family, folder / "family")
    write_station(station, folder / "station.toml")
    write_limits(LimitSheet(workmanship_rules(2), family.name, 2), folder / "limits.toml")
    run("grade", str(folder / "pictures"), "--family", str(folder / "family"), "--station",
        str(folder / "station.toml"), "--limits", str(folder / "limits.toml"), "--db", str(folder / "r.sqlite"),
        "--jobs", "1", "--hand-over", str(folder / "told.jsonl"))
    return folder


def test_the_joint_is_looked_at_beside_its_place(shop: Path) -> None:
    """Else the tests below prove nothing."""
    family, station = small_family(), small_station()
    (files,) = scan_folder(shop / "pictures", station, family)
    seen = see_view(load_view("v1", files.pictures, station), family, family.views[0], station)
    off = np.hypot(seen.joints[MOVED].x_mm - family.joints[MOVED].x_mm,
                   seen.joints[MOVED].y_mm - family.joints[MOVED].y_mm)
    assert off > 0.08


def test_all_commands_name_the_place_on_the_drawing(shop: Path) -> None:
    joint = small_family().joints[MOVED]
    db = ("--db", str(shop / "r.sqlite"))

    def place(item: dict[str, Any]) -> tuple[float, float]:
        return round(item["x_mm"], 3), round(item["y_mm"], 3)

    wanted = {(round(joint.x_mm, 3), round(joint.y_mm, 3))}
    shown = json.loads(run("results", "show", "B1", "--json", *db))
    assert {place(item) for item in shown["findings"] if item["pin"] == joint.pin} == wanted
    stops = json.loads(run("rework", "B1", "--json", *db))["stops"]
    assert {place(stop) for stop in stops if joint.name in stop["places"]} == wanted
    told = json.loads((shop / "told.jsonl").read_text().splitlines()[0])["findings"]
    assert {place(item) for item in told if item["place"] == joint.name} == wanted


def test_verifying_finds_no_difference(shop: Path) -> None:
    run("results", "verify", "--db", str(shop / "r.sqlite"))
    assert _differences(shop) == []


@pytest.mark.parametrize(("moved_mm", "differs"), [(0.19, False), (0.21, True)])
def test_older_databases_hold_the_place_that_was_looked_at(shop: Path, moved_mm: float, differs: bool) -> None:
    """A finding told there stands; one further off than a land is ever looked for does not."""
    engine = open_database(shop / "r.sqlite")
    for by in (moved_mm, -moved_mm):
        if by < 0.0:
            assert {item.what for item in _differences(shop)} == ({"findings"} if differs else set())
        _shift(engine, by)
    engine.dispose()
    assert _differences(shop) == []


def _differences(shop: Path) -> list[Any]:
    engine = open_database(shop / "r.sqlite")
    found = list(verify(engine, Filter(), Tally()))
    engine.dispose()
    return found


def _shift(engine: Engine, by_mm: float) -> None:
    with transaction(engine) as connection:
        connection.execute(text(f"UPDATE finding SET x_mm = x_mm + {by_mm!r}"))
