"""Even faces of leads on radiances that are written down, not rendered."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from vision.pipeline.leads.brims import BAND_MM, FACE_MM, bands, change_of, edges_of
from vision.pipeline.leads.faces import (
    BEYOND_MM,
    Faces,
    even_faces,
    outline_kernels,
    outshining,
    rim_kernels,
    thin_rims,
)

SIDE, STEP_MM, RADIUS_MM = 64, 0.025, 0.3
AXIS = (np.arange(SIDE) - SIDE // 2) * STEP_MM
X, Y = np.meshgrid(AXIS, -AXIS)
AWAY = np.hypot(X, Y)
EDGE_MM = (AWAY - RADIUS_MM)[None]
STEPS = np.array([STEP_MM])
PARTS = [bands(EDGE_MM, *limits) for limits in ((-BAND_MM, BAND_MM), (-np.inf, FACE_MM), BEYOND_MM)]
ALLOWED = np.fft.ifftshift(AWAY <= 0.2)[None]
MATT = np.array([0.3, 0.4, 0.3], np.float32)  # what a matt face gives under each light
FACE = 0.7 * MATT
MIRROR = np.array([1.0, 0.0, 0.0])

Array = NDArray[np.float64]


def bands_of_light(*, first: float, second: float) -> Array:
    """Solder that mirrors one light after the other, from the middle out; each fades into the next."""
    shares = np.stack([1.0 / (1.0 + np.exp((AWAY - first) / 0.04)), np.zeros_like(AWAY), np.zeros_like(AWAY)])
    shares[1] = (1.0 - shares[0]) / (1.0 + np.exp((AWAY - second) / 0.04))
    shares[2] = 1.0 - shares[0] - shares[1]
    return shares


def end(outline_mm: Array, colour: Array, among: Array) -> Array:
    """A lead's end of one colour [light] among solder [light, row, column]."""
    return np.where(outline_mm < 0.0, colour[:, None, None], among)


def found(scene: Array, usual: float = 0.9) -> Faces:
    lights = np.stack([gaussian_filter(plane, 0.8) for plane in scene])[:, None].astype(np.float32)
    return even_faces(lights, change_of(lights, STEPS), outline_kernels(EDGE_MM, STEPS), ALLOWED, *PARTS, usual, MATT)


LIT = bands_of_light(first=0.1, second=0.5)
MOVED = np.hypot(X - 0.1, Y + 0.05) - RADIUS_MM


@pytest.mark.parametrize(("scene", "seen"), [
    (end(EDGE_MM[0], FACE, LIT), True),
    (end(EDGE_MM[0], FACE, np.full_like(LIT, 0.02)), True),  # solder all round too steep to be lit
    (LIT, False),  # a dome
    (bands_of_light(first=RADIUS_MM, second=0.6), False),  # whose first light reaches as far as a lead would
    (end(EDGE_MM[0], 0.1 * FACE, LIT), False),  # an open hole
    (end(EDGE_MM[0] - 0.12, FACE, LIT), False),  # a disc much larger than the lead
    (end(EDGE_MM[0], MIRROR, 0.3 * LIT[[1, 2, 0]]), False),  # a flat top that mirrors one light
    (end(EDGE_MM[0], FACE, np.repeat(0.98 * FACE[:, None, None], SIDE, axis=1).repeat(SIDE, axis=2)), False)])
def test_an_even_face_in_an_outline_as_drawn_is_a_lead(scene: Array, seen: bool) -> None:
    evidence = found(scene).evidence[0]
    assert (evidence > 0.8) if seen else (evidence == 0.0)


def test_it_is_found_wherever_it_stands() -> None:
    """Though the dark and the bright round it are on one side."""
    shaded = LIT * np.where(X < 0.0, 0.1, 1.0)
    faces = found(end(MOVED, FACE, shaded))
    assert faces.evidence[0] > 0.8
    assert (faces.column[0] * STEP_MM, -faces.row[0] * STEP_MM) == pytest.approx((0.1, -0.05), abs=STEP_MM)


def test_it_stands_nowhere_else_than_the_hole_lets_it() -> None:
    assert found(end(np.hypot(X - 0.4, Y) - RADIUS_MM, FACE, LIT)).evidence[0] == 0.0


def test_edges_are_as_sharp_as_the_views() -> None:
    """Where other ends' edges are far sharper, so soft an outline is none."""
    scene = end(EDGE_MM[0], FACE, LIT)
    assert found(scene, usual=3.0).evidence[0] == 0.0
    assert found(scene, usual=0.0).evidence[0] > 0.8  # nothing tells what is usual


def grain(seed: int) -> Array:
    """Frosty solder [light, row, column]: grains that lean to one light or the other, about half as strong as they can.

    All is lit alike, so neither brightness nor colour tells the end from it.
    """
    soft = gaussian_filter(np.random.default_rng(seed).standard_normal((SIDE, SIDE)), 1.0)
    first = 1.0 / (1.0 + np.exp((0.2 - 0.8 * soft / soft.std()) / 0.6))
    shares = np.stack([first, 0.7 * (1.0 - first), 0.3 * (1.0 - first)])
    return np.asarray(0.5 * shares + 0.5 * shares.mean(axis=(1, 2), keepdims=True), dtype=np.float64)


@pytest.mark.parametrize("seed", range(4))
def test_a_thin_rim_round_an_even_face_tells_among_grain(seed: int) -> None:
    """The face is as bright and of the same colour as the grain's mean; grain alone is no lead."""
    frosty = grain(seed)
    rim = 1.0 - 0.45 * np.exp(-(EDGE_MM[0] / 0.025) ** 2)
    assert found(end(EDGE_MM[0], frosty.mean(axis=(1, 2)), frosty) * rim).evidence[0] > 0.8
    assert found(frosty).evidence[0] == 0.0


RIMS = rim_kernels(EDGE_MM, STEPS)


def lined(scene: Array) -> Faces:
    lights = np.stack([gaussian_filter(plane, 0.8) for plane in scene])[:, None].astype(np.float32)
    return thin_rims(lights, change_of(lights, STEPS), RIMS, ALLOWED, PARTS[0], PARTS[1], 0.9, MATT)


def coarse_grain(seed: int) -> Array:
    """Frosty solder [light, row, column] whose grains are half as large as the end: edges lie everywhere."""
    soft = gaussian_filter(np.random.default_rng(seed).standard_normal((SIDE, SIDE)), 2.5)
    first = 1.0 / (1.0 + np.exp(-soft / soft.std()))
    return np.stack([0.6 * first, np.full_like(first, 0.3), 0.6 * (1.0 - first)])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("at_mm", [(0.0, 0.0), (0.1, -0.05)])
def test_a_thin_line_along_the_outline_tells_an_end(seed: int, at_mm: tuple[float, float]) -> None:
    """A bevel sends the low light up and takes the others: bright under the one, dark under the others."""
    edge = np.hypot(X - at_mm[0], Y - at_mm[1]) - RADIUS_MM
    line = np.exp(-(edge / 0.025) ** 2)
    scene = end(edge, np.array([0.3, 0.3, 0.3]), coarse_grain(seed))
    scene = np.stack([scene[0] * (1.0 - 0.7 * line), scene[1] * (1.0 - 0.7 * line), scene[2] + 0.3 * line])
    seen = lined(scene)
    assert seen.evidence[0] > 0.8
    assert (seen.column[0] * STEP_MM, -seen.row[0] * STEP_MM) == pytest.approx(at_mm, abs=STEP_MM)


@pytest.mark.parametrize("scene", [coarse_grain(0), coarse_grain(1), coarse_grain(2), LIT,
                                   bands_of_light(first=RADIUS_MM, second=0.6),
                                   bands_of_light(first=RADIUS_MM - 0.05, second=RADIUS_MM + 0.05),
                                   1.0 - 0.6 * np.exp(-(EDGE_MM / 0.1) ** 2) * FACE[:, None, None]])
def test_grain_and_domes_have_no_such_line(scene: Array) -> None:
    assert lined(scene).evidence[0] == 0.0


def test_what_changes_from_its_middle_to_its_brim_is_a_dome_with_a_line_round_it() -> None:
    """On the whole it gives what a matt face gives; evened out, with the same line round it, it is an end."""
    dome = 0.7 * (0.4 / 3.0 + 0.6 * bands_of_light(first=0.17, second=0.25))
    evened = end(EDGE_MM[0], dome[:, EDGE_MM[0] < 0.0].mean(axis=1), dome)
    line = 1.0 - 0.7 * np.exp(-(EDGE_MM / 0.025) ** 2)
    assert lined(evened * line).evidence[0] > 0.8
    assert lined(dome * line).evidence[0] == 0.0


def outshone(scene: Array) -> float:
    """How surely an end in the middle stands out of what is all round."""
    lights = np.stack([gaussian_filter(plane, 0.8) for plane in scene])[:, None].astype(np.float32)
    middle = np.zeros(1, dtype=np.int64)
    near, face, beyond = PARTS
    edges = edges_of(change_of(lights, STEPS), near, face, middle, middle)
    return float(outshining(lights, face, beyond, edges, 0.9, middle, middle)[0])


BEVELLED = np.where(AWAY < 0.18, MIRROR[:, None, None], np.array([0.1, 0.35, 0.4])[:, None, None])
DARK = np.full((3, SIDE, SIDE), 0.05)


def test_a_bevelled_end_stands_out_of_solder_too_steep_to_be_lit() -> None:
    """Flat in its middle, where it mirrors a high light, with a bevel that shows the others; and no rim round it."""
    assert outshone(np.where(EDGE_MM < 0.0, BEVELLED, DARK)) > 0.8


@pytest.mark.parametrize("scene", [
    np.where((EDGE_MM < 0.0) | (X > 0.0)[None], BEVELLED, DARK),  # solder that is lit on one side of it
    DARK + 1.2 * MIRROR[:, None, None] * np.clip(1.2 - AWAY / 0.4, 0.0, 1.0),  # a dome, which fades from its middle on
    bands_of_light(first=0.1, second=0.3)])
def test_solder_that_fades_or_is_lit_all_round_does_not_stand_out(scene: Array) -> None:
    assert outshone(scene) < 0.1
