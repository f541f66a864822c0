"""Slope from light, checked against the law of reflection and published microfacet numbers."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from scipy.integrate import quad

from tests.pipeline import drawn
from vision.pipeline.light.optics import (
    SLOPES_DEG,
    _ggx,
    optics_of,
    predict,
    slope_from_moment,
    slope_from_responses,
    white_share,
)
from vision.setup import Light


@pytest.mark.parametrize("roughness, peak, at_ten", [(0.05, 127.323954, 0.749779), (0.1, 31.830989, 2.004225),
                                                     (0.2, 7.957747, 2.678382), (0.3, 3.536777, 2.077120),
                                                     (0.5, 1.273240, 1.070754)])
def test_ggx_lobe(roughness, peak, at_ten):
    """Values computed from the formula of Walter et al. 2007, and its normalisation by scipy's quadrature."""
    assert _ggx(np.array(1.0), roughness) == pytest.approx(peak, rel=1e-6)
    assert _ggx(np.cos(np.deg2rad(10.0)), roughness) == pytest.approx(at_ten, rel=1e-5)
    whole, _ = quad(lambda t: 2 * np.pi * float(_ggx(np.cos(t), roughness)) * np.cos(t) * np.sin(t), 0, np.pi / 2,
                    limit=200)
    assert whole == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("zenith", [(10.0, 30.0), (30.0, 50.0), (50.0, 80.0)])
def test_mirror_law(zenith):
    """Law of reflection: a mirror of slope alpha shows the sky at zenith 2 alpha, so a ring lights half its band."""
    light = Light("ring", "a", "mono", zenith)
    response = predict((light,), SLOPES_DEG.astype(float), 0.02)[:, 0]
    bright = SLOPES_DEG[response > 0.5 * response.max()]
    assert bright.min() == pytest.approx(zenith[0] / 2, abs=1.0)
    assert bright.max() == pytest.approx(zenith[1] / 2, abs=1.0)


def test_white_share_of_the_whole_sky_is_one():
    """Closed form: a uniform hemisphere gives a white Lambertian surface its own radiance."""
    assert white_share(Light("sky", "a", "mono", (0.0, 90.0))) == pytest.approx(1.0)
    assert white_share(Light("half", "a", "mono", (0.0, 90.0), (0.0, 180.0))) == pytest.approx(0.5)


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (0.8, 1.0, 1.2), (1.0, 0.7, 1.0)])
def test_slope_comes_back_from_predicted_responses(gains):
    """The inversion stands gain drift: within 4 degrees between 10 and 34 degrees of slope."""
    station = drawn.station()
    optics = optics_of(station)
    slopes = np.arange(10.0, 35.0)
    responses = predict(station.lights, slopes, 0.14) * np.array(gains) * 0.9
    found, energy = slope_from_responses(responses.astype(np.float32), optics, 0.14)
    assert np.abs(found - slopes).max() < 4.0
    assert energy.min() > 0.3 * optics.lit_energy


@pytest.mark.parametrize("order", list(permutations(range(3))))
@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("each", [False, True])
def test_slopes_do_not_depend_on_how_moments_lie_in_memory(order: tuple[int, ...], count: int, each: bool):
    """[joint, azimuth, radius] in every order of storing, one joint or several, one roughness or one a joint."""
    optics = optics_of(drawn.station())
    generator = np.random.default_rng(31)
    moment = generator.uniform(optics.moments[0], optics.moments[-1], (count, 7, 5)).astype(np.float32)
    roughness = generator.uniform(0.08, 0.2, count) if each else np.array([0.13])
    stored = np.ascontiguousarray(moment.transpose(order)).transpose(np.argsort(order))
    found = slope_from_moment(stored, optics, roughness)
    # One sample alone lies in memory in one way only.
    alone = [[slope_from_moment(sample.reshape(1), optics, rough)[0] for sample in joint.ravel()]
             for joint, rough in zip(moment, np.broadcast_to(roughness, count).tolist(), strict=True)]
    assert np.array_equal(found, np.array(alone).reshape(moment.shape))
    several = [axis for axis in range(3) if moment.shape[axis] > 1]
    assert [found.strides[axis] for axis in several] == [stored.strides[axis] for axis in several]
