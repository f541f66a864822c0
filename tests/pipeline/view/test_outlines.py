"""Work on many at once gives what work on one gives: outlines of lands, samples of all lights, set pixels."""

from typing import Literal

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from tests.pipeline import drawn
from vision.pipeline.defects.spheres import _set_pixels
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import land_outline
from vision.pipeline.view.outlines import land_outlines, lands_seen
from vision.setup import Joint, Similarity, nominal_view

RNG = np.random.default_rng(5)
PLACED = Similarity(np.array([[-49.0, 3.0], [3.0, 49.0]]), np.array([300.0, 120.0]))


def joint(shape: Literal["round", "oblong", "rect"], width: float, height: float, turn: float) -> Joint:
    """Return a joint with a land of some shape."""
    return Joint("J1", "1", 2.5, -1.0, shape, width, height, turn, 0.9, "round", 0.6, 0.6, "N1")


def test_outlines_of_many_lands_are_those_of_each() -> None:
    joints = [joint("round", 1.8, 1.8, 0.0), joint("oblong", 1.6, 2.6, 30.0), joint("rect", 2.0, 1.4, 75.0)]
    together = land_outlines(joints, PLACED, 0.1)
    assert together.shape == (3, 48, 2)
    for one, outline in zip(joints, together, strict=True):
        assert outline == pytest.approx(land_outline(one, PLACED, 0.1), abs=1e-9)


@pytest.mark.parametrize("together", [(), (1,), (2,), (3,), (4,), (4, 2)])
def test_samples_of_all_lights_are_linear_between_pixels(together: tuple[int, ...]) -> None:
    # Against SciPy's spline of first order; OpenCV rounds places to 1/32 px.
    lights = sum(together) or 2
    rows, columns = np.mgrid[0:40, 0:50]
    planes = np.stack([np.sin(0.05 * rows * (light + 1)) + 0.02 * columns for light in range(lights)])
    planes = planes.astype(np.float32)
    first = np.concatenate([[0], np.cumsum(together)]).astype(int)
    interleaved = tuple(np.ascontiguousarray(np.moveaxis(planes[start:start + count], 0, 2))
                        for start, count in zip(first, together, strict=False))
    capture = Capture("v1", planes, np.zeros((40, 50), dtype=np.uint8), (), interleaved)
    x, y = (RNG.integers(0, side * 32, (3, 7, 5)).astype(np.float32) / 32.0 for side in (49, 39))
    found = capture.sample(x, y)
    assert found.shape == (lights, 3, 7, 5)
    for plane, values in zip(planes, found, strict=True):
        assert values == pytest.approx(map_coordinates(plane, [y, x], order=1), abs=2e-3)


@pytest.mark.parametrize("shape", [(16, 32), (7, 13), (1, 3)])
def test_set_pixels_are_all_that_are_not_zero(shape: tuple[int, int]) -> None:
    mask = (RNG.random(shape) < 0.05).astype(np.uint8) * 255
    mask[-1, -1] = 255
    rows, columns = np.nonzero(mask)
    assert sorted(map(tuple, _set_pixels(mask).tolist())) == sorted(zip(columns.tolist(), rows.tolist(), strict=True))


def test_lands_on_a_board_as_light_as_solder_are_seen_by_their_colour() -> None:
    """A light mask is matt and sends back all lights alike; solder, as bright, sends back mostly one."""
    family, station = drawn.family(), drawn.station()
    there = nominal_view(family, family.views[0], station, drawn.SIZE)
    lights = [drawn.draw(family, there, mask=0.9, metal=metal, noise=0.02, seed=seed)
              for seed, metal in enumerate((0.9, 0.3, 0.15))]
    capture = Capture("v1", np.stack(lights), np.zeros(lights[0].shape, dtype=np.uint8), ())
    assert lands_seen(capture, family.joints, there) == 1.0
    elsewhere = Similarity(there.matrix, there.shift + np.array([1.3, 0.9]) * there.px_per_mm)
    assert lands_seen(capture, family.joints, elsewhere) < 0.4
