"""Colours and lines: which light has which, in pictures and on charts, and that nobody takes one mark for another."""

from __future__ import annotations

import numpy as np
import pytest

from models.vocabulary import VERDICTS
from tests.synthetic_images.small import FOUR_LIGHTS, SIX_LIGHTS, TWO_LIGHTS, small_station
from vision.pipeline.pictures.paper import VERDICT_BGR
from vision.pipeline.pictures.tones import (
    FURTHER_COLOURS,
    LIGHT_PATTERNS,
    TONE_COLOURS,
    light_lines,
    toned,
    tones_in_words,
)
from vision.pipeline.pictures.zoom_cut import GAP, MARKS
from vision.setup import Light
from vision.setup.station import light_bands


def test_pictures_and_charts_give_a_light_one_colour():
    """Each light alone: where its picture is brightest in one tone, its line on the chart has that colour."""
    bands = light_bands(small_station().lights)
    charts = dict(zip((0, 1, 2), TONE_COLOURS, strict=True))
    for number in range(3):
        responses = np.zeros((3, 4, 4), dtype=np.float32)
        responses[number] = 1.0
        tone = int(np.argmax(toned(responses, bands)[0, 0]))
        assert light_lines(bands)[number][0] == charts[tone]
        assert int(np.argmax(charts[tone])) == tone, "the chart's colour is a blue, a green or a red too"


def test_flat_is_blue_and_steep_is_red_in_whatever_order_the_station_has_its_lights():
    lights = small_station().lights
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
    two = light_bands(TWO_LIGHTS)
    assert (toned(flat, two)[0, 0] > 0).tolist() == [True, False, False]
    assert (toned(steep, two)[0, 0] > 0).tolist() == [False, False, True]
    assert len(set(toned(flat + steep, two)[0, 0].tolist())) == 1, "what both show alike is grey"
    assert tones_in_words(TWO_LIGHTS, two) == "blue steep, red grazing"
    assert [colour for colour, _ in light_lines(two)] == [TONE_COLOURS[0], TONE_COLOURS[2]]
    assert tones_in_words(FOUR_LIGHTS, light_bands(FOUR_LIGHTS)) == "blue near, green outer, red rim"
    six = light_lines(light_bands(SIX_LIGHTS))
    assert len(set(six)) == len({colour for colour, _ in six}) == 6
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
