"""Sheets of single joints: what is drawn lies where it was measured, and says what was measured."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from models.criteria import workmanship_rules
from models.limits import Condition, LimitSheet, Rule
from models.vocabulary import FINDING
from synthetic_images.board import plan_board, render_view
from synthetic_images.canvas import LABELS
from tests.synthetic_images.small import (
    FOUR_LIGHTS,
    SIX_LIGHTS,
    TWO_LIGHTS,
    quiet_recipe,
    small_family,
    small_station,
    write_views,
)
from vision.pipeline.folder import BoardFiles
from vision.pipeline.grade import grade_board
from vision.pipeline.measure import see_view
from vision.pipeline.pictures.paper import Paper
from vision.pipeline.pictures.show import wanted_parts, write_pictures, zoom_file
from vision.pipeline.pictures.traces import find_spots, find_traces
from vision.pipeline.pictures.zoom import CAUTION, WIDTH, draw_zoom
from vision.pipeline.pictures.zoom_charts import radial_profile
from vision.pipeline.pictures.zoom_cut import FOUND, SKY, STEEPEST_DEG, cut_at, cut_planes, slope_picture
from vision.pipeline.pictures.zoom_table import limit_words, measured_words, rules_of
from vision.pipeline.view.capture import load_view
from vision.pipeline.view.unwrap import AZIMUTHS
from vision.setup import View

SHEET = LimitSheet(workmanship_rules(2), family="small")
PLANNED = {0: ("bridge", 0.8), 1: ("blowhole", 1.0), 2: ("solder_projection", 1.0), 4: ("solder_ball", 1.0),
           5: ("partial_wetting", 1.0)}


def board(folder: Path, station, family, *, planned, chips=None, seed=33, recipe=None):
    """Render and grade a board; return its files and its inspection."""
    plan = plan_board(family, np.random.default_rng(seed), planned=planned, planned_chips=chips or {}, recipe=recipe)
    files = BoardFiles("B7", write_views(plan, station, folder, "B7"))
    return plan, files, grade_board(files, family, station, SHEET)


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    """A board with many findings and all that is needed to draw its sheets."""
    folder = tmp_path_factory.mktemp("zoom")
    family, station = small_family(), small_station()
    plan, files, inspection = board(folder, station, family, planned=PLANNED, chips={0: ("chip_shifted", 1.0)})
    seen = see_view(load_view("v1", files.pictures, station), family, family.views[0], station)
    return SimpleNamespace(plan=plan, family=family, station=station, files=files, inspection=inspection, seen=seen,
                           traces=find_traces(seen),
                           parts={p.name: p for p in (*inspection.joints, *inspection.chips)})


def drawn(known, name: str):
    return draw_zoom(known.seen, known.traces, known.inspection, known.parts[name], known.family, known.station, SHEET)


@pytest.fixture
def words(monkeypatch) -> list[str]:
    """All texts that are written on sheets."""
    told: list[str] = []
    write = Paper.text

    def spy(self, x, y, text, *rest, **more):
        told.append(text)
        write(self, x, y, text, *rest, **more)

    monkeypatch.setattr(Paper, "text", spy)
    return told


def test_a_sheet_tells_everything_about_its_joint(known, words):
    joint = known.parts["J1.6"]
    assert "partial_wetting" in [found.finding for found in joint.findings]
    picture = drawn(known, "J1.6")
    assert picture.shape[1] == WIDTH
    assert picture.dtype == np.uint8
    text = "\n".join(words)
    assert joint.verdict in words
    assert "J1.6" in words
    assert "board B7" in words
    assert CAUTION in words
    for title in ("slope of the surface", "the joint unrolled, with its gaps", "gap", "toe of the solder", "45°"):
        assert title in words, title
    for light in known.station.lights:
        assert any(each.startswith(f"{light.name} ") for each in words), light.name
    rules = [rule for rule in SHEET.rules if rule.part == "joint"]
    for rule in rules:
        assert FINDING[rule.finding].title in words
        for condition in rule.when:
            assert limit_words(condition) in words
    assert f"coverage {joint.measurements['coverage_deg']:.0f}" in text
    assert words.count("clear") == len([rule for rule in rules_of(joint, SHEET) if rule.outcome == "clear"])
    gaps = sorted((int(each[4:-1]) for each in words if each.startswith("gap ") and each.endswith("°")), reverse=True)
    assert gaps[0] == round(joint.measurements["largest_gap_deg"])


def test_a_sheet_says_that_its_colours_are_false_and_which_light_is_which(known, words):
    """The demo's middle light is red and its low one green to the camera; sheets show flat to steep as blue to red."""
    assert [light.channel for light in known.station.lights] == ["blue", "red", "green"]
    drawn(known, "J1.6")
    assert "seen, in false colours: blue high, green middle, red low" in words
    drawn(known, "R1")
    assert words.count("seen, in false colours: blue high, green middle, red low") == 2
    assert not any("lights' colours" in each for each in words)
    named = {light.name: f"ring {light.name} of the upper lamp" for light in known.station.lights}
    lights = tuple(replace(light, name=named[light.name]) for light in known.station.lights)
    draw_zoom(known.seen, known.traces, known.inspection, known.parts["J1.6"], known.family,
              replace(known.station, lights=lights), SHEET)
    assert "in false colours: blue 8-26°, green 30-50°, red 54-78°" in words, "long names give way to angles"


def test_every_part_of_a_board_can_be_drawn_and_twice_alike(known):
    for name in known.parts:
        first = drawn(known, name)
        assert np.array_equal(first, drawn(known, name)), name
        assert first.std() > 10.0


def test_rules_that_fired_come_first_and_say_their_outcome(known):
    for joint in known.inspection.joints:
        rules = rules_of(joint, SHEET)
        outcomes = [rule.outcome for rule in rules]
        assert len(rules) == sum(rule.part == "joint" for rule in SHEET.rules)
        assert outcomes == sorted(outcomes, key=("reject", "review", "indicator", "clear").index)
        assert (outcomes[0] == "reject") == (joint.verdict == "reject")


def test_measured_values_and_limits_in_words(known):
    joint = replace(known.parts["J1.6"], uncertainties={"coverage_deg": 4.2})
    line = next(line for rule in rules_of(joint, SHEET) for line in rule.lines
                if line.condition.measure == "coverage_deg")
    assert measured_words(replace(line, value=212.0)) == "coverage 212 ± 4.2 deg"
    assert measured_words(replace(line, value=math.nan)) == "coverage: does not apply"
    near = replace(line, value=269.96, condition=Condition("coverage_deg", below=270.0), uncertainty=math.nan)
    assert measured_words(near) == "coverage 269.96 deg", "as many decimals as it takes to tell it from the limit"
    assert limit_words(Condition("coverage_deg", below=270.0, guard=8.0)) == "below 270 deg, guard 8 deg"
    assert limit_words(Condition("convexity", below=0.5, above=-0.125)) == "above -0.125 and below 0.5"


def test_an_ungraded_joint_says_why(known, words):
    joint = replace(known.parts["J1.3"], verdict="ungraded", reason="light low is dead", findings=())
    draw_zoom(known.seen, known.traces, known.inspection, joint, known.family, known.station, SHEET)
    assert "not graded: light low is dead" in words


def test_a_long_limit_sheet_makes_a_longer_picture_and_says_what_it_leaves_out(known, words):
    joint = known.parts["J1.6"]
    conditions = (Condition("coverage_deg", below=20.0), Condition("residue_pct", above=99.0))
    rule = Rule("partial_wetting", "test", conditions)
    long = replace(SHEET, rules=SHEET.rules + (rule,) * 40)
    picture = draw_zoom(known.seen, known.traces, known.inspection, joint, known.family, known.station, long)
    assert 740 < picture.shape[0] <= 1100
    (left_out,) = [each for each in words if "more rules" in each]
    told = sum(words.count(outcome) for outcome in ("clear", "review", "indicator", "reject"))
    assert int(left_out.split()[1]) + told - 1 == len(rules_of(joint, long)), "the verdict is one of the words"


def test_a_part_of_another_view_is_refused(known):
    stranger = replace(known.parts["J1.1"], ref="J9")
    with pytest.raises(KeyError):
        draw_zoom(known.seen, known.traces, known.inspection, stranger, known.family, known.station, SHEET)


def test_a_cut_shows_the_board_where_it_says(known):
    to_picture = known.seen.registration.to_picture
    cut = cut_at(to_picture, (5.0, 3.0), 1.2, 300)
    assert cut.to_panel((5.0, 3.0)) == pytest.approx([150.0, 150.0])
    assert cut.px_per_mm == pytest.approx(300 / 2.4)
    x, y = np.mgrid[0:560, 0:800][::-1] + 0.5  # a picture of its own pixel places
    planes = cut_planes(np.stack([x, y]).astype(np.float32), cut)
    for column, row in ((20, 30), (150, 149), (280, 200)):
        place = np.array([column + 0.5, row + 0.5]) / cut.zoom + cut.low
        assert planes[:, row, column] == pytest.approx(place, abs=0.05)


def test_a_cut_over_the_border_is_black_there(known):
    to_picture = known.seen.registration.to_picture
    ones = np.ones((2, 560, 800), dtype=np.float32)
    corner = to_picture.to_mm((0.0, 0.0))
    planes = cut_planes(ones, cut_at(to_picture, tuple(corner), 1.0, 200))
    assert planes[:, 110:, 110:] == pytest.approx(1.0)
    assert planes[:, :90, :90] == pytest.approx(0.0)
    away = to_picture.to_mm((-900.0, -900.0))
    assert not cut_planes(ones, cut_at(to_picture, tuple(away), 1.0, 200)).any()


def test_a_profile_is_true_to_radius_on_every_land(known):
    """Responses that depend on radius alone come back as they were, on round, rect and oblong lands."""
    patches = known.seen.patches
    made = replace(patches, responses=np.stack([1.0 + patches.radius_mm, 2.0 - patches.radius_mm**2], axis=1))
    for index in range(3):
        profile = radial_profile(made, index)
        inside = np.isfinite(profile.median[0]) & (profile.radius_mm > 0.03)
        assert inside.sum() > 50
        radius = profile.radius_mm[inside]
        for light, wanted in ((0, 1.0 + radius), (1, 2.0 - radius**2)):
            for line in (profile.median, profile.low, profile.high):
                # The sample spacing changes at hole and land edge, where interpolation is off by a sample at most.
                assert line[light][inside] == pytest.approx(wanted, abs=0.035)
        assert (profile.high >= profile.low)[:, inside].all()


def test_the_slope_map_shows_the_true_slopes(known):
    """Colours of the map, turned back into degrees, against the renderer's exact slopes and labels."""
    truth = render_view(known.plan, "v1", known.station, maps=True)
    ramp = np.arange(256, dtype=np.uint8)[:, None]
    packing = np.array([1, 256, 65536])
    level_of = {int(colour @ packing): level for level, colour in
                enumerate(np.asarray(cv2.applyColorMap(ramp, cv2.COLORMAP_VIRIDIS))[:, 0].astype(int))}
    solder, land = (LABELS.index(name) for name in ("solder", "land"))
    off, flat = [], []
    for index in (2, 3, 4, 5):
        joint = known.seen.joints[index]
        cut = cut_at(known.seen.registration.to_picture, (joint.x_mm, joint.y_mm), 1.6, 320)
        planes = cut_planes(known.seen.capture.responses, cut)
        shown = slope_picture(planes, known.seen, known.traces, index, cut).astype(int)
        colours, place = np.unique(shown @ packing, return_inverse=True)
        level = np.array([level_of.get(int(colour), -1) for colour in colours])[place].reshape(shown.shape[:2])
        coloured, degrees = level >= 0, level / 255.0 * STEEPEST_DEG
        true_slope, true_label = (cut_planes(plane[None].astype(np.float32), cut)[0]
                                  for plane in (truth.slope_deg, truth.labels))
        inside = cv2.erode((np.abs(true_label - solder) < 0.01).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        lit = inside & coloured & (true_slope > 8.0) & (true_slope < 33.0)
        off.append((degrees - true_slope)[lit])
        bare = cv2.erode((np.abs(true_label - land) < 0.01).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        flat.append(degrees[bare & coloured])
    error = np.concatenate(off)
    assert len(error) > 10_000
    assert np.median(np.abs(error)) < 3.0
    assert len(np.concatenate(flat)) > 1000
    assert np.median(np.concatenate(flat)) < 1.0, "bare land is shown flat"


def test_pits_and_projections_are_marked_where_they_were_measured(known):
    seen, marked = known.seen, {"pit": 0, "spike": 0}
    scale = seen.registration.to_picture.px_per_mm
    radiance = seen.capture.responses.sum(axis=0)
    for index, joint in enumerate(seen.joints):
        measured = known.parts[joint.name].measurements
        spots = find_spots(seen, known.traces, index, measured)
        assert (spots.pit is None) == (measured["pit_diameter_mm"] == 0.0), joint.name
        assert (spots.spike is None) == (measured["projection_mm"] == 0.0), joint.name
        if spots.pit is not None:
            assert spots.pit[2] == pytest.approx(measured["pit_diameter_mm"], abs=0.03)
            middle = seen.registration.to_picture.to_px((joint.x_mm + spots.pit[0], joint.y_mm + spots.pit[1])) - 0.5
            x, y = middle.round().astype(int)
            reach = round(0.5 * joint.land_w_mm * scale)
            around = np.median(radiance[y - reach:y + reach, x - reach:x + reach])
            assert radiance[y - 1:y + 2, x - 1:x + 2].mean() < 0.6 * around, joint.name
        if spots.spike is not None:
            foot, tip = np.array(spots.spike)
            assert np.hypot(*(tip - foot)) == pytest.approx(measured["projection_mm"], abs=0.05)
        marked["pit"] += spots.pit is not None
        marked["spike"] += spots.spike is not None
    assert min(marked.values()) >= 1, "the board was made to have both"


def test_the_traces_are_those_that_were_measured(known):
    """What is drawn as covered is what was measured as coverage, at every joint; balls are all there."""
    for index, joint in enumerate(known.seen.joints):
        result = known.parts[joint.name]
        degrees = known.traces.covered[index].sum() * 360.0 / AZIMUTHS
        assert degrees == pytest.approx(result.measurements["coverage_deg"])
    counted = sum(joint.measurements["ball_count"] for joint in known.inspection.joints)
    assert len(known.traces.balls.diameter_mm) == counted > 0
    assert len(find_traces(known.seen, balls=False).balls.diameter_mm) == 0


@pytest.mark.parametrize(("along", "across"), [(0.30, -0.20), (-0.10, 0.35), (0.9, 0.5)])
def test_a_shifted_chip_is_drawn_where_it_was_found(known, words, along, across):
    measured = {"shift_along_mm": along, "shift_across_mm": across, "turn_deg": 0.0}
    chip = replace(known.parts["R1"], measurements=known.parts["R1"].measurements | measured)
    picture = draw_zoom(known.seen, known.traces, known.inspection, chip, known.family, known.station, SHEET)
    panel = picture[102:452, 18:368].astype(int)
    half = 1.0 + 0.9 + max(math.hypot(along, across) - 0.5, 0.0)  # a chip of 2 mm, with room for the shift
    middles = {}
    for color in (FOUND.color, SKY):
        row, column = np.nonzero((np.abs(panel - color) < 12).all(axis=2))
        middles[color] = np.array([column.min() + column.max(), row.min() + row.max()]) / 2.0
    # Seen from the bottom, board x runs to the left; the chip lies along x.
    moved = (middles[FOUND.color] - middles[SKY]) * 2.0 * half / 350.0
    assert moved == pytest.approx([-along, -across], abs=0.06)
    assert any(each.startswith(f"along {along:+.2f} mm, across {across:+.2f} mm") for each in words)


def test_a_missing_chip_is_told(tmp_path, words):
    family, station = small_family(), small_station()
    _, files, inspection = board(tmp_path, station, family, planned={}, chips={1: ("chip_missing", 1.0)}, seed=3)
    paths = write_pictures(inspection, files, family, station, SHEET, zooms=tmp_path / "out", places=["C1"])
    assert [path.name for path in paths] == ["B7_C1_zoom.png"]
    assert "no chip was found here" in words


@pytest.mark.parametrize(("lights", "bits", "rotation"), [
    (TWO_LIGHTS, 8.0, 0.0), (FOUR_LIGHTS, 8.0, 30.0), (SIX_LIGHTS, 16.0, 90.0)],
                         ids=["two mono", "four", "six mono, 16 bit"])
def test_every_station_gets_its_sheets(tmp_path, words, lights, bits, rotation):
    station = small_station(lights=lights, cross_talk=None, mm_per_px=0.03, picture_px=(520, 520))
    family = replace(small_family(), views=(View("v1", (6.9, 4.2), rotation),))
    _, files, inspection = board(tmp_path, station, family, planned={0: ("partial_wetting", 1.0)},
                              recipe=quiet_recipe(camera__bits=bits))
    paths = write_pictures(inspection, files, family, station, SHEET, zooms=tmp_path / "out",
                           places=["J1.1", "J1.2", "J1.3", "R1"])
    assert len(paths) == 4
    for path in paths:
        picture = cv2.imread(str(path))
        assert picture.shape[1] == WIDTH
    for light in lights:
        assert any(each.startswith(f"{light.name} ") for each in words), light.name


def test_only_what_is_asked_for_is_written(known, tmp_path):
    paths = write_pictures(known.inspection, known.files, known.family, known.station, SHEET, zooms=tmp_path / "bad")
    wanted = [part.name for part in wanted_parts(known.inspection)]
    assert sorted(path.name for path in paths) == sorted(f"B7_{name}_zoom.png" for name in wanted)
    accepted = [name for name, part in known.parts.items() if part.verdict == "accept"]
    assert not set(accepted) & set(wanted)
    named = grade_board(known.files, known.family, known.station, SHEET, zooms=tmp_path / "named",
                        places=("J1.4", "C1"))
    assert named.verdict == known.inspection.verdict
    assert sorted(path.name for path in (tmp_path / "named").iterdir()) == ["B7_C1_zoom.png", "B7_J1.4_zoom.png"]


def test_views_at_hand_are_not_read_again(known, tmp_path):
    gone = BoardFiles("B7", {("v1", "a"): tmp_path / "no such picture.png"})
    paths = write_pictures(known.inspection, gone, known.family, known.station, SHEET, overlays=tmp_path / "o",
                           zooms=tmp_path / "z", places=["J1.1"], seen=[known.seen])
    assert [path.name for path in paths] == ["B7_v1_overlay.jpg", "B7_J1.1_zoom.png"]


def test_file_names_hold_no_path():
    assert zoom_file("B1", "J1.2") == "B1_J1.2_zoom.png"
    assert zoom_file("../B1", "J/1:2") == "..-B1_J-1-2_zoom.png"
