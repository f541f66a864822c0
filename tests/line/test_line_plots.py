"""Drawings of line reports: readable without colour, the board as the camera sees it, limits always in sight."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from invented_line import database

from synthetic_images.line_lot import Drift, line_family, simulate_line
from vision.line.load import Scope
from vision.line.report import build_report


def test_every_colour_has_a_second_sign() -> None:
    """Points out of limits are triangles, bars differ by pattern, map marks by size and ring: never colour alone."""
    from vision.line import plots
    from vision.line.heat_map import heat_map
    from vision.line.report import FindingRow, JointRow, Seen

    bars = plots.pareto_plot([FindingRow("bridge", "bridge", 6, 2, 2, 2, 0, 0, 1.0)])
    assert 'class="real"' in bars and 'class="waiting"' in bars and 'class="false"' in bars and "pattern" in bars
    rows = [JointRow("f", f"J1.{i}", 2.0 * i, 0.0, 100, i, 1e4 * i, 0.0, 1e5, 0.01 if i == 5 else 1.0, "bridge")
            for i in range(6)]
    drawn = heat_map(rows, Seen("f", "bottom"))
    assert drawn.count('class="ring"') == 2  # one joint and the key
    assert "J1.5</text>" in drawn
    assert "10 not false" not in drawn and "5 not false of 100 graded" in drawn


def _circles(drawn: str, kind: str) -> list[tuple[float, float, float]]:
    return [(float(x), float(y), float(r)) for x, y, r in re.findall(
        rf'class="{kind}" cx="([^"]+)" cy="([^"]+)" r="([^"]+)"', drawn)]


@pytest.mark.parametrize(("side", "turn", "right", "down"), [
    ("bottom", 0.0, (-1.0, 0.0), (0.0, -1.0)), ("top", 0.0, (1.0, 0.0), (0.0, -1.0)),
    ("bottom", 90.0, (0.0, 1.0), (-1.0, 0.0))])
def test_the_map_is_the_board_as_the_camera_sees_it(side: str, turn: float, right: tuple[float, float],
                                                    down: tuple[float, float]) -> None:
    """From the solder side x runs to the left, and a view's turn is counter-clockwise in the picture."""
    from vision.line.heat_map import heat_map
    from vision.line.report import JointRow, Seen

    rows = [JointRow("f", name, x, y, 100, calls, 1e4 * calls, 0.0, 1e5, 1.0, "")
            for name, x, y, calls in (("O.1", 0.0, 0.0, 1), ("X.1", 10.0, 0.0, 2), ("Y.1", 0.0, 10.0, 3))]
    origin, along_x, along_y = (np.array(place[:2]) for place in _circles(heat_map(rows, Seen("f", side, turn)),
                                                                          "joint")[:3])
    assert (along_x - origin) / np.hypot(*(along_x - origin)) == pytest.approx(right, abs=1e-2)
    assert (along_y - origin) / np.hypot(*(along_y - origin)) == pytest.approx(down, abs=1e-2)


def test_names_stand_where_they_hide_nothing_and_the_key_lies_within_the_drawing() -> None:
    from vision.line.heat_map import heat_map
    from vision.line.report import JointRow, Seen

    def row(number: int, step: float) -> JointRow:
        return JointRow("f", f"CONNECTOR{number}.1", step * number, 0.0, 100, 1, 1e4, 0.0, 1e5, 1.0, "")

    apart = heat_map([row(number, 10.0) for number in range(4)], Seen("f", "bottom"))
    assert len(re.findall(r"CONNECTOR\d\.1</text>", apart)) == 4
    close = heat_map([row(number, 0.5) for number in range(60)], Seen("f", "bottom"))
    assert 5 < len(re.findall(r"CONNECTOR\d+\.1</text>", close)) < 30
    for span in (0.0, 3.0, 100.0):
        drawn = heat_map([row(number, span) for number in range(3)], Seen("f", "bottom"))
        height = float(re.search(r'viewBox="0 0 900 ([\d.]+)"', drawn)[1])  # type: ignore[index]
        for x, y, r in (*_circles(drawn, "joint"), *_circles(drawn, "ring")):
            assert r <= y <= height - r and r <= x <= 900.0 - r


def test_ticks_are_round_numbers_inside_the_range() -> None:
    from vision.line.plots import nice_ticks

    assert nice_ticks(0.0, 1.0) == pytest.approx([0.0, 0.5, 1.0]) or nice_ticks(0.0, 1.0) == pytest.approx(
        [0.0, 0.2, 0.4, 0.6, 0.8, 1.0])
    for low, high in ((0.0, 3.7), (340.0, 361.0), (-0.3, 0.2), (5.0, 5.0), (1e-6, 4e-6)):
        ticks = nice_ticks(low, high)
        assert 2 <= len(ticks) <= 7
        assert all(low - 1e-9 <= tick <= max(high, low + 1.0) + 1e-9 for tick in ticks)


def test_the_limit_of_a_cumulative_sum_is_seen_however_far_the_sum_runs(tmp_path: Path) -> None:
    """An axis up to the largest sum hides the limit at its bottom; what lies beyond is marked and named."""
    from vision.line.plots import CUSUM_AXIS, measure_plot

    filled = database(tmp_path, simulate_line(line_family(4), boards=100, seed=1, drifts=(
        Drift("flux_jet_clogging", 60, place="S5", strength=1.5),)))
    chart = build_report(filled, Scope(step="S5")).measure_charts[0]
    sums = np.concatenate([chart.cusum.high, chart.cusum.low]) / chart.sigma
    limit = float(chart.cusum.decision) / chart.sigma
    assert sums.max() > CUSUM_AXIS * limit
    drawn = measure_plot(chart)
    assert f"beyond the axis, up to {sums.max():.3g}</text>" in drawn
    assert drawn.count("sigma, beyond the axis</title>") == int((sums > CUSUM_AXIS * limit).sum())
    lower = drawn.split("CUSUM, sigma")[1]
    heights = [float(y) for y in re.findall(r'class="limit" points="[\d.]+,([\d.]+)', lower)]
    assert len(heights) == 1 and heights[0] < 290.0 - 10.0  # well above the axis' foot
    quiet = measure_plot(build_report(filled, Scope(step="S1")).measure_charts[2])
    filled.dispose()
    assert "beyond the axis" not in quiet
