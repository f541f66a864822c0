"""Pictures: repeatable, placed where they should be, exposed as a camera would, for any station."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.errors import InputError
from synthetic_images.board import plan_board, render_view
from synthetic_images.canvas import LABELS
from synthetic_images.demo import demo_family, demo_station
from synthetic_images.gallery import draw_gallery
from synthetic_images.lot import render_lot
from synthetic_images.recipe import default_recipe, read_recipe, recipe_for
from vision.setup import JOINT_FINDINGS, Light, read_family, read_station, write_family, write_station
from vision.setup.checks import check_family
from vision.setup.geometry import view_size_px

from .small import quiet_recipe, render, small_family, small_station


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_equal_seeds_give_equal_bytes_whatever_the_workers(tmp_path: Path) -> None:
    family, station, seen = small_family(), small_station(), []
    for name, workers in (("one", 1), ("two", 2)):
        render_lot(family, station, tmp_path / name, boards=2, seed=4, defect_rate=0.3, workers=workers,
                   progress=lambda done, total: seen.append((done, total)))
    assert digests(tmp_path / "one") == digests(tmp_path / "two")
    assert seen == [(1, 2), (2, 2)] * 2
    later = render_lot(family, station, tmp_path / "later", boards=1, seed=4, defect_rate=0.3, first_serial=2)
    assert digests(tmp_path / "later")["B0002_v1_a.png"] == digests(tmp_path / "one")["B0002_v1_a.png"]
    assert later.boards == later.pictures == 1 and later.joints == 6
    other = render_lot(family, station, tmp_path / "other", boards=1, seed=5, defect_rate=0.3)
    assert digests(tmp_path / "other")["B0001_v1_a.png"] != digests(tmp_path / "one")["B0001_v1_a.png"]
    assert sum(other.findings.values()) >= 0


def test_a_lot_refuses_nonsense(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="at least 1"):
        render_lot(small_family(), small_station(), tmp_path, boards=0, seed=1, defect_rate=0.1)
    with pytest.raises(ValueError, match="wanted one of"):
        render({0: ("cold joint", 1.0)})


def test_fiducials_lie_where_the_true_place_says() -> None:
    """The centroid of each mark's label against board_to_px, for boards that are moved and turned."""
    for seed in range(3):
        plan, view = render({}, seed)
        for mark in plan.family.fiducials:
            x, y = view.board_to_px.to_px((mark.x_mm, mark.y_mm))
            rows, cols = np.nonzero(view.labels == LABELS.index("fiducial"))
            near = np.hypot(cols + 0.5 - x, rows + 0.5 - y) < 30
            # Labels are read half a fine sample beside the pixel's centre.
            assert (cols[near].mean() + 0.75, rows[near].mean() + 0.75) == pytest.approx((x, y), abs=0.6)


def test_place_is_within_the_recipe() -> None:
    from synthetic_images.board import true_place
    from vision.setup import nominal_view

    family, station = small_family(), small_station()
    nominal = nominal_view(family, family.views[0], station, (800, 560))
    for seed in range(20):
        place = true_place(plan_board(family, np.random.default_rng(seed)), family.views[0], station, (800, 560))
        middle = place.to_px(nominal.to_mm((400.0, 280.0))) - (400.0, 280.0)
        assert np.abs(middle).max() * station.mm_per_px <= 0.5 + 1e-9
        turn = np.linalg.inv(nominal.matrix) @ place.matrix
        assert abs(np.rad2deg(np.arctan2(turn[1, 0], turn[0, 0]))) <= 1.2 + 1e-9
        assert place.px_per_mm * station.mm_per_px == pytest.approx(1.0, abs=0.0041)


def test_white_sits_at_the_exposure_and_metal_saturates() -> None:
    """A mirrored band of 8 to 26 degrees gives R / (sin^2 26 - sin^2 8) = 4.3 of white: beyond full scale at 30 %."""
    recipe = quiet_recipe(board__residue=0.0, camera__white_share=0.3, solder__roughness=0.03, solder__shade=1.0,
                          solder__grain=0.004, solder__waviness=0.004, light__single_leds=0.0, light__level=1.0,
                          light__falloff=0.0, light__ripple=0.0)
    for seed in range(3):
        _, view = render({0: ("excess_solder", 0.5)}, seed, recipe=recipe)  # a dome has every slope
        picture = view.pictures["a"]
        assert picture.dtype == np.uint8 and picture.shape == (560, 800, 3)
        assert 3.0 < view.responses.max() < 6.0
        assert np.percentile(picture, 20) < 100  # the board itself is well below
        assert (picture == 255).any()


def test_black_level_and_noise_without_light() -> None:
    """With responses of zero the picture shows black level, leak and read noise alone."""
    from synthetic_images.camera import expose

    recipe = quiet_recipe(light__leak=0.0, camera__black_drift=0.0, camera__read_noise=20.0, camera__full_well=10_000.0)
    dark = np.zeros((3, 200, 300), np.float32)
    picture = expose(dark, replace(demo_station(), black_level=20.0), recipe, np.random.default_rng(1))["a"]
    assert picture.mean() == pytest.approx(20.0, abs=0.1)
    assert picture.std() == pytest.approx(np.hypot(20 / 10_000 * 235, 1 / np.sqrt(12)), rel=0.1)


def test_shot_noise_grows_with_the_root_of_the_light() -> None:
    """Poisson statistics: variance in electrons equals the mean."""
    from synthetic_images.camera import expose

    recipe = quiet_recipe(light__leak=0.0, camera__black_drift=0.0, camera__read_noise=3.0, camera__full_well=10_000.0,
                          camera__white_share=0.3, light__falloff=0.0, light__ripple=0.0, light__level=1.0,
                          camera__bits=16)
    station = replace(demo_station(), black_level=0.0, cross_talk=None)
    for level in (0.3, 1.0, 2.0):
        picture = expose(np.full((3, 300, 300), level, np.float32), station, recipe, np.random.default_rng(1))["a"]
        electrons = picture.astype(float) / 65535.0 * 10_000.0
        assert electrons.mean() == pytest.approx(level * 3000.0, rel=0.02)
        assert electrons.var() == pytest.approx(electrons.mean() + 9.0, rel=0.06)


def test_cross_talk_mixes_channels() -> None:
    from synthetic_images.camera import expose

    recipe = quiet_recipe(light__leak=0.0, light__falloff=0.0, light__ripple=0.0, light__level=1.0, camera__bits=16,
                          camera__white_share=0.3, camera__black_drift=0.0)
    station = replace(demo_station(), black_level=0.0, cross_talk=((0.9, 0.1, 0.0), (0.0, 1.0, 0.0), (0.0, 0.2, 0.8)))
    lit = np.zeros((3, 64, 64), np.float32)
    green = [light.channel for light in station.lights].index("green")
    lit[green] = 1.0
    blue_green_red = expose(lit, station, recipe, np.random.default_rng(1))["a"].mean(axis=(0, 1)) / 65535.0 / 0.3
    assert blue_green_red == pytest.approx([0.2, 1.0, 0.1], abs=0.01)


def test_flat_field_sets_the_white_level(tmp_path: Path) -> None:
    """Pictures divided by the station's own flat-field give responses again: a white sheet answers 1 everywhere."""
    from synthetic_images.camera import white_sheet

    station = small_station(picture_px=(200, 160), cross_talk=None)
    quiet = quiet_recipe(light__leak=0.0, light__level=1.0, light__ripple=0.0, light__falloff=0.0,
                         camera__black_drift=0.0)
    flat = tmp_path / "flat.png"
    slope = np.linspace(40, 100, 200)[None, :, None] * np.ones((160, 1, 3))
    cv2.imwrite(str(flat), slope.astype(np.uint8))
    lit = replace(station, lights=tuple(replace(light, flat_field=flat) for light in station.lights))
    sheet = white_sheet(lit, (200, 160), 3, quiet)["a"].astype(float)
    answer = (sheet - station.black_level) / (slope - station.black_level)
    assert answer[5:-5, 5:-5].mean() == pytest.approx(1.0, abs=0.02)
    assert np.abs(answer.mean(axis=0)[20:-20] - 1.0).max() < 0.05
    missing = replace(lit, lights=tuple(replace(light, flat_field=tmp_path / "no.png") for light in lit.lights))
    with pytest.raises(InputError, match="flat-field"):
        white_sheet(missing, (200, 160), 3, quiet)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_bit_depths(bits: int) -> None:
    _, view = render({}, 1, recipe=quiet_recipe(camera__bits=bits))
    picture = view.pictures["a"]
    assert picture.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert len(np.unique(picture)) > (100 if bits == 8 else 1000)
    if bits == 12:
        assert (picture % 16 == 0).all()


def test_mono_sectors_and_perspective() -> None:
    """Three mono exposures with bars from two sides; a lens at working distance shifts the leads' ends outward."""
    lights = (Light("top", "t", "mono", (0.0, 15.0)), Light("east", "e", "mono", (20.0, 60.0), (-45.0, 45.0)),
              Light("west", "w", "mono", (20.0, 60.0), (135.0, 225.0)))
    station = small_station(lights=lights, cross_talk=None)
    recipe = quiet_recipe(place__offset=0.0, place__rotation=0.0, place__scale_error=0.0, good__lead_tilt=0.0,
                          good__protrusion=1.5)
    plan, far = render({}, 4, recipe=recipe, station=station)
    _, near = render({}, 4, recipe=recipe, station=replace(station, working_distance_mm=60.0))
    assert set(far.pictures) == {"t", "e", "w"} and far.pictures["t"].ndim == 2
    east, west = far.responses[1], far.responses[2]
    for joint in (plan.family.joints[0], plan.family.joints[3]):
        col, row = far.board_to_px.to_px((joint.x_mm, joint.y_mm)).astype(int)
        ring = slice(row - 8, row + 8)
        assert east[ring, col + 24:col + 36].mean() > 2 * west[ring, col + 24:col + 36].mean()
        assert west[ring, col - 36:col - 24].mean() > 2 * east[ring, col - 36:col - 24].mean()
        patches = [v.labels[row - 40:row + 40, col - 40:col + 40] == LABELS.index("lead") for v in (far, near)]
        shift = [np.array([np.nonzero(p)[1].max(), -np.nonzero(p)[1].min()]) for p in patches]
        outward = np.sign(col - 400)
        moved = (shift[1] - shift[0]) * [1, -1]
        assert (moved[0] if outward > 0 else moved[1]) * outward > 0


def test_all_findings_can_be_drawn_at_every_severity() -> None:
    for index, finding in enumerate(JOINT_FINDINGS):
        for severity in (0.0, 1.0):
            _, view = render({index % 6: (finding, severity)}, 20 + index)
            assert np.isfinite(view.responses).all() and view.responses.min() >= 0.0


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1), rate=st.floats(0.0, 1.0))
def test_any_seed_gives_sound_truth(seed: int, rate: float) -> None:
    plan = plan_board(small_family(), np.random.default_rng(seed), defect_rate=rate)
    view = render_view(plan, "v1", small_station())
    assert {r.pin for r in view.rows if r.pin} == {"1", "2", "3", "4", "5", "6"}
    for r in (r for r in view.rows if r.pin):
        v = r.values
        assert 0.0 <= v["coverage_deg"] <= 360.0 and 0.0 <= v["largest_gap_deg"] <= 360.0 - v["coverage_deg"] + 1e-9
        assert 0.0 <= v["land_cover_pct"] <= 100.0 + 1e-9 and 0.0 <= v["hole_open_pct"] <= 100.0 + 1e-9
        assert np.isnan(v["convexity"]) or -1.0 <= v["convexity"] <= 1.0
        assert v["bridge_width_mm"] >= 0.0 and (v["ball_count"] > 0) == (v["ball_diameter_mm"] > 0)


def test_good_boards_are_mostly_good_and_vary() -> None:
    rows = [r for seed in range(6) for r in render({}, seed)[1].rows if r.pin]
    good = [r for r in rows if not r.finding]
    assert len(good) >= 0.97 * len(rows)
    for name, least in (("wetting_angle_deg", 4.0), ("land_cover_pct", 3.0), ("fillet_height_mm", 0.03)):
        assert np.nanstd([r.values[name] for r in good]) > least


def test_demo_files_can_be_written_and_read(tmp_path: Path) -> None:
    family, station = demo_family(), demo_station()
    assert len(family.joints) >= 40 and len({j.land_kind for j in family.joints}) >= 3
    assert {"oblong", "rect", "round"} <= {j.land_shape for j in family.joints}
    assert {"square", "rect", "round"} <= {j.lead_shape for j in family.joints}
    assert len(family.fiducials) >= 3 and 4 <= len(family.chips) <= 8 and len({j.pot for j in family.joints}) == 2
    write_family(family, tmp_path)
    write_station(station, tmp_path / "station.toml")
    assert read_family(tmp_path) == family
    assert read_station(tmp_path) == station
    assert demo_family(1) != demo_family(2) and demo_family(1) == demo_family(1)


def test_the_demo_station_says_how_large_its_pictures_are() -> None:
    """So that the check of the demo's family looks at the views as well."""
    family = demo_family()
    station = demo_station(family)
    assert station.picture_px == view_size_px(family, family.views[0], demo_station()) == (1500, 1200)
    assert not check_family(family, station)


def test_no_demo_board_has_lands_too_close_to_tell_a_bridge() -> None:
    for number in range(15):
        kinds = {advice.kind for advice in check_family(demo_family(number), demo_station())}
        assert not kinds & {"gap_narrow", "lands_overlap", "same_place"}, number


def test_recipe_states_unit_and_reason_and_can_be_overridden(tmp_path: Path) -> None:
    shipped = default_recipe()
    assert all(entry.reason for entry in shipped.entries.values())
    assert recipe_for(tmp_path) is shipped
    path = tmp_path / "recipe.toml"
    path.write_text('[camera]\nblur = {kind = "fixed", value = 0.7, unit = "px", reason = "measured on this lens"}\n')
    own = recipe_for(tmp_path / "family.toml")
    assert own.entries["camera.blur"].low == 0.7 and own.entries["camera.bits"] == shipped.entries["camera.bits"]
    path.write_text('[camera]\nblurr = {kind = "fixed", value = 1, reason = "x"}\n'
                    'bits = {kind = "odd", value = 1, reason = "x"}\nblur = {kind = "uniform", low = 2, high = 1}\n')
    with pytest.raises(InputError) as caught:
        read_recipe(path)
    assert len(caught.value.problems) >= 4


@pytest.mark.parametrize("name", ["uniform", "loguniform", "normal", "beta"])
def test_draws_stay_within_their_limits(name: str) -> None:
    entries = [e for e in default_recipe().entries.values() if e.kind == name]
    rng = np.random.default_rng(1)
    assert entries
    for entry in entries:
        drawn = default_recipe().draw(entry.name, rng, 500)
        assert entry.low <= drawn.min() and drawn.max() <= entry.high


def test_gallery_shows_every_finding() -> None:
    sheet = draw_gallery(small_family(), small_station(), 1, cell_px=64)
    rows = 1 + len(JOINT_FINDINGS) + 2
    assert sheet.dtype == np.uint8 and sheet.shape[0] == 40 + rows * 72
    for row in range(rows):
        cell = sheet[40 + row * 72:40 + row * 72 + 64, 190:254]
        assert cell.std() > 3.0
    assert cv2.imencode(".png", sheet)[0]
