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
from models.vocabulary import FINDING, VERDICTS
from synthetic_images.board import plan_board, render_view
from synthetic_images.canvas import LABELS
from tests.synthetic_images.small import quiet_recipe, small_family, small_station, write_views
from vision.pipeline.capture import load_view
from vision.pipeline.folder import BoardFiles
from vision.pipeline.grade import grade_board
from vision.pipeline.measure import see_view
from vision.pipeline.paper import SOLID, Paper, dashes, runs, text_width
from vision.pipeline.show import wanted_parts, write_pictures, zoom_file
from vision.pipeline.tones import FURTHER_COLOURS, LIGHT_PATTERNS, TONE_COLOURS, light_lines, toned, tones_in_words
from vision.pipeline.traces import find_spots, find_traces
from vision.pipeline.unwrap import AZIMUTHS
from vision.pipeline.zoom import CAUTION, WIDTH, draw_zoom
from vision.pipeline.zoom_charts import radial_profile
from vision.pipeline.zoom_cut import FOUND, GAP, MARKS, SKY, STEEPEST_DEG, cut_at, cut_planes, slope_picture
from vision.pipeline.zoom_table import limit_words, measured_words, rules_of
from vision.setup import Light, View
from vision.setup.station import light_bands

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


def test_pictures_and_charts_give_a_light_one_colour(known):
    """Each light alone: where its picture is brightest in one tone, its line on the chart has that colour."""
    bands = known.seen.optics.bands
    charts = dict(zip((0, 1, 2), TONE_COLOURS, strict=True))
    for number in range(3):
        responses = np.zeros((3, 4, 4), dtype=np.float32)
        responses[number] = 1.0
        tone = int(np.argmax(toned(responses, bands)[0, 0]))
        assert light_lines(bands)[number][0] == charts[tone]
        assert int(np.argmax(charts[tone])) == tone, "the chart's colour is a blue, a green or a red too"


def test_flat_is_blue_and_steep_is_red_in_whatever_order_the_station_has_its_lights(known):
    lights = known.station.lights
    responses = np.random.default_rng(4).uniform(0.0, 2.5, (3, 8, 8)).astype(np.float32)
    for order in ((0, 1, 2), (2, 0, 1), (1, 2, 0)):
        moved = tuple(lights[number] for number in order)
        bands = light_bands(moved)
        assert np.array_equal(toned(responses[list(order)], bands), toned(responses, light_bands(lights)))
        lines = dict(zip((light.name for light in moved), light_lines(bands), strict=True))
        assert [lines[name][0] for name in ("high", "middle", "low")] == list(TONE_COLOURS)
        assert [line[1] for line in lines.values()] == list(LIGHT_PATTERNS[:3])
        assert tones_in_words(moved, bands) == "blue high, green middle, red low"


def test_colours_of_stations_with_other_lights():
    flat, steep = np.zeros((2, 2, 2), dtype=np.float32), np.zeros((2, 2, 2), dtype=np.float32)
    flat[0], steep[1] = 1.0, 1.0
    two = light_bands(TWO)
    assert (toned(flat, two)[0, 0] > 0).tolist() == [True, False, False]
    assert (toned(steep, two)[0, 0] > 0).tolist() == [False, False, True]
    assert len(set(toned(flat + steep, two)[0, 0].tolist())) == 1, "what both show alike is grey"
    assert tones_in_words(TWO, two) == "blue steep, red grazing"
    assert [colour for colour, _ in light_lines(two)] == [TONE_COLOURS[0], TONE_COLOURS[2]]
    assert tones_in_words(FOUR, light_bands(FOUR)) == "blue near, green outer, red rim"
    assert len(set(light_lines(light_bands(SIX)))) == len({colour for colour, _ in light_lines(light_bands(SIX))}) == 6
    halves = tuple(Light(f"{name} {side}", f"{name}{side}", "mono", zenith, azimuth)
                   for name, zenith in (("flat", (10.0, 30.0)), ("steep", (50.0, 70.0)))
                   for side, azimuth in (("left", (90.0, 270.0)), ("right", (270.0, 450.0))))
    bands = light_bands(halves)
    for lit in (0, 1):
        responses = np.zeros((4, 2, 2), dtype=np.float32)
        responses[lit] = 1.0
        assert toned(responses, bands)[0, 0].tolist() == toned(flat, two)[0, 0].tolist(), "either side counts"
    assert tones_in_words(halves, bands) == "blue flat left/flat right, red steep left/steep right"
    assert len(set(light_lines(bands))) == 4
    alone = (halves[:2], light_bands(halves[:2]))
    assert len(set(toned(flat, alone[1])[0, 0].tolist())) == 1
    assert tones_in_words(*alone) == "grey flat left/flat right"


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
    assert limit_words(Condition("coverage_deg", below=270.0, guard=8.0)) == "below 270 deg, guard 8"
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


TWO = (Light("steep", "a", "mono", (10.0, 38.0)), Light("grazing", "b", "mono", (44.0, 78.0)))
FOUR = (Light("near", "a", "red", (8.0, 24.0)), Light("inner", "a", "green", (26.0, 42.0)),
        Light("outer", "a", "blue", (46.0, 60.0)), Light("rim", "b", "mono", (64.0, 82.0)))
SIX = tuple(Light(f"ring{n}", "abcdef"[n], "mono", (6.0 + 13.0 * n, 17.0 + 13.0 * n)) for n in range(6))


@pytest.mark.parametrize(("lights", "bits", "rotation"), [(TWO, 8.0, 0.0), (FOUR, 8.0, 30.0), (SIX, 16.0, 90.0)],
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


def test_dashes_have_their_lengths():
    line = np.array([(0.0, 0.0), (30.0, 0.0), (30.0, 40.0)])
    pieces = dashes(line, (10.0, 5.0))
    lengths = [np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces]
    assert lengths == pytest.approx([10.0] * 5)  # 70 px hold four whole turns of 15 px and a dash
    corner = np.array([(0.0, 0.0), (5.0, 0.0), (5.0, 5.0)])
    (bent,) = dashes(corner, (100.0, 5.0))
    assert (5.0, 0.0) in [tuple(point) for point in bent], "corners stay"
    assert dashes(line, SOLID)[0] is line


def test_runs_go_round():
    flags = np.zeros(AZIMUTHS, dtype=bool)
    flags[[0, 1, 178, 179, 50]] = True
    assert sorted(runs(flags)) == [(50, 50), (178, 181)]
    assert runs(np.ones(AZIMUTHS, dtype=bool)) == [(0, AZIMUTHS)]


def test_text_is_written_where_it_should_be():
    paper = Paper.blank(200, 60)
    paper.text(20, 40, "coverage 212 ± 4 deg", 16)
    paper.text(500, 40, "beyond the sheet")
    blank = Paper.blank(200, 60).canvas
    row, column = np.nonzero((paper.finished() != blank).any(axis=2))
    assert 18 <= column.min() <= 23
    assert column.max() == pytest.approx(20 + text_width("coverage 212 ± 4 deg", 16), abs=3)
    assert row.min() > 22
    assert row.max() <= 45


# How people without the green cone pigment see colours: G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, "A
# physiologically-based model for simulation of color vision deficiency", IEEE TVCG 15 (2009) 1291-1298, table of
# matrices for linear RGB at severity 1.0; deuteranomaly and protanomaly. From memory; that rows sum to one (white
# stays white) is checked below.
DEUTERANOPIA = np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                         [-0.011820, 0.042940, 0.968881]])
PROTANOPIA = np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                       [-0.003882, -0.048116, 1.051998]])


def seen_as(bgr: tuple[int, int, int], matrix: np.ndarray) -> np.ndarray:
    """CIE Lab of a colour as a colour-blind person sees it; scikit-image does the colour spaces."""
    from skimage.color import rgb2lab

    rgb = np.array(bgr[::-1]) / 255.0
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    light = np.clip(matrix @ linear, 0.0, 1.0)
    back = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return rgb2lab(back[None, None])[0, 0]


@pytest.mark.parametrize("matrix", [np.eye(3), DEUTERANOPIA, PROTANOPIA], ids=["all cones", "no green", "no red"])
def test_marks_stay_apart_for_colour_blind_people(matrix):
    """No two marks look alike: their colours differ, or their lines and signs do; most differ in both."""
    assert matrix.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=1e-5)
    for index, one in enumerate(MARKS):
        for other in MARKS[index + 1:]:
            apart = float(np.linalg.norm(seen_as(one.color, matrix) - seen_as(other.color, matrix)))
            # 2.3 is a just noticeable difference (Mahy, Van Eycken and Oosterlinck 1994; from memory).
            assert apart > 4 * 2.3 or (one.pattern, one.sign) != (other.pattern, other.sign), (one.words, other.words)
    from vision.pipeline.paper import VERDICT_BGR

    assert set(VERDICT_BGR) == set(VERDICTS)
    for group in ([mark.color for mark in MARKS if mark is not MARKS[-1]], [*TONE_COLOURS, *FURTHER_COLOURS],
                  list(VERDICT_BGR.values())):
        for index, one_color in enumerate(group):
            for other_color in group[index + 1:]:
                apart = float(np.linalg.norm(seen_as(one_color, matrix) - seen_as(other_color, matrix)))
                assert apart > 4 * 2.3, (one_color, other_color)


def test_lines_and_signs_tell_marks_without_any_colour():
    assert len({(mark.pattern, mark.thick, mark.sign) for mark in MARKS}) == len(MARKS)
    assert len(set(LIGHT_PATTERNS)) == len(LIGHT_PATTERNS) == 6
    assert GAP.thick > max(mark.thick for mark in MARKS if mark is not GAP)
