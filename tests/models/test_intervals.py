"""Intervals for shares against published cases."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import MeniscopeError
from models.intervals import clopper_pearson


# The cases of Newcombe, Statistics in Medicine 17 (1998) 857; values recomputed from the exact formula.
@pytest.mark.parametrize(("k", "n", "exact"), [
    (81, 263, (0.252737, 0.367622)), (15, 148, (0.057844, 0.161650)), (0, 20, (0.0, 0.168433)),
    (1, 29, (0.000873, 0.177644)), (5, 10, (0.187086, 0.812914)), (0, 10, (0.0, 0.308497)),
    (0, 300, (0.0, 0.012221))])
def test_published_cases(k: int, n: int, exact: tuple[float, float]) -> None:
    assert clopper_pearson(k, n) == pytest.approx(exact, abs=1e-6)


def test_nist_example() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 %.
    assert clopper_pearson(4, 20, 0.90) == pytest.approx((0.071354, 0.401028), abs=1e-6)


@pytest.mark.parametrize(("n", "exact"), [(10, 0.258866), (30, 0.095034), (100, 0.029513), (300, 0.009936),
                                          (1000, 0.0029912)])
def test_no_event_in_n_tries_bounds_the_share(n: int, exact: float) -> None:
    # 1 - 0.05^(1/n), the exact form of the rule of three: one-sided at 95 %, which is the upper end at 90 %.
    assert clopper_pearson(0, n, 0.90)[1] == pytest.approx(exact, abs=1e-6)


def test_nothing_tried_means_nothing_known() -> None:
    assert clopper_pearson(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("k", "n", "confidence"), [(3, 2, 0.95), (-1, 2, 0.95), (1, 2, 1.0), (1, 2, 0.0)])
def test_counts_that_cannot_be_are_refused(k: int, n: int, confidence: float) -> None:
    with pytest.raises(MeniscopeError):
        clopper_pearson(k, n, confidence)


@settings(deadline=None)  # the first call imports the library
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_agrees_with_the_statistics_library(pair: tuple[int, int], confidence: float) -> None:
    from scipy.stats import binomtest

    k, n = pair
    interval = binomtest(k, n).proportion_ci(confidence, method="exact")
    assert clopper_pearson(k, n, confidence) == pytest.approx((interval.low, interval.high), abs=1e-9)
