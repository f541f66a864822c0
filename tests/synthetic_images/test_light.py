"""Light on rough metal against closed forms and published optical constants."""

import numpy as np
import pytest

from synthetic_images import canvas as cv
from synthetic_images.light import (
    METALS,
    ROUGHNESS,
    band_cosine,
    ggx,
    ggx_tangent,
    light_tables,
    lobe,
    mirror_response,
    node_slopes,
    sector_weights,
    smith,
)
from synthetic_images.materials import fresnel, optical_constants, reflectance
from vision.setup import Light

RING = Light("ring", "a", "red", (20.0, 40.0))


# GGX (Walter et al. 2007): D(0) = 1 / (pi a^2), D at 10 degrees, share of facets below 5, 10, 20 degrees.
@pytest.mark.parametrize(("a", "peak", "at_ten", "shares", "g1"), [
    (0.05, 127.323954, 0.749779, (0.7538, 0.9256, 0.9815), 0.998132),
    (0.1, 31.830989, 2.004225, (0.4336, 0.7566, 0.9298), 0.992610),
    (0.2, 7.957747, 2.678382, (0.1606, 0.4373, 0.7681), 0.971675),
    (0.3, 3.536777, 2.077120, (0.0784, 0.2568, 0.5955), 0.940317),
    (0.5, 1.273240, 1.070754, (0.0297, 0.1106, 0.3464), 0.861002)])
def test_ggx_values(a: float, peak: float, at_ten: float, shares: tuple[float, ...], g1: float) -> None:
    assert ggx(0.0, a) == pytest.approx(peak, rel=1e-6)
    assert ggx(np.tan(np.deg2rad(10.0)), a) == pytest.approx(at_ten, rel=1e-5)
    assert smith(np.cos(np.deg2rad(60.0)), a) == pytest.approx(g1, abs=1e-6)
    for share, angle in zip(shares, (5.0, 10.0, 20.0), strict=True):
        tangent = np.tan(np.deg2rad(angle))
        assert ggx_tangent(tangent**2 / (a**2 + tangent**2), a) == pytest.approx(tangent)
        tilt = np.linspace(0.0, np.deg2rad(angle), 4001)
        part = np.trapezoid(ggx(np.tan(tilt), a) * np.cos(tilt) * 2 * np.pi * np.sin(tilt), tilt)
        assert part == pytest.approx(share, abs=6e-5)


@pytest.mark.parametrize("a", [0.05, 0.2, 0.5])
def test_ggx_is_normalised(a: float) -> None:
    """The projected area of all facets is one: integral of D cos over the hemisphere."""
    tilt = np.linspace(0.0, np.pi / 2 - 1e-9, 200_001)
    area = np.trapezoid(ggx(np.tan(tilt), a) * np.cos(tilt) * 2 * np.pi * np.sin(tilt), tilt)
    assert area == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("roughness", ROUGHNESS)
@pytest.mark.parametrize("slope_deg", [0.0, 15.0, 40.0, 70.0])
def test_white_furnace_never_gains_energy(roughness: float, slope_deg: float) -> None:
    """A perfect mirror with roughness in a white sphere gives at most 1; smooth ones nearly 1 (energy conservation)."""
    _, _, _, weight = lobe(np.deg2rad(slope_deg), float(roughness), (256, 256))
    assert weight.sum() <= 1.0 + 5e-3
    if roughness < 0.1 and slope_deg <= 40.0:
        assert weight.sum() > 0.985


def test_mirror_law_on_smooth_slopes() -> None:
    """A slope of alpha shows the sky at zenith 2 alpha (law of reflection)."""
    for slope in (5.0, 10.0, 20.0, 30.0, 40.0):
        zenith, azimuth, _, weight = lobe(np.deg2rad(slope), 0.004)
        assert np.rad2deg(np.average(zenith, weights=weight)) == pytest.approx(2 * slope, abs=0.3)
        assert np.average(np.cos(azimuth), weights=weight) == pytest.approx(1.0, abs=5e-3)


# Johnson & Christy 1972 by way of the refractiveindex.info database: normal reflectance from n and k.
@pytest.mark.parametrize(("metal", "um", "value"), [
    ("copper", 0.4714, 0.5547), ("copper", 0.5209, 0.5915), ("copper", 0.6168, 0.8997), ("gold", 0.4714, 0.4015),
    ("gold", 0.5209, 0.6434), ("gold", 0.6168, 0.9310)])
def test_normal_reflectance(metal: str, um: float, value: float) -> None:
    assert fresnel(*optical_constants(metal, um), 1.0) == pytest.approx(value, abs=5e-5)


# Interpolated at 465, 525 and 630 nm from the same table; the tolerance allows for interpolating R instead of n and k.
@pytest.mark.parametrize(("metal", "values"), [("copper", (0.5499, 0.5952, 0.9153)),
                                               ("gold", (0.4035, 0.6665, 0.9420))])
def test_channel_reflectance(metal: str, values: tuple[float, float, float]) -> None:
    for channel, value in zip(("blue", "green", "red"), values, strict=True):
        assert reflectance(metal, channel) == pytest.approx(value, abs=0.006)


def test_ratios_of_red_and_blue() -> None:
    """Copper R(616.8 nm) / R(471.4 nm) = 1.622, gold 2.319 (Johnson & Christy)."""
    for metal, ratio in (("copper", 1.622), ("gold", 2.319)):
        red, blue = (fresnel(*optical_constants(metal, um), 1.0) for um in (0.6168, 0.4714))
        assert red / blue == pytest.approx(ratio, abs=1e-3)


def test_oblique_fresnel() -> None:
    """Copper at 616.8 nm, unpolarised, 0, 45 and 70 degrees; a dielectric of 1.5 gives 4 % (Fresnel equations)."""
    cos = np.cos(np.deg2rad([0.0, 45.0, 70.0]))
    assert fresnel(0.30, 3.205, cos) == pytest.approx([0.89968, 0.89684, 0.89178], abs=1e-5)
    assert fresnel(1.5, 0.0, 1.0) == pytest.approx(0.04)
    brewster = fresnel(1.5, 0.0, np.cos(np.arctan(1.5)))  # only s light is left: half of it
    s_only = ((np.cos(np.arctan(1.5)) - 1.5 * np.sin(np.arctan(1.5))) / (np.cos(np.arctan(1.5))
                                                                        + 1.5 * np.sin(np.arctan(1.5)))) ** 2
    assert brewster == pytest.approx(0.5 * s_only)


def test_metal_ratio_survives_the_tables() -> None:
    """Flat copper under equal red and blue rings keeps the ratio of its reflectances."""
    lights = (Light("r", "a", "red", (5.0, 30.0)), Light("b", "a", "blue", (5.0, 30.0)))
    flat = light_tables(lights).specular[METALS.index("copper"), 4, 0, 0]
    assert flat[0] / flat[1] == pytest.approx(reflectance("copper", "red") / reflectance("copper", "blue"), rel=0.01)


def test_smooth_mirror_gives_the_solid_angle_ratio() -> None:
    """In the middle of the band a polished surface gives R pi / integral of cos: the definition of the response.

    The GGX tails of the smoothest tabled roughness, 0.03, leave the band with some 5 per cent.
    """
    table = light_tables((RING, Light("other", "b", "red", (50.0, 70.0)))).specular
    seen = np.interp(np.deg2rad(15.0), node_slopes(), table[METALS.index("tin"), 0, 0, :, 0])
    assert band_cosine((0.0, 90.0)) == pytest.approx(np.pi)
    assert seen == pytest.approx(0.95 * mirror_response("tin", RING), rel=0.03)


def test_sphere_is_bright_between_the_ring_edges() -> None:
    """A mirror sphere of radius R shows a ring from zenith a to b between R sin(a/2) and R sin(b/2)."""
    lights = (RING, Light("other", "b", "red", (50.0, 70.0)))
    curve = light_tables(lights).specular[METALS.index("tin"), 0, 0, :, 0]
    radius_px = 60.0
    off = np.arange(0.5, radius_px - 1)
    tangent = off / np.sqrt(radius_px**2 - off**2)
    seen = np.interp(np.arctan(tangent), node_slopes(), curve)
    bright = off[seen > 0.5 * seen.max()]
    assert bright.min() == pytest.approx(radius_px * np.sin(np.deg2rad(10.0)), abs=1.0)
    assert bright.max() == pytest.approx(radius_px * np.sin(np.deg2rad(20.0)), abs=1.0)


def test_sectors_light_slopes_that_face_them() -> None:
    """An eastern bar is mirrored by slopes that fall to the east, and a full ring by all alike."""
    east = Light("east", "a", "mono", (20.0, 50.0), (-40.0, 40.0))
    tables = light_tables((east, Light("ring", "b", "mono", (20.0, 50.0))))
    node = int(np.argmin(np.abs(node_slopes() - np.deg2rad(17.0))))
    seen = tables.specular[METALS.index("tin"), 2, :, node, 0]
    sectors = len(seen)
    assert int(np.argmax(seen)) in (sectors - 1, 0, 1)
    assert seen[sectors // 2] < 0.01 * seen[0]
    assert np.ptp(tables.specular[METALS.index("tin"), 2, :, node, 1]) < 0.02 * seen[0]
    assert sector_weights(east, 36).mean() == pytest.approx(80.0 / 360.0, abs=1e-6)
    facing = tables.diffuse[:, node, 0]
    assert facing.argmax() in (sectors - 1, 0, 1) and facing[0] > 1.0 > facing[sectors // 2]


def test_flat_white_answers_one() -> None:
    assert light_tables((RING, Light("o", "b", "red", (50.0, 70.0)))).diffuse[:, 0] == pytest.approx(1.0)


def test_labels_are_the_agreed_ones() -> None:
    assert cv.LABELS == ("mask", "land", "solder", "lead", "hole", "chip", "fiducial", "ball")
