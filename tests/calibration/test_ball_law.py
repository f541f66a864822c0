"""The law that everything rests on, and bands and outlines read back from drawn balls."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.calibration.drawn import Drawing, draw_ball, three_exposures, three_rings
from vision.calibration.ball import Ball, find_ball
from vision.calibration.bands import ball_diameter_mm, ball_sky, expected_radius_px, read_lights
from vision.calibration.pictures import read_shot
from vision.setup import Light

SMALL = Drawing(size_px=(300, 260), radius_px=70.0, centre_px=(148.3, 131.8))
TALK = ((0.95, 0.04, 0.01), (0.03, 0.93, 0.04), (0.01, 0.05, 0.94))


def ball_at(x: float, y: float, radius: float) -> Ball:
    return Ball(x, y, radius, 1.0, 0.05, 0.01, True)


# d / R and zenith of a telecentric mirror ball: zenith = 2 asin(d / R), computed from that formula.
@pytest.mark.parametrize(("share", "zenith_deg"), [(0.1, 11.4783), (0.173648, 20.0), (0.25, 28.9550), (0.258819, 30.0),
                                                   (0.342020, 40.0), (0.5, 60.0), (0.707107, 90.0), (0.8, 106.2602)])
def test_a_place_on_the_ball_shows_the_sky_at_twice_its_slope(share, zenith_deg):
    radius = 500.0
    sky = ball_sky(ball_at(600.5, 600.5, radius), (1201, 1201), three_rings())
    away = np.hypot(sky.col + 0.5 - 600.5, sky.row + 0.5 - 600.5) / radius
    near = np.abs(away - share) < 0.002
    assert np.rad2deg(np.median(sky.zenith[near])) == pytest.approx(zenith_deg, abs=0.15)


def test_azimuth_runs_counter_clockwise_from_the_right():
    sky = ball_sky(ball_at(100.5, 100.5, 80.0), (201, 201), three_rings())
    for dx, dy, azimuth in ((30, 0, 0.0), (0, -30, 90.0), (-30, 0, 180.0), (0, 30, -90.0)):
        at = (sky.col == 100 + dx) & (sky.row == 100 + dy)
        found = np.rad2deg(sky.azimuth[at][0])
        assert (found - azimuth + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.5)


@settings(max_examples=30, deadline=None)
@given(share=st.floats(0.05, 0.9), turn=st.floats(0.0, 6.28), lens=st.floats(40.0, 400.0))
def test_the_mirrored_ray_of_a_lens_obeys_the_law_of_reflection(share, turn, lens):
    """Normal, ray to the lens and ray to the sky lie in one plane, the normal half way between them."""
    station = three_rings(working_distance_mm=lens)
    radius_mm = 2.0
    size = (801, 801)
    ball = ball_at(400.5, 400.5, expected_radius_px(radius_mm * 2.0, station))
    assert ball_diameter_mm(ball, size, station) == pytest.approx(2.0 * radius_mm, rel=1e-9)
    sky = ball_sky(ball, size, station)
    col = int(400.5 + share * ball.radius_px * np.cos(turn))
    row = int(400.5 + share * ball.radius_px * np.sin(turn))
    at = (sky.col == col) & (sky.row == row)
    if not at.any():
        return
    x, y = (col + 0.5 - 400.5) * station.mm_per_px, -(row + 0.5 - 400.5) * station.mm_per_px
    away = np.array([x, y, 0.0]) - np.array([0.0, 0.0, lens])
    ray = away / np.linalg.norm(away)
    out = np.array([np.sin(sky.zenith[at][0]) * np.cos(sky.azimuth[at][0]),
                    np.sin(sky.zenith[at][0]) * np.sin(sky.azimuth[at][0]), np.cos(sky.zenith[at][0])])
    normal = out - ray
    normal /= np.linalg.norm(normal)
    point = np.array([0.0, 0.0, radius_mm]) + radius_mm * normal
    seen = point - np.array([0.0, 0.0, lens])
    assert np.linalg.norm(np.cross(seen / np.linalg.norm(seen), ray)) < 1e-6


def test_a_far_lens_is_a_telecentric_one():
    size = (401, 401)
    far = ball_sky(ball_at(230.0, 190.0, 100.0), size, three_rings(working_distance_mm=9_000.0))
    flat = ball_sky(ball_at(230.0, 190.0, 100.0), size, three_rings())
    both = {(r, c): z for r, c, z in zip(far.row, far.col, far.zenith, strict=True)}
    off = [abs(both[r, c] - z) for r, c, z in zip(flat.row, flat.col, flat.zenith, strict=True)
           if (r, c) in both and z < 2.0]
    assert np.rad2deg(np.max(off)) < 0.2


def test_a_near_light_stands_elsewhere_than_a_far_one_seen_the_same():
    """The ball's top lies above the board: a light at 80 mm seen by the ball at zenith z stands lower for the board."""
    station = three_rings()
    ball = ball_at(200.5, 200.5, 150.0)  # 6 mm across
    far, near = ball_sky(ball, (401, 401), station), ball_sky(ball, (401, 401), station, 80.0)
    side = (far.row == 200) & (far.col > 260) & (far.col < 300)
    z = far.zenith[side]
    height = 3.0 + 3.0 * np.cos(z / 2.0)
    out = 3.0 * np.sin(z / 2.0)
    # By the sphere of 80 mm round the middle of the field: solve |p + t l| = 80 in the plane of the ray.
    along = out * np.sin(z) + height * np.cos(z)
    t = -along + np.sqrt(along**2 - out**2 - height**2 + 80.0**2)
    wanted = np.arctan2(out + t * np.sin(z), height + t * np.cos(z))
    assert np.allclose(near.zenith[side], wanted, atol=1e-6)


def measured(folder, station, drawing, expected=None):
    shot = read_shot(draw_ball(folder, station, drawing), station, "ball")
    ball = find_ball(shot, expected)
    return ball, read_lights(shot, ball, station)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(x=st.floats(110, 190), y=st.floats(105, 155), radius=st.floats(48, 95), blur=st.floats(0.5, 1.6),
       paper=st.floats(0.04, 0.5), seed=st.integers(0, 99))
def test_the_outline_is_found_to_a_fraction_of_a_pixel(tmp_path, x, y, radius, blur, paper, seed):
    drawing = replace(SMALL, centre_px=(x, y), radius_px=radius, blur_px=blur, paper=paper, seed=seed)
    shot = read_shot(draw_ball(tmp_path, three_rings(), drawing), three_rings(), "ball")
    ball = find_ball(shot)
    assert ball.outline
    assert abs(ball.x_px - x) < 0.15
    assert abs(ball.y_px - y) < 0.15
    assert abs(ball.radius_px - radius) < 0.2


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(low=st.floats(2.0, 40.0), width=st.floats(6.0, 30.0), highlight=st.floats(0.3, 0.9),
       leds=st.sampled_from([0, 24]))
def test_any_band_is_read_back(tmp_path, low, width, highlight, leds):
    lights = (Light("one", "a", "blue", (low, low + width)), Light("two", "a", "red", (min(low + width, 70.0), 80.0)))
    station = three_rings(lights=lights)
    _, seen = measured(tmp_path, station, replace(SMALL, highlight=highlight, leds=leds))
    for light, found in zip(lights, seen, strict=True):
        assert np.abs(np.subtract(found.zenith_deg, light.zenith_deg)).max() < 1.2
        assert found.azimuth_deg == (0.0, 360.0)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(start=st.integers(-180, 179), span=st.integers(40, 300))
def test_a_sector_is_read_back(tmp_path, start, span):
    lights = (Light("bar", "a", "blue", (30.0, 45.0), (start, start + span)), Light("ring", "a", "red", (60.0, 75.0)))
    _, seen = measured(tmp_path, three_rings(lights=lights), SMALL)
    found = seen[0].azimuth_deg
    middle = (sum(found) / 2.0 - (start + span / 2.0) + 180.0) % 360.0 - 180.0
    assert abs(middle) < 1.5
    assert found[1] - found[0] == pytest.approx(span, abs=4.0)
    assert -180.0 <= found[0] <= 180.0
    assert seen[1].azimuth_deg == (0.0, 360.0)


@pytest.mark.parametrize(("drawing", "within"), [
    (Drawing(), 0.1), (Drawing(blur_px=3.0), 0.5), (Drawing(leds=12, led_share=0.3), 0.3), (Drawing(noise=0.02), 0.2),
    (Drawing(highlight=4.0), 1.0), (Drawing(highlight=4.0, leds=24), 1.2), (Drawing(paper=0.02), 0.2),
    (Drawing(highlight=0.12, paper=0.05), 0.2), (Drawing(bits=16), 0.1),
    (Drawing(radius_px=45.0, centre_px=(200.4, 180.2)), 0.7)],
    ids=["plain", "blurred", "12 LEDs", "noisy", "clipped", "clipped LEDs", "dark ground", "dim", "16 bit", "small"])
@pytest.mark.parametrize("station", [three_rings(), three_rings(cross_talk=TALK), three_exposures()],
                         ids=["colour", "cross-talk", "mono exposures"])
def test_bands_under_hard_conditions(tmp_path, station, drawing, within):
    """Granular light, blur, noise, and highlights four times beyond full scale."""
    _, seen = measured(tmp_path, station, drawing)
    for light, found in zip(station.lights, seen, strict=True):
        assert np.abs(np.subtract(found.zenith_deg, light.zenith_deg)).max() < within
        assert found.azimuth_deg == (0.0, 360.0)
        assert found.off_axis_deg < 1.0


def test_blur_and_clipping_are_told(tmp_path):
    sharp, lights = measured(tmp_path / "a", three_rings(), Drawing(blur_px=1.0))
    soft, _ = measured(tmp_path / "b", three_rings(), Drawing(blur_px=2.0))
    assert sharp.blur_px == pytest.approx(1.0, abs=0.2)
    assert soft.blur_px == pytest.approx(2.0, abs=0.3)
    assert lights[0].full_pct == 0.0
    assert measured(tmp_path / "c", three_rings(), Drawing(highlight=4.0))[1][0].full_pct > 80.0


def test_a_ball_in_the_dark_is_found_where_its_diameter_is_known(tmp_path):
    ball, seen = measured(tmp_path, three_rings(), Drawing(paper=0.0), expected=150.0)
    assert not ball.outline
    assert ball.radius_px == 150.0
    assert np.hypot(ball.x_px - 322.3, ball.y_px - 241.7) < 0.3
    assert np.abs(np.subtract(seen[2].zenith_deg, (54.0, 78.0))).max() < 0.5
    assert seen[2].uncertainty_deg > 0.2  # a radius taken on trust is less certain


def test_a_tilted_ring_is_told(tmp_path):
    """A ring whose middle lies 6 degrees off the axis: each azimuth shows another band."""
    import cv2

    from tests.calibration.drawn import ball_levels, lit, pictures, sky_of, write
    station, drawing = three_rings(), Drawing()
    planes = ball_levels(station, drawing)
    away, zenith, azimuth = sky_of(drawing)
    tilted = zenith - np.deg2rad(6.0) * np.cos(azimuth)
    fine = np.where(lit(station.lights[1], tilted, azimuth, drawing) & (away < 1.0), drawing.highlight, 0.002)
    fine = np.where(away < 1.0, fine, drawing.paper).astype(np.float32)
    planes["middle"] = cv2.resize(fine, drawing.size_px, interpolation=cv2.INTER_AREA)
    shot = read_shot(write(tmp_path, station, "ball", pictures(station, planes, drawing)), station, "ball")
    seen = read_lights(shot, find_ball(shot), station)
    assert seen[1].off_axis_deg == pytest.approx(6.0, abs=1.5)
    assert seen[0].off_axis_deg < 0.5
