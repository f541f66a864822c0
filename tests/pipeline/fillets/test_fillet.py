"""Where a fillet ends, on surfaces that are written down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.pipeline.fillets.test_gaps import patches, surface
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.fillets.fillet import _toe_angle, bare_from, behind_brim
from vision.pipeline.fillets.thin import thins_out
from vision.pipeline.view.unwrap import AZIMUTHS, HOLE_STEPS, RING, RING_STEPS


def test_solder_that_flattens_outward_thins_out_but_not_behind_something_steep() -> None:
    """The same gentle fall of the lights' mean slope, by 2 degrees towards the land's edge, on three joints.

    On the first it follows a fillet that is lit all the way, so it is solder that has become nearly flat. On the second
    it begins behind solder too steep to be lit: a ball's brim, and land that lies partly in its shade. On the third
    nothing falls at all: bare land.
    """
    places = patches()
    toe = 14
    ring = np.clip((np.arange(RING_STEPS) - toe) / (RING_STEPS - toe), 0.0, 1.0)
    slope = np.full(places.radius_mm.shape, 25.0, dtype=np.float32)
    energy = np.ones(places.radius_mm.shape, dtype=np.float32)
    beyond = slice(HOLE_STEPS + toe, HOLE_STEPS + RING_STEPS)
    slope[:, :, beyond] = 11.0 - 2.0 * ring[toe:]
    slope[2, :, beyond] = 10.0
    energy[1, :, HOLE_STEPS + 6:HOLE_STEPS + toe] = 0.3
    ends = np.full((len(slope), AZIMUTHS), toe)
    found = thins_out(places, surface(slope, energy), ends)
    assert found[0] and not found[1] and not found[2]


def test_whether_solder_thins_out_hangs_on_no_other_joint() -> None:
    """Six joints of all kinds of ends: looked at together they are what each is among joints covered to the edge."""
    places = patches()
    rng = np.random.default_rng(4)
    shape = places.radius_mm.shape
    slope = (20.0 - 12.0 * np.linspace(0.0, 1.0, shape[2]) + rng.normal(0.0, 0.1, shape)).astype(np.float32)
    slope[4] = slope[4, :, RING.start + 20, None]  # level
    ends = np.full(places.land_edge_mm.shape, 14)
    ends[1, 10:] = RING_STEPS  # bare in too few directions
    ends[2, 30:] = 3  # bare from the hole on: a gap
    ends[5] = RING_STEPS
    energy = np.ones(shape, dtype=np.float32)
    energy[3, :, RING.start + 8:RING.start + 14] = 0.3  # behind something steep
    seen = surface(slope, energy)
    found = thins_out(places, seen, ends)
    assert found.tolist() == [True, False, False, False, False, False]
    for joint in range(len(ends)):
        alone = np.full_like(ends, RING_STEPS)
        alone[joint] = ends[joint]
        assert (thins_out(places, seen, alone) == (found & (np.arange(len(ends)) == joint))).all()


@pytest.mark.parametrize("soft, bare, expected", [(2, 4, 30), (4, 4, 28), (5, 4, RING_STEPS), (2, 1, RING_STEPS)])
def test_land_is_bare_up_to_a_soft_edge(soft: int, bare: int, expected: int) -> None:
    """The outermost samples of a land answer as nothing at all: two always, two more where its edge is soft.

    What is bare further in is no margin, and a single sample may be solder that happens to look like land.
    """
    flags = np.zeros(patches().radius_mm.shape, dtype=bool)
    flags[:, :, RING.stop - soft - bare:RING.stop - soft] = True
    flat = np.zeros(flags.shape, dtype=np.float32)
    seen = replace(surface(flat, flat + 1.0), bare=by_radius(flags))
    assert (bare_from(seen) == expected).all()


@pytest.mark.parametrize(("behind_deg", "dark_to", "expected"), [(6.0, 20, 20), (22.0, 20, RING_STEPS),
                                                                 (6.0, RING_STEPS - 4, RING_STEPS)])
def test_what_is_flat_at_once_behind_a_balls_dark_brim_is_land(behind_deg: float, dark_to: int, expected: int) -> None:
    """A fillet comes out of the dark at the steepest slope that is lit. A rim of a few samples may be blur."""
    shape = patches().radius_mm.shape
    slope, energy = np.full(shape, behind_deg, dtype=np.float32), np.ones(shape, dtype=np.float32)
    energy[:, :, RING.start + 12:RING.start + dark_to] = 0.1
    assert (behind_brim(patches(), surface(slope, energy)) == expected).all()


@pytest.mark.parametrize(("blurred", "edge_deg", "is_land"), [(0, 20.0, True), (1, 20.0, True), (0, 40.0, False),
                                                              (8, 20.0, False)])
def test_land_behind_a_dark_brim_may_be_domed_by_its_tin(blurred: int, edge_deg: float, is_land: bool) -> None:
    """Level behind the brim, or a sample later where blur mixes both, then falling off to its edge, but no steeper
    than a land is; solder that gets flat by degrees is none.
    """
    places = patches()
    slope, energy = np.full(places.radius_mm.shape, 7.0, dtype=np.float32), np.ones(places.radius_mm.shape, np.float32)
    slope[:, :, RING.start + 20:RING.stop] = np.linspace(7.0, edge_deg, 16, dtype=np.float32)
    energy[:, :, RING.start + 4:RING.start + 12] = 0.1
    slope[:, :, RING.start + 12:RING.start + 12 + blurred] = 24.0
    found = behind_brim(places, surface(slope, energy))
    assert (found == (12 if is_land else RING_STEPS)).all()


@pytest.mark.parametrize(("brim_deg", "edge", "is_land"), [(30.0, 4, True), (24.0, 4, True), (24.0, 12, False)])
def test_what_blur_mixes_at_the_brim_and_at_the_lands_edge_may_be_of_any_slope(brim_deg: float, edge: int,
                                                                              is_land: bool) -> None:
    """The first sample behind the brim, and the outermost of a land whose rim is raised: two pixels of the picture."""
    places = patches()
    slope, energy = np.full(places.radius_mm.shape, 7.0, dtype=np.float32), np.ones(places.radius_mm.shape, np.float32)
    energy[:, :, RING.start + 4:RING.start + 12] = 0.1
    slope[:, :, RING.start + 12] = brim_deg
    slope[:, :, RING.stop - edge:RING.stop] = 34.0
    coarse = replace(places, land_edge_mm=places.hole_mm[:, None] + np.full(slope.shape[:2], 0.4, np.float32))
    assert (behind_brim(coarse, surface(slope, energy)) == (12 if is_land else RING_STEPS)).all()


@pytest.mark.parametrize(("inside_deg", "is_land"), [(34.0, True), (17.0, False)])
def test_dark_between_solder_as_steep_on_both_sides_is_no_brim(inside_deg: float, is_land: bool) -> None:
    """Dull solder of one slope may answer all lights as a light board does: only before a brim it gets steep."""
    shape = patches().radius_mm.shape
    slope, energy = np.full(shape, 12.0, dtype=np.float32), np.ones(shape, dtype=np.float32)
    slope[:, :, :RING.start + 8] = inside_deg
    energy[:, :, RING.start + 8:RING.start + 12] = 0.1
    found = behind_brim(patches(), surface(slope, energy))
    assert (found == (12 if is_land else RING_STEPS)).all()


@pytest.mark.parametrize(("px_mm", "dark_from", "angle_deg"), [
    (0.03, RING_STEPS - 5, 15.0),  # two pixels of blur
    (0.01, RING_STEPS - 5, 55.0),  # as much dark in a fine picture: steep solder
    (0.03, RING_STEPS - 9, 55.0)])
def test_a_lands_edge_that_blur_makes_dark_is_no_steep_toe(px_mm: float, dark_from: int, angle_deg: float) -> None:
    places = patches()
    shape = places.radius_mm.shape
    slope, energy = np.full(shape, 15.0, dtype=np.float32), np.ones(shape, dtype=np.float32)
    energy[:, :, RING.start + dark_from:] = 0.2
    # The ring's samples lie 0.0145 mm apart.
    coarse = replace(places, ray_px=places.ray_px * np.float32(places.px_mm / px_mm),
                     land_edge_mm=places.hole_mm[:, None] + np.full(shape[:2], 0.522, np.float32))
    unknown = np.full(shape[0], np.nan)
    found = _toe_angle(coarse, surface(slope, energy), np.ones(shape[:2], dtype=bool),
                       np.full(shape[:2], RING_STEPS), unknown, unknown, np.full(shape[0], 0.9))
    assert found == pytest.approx(np.full(shape[0], angle_deg))
