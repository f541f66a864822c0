"""Stations unlike the usual one: sectors and bars, two lights, lens and lights at a finite distance.

The pictures are rendered, and the truth is that of the surface that was drawn; the renderer shares no code with what is
tested here.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.errors import MeniscopeError
from synthetic_images.board import plan_board, render_view
from synthetic_images.demo import demo_family
from synthetic_images.light import METALS, ROUGHNESS, light_tables, node_slopes
from tests.synthetic_images.small import quiet_recipe, small_family, small_station
from vision.pipeline.defects.pits import find_pits
from vision.pipeline.fillets.gaps import USUAL_FROM, _usual_darkness
from vision.pipeline.folder import BoardFiles
from vision.pipeline.leads.lead import USUAL_END_MM, Leads, _end_height
from vision.pipeline.light.grids import FineGrid, Owners
from vision.pipeline.light.lights import drowned_light
from vision.pipeline.light.optics import SECTORS, optics_of, slope_from_responses
from vision.pipeline.measure import measure_board
from vision.pipeline.view.capture import PictureError
from vision.pipeline.view.unwrap import RING
from vision.setup import Light, Station
from vision.setup.station import light_bands

RINGS = (Light("lens", "a", "green", (6.0, 20.0)), Light("middle", "a", "red", (24.0, 42.0)))
BARS = tuple(Light(name, "b", channel, (42.0, 68.0), (turn - 55.0, turn + 55.0))
             for name, channel, turn in (("east", "red", 0.0), ("north", "green", 90.0), ("west", "blue", 180.0)))


def bars(**changes: object) -> Station:
    return replace(small_station(), **({"name": "bars", "lights": (*RINGS, *BARS), "cross_talk": None} | changes))


def near(**changes: object) -> Station:
    lights = tuple(replace(light, distance_mm=70.0) for light in small_station().lights)
    return small_station(**({"name": "near", "lights": lights, "working_distance_mm": 80.0} | changes))


def measured(folder, station, planned=None, boards=2, seed=626):
    """Pairs of true and measured values of every joint of some rendered boards."""
    pairs = []
    for number in range(boards):
        plan = plan_board(small_family(), np.random.default_rng([seed, number]), planned=planned or {},
                          planned_chips={})
        view = render_view(plan, "v1", station, serial="B1")
        pictures = {}
        for exposure, picture in view.pictures.items():
            pictures["v1", exposure] = folder / f"{station.name}{number}_{exposure}.png"
            assert cv2.imwrite(str(pictures["v1", exposure]), picture)
        found = measure_board(BoardFiles("B1", pictures), small_family(), station).joints
        true = {(row.ref, row.pin): row.values for row in view.rows}
        pairs += [(true[ref, pin], {name: values[row] for name, values in found.columns.items()})
                  for row, (ref, pin) in enumerate(zip(found.refs, found.pins, strict=True))]
    return pairs


def off(pairs, name):
    both = np.array([(true.get(name, np.nan), seen[name]) for true, seen in pairs])
    return (both[:, 1] - both[:, 0])[np.isfinite(both).all(axis=1)]


def test_lights_of_one_zenith_band_are_one_band():
    assert light_bands((*RINGS, *BARS)) == ((0,), (1,), (2, 3, 4))
    assert light_bands(small_station().lights) == ((0,), (1,), (2,))
    assert light_bands(tuple(reversed(small_station().lights))) == ((2,), (1,), (0,))


@pytest.mark.parametrize("towards_deg", [0.0, 90.0, 180.0, 270.0])
def test_slope_under_bars_is_told_for_the_direction_it_falls(towards_deg):
    """Against the renderer's own integration over zenith and azimuth: SAC solder, roughness 0.14.

    A bar over 110 degrees either lights a direction as fully as a ring, or not at all.
    """
    station = bars()
    optics, nodes = optics_of(station), np.rad2deg(node_slopes())
    rough = int(np.argmin(np.abs(np.asarray(ROUGHNESS) - 0.14)))
    table = light_tables(station.lights).specular[min(1, len(METALS) - 1), rough]  # [azimuth, node, light]
    lit = 18.0 if towards_deg == 270.0 else 30.0
    chosen = (nodes > 9.0) & (nodes < lit)
    responses = table[round(towards_deg / 360.0 * len(table)) % len(table), chosen]
    sector = np.full(chosen.sum(), int(towards_deg / 360.0 * SECTORS) % SECTORS, dtype=np.uint8)
    found, _ = slope_from_responses(np.ascontiguousarray(responses, dtype=np.float32), optics,
                                    float(ROUGHNESS[rough]), sector)
    assert np.abs(found - nodes[chosen]).max() < 3.0


def test_good_joints_under_bars_are_covered(tmp_path):
    """Bars on three sides; on the fourth nothing steep is lit, and a fillet's dark zone is no gap for that."""
    pairs = measured(tmp_path, bars(), boards=4)
    assert min(true["coverage_deg"] for true, _ in pairs) > 320.0
    assert np.abs(off(pairs, "coverage_deg")).mean() < 8.0
    for name in ("pit_diameter_mm", "projection_mm"):  # what is dark or seems to jump there is neither
        clean = [seen[name] for true, seen in pairs if true[name] == 0.0]
        assert sum(value > 0.0 for value in clean) <= 1
    assert np.abs(off(pairs, "wetting_angle_deg")).mean() < 6.0


def test_offset_of_a_raised_lead_is_its_own_under_a_near_lens(tmp_path):
    """A lead's end 1 mm up and 7 mm off the axis of a lens 80 mm away seems 0.09 mm further out (intercept theorem)."""
    pairs = measured(tmp_path, near(), boards=3)
    far = measured(tmp_path, small_station(), boards=3)
    assert [true["lead_offset_mm"] for true, _ in pairs] == pytest.approx(
        [true["lead_offset_mm"] for true, _ in far], abs=0.03)
    assert np.abs(off(pairs, "lead_offset_mm")).mean() < 0.05


def test_height_of_lead_ends_from_their_slant():
    """Closed form: offset = height * slant; without slant the usual height stands."""
    rng = np.random.default_rng(5)
    slant = rng.uniform(-0.12, 0.12, (60, 2))
    own = rng.normal(0.0, 0.03, slant.shape)
    assert _end_height(1.4 * slant + own, slant) == pytest.approx(1.4, abs=0.1)
    assert _end_height(own, 0.0 * slant) == USUAL_END_MM
    assert _end_height(np.zeros((0, 2)), np.zeros((0, 2))) == USUAL_END_MM


def test_what_bare_lands_answer_off_the_middle_of_a_near_station(tmp_path):
    """Flat lands there answer as if tilted by up to 7 degrees; the fiducials lie in the corners, tilted most."""
    family = demo_family(0)
    station = near(mm_per_px=0.03, picture_px=None, working_distance_mm=130.0)
    bare = dict.fromkeys(range(len(family.joints)), ("no_solder", 1.0))
    ratios = []
    for number in range(2):
        plan = plan_board(family, np.random.default_rng([627, number]), planned=bare, planned_chips={})
        path, kept = tmp_path / f"B{number}.png", []
        assert cv2.imwrite(str(path), render_view(plan, "v1", station).pictures["a"])
        measure_board(BoardFiles("B1", {("v1", "a"): path}), family, station, kept)
        surface = kept[0].surface
        answers = np.median(kept[0].patches.responses[:, :, :, RING.start + 10:RING.stop - 6], axis=(2, 3))
        ratios += [np.abs(np.log(answers / land)).mean() for land in (surface.land_response, surface.lands_response)]
    plain, carried_over = np.array(ratios).reshape(-1, 2).T
    assert (carried_over < 0.8 * plain).all()


def test_small_balls_on_a_light_board_are_found_though_blur_fills_their_rims(tmp_path):
    """A ball of 14 pixels on a mask as bright as lit solder; balls on this board are 0.25 to 0.35 mm large."""
    family, station = demo_family(2), replace(small_station(), mm_per_px=0.025, picture_px=None)
    plan = plan_board(family, np.random.default_rng([5202, 1]), defect_rate=0.25)
    view, path = render_view(plan, "v1", station), tmp_path / "B1.png"
    assert cv2.imwrite(str(path), view.pictures["a"])
    found = measure_board(BoardFiles("B1", {("v1", "a"): path}), family, station).joints
    true = {(row.ref, row.pin): row.values["ball_diameter_mm"] for row in view.rows if row.pin}
    diameter = np.array([true[key] for key in zip(found.refs, found.pins, strict=True)])
    assert (diameter >= 0.25).sum() == 3
    assert (found.columns["ball_diameter_mm"] > 0.0).tolist() == (diameter > 0.0).tolist()


def test_land_cover_is_the_same_at_every_scale(tmp_path):
    """Narrow margins left bare along the land's edge, 14 % of it: a pixel of 0.067 mm must not hide them."""
    bias = []
    for px_per_mm in (50.0, 15.0):
        station, errors = small_station(mm_per_px=1.0 / px_per_mm, picture_px=None), []
        for number in range(4):
            plan = plan_board(small_family(), np.random.default_rng([628, number]), planned={}, planned_chips={},
                              recipe=quiet_recipe(good__cover_share=0.86))
            view, path = render_view(plan, "v1", station), tmp_path / "B1.png"
            assert cv2.imwrite(str(path), view.pictures["a"])
            found = measure_board(BoardFiles("B1", {("v1", "a"): path}), small_family(), station).joints
            true = {(row.ref, row.pin): row.values["land_cover_pct"] for row in view.rows if row.pin}
            errors += [seen - true[key] for key, seen in zip(zip(found.refs, found.pins, strict=True),
                                                             found.columns["land_cover_pct"], strict=True)]
        bias.append(np.mean(errors))
    assert abs(bias[1] - bias[0]) < 2.0


@pytest.mark.parametrize("bands", [((0.0, 60.0), (65.0, 85.0)), ((4.0, 14.0), (30.0, 80.0)),
                                   ((8.0, 26.0), (30.0, 50.0)), ((6.0, 34.0), (40.0, 74.0))])
@pytest.mark.parametrize("rough", [1, 2, 3])
def test_wide_rings_are_not_taken_for_drowned(bands, rough):
    """What metal answers at best, by the renderer's integration; one light may be three tenths too weak.

    A thirtieth of what it should be is drowned, where the other light proves it.
    """
    lights = tuple(Light(str(number), "a", channel, band)
                   for number, (band, channel) in enumerate(zip(bands, ("red", "green"), strict=True)))
    station = small_station(lights=lights, cross_talk=None)
    # A white sheet fills 0.3 of the scale, so no picture shows more than this.
    best = np.minimum(light_tables(lights).specular[1, rough, 0].max(axis=0).astype(float), 1.0 / 0.3)
    for light in (0, 1):
        gains = np.ones(2)
        gains[light] = 0.7
        assert drowned_light(best * gains, station) is None
        gains[light] = 0.03
        fault = drowned_light(best * gains, station)
        if best[1 - light] >= 0.3 * best.max():
            assert fault is not None
            assert fault.lights == (lights[light],)


def test_lights_from_one_zenith_angle_alone_are_refused():
    with pytest.raises(MeniscopeError, match="same zenith angles"):
        optics_of(bars(lights=BARS))


def test_what_counts_as_steepest_follows_the_lights_that_shine_there():
    """Halfway between the middles of the two steepest bands: (16.5 + 27.5) / 2 under bars, (6.5 + 16.5) / 2 beside."""
    steepest = optics_of(bars()).steepest_from_deg
    towards = {degrees: float(steepest[degrees * SECTORS // 360]) for degrees in (5, 95, 185, 275)}
    assert towards == pytest.approx({5: 22.0, 95: 22.0, 185: 22.0, 275: 11.5})


def test_darkness_is_usual_for_what_lights_the_direction():
    darkest = np.tile(np.where(np.arange(180) < 45, 0.1, 0.4).astype(np.float32), (8, 1))
    alike, wide = np.where(np.arange(180) < 45, 11.5, 22.0).astype(np.float32), np.zeros(darkest.shape, dtype=np.intp)
    usual = _usual_darkness(darkest, np.ones(darkest.shape, dtype=bool), alike, wide)
    assert usual == pytest.approx(darkest)
    few = np.arange(darkest.size).reshape(darkest.shape) % 180 < USUAL_FROM * 45 // 180 // 8 - 1
    assert np.isinf(_usual_darkness(darkest, few, alike, wide)).all()


def test_darkness_is_usual_for_zones_as_wide():
    """Blur lights up narrow dark zones; where few are as narrow, or as wide, those most like them are asked."""
    everywhere, alike = np.ones((8, 180), dtype=bool), np.full(180, 22.0, dtype=np.float32)
    width = np.tile(np.where(np.arange(180) < 90, 1, 4), (8, 1))
    darkest = np.where(width == 1, 0.10, 0.02).astype(np.float32)
    assert _usual_darkness(darkest, everywhere, alike, width) == pytest.approx(darkest)
    few = width.copy()
    few[0, 90:100], few[0, 100:110] = 3, 0
    usual = _usual_darkness(darkest, everywhere, alike, few)
    assert (usual[0, 90], usual[0, 100]) == pytest.approx((0.02, 0.10))


def black_spot() -> tuple[FineGrid, Leads]:
    """A black spot 0.2 mm wide, 0.62 mm off to the right of a lead, on solder that is lit everywhere else."""
    side, step = 108, np.array([0.025])
    axis = (np.arange(side) - side // 2) * step[0]
    x, y = np.meshgrid(axis, -axis)
    lit = np.where(np.hypot(x - 0.62, y) < 0.1, 0.05, 1.0).astype(np.float32)[None]
    seen = np.ones(1)
    leads = Leads(seen, 0 * seen, 0 * seen, 0.6 * seen, 0.3 * seen, np.zeros((1, 2)))
    everywhere = Owners(np.ones((side, side), dtype=np.uint16), *np.mgrid[:side, :side].astype(np.float32))
    return FineGrid(step, x[None], y[None], lit, lit, lit, everywhere), leads


def test_what_falls_whither_no_steep_light_shines_is_no_pit():
    """A black spot is a pit; on the side that no light reaches it may be a steep fillet."""
    grid, leads = black_spot()
    joint, all_round = small_family().joints[:1], np.ones((1, 180), dtype=bool)
    assert find_pits(joint, grid, leads, all_round)[0] == pytest.approx(0.2, abs=0.03)
    assert find_pits(joint, replace(grid, unlit=grid.x_mm > 0.0), leads, all_round)[0] == 0.0
    assert find_pits(joint, replace(grid, unlit=grid.x_mm < 0.0), leads, all_round)[0] > 0.0


@pytest.mark.parametrize("gap_deg, is_pit", [(20.0, True), (60.0, False)])
def test_a_black_spot_in_a_gap_wider_than_itself_is_the_open_hole(gap_deg: float, is_pit: bool):
    """The spot takes 18 degrees of the way round and may read as a gap so wide."""
    off = np.abs((np.arange(180) * 2.0 + 1.0 + 180.0) % 360.0 - 180.0)
    found = find_pits(small_family().joints[:1], *black_spot(), (off > gap_deg / 2.0)[None])
    assert bool(found[0] > 0.0) == is_pit


@pytest.mark.parametrize("exchanged", [False, True])
def test_a_gold_finish_under_six_narrow_rings_is_no_exchange_of_lights(tmp_path, exchanged):
    """Gold reflects red more than twice as much as blue (refractiveindex.info, Johnson and Christy 1972), and rings so
    narrow differ little: the finish makes the blue ring beside the lens answer less than the red one around it."""
    bands = ((5.0, 15.0), (17.0, 27.0), (29.0, 39.0), (41.0, 51.0), (53.0, 64.0), (66.0, 80.0))
    lights = tuple(Light(f"r{number}", "ab"[number // 3], channel, band)
                   for number, (band, channel) in enumerate(zip(bands, ("blue", "red", "green") * 2, strict=True)))
    family, station = demo_family(3), Station("six", 0.025, "{serial}_{view}_{exposure}.png", lights)
    plan = plan_board(family, np.random.default_rng([5303, 2]), defect_rate=0.25)
    pictures = {}
    for exposure, picture in render_view(plan, "v1", station).pictures.items():
        pictures["v1", exposure] = tmp_path / f"{exposure}.png"
        shown = np.ascontiguousarray(picture[:, :, [0, 2, 1]]) if exchanged and exposure == "a" else picture
        assert cv2.imwrite(str(pictures["v1", exposure]), shown)
    files = BoardFiles("B1", pictures)
    if exchanged:
        with pytest.raises(PictureError, match="in each other's place"):
            measure_board(files, family, station)
    else:
        assert np.median(measure_board(files, family, station).joints.columns["coverage_deg"]) == 360.0
