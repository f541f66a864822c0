"""Rings at a finite distance against the hand formulas for a point source, and against rings infinitely far."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic_images.light import LAST_X, NODES
from synthetic_images.near import as_in_the_middle, falloff_map, flat_lift, irradiance_share, point_source
from vision.setup import Light, Station

from .small import quiet_recipe, render, small_station

RING = Light("ring", "a", "red", (29.9, 30.1), distance_mm=100.0)


def test_one_led_by_hand() -> None:
    """LED at zenith 30 degrees, 100 mm from the middle: it stands 50 mm aside and 86.6 mm high.

    From 10 mm towards it: zenith atan(40 / 86.6) = 24.79 degrees, and inverse square times cosine makes
    (100^2 / (40^2 + 7500))^1.5 = 1.1520 of the irradiance in the middle; from 10 mm across atan(10 / 50) of azimuth.
    """
    zenith, azimuth, share = point_source(100.0, np.deg2rad(30.0), 0.0, 10.0, 0.0)
    assert np.rad2deg(zenith) == pytest.approx(24.7914, abs=1e-3)
    assert azimuth == pytest.approx(0.0)
    assert share == pytest.approx(1.15197, abs=1e-5)
    zenith, azimuth, share = point_source(100.0, np.deg2rad(30.0), 0.0, 0.0, 10.0)
    assert np.rad2deg(azimuth) == pytest.approx(-11.3099, abs=1e-3)
    assert np.rad2deg(zenith) == pytest.approx(np.rad2deg(np.arctan(np.hypot(50, 10) / 86.6025)), abs=1e-3)
    assert share == pytest.approx(1.01**-1.5)
    zenith, azimuth, share = point_source(100.0, 0.5, 0.7, 0.0, 0.0)
    assert (zenith, azimuth, share) == pytest.approx((0.5, 0.7, 1.0))


def test_a_narrow_sector_is_its_one_led() -> None:
    led = replace(RING, azimuth_deg=(-0.2, 0.2))
    for x, y in ((10.0, 0.0), (-12.0, 5.0), (0.0, 0.0)):
        alone = point_source(100.0, np.deg2rad(30.0), 0.0, x, y)[2]
        assert irradiance_share(led, x, y) == pytest.approx(alone, rel=1e-4)


def test_a_full_ring_falls_off_to_second_order() -> None:
    """Thin ring of zenith t, point r off the middle of distance d: 1 + (r/d)^2 (15 sin^2 t / 4 - 3 / 2) and higher.

    From (1 - 2 e sin t cos p + e^2)^(-3/2), e = r / d, averaged over p.
    """
    for zenith in (10.0, 30.0, 60.0):
        ring = replace(RING, zenith_deg=(zenith - 0.1, zenith + 0.1))
        wanted = 1.0 + 0.05**2 * (15.0 * np.sin(np.deg2rad(zenith)) ** 2 / 4.0 - 1.5)
        for x, y in ((5.0, 0.0), (3.0, -4.0)):
            assert irradiance_share(ring, x, y) == pytest.approx(wanted, abs=3e-5)
    assert irradiance_share(RING, 0.0, 0.0) == pytest.approx(1.0)
    assert irradiance_share(replace(RING, distance_mm=None), [7.0, 8.0], 3.0) == pytest.approx([1.0, 1.0])


def test_the_map_has_its_middle_in_the_picture() -> None:
    bar = Light("bar", "a", "red", (40.0, 50.0), (-20.0, 20.0), distance_mm=60.0)
    share = falloff_map(bar, (640, 480), 0.02)
    assert share.shape == (480, 640)
    assert share[240, 320] == pytest.approx(1.0, abs=2e-3)
    assert (np.diff(share[240]) > 0).all()  # it rises towards the bar on the right
    x, y = (500.5 - 320) * 0.02, -(100.5 - 240) * 0.02
    assert share[100, 500] == pytest.approx(float(irradiance_share(bar, x, y)), abs=2e-4)


@given(zenith=st.floats(0.02, 1.4), azimuth=st.floats(-3.0, 3.0), x=st.floats(-20, 20), y=st.floats(-20, 20))
def test_a_mirror_shows_the_led_where_it_is_seen(zenith: float, azimuth: float, x: float, y: float) -> None:
    """Law of reflection: a slope of half a LED's zenith angle, tilted towards it, shows it, in the middle and off."""
    seen, towards, _ = (float(v) for v in point_source(80.0, zenith, azimuth, x, y))
    downhill = np.tan(seen / 2.0) * np.array([np.cos(towards), np.sin(towards)])
    as_float = [np.array([v], np.float32) for v in (-downhill[0], downhill[1], x, y)]
    gx, gy, ray = as_in_the_middle(80.0, *as_float)
    assert np.hypot(gx, gy) == pytest.approx(np.tan(zenith / 2.0), abs=2e-5)
    assert [-gx[0], gy[0]] == pytest.approx(np.tan(zenith / 2.0) * np.array([np.cos(azimuth), np.sin(azimuth)]),
                                            abs=2e-5)
    led = 80.0 * np.array([np.sin(zenith) * np.cos(azimuth), np.sin(zenith) * np.sin(azimuth), np.cos(zenith)])
    assert ray[0] * 80.0 == pytest.approx(np.hypot(np.hypot(led[0] - x, led[1] - y), led[2]), rel=1e-4)


def test_nothing_changes_in_the_middle() -> None:
    gx, gy = np.array([0.3, -1.4, 0.0], np.float32), np.array([0.1, 0.7, 0.0], np.float32)
    zero = np.zeros(3, np.float32)
    assert [*as_in_the_middle(50.0, gx, gy, zero, zero)] == [pytest.approx(gx, abs=1e-6), pytest.approx(gy, abs=1e-6),
                                                             pytest.approx(np.ones(3))]


def distant(distance_mm: float | None) -> Station:
    station = small_station()
    return replace(station, lights=tuple(replace(light, distance_mm=distance_mm) for light in station.lights))


def test_far_rings_look_infinitely_far_and_near_ones_do_not() -> None:
    recipe = quiet_recipe(board__residue=0.0)
    pictures = {d: render({}, 3, recipe=recipe, station=distant(d))[1] for d in (None, 9000.0, 60.0)}
    far, same, near = (pictures[d].pictures["a"].astype(int) for d in (None, 9000.0, 60.0))
    assert (np.abs(same - far) <= 1).mean() > 0.999
    assert (np.abs(near - far) > 10).mean() > 0.005
    assert pictures[60.0].rows == pictures[None].rows  # what is true of a board does not hang on its lamps


def test_the_board_falls_off_smoothly() -> None:
    """A white sheet shows the fall-off of every light, but none where the station's flat-field has it already."""
    from synthetic_images.camera import white_sheet

    quiet = quiet_recipe(light__leak=0.0, light__level=1.0, light__ripple=0.0, light__falloff=0.0,
                         camera__black_drift=0.0, camera__bits=16, camera__read_noise=3.0, camera__full_well=30000.0)
    station = replace(distant(40.0), cross_talk=None)
    sheet = white_sheet(station, (800, 560), 1, quiet)["a"].astype(float)
    for light, plane in zip(station.lights, (0, 2, 1), strict=True):
        assert light.channel == ("blue", "green", "red")[plane]
        level = [sheet[row:row + 40, col:col + 40, plane].mean() for row, col in ((260, 380), (0, 0))]
        x, y = -380 * 0.02, 260 * 0.02
        assert level[1] / level[0] == pytest.approx(float(irradiance_share(light, x, y)), rel=0.015)


def test_flat_mask_shows_what_tilted_rays_mirror() -> None:
    """A ray of tilt e mirrors zenith e on flat mask, as a slope of e / 2 does under a level ray (law of reflection).

    With the lens 90 mm up, 9 mm off the middle: slope atan(9 / 180); with lamps 90 mm away instead: the sphere's point
    above lies at zenith asin(9 / 90), half of which is the slope.
    """
    curve = (0.2 + np.linspace(0.0, LAST_X, NODES)[None, :]).astype(np.float32)  # the response tells x = g / (1 + g)
    assert flat_lift(curve, (1000, 400), 0.02, None, None) is None
    for distance, lens, slope in ((None, 90.0, 9.0 / 180.0), (90.0, None, np.tan(np.arcsin(0.1) / 2.0))):
        lift = flat_lift(curve, (1000, 400), 0.02, distance, lens)
        assert lift is not None and lift.shape == (400, 1000)
        assert lift[200, 500] == pytest.approx(0.0, abs=1.5e-3)  # the cone's tip is rounded off over 16 pixels
        for col in (49, 950):
            assert lift[200, col] == pytest.approx(slope / (1.0 + slope), abs=1e-3)
