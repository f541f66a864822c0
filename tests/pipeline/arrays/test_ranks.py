"""Percentiles, medians and what runs along polar rays, against NumPy's own functions."""

from __future__ import annotations

import numpy as np
import pytest

from vision.pipeline.arrays.radial import by_radius, largest_at, number, on_rays, taken, until
from vision.pipeline.arrays.ranks import SHORT, median, percentile

LENGTHS = (1, 2, 3, 10, SHORT, SHORT + 1, 2 * SHORT + 1)


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_median_is_numpys(length, kind):
    values = np.random.default_rng(length).random((4, 3, length)).astype(kind)
    values[values < 0.3] = 0.0  # with ties
    assert np.array_equal(median(values), np.median(values, axis=-1))
    assert median(values).dtype == kind


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("percent", [0.0, 33.3, 50.0, 75.0, 93.0, 100.0])
def test_percentile_is_numpys(length, percent):
    values = np.random.default_rng(length).random((5, length), dtype=np.float32)
    expected = np.percentile(values.astype(np.float64), percent, axis=-1)
    assert np.allclose(percentile(values, percent), expected, rtol=1e-12)


@pytest.mark.parametrize("stored", [by_radius, np.ascontiguousarray])
def test_samples_along_rays_are_those_numpy_takes(stored):
    rng = np.random.default_rng(3)
    table = stored(rng.random((4, 6, 9), dtype=np.float32))
    place = rng.integers(0, 9, (4, 6, 3))
    assert np.array_equal(taken(table, place), np.take_along_axis(table, place, axis=2))
    assert np.array_equal(taken(table, place[..., 0]), np.take_along_axis(table, place[..., :1], axis=2)[..., 0])
    some = np.array([3, 1])
    assert np.array_equal(taken(table, place[some], some), np.take_along_axis(table[some], place[some], axis=2))
    ray = np.array([2, 23, 7])
    assert np.array_equal(on_rays(table, ray, np.array([0, 8, 4])), table.reshape(24, 9)[ray, [0, 8, 4]])


def test_first_and_largest_and_number_along_rays():
    rng = np.random.default_rng(4)
    flags = by_radius(rng.random((5, 7, 11)) > 0.85)
    assert not flags.any(axis=2).all()
    assert np.array_equal(until(flags), np.where(flags.any(axis=2), flags.argmax(axis=2), 11))
    assert np.array_equal(number(flags), flags.sum(axis=2))
    values = by_radius(np.round(rng.random((5, 7, 11), dtype=np.float32) * 5.0))  # with ties
    assert np.array_equal(largest_at(values), values.argmax(axis=2))
