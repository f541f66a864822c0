"""Marks over a finding's picture: at the right place, as large as what was measured, hidden by one key."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import review_boards as boards
from numpy.typing import NDArray
from sqlalchemy import Engine

from vision.review.boards import Found, load_board
from vision.review.marks import Line, marks_of, measured_at, scale_bar
from vision.review.pictures import SIDE_PX, Window, place_window

#: Seen from the bottom: board x runs to the left, board y upwards.
UPRIGHT = np.array([[-1.0, 0.0], [0.0, -1.0]])
FAULTS = {
    "J1.1": [("partial_wetting", 212.0, "reject"), ("solder_ball", 0.4, "reject")],
    "J1.2": [("bridge", 0.5, "reject", "J1.3")], "J1.3": [("bridge", 0.5, "reject", "J1.2")],
    "X2.1": [("blowhole", 0.5, "indicator")], "C1": [("chip_shifted", 0.6, "reject")],
}


@pytest.fixture
def found(engine: Engine) -> dict[str, Found]:
    key = boards.save(engine, boards.inspection("B1", FAULTS))
    return {f"{item.place} {item.finding}": item for item in load_board(engine, key)[1]}


def drawn(item: Found, measured: dict[str, float]) -> tuple[dict[str, Line], float, Window]:
    """Return the lines by kind, px per mm, and the window."""
    window = place_window(boards.family(), item)
    marks = marks_of(item, boards.family(), measured, window, UPRIGHT)
    return {line.kind: line for line in marks.lines}, SIDE_PX / (2.0 * window.half_mm), window


def points(path: str) -> NDArray[np.float64]:
    return np.array([[float(part) for part in pair.split()] for pair in re.split("[ML]", path.rstrip("Z"))[1:]])


def spans(paths: Sequence[str]) -> NDArray[np.float64]:
    every = np.vstack([points(path) for path in paths])
    return np.asarray(every.max(axis=0) - every.min(axis=0))


def test_a_land_s_outline_lies_round_the_middle(found: dict[str, Found]) -> None:
    lines, per_mm, _ = drawn(found["X2.1 blowhole"], {})
    outline = points(lines["land"].paths[0])
    assert np.allclose((outline.max(axis=0) + outline.min(axis=0)) / 2.0, SIDE_PX / 2.0, atol=0.2)
    assert spans(lines["land"].paths) == pytest.approx(1.8 * per_mm, abs=0.3)


@pytest.mark.parametrize(("azimuth", "way"), [(0.0, (-1.0, 0.0)), (90.0, (0.0, -1.0)), (180.0, (1.0, 0.0))])
def test_a_gap_lies_at_its_azimuth_as_seen_from_the_bottom(found: dict[str, Found], azimuth: float,
                                                           way: tuple[float, float]) -> None:
    lines, per_mm, _ = drawn(found["J1.1 partial_wetting"], {"largest_gap_deg": 60.0, "gap_azimuth_deg": azimuth,
                                                             "toe_radius_mm": 0.8})
    arc = points(lines["gap"].paths[0]) - SIDE_PX / 2.0
    middle = arc[len(arc) // 2]
    assert middle / np.hypot(*middle) == pytest.approx(way, abs=0.02)
    ends = arc[[0, -1]] / np.hypot(*arc[[0, -1]].T)[:, None]
    assert math.degrees(math.acos(float(ends[0] @ ends[1]))) == pytest.approx(60.0, abs=0.5)
    assert np.hypot(*arc.T).min() > 0.9 * per_mm  # outside the land: it hides nothing of the toe
    assert len(lines["gap"].paths) == 3  # with a tick at each end
    assert "60 deg" in lines["gap"].words


def test_there_is_no_toe_in_the_gap(found: dict[str, Found]) -> None:
    item = replace(found["X2.1 blowhole"], finding="partial_wetting")
    lines, per_mm, _ = drawn(item, {"largest_gap_deg": 90.0, "gap_azimuth_deg": 180.0, "toe_radius_mm": 0.8})
    toe = points(lines["toe"].paths[0]) - SIDE_PX / 2.0
    assert np.hypot(*toe.T) == pytest.approx(0.8 * per_mm, abs=0.2)
    assert toe[:, 0].max() == pytest.approx(0.8 * per_mm * math.cos(math.radians(45.0)), abs=0.3)


def test_a_bridge_is_a_corridor_as_wide_as_measured_between_both_joints(found: dict[str, Found]) -> None:
    lines, per_mm, window = drawn(found["J1.2 bridge"], {"bridge_width_mm": 0.5})
    one, other = (points(path) for path in lines["bridge"].paths)
    assert abs(one[0, 1] - other[0, 1]) == pytest.approx(0.5 * per_mm, abs=0.2)
    assert abs(one[0, 0] - one[1, 0]) == pytest.approx((2.54 - 1.0) * per_mm, abs=0.2)  # from hole to hole
    assert np.vstack([one, other]).mean(axis=0) == pytest.approx([SIDE_PX / 2.0] * 2, abs=0.2)
    assert len(lines["land"].paths) == 2
    assert window.x_mm == pytest.approx(4.0 + 1.5 * 2.54)


def test_rings_are_as_large_as_balls_and_pits_and_say_that_their_place_is_not_known(found: dict[str, Found]) -> None:
    for name, measure, size in (("J1.1 solder_ball", "ball_diameter_mm", 0.4),
                                ("X2.1 blowhole", "pit_diameter_mm", 0.5)):
        lines, per_mm, _ = drawn(found[name], {measure: size})
        assert spans(lines["size"].paths) == pytest.approx(size * per_mm, abs=0.3)
        assert "its place is not recorded" in lines["size"].words
        assert points(lines["size"].paths[0]).max() < SIDE_PX


def test_a_projection_s_ring_lies_as_far_from_the_lead_as_measured(found: dict[str, Found]) -> None:
    lines, per_mm, _ = drawn(replace(found["X2.1 blowhole"], finding="solder_projection"), {"projection_mm": 0.7})
    assert spans(lines["reach"].paths) == pytest.approx(2.0 * (0.32 + 0.7) * per_mm, abs=0.3)


def test_a_chip_is_drawn_where_it_should_be_and_where_it_is(found: dict[str, Found]) -> None:
    """C1 is turned by 90 degrees: its long axis is board y, so 0.6 mm across is along x; the bottom view mirrors it."""
    lines, per_mm, _ = drawn(found["C1 chip_shifted"],
                             {"shift_along_mm": 0.0, "shift_across_mm": 0.6, "turn_deg": 0.0})
    moved = points(lines["toe"].paths[0]).mean(axis=0) - points(lines["land"].paths[0]).mean(axis=0)
    assert moved == pytest.approx([0.6 * per_mm, 0.0], abs=0.3)
    assert "found" not in str(drawn(found["C1 chip_shifted"], {"shift_along_mm": math.nan})[0].keys())


def test_the_scale_bar_is_to_scale() -> None:
    """A window of 4 mm is 130 px per mm wide: a bar of 1 mm."""
    bar = scale_bar(Window(0.0, 0.0, 2.0))
    assert ">1 mm</text>" in bar
    line = re.search(r"H([\d.]+)M", bar)
    assert line is not None
    assert float(line[1]) - 18.0 == pytest.approx(SIDE_PX / 4.0, abs=0.1)


def test_what_was_measured_comes_from_the_records(engine: Engine, found: dict[str, Found]) -> None:
    measured = measured_at(engine, found["J1.1 solder_ball"])
    assert (measured["ball_diameter_mm"], measured["coverage_deg"]) == (0.4, 212.0)
    assert math.isnan(measured["wetting_angle_deg"])
    assert measured_at(engine, found["C1 chip_shifted"])["shift_across_mm"] == 0.02
