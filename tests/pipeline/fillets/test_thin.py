"""Whether and where solder ends on its land, on profiles of known make-up that are blurred as by a lens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from tests.pipeline import drawn
from tests.pipeline.fillets.test_gaps import patches, surface
from tests.pipeline.fillets.test_margins import BLUR_MM, BOARD, FINE_MM, solder
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.fillets.thin import SHELF_STEPS, Toes, _Across, _is_shelf, find_toes, thins_out
from vision.pipeline.light.optics import predict
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import AZIMUTHS, RING, RING_STEPS, JointPatches

ROUND = 0  # the first drawn land is round: all its rays are alike
LAND = predict(drawn.LIGHTS, np.zeros(1), 0.2)[0]  # of another roughness than the solder


def seen(slope_deg: NDArray[np.float64], radius_mm: NDArray[np.float64], toe_mm: float,
         grain: float = 0.0) -> tuple[JointPatches, Surface]:
    """A round land whose solder has these slopes up to a toe; beyond it flat land up to the edge, then board.

    `grain` is how much every sample of the solder's answers scatters, as a share.
    """
    places = patches()
    edge = float(places.land_edge_mm[ROUND, 0])
    course = np.where((radius_mm < toe_mm)[:, None], solder(slope_deg),
                      np.where((radius_mm < edge)[:, None], LAND, BOARD))
    soft = gaussian_filter1d(course, BLUR_MM / FINE_MM, axis=0, mode="nearest")
    ray = np.stack([np.interp(places.radius_mm[ROUND, 0], radius_mm, light) for light in soft.T])
    responses = np.broadcast_to(ray[None, :, None], places.responses.shape).astype(np.float32)
    on_solder = places.radius_mm[:, None] < toe_mm
    noise = np.random.default_rng(3).normal(0.0, 1.0, places.responses.shape)
    responses = (responses * (1.0 + noise * np.where(on_solder, grain, 0.004))).astype(np.float32)
    total = responses.sum(axis=1)
    slopes = np.array([light_slope(light) for light in drawn.LIGHTS], dtype=np.float32)
    moment = by_radius((responses * slopes[None, :, None, None]).sum(axis=1) / total)
    flat = np.zeros(places.radius_mm.shape, dtype=np.float32)
    found = replace(surface(flat, flat + 1.0), moment_deg=moment, lands_response=LAND[None].astype(np.float32),
                    land_scatter=0.006)
    return replace(places, responses=by_radius(responses)), found


def light_slope(light: object) -> float:
    return float(sum(light.zenith_deg) / 4.0)  # type: ignore[attr-defined]


def toes_of(places: JointPatches, found: Surface, seems_bare_mm: float) -> Toes:
    hole, edge = float(places.hole_mm[ROUND]), float(places.land_edge_mm[ROUND, 0])
    start = int(np.ceil((seems_bare_mm - hole) / (edge - hole) * RING_STEPS))
    bare_from = np.full((len(places.hole_mm), AZIMUTHS), RING_STEPS)
    bare_from[ROUND] = start
    return find_toes(places, found, bare_from)


@pytest.mark.parametrize("toe_deg", [16.0, 22.0, 30.0])
@pytest.mark.parametrize("bare_mm", [0.13, 0.163, 0.2])
def test_a_toe_lies_where_half_the_light_is_solders(bare_mm: float, toe_deg: float) -> None:
    """The land looks bare only 0.025 mm beyond the toe; the toe itself is found within 0.006 mm, a third of a pixel."""
    places = patches()
    hole, edge = float(places.hole_mm[ROUND]), float(places.land_edge_mm[ROUND, 0])
    radius = np.arange(0.2, edge + 0.5, FINE_MM)
    toe = edge - bare_mm
    shown, found = seen(toe_deg + 40.0 * np.maximum(toe - radius, 0.0), radius, toe)
    toes = toes_of(shown, found, toe + 0.025)
    assert not (toes.ends[ROUND] == RING_STEPS).any()
    at = hole + (toes.ends[ROUND] - toes.back[ROUND]) * (edge - hole) / RING_STEPS
    assert at.mean() == pytest.approx(toe, abs=0.006)
    assert (toes.ends[1:] == RING_STEPS).all() and not toes.back[1:].any()


@pytest.mark.parametrize("grain", [0.004, 0.05])
def test_solder_that_thins_out_has_no_toe(grain: float) -> None:
    """Slopes fall smoothly to 2 degrees at the land's edge: nothing ends where land seems to begin."""
    places = patches()
    hole, edge = float(places.hole_mm[ROUND]), float(places.land_edge_mm[ROUND, 0])
    radius = np.arange(0.2, edge + 0.5, FINE_MM)
    share = np.clip((radius - hole) / (edge - hole), 0.0, 1.0)
    shown, found = seen(24.0 * (1.0 - share) ** 2 + 2.0, radius, edge, grain)
    toes = toes_of(shown, found, hole + 0.55 * (edge - hole))
    assert (toes.ends[ROUND] == RING_STEPS).all()
    assert not toes.back[ROUND].any()


def test_land_as_flat_and_even_as_the_fiducials_is_bare() -> None:
    """Even where no step shows, because solder just inside answers much as land does."""
    edge = float(patches().land_edge_mm[ROUND, 0])
    radius = np.arange(0.2, edge + 0.5, FINE_MM)
    toe = edge - 0.2
    shown, found = seen(np.full(radius.shape, 1.0), radius, toe)
    flat = replace(shown, responses=np.where(shown.radius_mm[:, None] < toe, shown.responses,
                                             LAND[None, :, None, None]).astype(np.float32))
    toes = toes_of(flat, replace(found, moment_deg=np.full_like(found.moment_deg, 10.0)), toe + 0.025)
    assert (toes.ends[ROUND] < RING_STEPS).all()


def test_what_lies_behind_solder_too_steep_to_be_lit_is_land() -> None:
    """Land unlike the fiducials beside a ball's dark brim: solder ends there, whatever the land answers."""
    places = patches()
    hole, edge = float(places.hole_mm[ROUND]), float(places.land_edge_mm[ROUND, 0])
    radius = np.arange(0.2, edge + 0.5, FINE_MM)
    share = np.clip((radius - hole) / (edge - hole), 0.0, 1.0)
    shown, found = seen(24.0 * (1.0 - share) ** 2 + 2.0, radius, edge)
    seems_bare = hole + 0.55 * (edge - hole)
    dark = (places.radius_mm > seems_bare - 0.08) & (places.radius_mm < seems_bare - 0.02)
    toes = toes_of(shown, replace(found, dark=by_radius(dark)), seems_bare)
    assert (toes.ends[ROUND] < RING_STEPS).all()


def flattened(inside_deg: float) -> tuple[JointPatches, Surface]:
    """Solder all over the land, so steep within 14 steps of the ring and 3.5 degrees beyond them."""
    places = patches()
    hole, edge = float(places.hole_mm[ROUND]), float(places.land_edge_mm[ROUND, 0])
    radius = np.arange(0.3, 1.3, FINE_MM)
    begins = hole + (edge - hole) * 14 / RING_STEPS
    return seen(np.where(radius < begins, inside_deg, 3.5), radius, toe_mm=9.0)


@pytest.mark.parametrize("ragged_steps", [0, 4])
def test_what_seems_a_toe_and_is_a_ragged_line_is_none(ragged_steps: int) -> None:
    """Solder that flattens until it is nearly as flat as land, and as even; where it does jumps from ray to ray."""
    places, found = flattened(12.0)
    bare_from = np.full((len(places.hole_mm), AZIMUTHS), RING_STEPS)
    jumps = np.random.default_rng(8).integers(-ragged_steps, ragged_steps + 1, AZIMUTHS)
    bare_from[ROUND] = 14 + jumps
    assert (find_toes(places, found, bare_from).ends[ROUND] == RING_STEPS).all() == (ragged_steps > 0)


@pytest.mark.parametrize(("inside_deg", "gap_rays", "runs_on"), [(5.0, 0, True), (5.0, 40, False), (12.0, 0, False)])
def test_where_light_hardly_changes_there_is_no_toe(inside_deg: float, gap_rays: int, runs_on: bool) -> None:
    """Solder of 3.5 degrees answers a little otherwise than land; but what lies beside a gap is land as a rule."""
    places, found = flattened(inside_deg)
    bare_from = np.full((len(places.hole_mm), AZIMUTHS), RING_STEPS)
    bare_from[ROUND] = 14
    bare_from[ROUND, :gap_rays] = 0
    assert (find_toes(places, found, bare_from).ends[ROUND, gap_rays:] == RING_STEPS).all() == runs_on


@pytest.mark.parametrize(("first", "thins"), [(5, False), (14, True)])
def test_land_bare_from_the_hole_on_is_a_gap_however_it_seems_to_slope(first: int, thins: bool) -> None:
    """Half the land is bare, and its mean slope falls a little outward, as if a neighbour shone on it."""
    places = patches()
    moment = (14.0 - 3.0 * (places.radius_mm - places.hole_mm[:, None, None])).astype(np.float32)
    flat = np.zeros(places.radius_mm.shape, dtype=np.float32)
    found = replace(surface(flat, flat + 1.0), moment_deg=by_radius(moment))
    ends = np.full((len(places.hole_mm), AZIMUTHS), RING_STEPS)
    ends[ROUND, :AZIMUTHS // 2] = first
    assert thins_out(places, found, ends)[ROUND] == thins


def test_solder_that_ends_at_a_sharp_toe_does_not_thin_out_though_land_seems_to_slope() -> None:
    """A steep toe in the middle of the land; beyond it a neighbour's shine makes the land's mean slope rise outward."""
    places = patches()
    hole, edge = float(places.hole_mm[ROUND]), float(places.land_edge_mm[ROUND, 0])
    radius = np.arange(0.2, edge + 0.5, FINE_MM)
    toe = hole + 0.35 * (edge - hole)
    shown, found = seen(np.full(radius.shape, 34.0), radius, toe)
    rising = found.moment_deg + np.where(places.radius_mm > toe, 8.0 * (places.radius_mm - toe), 0.0)
    risen = replace(found, moment_deg=by_radius(rising.astype(np.float32)))
    start = np.full((len(places.hole_mm), AZIMUTHS), RING_STEPS)
    start[ROUND] = int(np.ceil((toe + 0.02 - hole) / (edge - hole) * RING_STEPS))
    assert thins_out(shown, risen, start)[ROUND]
    assert (find_toes(shown, risen, start).ends[ROUND] < RING_STEPS).all()


@pytest.mark.parametrize("level_steps", [SHELF_STEPS, SHELF_STEPS - 1])
def test_a_shelf_is_a_drop_and_a_level_stretch_that_answers_as_land_does(level_steps: int) -> None:
    """Radiance drops over five samples to a level stretch, wherever along the ring each ray has it.

    On the first of six joints all rays have one, on the second too few of them. On the others something is missing: the
    drop, because radiance fades up to the edge; land's own answers; level slopes; and rays that look bare there.
    """
    places, shape = patches(), patches().radius_mm.shape
    begins = 11 + np.arange(AZIMUTHS) % 15  # of the level stretch, in samples of the ring
    off = np.arange(RING_STEPS) - begins[:, None]
    course = np.where(off < 0, 0.8 - 0.14 * np.maximum(off, -5), 0.8 + 0.06 * np.maximum(off - level_steps + 1, 0))
    radiance, moment = np.full(shape, 2.0), np.full(shape, 10.0)
    radiance[:, :, RING] = course
    radiance[1, : int(0.6 * AZIMUTHS), RING] = 1.0
    radiance[2, :, RING] = 2.0 - 0.03 * np.arange(RING_STEPS)
    moment[4, :, RING] = 10.0 + 0.3 * np.arange(RING_STEPS)
    responses = np.broadcast_to(LAND[None, :, None, None], places.responses.shape).astype(np.float32)
    responses[3] *= 1.5
    seems_bare = np.full(places.land_edge_mm.shape, 9)
    seems_bare[5] = 29
    flat = np.zeros(shape, dtype=np.float32)
    found = replace(surface(flat, flat + 1.0), radiance=by_radius(radiance.astype(np.float32)),
                    moment_deg=by_radius(moment.astype(np.float32)), lands_response=LAND[None].astype(np.float32))
    look = _Across.of(replace(places, responses=by_radius(responses)), seems_bare, np.arange(6))
    assert look is not None and look.joint.tolist() == list(range(6))
    assert _is_shelf(found, look).tolist() == [level_steps == SHELF_STEPS, *[False] * 5]
