"""Lands duller than the fiducials, on responses of known make-up and on a board whose fiducials shine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic_images.board import plan_board, render_view
from tests.pipeline import drawn
from tests.pipeline.fillets.test_gaps import patches
from tests.synthetic_images.small import small_family, small_station
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.folder import BoardFiles
from vision.pipeline.light.optics import SLOPES_DEG, light_moment, optics_of, predict
from vision.pipeline.light.plateaus import dull_land
from vision.pipeline.measure import measure_board
from vision.pipeline.view.unwrap import AZIMUTHS, RING, RING_STEPS

SHINY, DULL, SOLDER = 0.10, 0.30, 0.14  # roughness of the fiducials, of a land after the wave, and of solder
TABLE = predict(drawn.LIGHTS, SLOPES_DEG, SOLDER)
FIDUCIAL, LAND = (predict(drawn.LIGHTS, np.zeros(1), roughness)[0].astype(np.float32) for roughness in (SHINY, DULL))


def seen(slope_deg: NDArray[np.float64], bare: NDArray[np.bool_], land: NDArray[np.float32] = LAND,
         alike: NDArray[np.bool_] | None = None) -> NDArray[np.float32] | None:
    """What dull_land finds where solder of these slopes and bare land [joint, azimuth, ring] lie, with some noise.

    Of the bare land, what is `alike` to the fiducials is known to be.
    """
    places, optics = patches(), optics_of(drawn.station())
    responses = np.full(places.responses.shape, 0.05, dtype=np.float32)
    for light in range(len(drawn.LIGHTS)):
        solder = np.interp(slope_deg, SLOPES_DEG, TABLE[:, light])
        responses[:, light, :, RING] = np.where(bare, land[light], solder)
    responses *= 1.0 + 0.02 * np.random.default_rng(3).standard_normal(responses.shape).astype(np.float32)
    responses = by_radius(responses)
    known = np.zeros(places.radius_mm.shape, dtype=bool)
    dark = known.copy()
    if alike is not None:
        known[:, :, RING] = alike
    return dull_land(responses, FIDUCIAL, dark, known, light_moment(responses, optics)[0], places, optics)


def fillets(lead_deg: float, toe_deg: float) -> NDArray[np.float64]:
    """Slopes [joint, azimuth, ring] that fall evenly from the lead to the toe."""
    shape = (len(patches().hole_mm), AZIMUTHS, RING_STEPS)
    return np.broadcast_to(np.linspace(lead_deg, toe_deg, RING_STEPS), shape)


def nowhere() -> NDArray[np.bool_]:
    return np.zeros((len(patches().hole_mm), AZIMUTHS, RING_STEPS), dtype=bool)


@pytest.mark.parametrize(("joint", "rays", "first"), [(0, 180, 0), (3, 180, 14), (5, 90, 0)])
def test_one_bare_land_tells_what_dull_land_gives(joint: int, rays: int, first: int) -> None:
    """A land without solder, one whose solder ends far inside its edge, and one with half its way round left bare."""
    bare = nowhere()
    bare[joint, :rays, first:] = True
    assert seen(fillets(50.0, 15.0), bare) == pytest.approx(LAND, rel=0.05, abs=0.02)


@pytest.mark.parametrize(("lead_deg", "toe_deg"), [(50.0, 5.0), (50.0, 12.0), (40.0, 20.0), (25.0, 8.0)])
def test_solder_is_no_land(lead_deg: float, toe_deg: float) -> None:
    assert seen(fillets(lead_deg, toe_deg), nowhere()) is None


def test_a_toe_of_even_slope_that_rises_to_the_lead_is_no_land() -> None:
    """Over half of the ring it has one slope, and no light changes at once where it gets steeper."""
    toe = np.concatenate([np.linspace(24.0, 12.0, RING_STEPS // 2), np.full(RING_STEPS // 2, 12.0)])
    shape = (len(patches().hole_mm), AZIMUTHS, RING_STEPS)
    assert seen(np.broadcast_to(toe, shape), nowhere()) is None


def test_a_little_bare_land_and_a_film_that_shines_say_nothing() -> None:
    """A small gap could be anything; a flat film of solder is even, too, but shinier than the fiducials."""
    gap = nowhere()
    gap[0, :12, 20:] = True
    assert seen(fillets(50.0, 15.0), gap) is None
    film = nowhere()
    film[0] = True
    assert seen(fillets(50.0, 15.0), film, FIDUCIAL * np.float32(1.5)) is None


def test_an_even_slope_is_no_land_for_it_gives_most_of_another_light() -> None:
    """A joint that is 20 degrees steep all over, or all round beside its land's edge, as where solder sags."""
    steep = fillets(50.0, 15.0).copy()
    steep[0] = 20.0
    steep[3, :, 14:] = 20.0
    assert seen(steep, nowhere()) is None


def test_where_wider_lands_are_like_the_fiducials_none_is_duller() -> None:
    """Half a land of another look beside a whole one that is known, and the other way round."""
    bare, known = nowhere(), nowhere()
    bare[0, :90] = True
    known[1] = True
    look = np.where(known | bare, 0.0, fillets(50.0, 15.0))
    assert seen(look, bare) is not None
    assert seen(look, bare, alike=known) is None
    bare[0], known[1] = True, False
    known[1, :70] = True
    assert seen(np.where(known | bare, 0.0, fillets(50.0, 15.0)), bare, alike=known) == pytest.approx(LAND, rel=0.05)


@pytest.mark.parametrize("low", [0.3, 0.0])
def test_lands_left_bare_are_seen_beside_fiducials_that_shine(tmp_path: Path, low: float) -> None:
    """The fiducials of a rendered board are made to mirror: a third of the light from the side, more from above.

    Or nothing at all of the lowest light, less even once the other channels' light is taken off it.
    """
    family, station = small_family(), small_station()
    plan = plan_board(family, np.random.default_rng(67), planned={1: ("no_solder", 1.0), 5: ("partial_wetting", 0.9)},
                      planned_chips={})
    view = render_view(plan, "v1", station, serial="B1")
    picture = view.pictures["a"].astype(np.float32)
    black = np.float32(station.black_level)
    for fiducial in family.fiducials:
        middle = view.board_to_px.to_px((fiducial.x_mm, fiducial.y_mm))
        disc = np.zeros(picture.shape[:2], dtype=np.uint8)
        cv2.circle(disc, (round(middle[0] - 0.5), round(middle[1] - 0.5)),
                   round(0.55 * fiducial.diameter_mm / station.mm_per_px), 1, -1)
        # Blue, green, red: the demo station's high, low and middle lights.
        factor = np.where(disc[:, :, None] == 1, np.array([1.5, low, 0.3], dtype=np.float32), np.float32(1.0))
        picture = black + (picture - black) * factor
    path = tmp_path / "B1_v1_a.png"
    assert cv2.imwrite(str(path), np.clip(np.round(picture), 0, 255).astype(np.uint8))
    table = measure_board(BoardFiles("B1", {("v1", "a"): path}), replace(family, uncertainty=None), station).joints
    names = [f"{ref}.{pin}" for ref, pin in zip(table.refs, table.pins, strict=True)]
    coverage = dict(zip(names, table.columns["coverage_deg"].tolist(), strict=True))
    truth = {f"{row.ref}.{row.pin}": row.values["coverage_deg"] for row in view.rows if "coverage_deg" in row.values}
    assert truth["J1.2"] == 0.0
    assert truth["J1.6"] < 110.0
    for name in ("J1.2", "J1.6"):
        assert coverage[name] == pytest.approx(truth[name], abs=25.0)
    for name in ("J1.1", "J1.3", "J1.4", "J1.5"):
        assert coverage[name] > 300.0
