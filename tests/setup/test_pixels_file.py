"""pixels.csv: written, read back, and every fault of it told at once; what it does to slopes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from synthetic_images.demo import demo_family, demo_station
from vision.pipeline.light.optics import optics_of, slope_from_moment
from vision.records.keys import family_content
from vision.setup import read_family, write_family
from vision.setup.pixels import PixelPoint, PixelTable, read_pixels
from vision.teaching.pixels import BIN_DEG, Samples, curves_of

HEADER = "station,roughness,moment_deg,slope_deg,n\n"


def _table() -> PixelTable:
    name = demo_station().name
    return PixelTable((PixelPoint(name, 0.1, 10.0, 5.0, 300), PixelPoint(name, 0.1, 30.0, 35.0, 400)))


def test_family_keeps_its_table_and_is_another_family_with_it(tmp_path: Path) -> None:
    family = demo_family()
    taught = replace(family, pixels=_table())
    write_family(taught, tmp_path)
    assert read_family(tmp_path) == taught != family
    assert family_content(taught)[1] != family_content(family)[1]
    assert "pixels" not in family_content(family)[0]


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "pixels.csv"
    rows = "a,0.1,10,20,5\na,0.1,12,15,5\na,0.1,12,15,5\nb,0.1,10,5,5\nb,x,95,5,0\n"
    path.write_text(HEADER + rows, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_pixels(path)
    text = str(caught.value)
    for part in ("row 3, slope_deg", "row 4, moment_deg", "one point alone", "row 6, roughness", "row 6, moment_deg",
                 "row 6, n"):
        assert part in text


def test_slopes_follow_the_table_of_their_station_only() -> None:
    station, moment = demo_station(), np.array([[20.0]], np.float32)
    taught = slope_from_moment(moment.copy(), optics_of(station, _table()), 0.1)
    assert taught[0, 0] == pytest.approx(20.0, abs=0.2)  # half way between the two points
    other = optics_of(replace(station, name="another"), _table())
    assert other is optics_of(station)


def test_curve_of_a_known_law_is_found() -> None:
    moment = np.random.default_rng(3).uniform(8.0, 32.0, 30_000).astype(np.float32)
    points = curves_of(Samples(np.full(moment.size, 0.1), moment, 1.5 * moment - 4.0), "s")
    assert len(points) >= 23
    for point in points:
        # Median of a bin under a linear law is the law at the bin's median.
        assert point.slope_deg == pytest.approx(1.5 * point.moment_deg - 4.0, abs=0.1 * BIN_DEG)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(-2.0, 2.0), st.floats(0.0, 20.0))
def test_curves_never_fall(seed: int, trend: float, noise: float) -> None:
    rng = np.random.default_rng(seed)
    moment = rng.uniform(8.0, 20.0, 24_000).astype(np.float32)
    slope = np.clip(30.0 + trend * moment + rng.normal(0.0, noise, moment.size), 0.0, 90.0).astype(np.float32)
    points = curves_of(Samples(rng.uniform(0.05, 0.3, moment.size), moment, slope), "s")
    assert points
    for roughness in {point.roughness for point in points}:
        assert (np.diff([p.slope_deg for p in points if p.roughness == roughness]) >= 0.0).all()
