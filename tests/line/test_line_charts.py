"""Control charts against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from models.errors import MeniscopeError
from vision.line import charts


def numbers(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


def test_counts_on_equal_exposures_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.1, counts of defects on 25 wafers
    wafers = numbers("16 14 28 16 12 20 10 12 10 17 19 17 14 16 15 13 14 16 11 20 11 19 16 31 13")
    chart = charts.u_chart(wafers, np.ones(25))
    assert chart.center[0] == 16.0
    assert (chart.upper[0], chart.lower[0]) == (28.0, 4.0)
    assert list(np.flatnonzero(chart.out) + 1) == [24]  # wafer 3 lies on the limit and does not signal


def test_counts_on_equal_exposures_of_the_circuit_boards() -> None:
    # qcc package (R), data set "circuit", first 26 boards, and the limits it prints
    boards = numbers("21 24 16 12 15 5 28 20 31 25 20 24 16 19 10 17 13 22 18 39 30 24 16 19 17 15")
    chart = charts.u_chart(boards, np.ones(26))
    assert chart.center[0] == pytest.approx(19.84615, abs=1e-5)
    assert chart.upper[0] == pytest.approx(33.21086, abs=1e-5)
    assert chart.lower[0] == pytest.approx(6.481447, abs=1e-6)


HANDBOOK_P = numbers("12 15 8 10 4 7 16 9 14 10 5 6 17 12 22 8 10 5 13 11 20 18 24 15 9 12 7 13 9 6")


def test_p_chart_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2, defective chips of 50 on 30 wafers; limits as the qcc package prints them
    chart = charts.p_chart(HANDBOOK_P, np.full(30, 50))
    assert chart.center[0] == pytest.approx(0.2313333, abs=1e-7)
    assert chart.upper[0] == pytest.approx(0.4102391, abs=1e-7)
    assert chart.lower[0] == pytest.approx(0.0524276, abs=1e-7)
    assert list(np.flatnonzero(chart.out) + 1) == [15, 23]


def test_p_chart_without_the_two_outliers() -> None:
    # the same data without samples 15 and 23, computed from the stated formula
    kept = np.delete(HANDBOOK_P, [14, 22])
    chart = charts.p_chart(kept, np.full(28, 50))
    assert chart.center[0] == pytest.approx(0.215)
    assert chart.upper[0] == pytest.approx(0.389297, abs=1e-6)
    assert chart.lower[0] == pytest.approx(0.040703, abs=1e-6)


def test_u_chart_with_varying_sizes() -> None:
    # qcc package (R), data set "dyedcloth"; limits from u-bar +/- 3 sqrt(u-bar / n)
    events, sizes = numbers("14 12 20 11 7 10 21 16 19 23"), numbers("10 8 13 10 10 10 12 11 12 13")
    chart = charts.u_chart(events, sizes)
    assert chart.center[0] == pytest.approx(1.403670, abs=1e-6)
    wanted = {8: (0.14704, 2.66030), 10: (0.27970, 2.52764), 11: (0.33201, 2.47533), 12: (0.37763, 2.42971),
              13: (0.41789, 2.38945)}
    for size, low, high in zip(sizes, chart.lower, chart.upper, strict=True):
        assert (low, high) == pytest.approx(wanted[int(size)], abs=1e-5)
    assert not chart.out.any()


@pytest.mark.parametrize("kind", ["p", "u"])
@pytest.mark.parametrize("center", [0.0005, 0.004, 0.2])
def test_exact_limits_keep_the_stated_rate(kind: str, center: float) -> None:
    # reference: scipy.stats distributions; either tail beyond a limit may hold at most half of 0.27 %
    from scipy import stats

    sizes = np.array([20, 96, 250, 5000])
    chart = (charts.p_chart if kind == "p" else charts.u_chart)(np.zeros(4), sizes, center=center, exact=True)
    for n, low, high in zip(sizes, chart.lower * sizes, chart.upper * sizes, strict=True):
        law = stats.binom(n, center) if kind == "p" else stats.poisson(n * center)
        assert law.sf(round(high)) <= charts.THREE_SIGMA_RATE / 2 < law.sf(round(high) - 1)
        assert law.cdf(round(low) - 1) <= charts.THREE_SIGMA_RATE / 2
    assert 0.0 <= chart.false_alarm_rate <= charts.THREE_SIGMA_RATE


def test_three_sigma_limits_of_small_counts_are_no_good() -> None:
    # one defect in 5 boards of 96 joints: the three-sigma chart would cry wolf far more often than it seems to promise
    sizes = np.full(50, 96)
    plain = charts.u_chart(np.zeros(50), sizes, center=0.2 / 96)
    exact = charts.u_chart(np.zeros(50), sizes, center=0.2 / 96, exact=True)
    from scipy import stats

    assert plain.false_alarm_rate == pytest.approx(stats.poisson.sf(1, 0.2), rel=1e-9)
    assert plain.false_alarm_rate > 6 * charts.THREE_SIGMA_RATE
    assert exact.false_alarm_rate < charts.THREE_SIGMA_RATE


def test_individuals_and_moving_range_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of 10 batches
    flow = numbers("49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1")
    chart, ranges = charts.individuals_chart(flow), charts.moving_range_chart(flow)
    assert chart.center[0] == pytest.approx(50.81)
    assert ranges.center[0] == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper[0] == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower[0] == pytest.approx(45.8159, abs=5e-5)
    assert ranges.upper[0] == pytest.approx(6.1347, abs=5e-5)
    assert not chart.out.any()


def test_ewma_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4
    x = numbers("52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1")
    z = numbers("50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 "
                "50.73 51.23 51.94 51.99")
    chart = charts.ewma_chart(x, target=50.0, sigma=2.0539, weight=0.3, width=3.0, settled=True)
    assert chart.points == pytest.approx(z, abs=0.0051)
    assert chart.upper[0] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[0] == pytest.approx(47.4115, abs=1e-4)
    assert not chart.out.any()


def test_ewma_limits_widen_as_stated() -> None:
    # factor weight / (2 - weight) * (1 - (1 - weight)^(2 i)), NIST/SEMATECH e-Handbook 6.3.2.4
    chart = charts.ewma_chart(np.zeros(3), target=0.0, sigma=1.0, weight=0.2, width=3.0)
    assert chart.upper == pytest.approx(3 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** np.array([2.0, 4.0, 6.0]))))
    assert chart.upper[0] == pytest.approx(0.6)  # the first point is weight * x


def test_cusum_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, allowance .3175, decision value 4.1959, sigma of means .635
    x = numbers("324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 "
                "328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350")
    high = numbers("0 0 0 0 .0325 0 0 0 0 0 0 0 3.0075 4.94 7.4475 10.63 11.9875 14.445 16.0025 19.035")
    low = numbers("0 .0075 0 .3325 0 0 .5575 .715 .1725 .255 .3125 0 0 0 0 0 0 0 0 0")
    chart = charts.cusum_chart(x, target=325.0, sigma=0.635, allowance=0.5, decision=4.1959 / 0.635)
    assert chart.high == pytest.approx(high, abs=1e-9)
    assert chart.low == pytest.approx(low, abs=1e-9)
    assert list(np.flatnonzero(chart.out) + 1) == [14, 15, 16, 17, 18, 19, 20]


@pytest.mark.parametrize("call", [
    lambda: charts.p_chart([3], [2]), lambda: charts.u_chart([1], [0]), lambda: charts.individuals_chart([1.0]),
    lambda: charts.individuals_chart([1.0, np.nan, 2.0]), lambda: charts.ewma_chart([1.0], target=0, sigma=1, weight=0),
])
def test_impossible_input_is_refused(call) -> None:
    with pytest.raises(MeniscopeError, match=r"got .* wanted"):
        call()
