"""Lights out of balance: told by white print, borne out by solder, and set right before slopes are read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic_images.board import plan_board, render_view
from synthetic_images.demo import demo_family, demo_station
from tests.pipeline import drawn
from tests.pipeline.fillets.test_gaps import patches
from vision.pipeline import measure
from vision.pipeline.folder import BoardFiles
from vision.pipeline.light import balance
from vision.pipeline.light.balance import balanced, light_gains, strengths_by_solder
from vision.pipeline.light.optics import SLOPES_DEG, optics_of, predict
from vision.pipeline.light.printing import board_samples, print_response, white_board
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.unwrap import JointPatches

STATION = drawn.station()
OPTICS = optics_of(STATION)
UNEQUAL = np.array([0.7, 1.6, 0.9]) / np.cbrt(0.7 * 1.6 * 0.9)
EQUAL = np.ones(3)
TINTED = np.array([0.6, 1.2, 1.1])  # blue, green and red of yellow print
NOBODY = np.zeros((560, 700), dtype=np.uint16)


def solder(gains: NDArray[np.float64], flattest_deg: float = 2.0) -> JointPatches:
    """Joints of slopes up to 40 degrees, 5 % brighter and darker by joint, seen under lights so strong."""
    found, rng = patches(), np.random.default_rng(5)
    joints, _, azimuths, radii = found.responses.shape
    slope = np.interp(np.arange(radii), (0, radii), (40.0, flattest_deg))
    slope = slope + rng.normal(0.0, 2.0, (joints, azimuths, radii))
    answers = predict(STATION.lights, SLOPES_DEG, 0.10)
    seen = np.stack([np.interp(slope, SLOPES_DEG, answers[:, light]) for light in range(3)], axis=1)
    seen *= gains[:, None, None] * rng.normal(1.0, 0.05, joints)[:, None, None, None]
    return replace(found, responses=(seen + rng.normal(0.0, 0.01, seen.shape)).astype(np.float32))


def board(white: NDArray[np.float64] | None, together: bool = True, gloss: float = 0.0) -> Capture:
    """A dark green board, with lines of print 0.2 mm wide that answer so, or without; gloss mirrors the first light."""
    picture = np.empty((560, 700, 3), dtype=np.float32)
    picture[:] = (0.03 + gloss, 0.09, 0.04)
    if white is not None:
        for row in range(40, 500, 60):
            picture[row:row + 10, 100:600] = 0.6 * white
    picture += np.random.default_rng(2).normal(0.0, 0.01, picture.shape).astype(np.float32)
    return Capture("v1", np.moveaxis(picture, 2, 0), np.zeros((560, 700), dtype=np.uint8), (),
                   (picture,) if together else ())


def print_on(seen: Capture) -> NDArray[np.float64] | None:
    return print_response(board_samples(seen, NOBODY))


def white_of(seen: Capture) -> NDArray[np.float64] | None:
    return white_board(board_samples(seen, NOBODY))


@pytest.mark.parametrize("gains", [EQUAL, UNEQUAL, np.array([1.4, 1.0, 0.7])])
def test_solder_mirrors_as_much_light_however_steep_it_is(gains: NDArray[np.float64]) -> None:
    expected = gains / np.exp(np.mean(np.log(gains)))
    found, shown = strengths_by_solder(solder(gains), OPTICS, STATION.lights)
    assert shown.all()
    assert found == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize("gloss", [0.0, 0.2])
def test_print_tells_how_strong_the_lights_are(gloss: float) -> None:
    found = light_gains(print_on(board(UNEQUAL, gloss=gloss)), solder(UNEQUAL), OPTICS, STATION)
    assert found == pytest.approx(UNEQUAL, rel=0.03)


def white_mask(lights: NDArray[np.float64]) -> Capture:
    """A white board under lights so strong, with dark print on it."""
    picture = np.tile((0.6 * lights).astype(np.float32), (560, 700, 1))
    for row in range(40, 500, 60):
        picture[row:row + 10, 100:600] = 0.06
    picture += np.random.default_rng(2).normal(0.0, 0.01, picture.shape).astype(np.float32)
    return Capture("v1", np.moveaxis(picture, 2, 0), np.zeros((560, 700), dtype=np.uint8), (), (picture,))


def test_a_white_board_tells_it_where_print_is_dark() -> None:
    seen = white_mask(UNEQUAL)
    assert print_on(seen) is None
    assert light_gains(white_of(seen), solder(UNEQUAL), OPTICS, STATION) == pytest.approx(UNEQUAL, rel=0.03)
    assert light_gains(white_of(seen), solder(EQUAL), OPTICS, STATION) is None  # the mask is coloured
    assert light_gains(white_of(white_mask(EQUAL)), solder(EQUAL), OPTICS, STATION) is None
    assert white_of(board(UNEQUAL)) is None


@pytest.mark.parametrize(("lights", "cosine", "believed"), [(3, 0.75, False), (3, 0.85, True), (5, 0.75, True),
                                                            (5, 0.6, False)])
def test_of_many_lights_fewer_agree_by_chance(lights: int, cosine: float, believed: bool,
                                              monkeypatch: pytest.MonkeyPatch) -> None:
    """Solder need be less like print, by the cosine between both, where more than three lights are asked."""
    rng = np.random.default_rng(8)
    one, other = (part - part.mean() for part in rng.normal(0.0, 1.0, (2, lights)))
    one *= 0.7 / np.linalg.norm(one)
    other -= one * (other @ one) / (one @ one)
    other = one * cosine + other * np.sqrt(1.0 - cosine**2) * 0.7 / np.linalg.norm(other)
    monkeypatch.setattr(balance, "strengths_by_solder", lambda *_: (np.exp(other), np.ones(lights, dtype=bool)))
    found = light_gains(np.exp(one), solder(EQUAL), OPTICS, STATION)
    assert (found is not None) == believed


def test_solder_says_nothing_of_a_light_that_it_does_not_show() -> None:
    """No slope flatter than 15 degrees: of the light beside the lens print alone tells, the others bear it out."""
    steep = solder(UNEQUAL, flattest_deg=15.0)
    assert strengths_by_solder(steep, OPTICS, STATION.lights)[1].tolist() == [False, True, True]
    weak = np.array([0.4, 1.0, 1.0]) * UNEQUAL
    assert light_gains(print_on(board(weak)), steep, OPTICS, STATION) == pytest.approx(
        weak / np.exp(np.mean(np.log(weak))), rel=0.05)


@pytest.mark.parametrize(("white", "lights", "why"), [
    (None, UNEQUAL, "no print"), (EQUAL, EQUAL, "in balance"), (TINTED, EQUAL, "yellow print under equal lights"),
    (EQUAL, UNEQUAL, "print does not say so"), (0.15 * UNEQUAL, UNEQUAL, "no brighter than a board may be")])
def test_nothing_is_balanced_without_two_witnesses(white: Any, lights: NDArray[np.float64], why: str) -> None:
    assert light_gains(print_on(board(white)), solder(lights), OPTICS, STATION) is None, why


def test_flat_fields_have_the_say() -> None:
    lights = tuple(replace(light, flat_field=Path("white.png")) for light in STATION.lights)
    printed = print_on(board(UNEQUAL))
    assert light_gains(printed, solder(UNEQUAL), OPTICS, replace(STATION, lights=lights)) is None


@pytest.mark.parametrize("together", [True, False])
def test_a_balanced_capture_is_sampled_as_balanced(together: bool) -> None:
    seen = board(UNEQUAL, together)
    even = balanced(seen, UNEQUAL.astype(np.float32))
    x, y = np.full((1, 3), 300.0, np.float32), np.array([[30.0, 45.0, 105.0]], np.float32)
    assert even.sample(x, y) == pytest.approx(seen.sample(x, y) / UNEQUAL[:, None, None], rel=1e-5)
    assert even.responses == pytest.approx(seen.responses / UNEQUAL[:, None, None], rel=1e-5)


@pytest.mark.parametrize("weak", [0, 2])
def test_a_weak_light_costs_no_degrees_on_a_rendered_board(weak: int, tmp_path: Path,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    """A ring at half its strength: angles are as on the same board with all lights as they should be."""
    family, station = demo_family(1), demo_station()
    plan = plan_board(family, np.random.default_rng(31), defect_rate=0.0)
    whole = render_view(plan, family.views[0].name, station).pictures["a"]
    dimmed = whole.astype(np.float64)
    channel = {"blue": 0, "green": 1, "red": 2}[station.lights[weak].channel]
    dimmed[..., channel] = station.black_level + 0.5 * (dimmed[..., channel] - station.black_level)

    def angles(picture: NDArray[Any]) -> NDArray[np.float64]:
        path = tmp_path / "B1_v1_a.png"
        cv2.imwrite(str(path), np.round(np.clip(picture, 0.0, 255.0)).astype(np.uint8))
        files = BoardFiles("B1", {(family.views[0].name, "a"): path}, ())
        columns = measure.measure_board(files, replace(family, uncertainty=None), station).joints.columns
        return np.asarray(columns["wetting_angle_deg"], dtype=np.float64)

    expected = angles(whole)
    assert np.abs(angles(dimmed) - expected).mean() < 0.6
    monkeypatch.setattr(measure, "light_gains", lambda *_: None)
    assert np.abs(angles(dimmed) - expected).mean() > 1.4
