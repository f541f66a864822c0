"""A dead, drowned, saturated or exchanged light leaves the board ungraded; what can still be measured is graded."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.criteria import workmanship_rules
from models.limits import LimitSheet
from synthetic_images.board import plan_board, render_view
from synthetic_images.camera import expose
from synthetic_images.recipe import Recipe, default_recipe
from tests.synthetic_images.small import quiet_recipe, small_family, small_station
from vision.cli.grade import EXCHANGED
from vision.pipeline.folder import scan_folder
from vision.pipeline.grade import grade_board
from vision.pipeline.light.lights import SAMPLES, find_fault, sample
from vision.pipeline.view.capture import Capture
from vision.setup import Light

SHEET = LimitSheet(workmanship_rules(2), family="small")
THREE = (Light("high", "a", "mono", (8.0, 26.0)), Light("middle", "b", "mono", (30.0, 50.0)),
         Light("low", "c", "mono", (54.0, 78.0)))


def masked(recipe: Recipe, colour: str) -> Recipe:
    entries = dict(recipe.entries)
    entries["board.mask_colour"] = replace(entries["board.mask_colour"], names=(colour,), weights=(1.0,))
    return Recipe(entries)


DULL = {"solder__roughness": 0.2, "solder__haze": 0.14}
LOOKS = {"green": masked(default_recipe(), "green"), "black": masked(default_recipe(), "black"),
         "white": masked(default_recipe(), "white"), "red": masked(default_recipe(), "red"),
         "dull on black": masked(quiet_recipe(**DULL), "black"), "dull on green": masked(quiet_recipe(**DULL), "green"),
         "shiny": masked(quiet_recipe(solder__roughness=0.032, solder__haze=0.01), "green")}


@pytest.fixture(scope="module")
def boards():
    """Responses before the camera, by look."""
    rendered = {}
    for number, (look, recipe) in enumerate(LOOKS.items()):
        plan = plan_board(small_family(), np.random.default_rng(300 + number), recipe=recipe, defect_rate=0.15)
        rendered[look] = render_view(plan, "v1", small_station()).responses
    plan = plan_board(small_family(), np.random.default_rng(5), recipe=LOOKS["green"],
                      planned={i: ("no_solder", 0.7) for i in range(6)})
    rendered["unsoldered"] = render_view(plan, "v1", small_station()).responses
    plan = plan_board(small_family(), np.random.default_rng(6), recipe=LOOKS["green"],
                      planned={i: ("excess_solder", 0.7) for i in range(6)})
    rendered["domes"] = render_view(plan, "v1", small_station()).responses
    return rendered


def graded(folder, responses, gains=(1.0, 1.0, 1.0), station=None, order=(0, 1, 2)):
    station = station or small_station()
    seen = responses[list(order)] * np.array(gains, np.float32)[:, None, None]
    taken = expose(seen, station, quiet_recipe(light__level=1.0), np.random.default_rng(1))
    for exposure, picture in taken.items():
        assert cv2.imwrite(str(folder / f"B1_v1_{exposure}.png"), picture)
    (files,) = scan_folder(folder, station, small_family())
    return grade_board(files, small_family(), station, SHEET)


def refused(folder, responses, gains=(1.0, 1.0, 1.0), **options):
    inspection = graded(folder, responses, gains, **options)
    assert inspection.verdict == "ungraded"
    assert inspection.joints == ()
    assert inspection.reason.startswith("view v1: ")
    assert "\n" not in inspection.reason
    return inspection.reason


ALL = (*LOOKS, "unsoldered", "domes")


@pytest.mark.parametrize("light", [0, 1, 2])
@pytest.mark.parametrize("look", ALL)
def test_a_light_that_is_off_leaves_the_board_ungraded(tmp_path, boards, look, light):
    gains = [1.0, 1.0, 1.0]
    gains[light] = 0.0
    reason = refused(tmp_path, boards[look], gains)
    known = small_station().lights[light]
    assert f"light {known.name} (exposure a, {known.channel}) gives no light" in reason


@pytest.mark.parametrize("light", [0, 1, 2])
@pytest.mark.parametrize("look", ALL)
def test_a_tenth_of_a_light_leaves_the_board_ungraded(tmp_path, boards, look, light):
    gains = [1.0, 1.0, 1.0]
    gains[light] = 0.1
    assert f"light {small_station().lights[light].name} (" in refused(tmp_path, boards[look], gains)


@pytest.mark.parametrize("look", ALL)
def test_six_times_too_long_leaves_the_board_ungraded(tmp_path, boards, look):
    assert "full scale" in (reason := refused(tmp_path, boards[look], (6.0, 6.0, 6.0)))
    assert "shorter exposure" in reason


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (0.8, 0.8, 0.8), (1.2, 1.2, 1.2), (0.6, 1.0, 1.0), (1.0, 0.6, 1.0),
                                   (1.0, 1.0, 0.6), (0.5, 0.8, 0.8)])
@pytest.mark.parametrize("look", ALL)
def test_gain_a_weak_light_a_dull_alloy_and_a_black_mask_are_graded(tmp_path, boards, look, gains):
    inspection = graded(tmp_path, boards[look], gains)
    assert inspection.reason == ""
    assert inspection.verdict != "ungraded"
    assert len(inspection.joints) == 6


@pytest.mark.parametrize("look", ["green", "red", "dull on green"])
def test_exchanged_exposures_are_refused_by_name(tmp_path, boards, look):
    station = small_station(lights=THREE, cross_talk=None)
    reason = refused(tmp_path, boards[look], station=station, order=(2, 1, 0))
    assert "light high (exposure a, mono) and light low (exposure c, mono) answer in each other's place" in reason
    assert EXCHANGED in reason  # by which a whole run is cautioned
    assert graded(tmp_path, boards[look], station=station).reason == ""


def test_a_dead_exposure_of_a_mono_station_is_named(tmp_path, boards):
    station = small_station(lights=THREE, cross_talk=None)
    assert "light middle (exposure b, mono)" in refused(tmp_path, boards["green"], (1.0, 0.0, 1.0), station=station)


def test_cross_talk_that_the_station_file_does_not_know_does_not_bring_a_light_to_life(tmp_path, boards):
    """Each colour leaks 3 to 5 % into the next; without the table a dead light seems to glow a little."""
    taken = expose(boards["green"] * np.array([1, 0, 1], np.float32)[:, None, None], small_station(),
                   quiet_recipe(light__level=1.0), np.random.default_rng(1))
    assert cv2.imwrite(str(tmp_path / "B1_v1_a.png"), taken["a"])
    station = small_station(cross_talk=None)
    (files,) = scan_folder(tmp_path, station, small_family())
    assert "light middle" in grade_board(files, small_family(), station, SHEET).reason


@pytest.mark.parametrize("times", [1, 3])
def test_looking_takes_as_few_samples_of_a_large_view_as_of_a_small_one(times: int):
    """What looking costs hangs on the samples alone."""
    rng = np.random.default_rng(0)
    shape = (400 * times, 500 * times)
    responses = rng.random((3, *shape), dtype=np.float32)
    owners, centres = np.zeros(shape, np.uint16), rng.uniform(40 * times, 360 * times, (42, 2))
    for number, (x, y) in enumerate(centres):
        cv2.circle(owners, (int(x), int(y)), 15 * times, number + 1, -1)
    capture = Capture("v1", responses, np.zeros(shape, np.uint8), ())
    taken = sample(capture, owners, 42)
    assert taken.responses.shape[1] == pytest.approx(SAMPLES, rel=0.1)
    assert len(np.unique(taken.joint)) > 30
    find_fault(taken, small_station(), np.array([2.0, 0.5, 0.2], np.float32), centres)


def test_a_view_without_joints_is_not_judged():
    capture = Capture("v1", np.zeros((3, 80, 80), np.float32), np.zeros((80, 80), np.uint8), ())
    taken = sample(capture, np.zeros((80, 80), np.uint16), 0)
    assert find_fault(taken, small_station(), None, np.zeros((0, 2))) is None
