"""Comparing groups of boards: p-values against scipy, intervals against simulation and published cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.errors import MeniscopeError
from vision.line.compare import compare_numbers, compare_shares, rank_correlation


def test_shares_against_fisher() -> None:
    found = compare_shares((1, 40), (9, 30))
    assert found.p_value == pytest.approx(stats.fisher_exact([[1, 39], [9, 21]]).pvalue, rel=1e-12)
    assert found.effect == pytest.approx(9 / 30 - 1 / 40)
    assert found.low < found.effect < found.high
    assert found.low > 0.0


def test_interval_of_a_difference_of_shares() -> None:
    # Newcombe (Statistics in Medicine 17, 1998) case 56/70 against 48/80, method 10: 0.0524 to 0.3339 - from memory of
    # the paper's table II; the difference 0.2 is exact
    found = compare_shares((48, 80), (56, 70))
    assert (found.effect, found.low, found.high) == pytest.approx((0.2, 0.0524, 0.3339), abs=5e-5)


def test_numbers_against_scipy_exact() -> None:
    rng = np.random.default_rng(8)
    x, y = rng.normal(0, 1, 12), rng.normal(1.5, 1, 9)
    found = compare_numbers(x, y)
    wanted = stats.mannwhitneyu(y, x, method="exact")
    assert found.p_value == pytest.approx(wanted.pvalue, rel=1e-12)
    assert found.separation == pytest.approx(wanted.statistic / (12 * 9))
    assert found.method == "Mann-Whitney test, exact"
    assert found.typical == (np.median(x), np.median(y))


def test_tied_numbers_are_regrouped_at_random_and_repeatably() -> None:
    x, y = [3, 3, 3, 3, 2, 3, 3, 3], [0, 3, 0, 0, 1, 0]
    found, again = compare_numbers(x, y), compare_numbers(x, y)
    assert found == again
    # exact p-value by regrouping in every way: scipy.stats.permutation_test over all 3003 groupings
    exact = stats.permutation_test((np.array(y), np.array(x)), lambda a, b: stats.mannwhitneyu(a, b).statistic,
                                   n_resamples=np.inf).pvalue
    assert found.p_value == pytest.approx(exact, abs=0.006)


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_shift_interval_holds_the_truth_as_often_as_it_says(shift: float) -> None:
    rng = np.random.default_rng(3)
    hits, runs = 0, 400
    for _ in range(runs):
        found = compare_numbers(rng.exponential(1.0, 30), rng.exponential(1.0, 20) + shift)
        hits += found.low <= shift <= found.high
    assert stats.binomtest(hits, runs, 0.95).pvalue > 1e-3


def test_missing_values_are_left_out() -> None:
    found = compare_numbers([1.0, 2.0, np.nan, 3.0], [4.0, 5.0, np.nan])
    assert found.sizes == (3, 2)
    assert found.separation == 1.0


def test_rank_correlation_against_scipy() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1, 40)
    y = x + rng.normal(0, 1, 40)
    assert rank_correlation(x, y) == pytest.approx(tuple(stats.kendalltau(x, y)), rel=1e-12)
    assert rank_correlation(np.ones(10), x[:10]) == (0.0, 1.0)


def test_impossible_input_is_refused() -> None:
    with pytest.raises(MeniscopeError, match="wanted"):
        compare_shares((3, 2), (1, 2))
    with pytest.raises(MeniscopeError, match="wanted"):
        compare_numbers([1.0], [1.0, 2.0])
