"""Yield arithmetic, exact intervals, many tests at once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import MeniscopeError
from vision.line import rates


def test_dpmo_and_yield_arithmetic() -> None:
    # 12 defects on 150 units with 400 opportunities each; values computed from the definitions
    assert rates.dpmo(12, 150 * 400) == pytest.approx(200.0)
    assert rates.yield_from_dpmo(200.0, 400) == pytest.approx(0.923109, abs=5e-7)
    assert rates.yield_from_dpu(12 / 150) == pytest.approx(0.923116, abs=5e-7)
    assert rates.yield_from_dpu(0.02) == pytest.approx(0.980199, abs=5e-7)
    assert rates.rolled_yield([0.98, 0.95, 0.99]) == pytest.approx(0.92169)
    assert np.isnan(rates.dpmo(0, 0))


@given(st.integers(0, 60), st.floats(0.5, 500.0))
@settings(max_examples=60, deadline=None)
def test_poisson_interval_against_scipy(count: int, exposure: float) -> None:
    # Garwood limits by chi-square quantiles, scipy.stats
    from scipy import stats

    low, high = rates.poisson_interval(count, exposure)
    wanted_low = stats.chi2.ppf(0.025, 2 * count) / 2 / exposure if count else 0.0
    assert float(low) == pytest.approx(wanted_low, rel=1e-8)
    assert float(high) == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2) / 2 / exposure, rel=1e-8)


@given(st.lists(st.integers(0, 12), min_size=2, max_size=30), st.integers(1, 400))
@settings(max_examples=60, deadline=None)
def test_higher_than_rest_against_scipy(counts: list[int], size: int) -> None:
    # reference: scipy.stats.binomtest, one-sided
    from scipy import stats

    found = rates.higher_than_rest(np.array(counts), np.full(len(counts), size))
    if sum(counts):
        for count, p_value in zip(counts, found, strict=True):
            wanted = stats.binomtest(count, sum(counts), 1 / len(counts), alternative="greater").pvalue
            assert p_value == pytest.approx(wanted, rel=1e-9, abs=1e-300)
    else:
        assert np.all(found == 1.0)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=200))
@settings(max_examples=80, deadline=None)
def test_benjamini_hochberg_against_scipy(p_values: list[float]) -> None:
    from scipy import stats

    assert rates.benjamini_hochberg(p_values) == pytest.approx(stats.false_discovery_control(p_values), rel=1e-12)


def test_benjamini_hochberg_against_statsmodels() -> None:
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p_values = np.random.default_rng(2).random(300) ** 3
    wanted = multitest.multipletests(p_values, method="fdr_bh")[1]
    assert rates.benjamini_hochberg(p_values) == pytest.approx(wanted, rel=1e-12)


def test_impossible_input_is_refused() -> None:
    with pytest.raises(MeniscopeError, match=r"got .* wanted"):
        rates.benjamini_hochberg([0.1, np.nan])
    with pytest.raises(MeniscopeError, match=r"got .* wanted"):
        rates.yield_from_dpmo(2e6, 1)
