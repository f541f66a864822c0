"""Sequential ranks and the alarm threshold: what is claimed of them holds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from vision.line.sequential import change_point, draws, log_odds, sequential_ranks, shiryaev_roberts


def test_ranks_are_uniform_and_independent_for_any_distribution() -> None:
    # Parent (1965): sequential ranks of an exchangeable series are independent and uniform
    rng = np.random.default_rng(1)
    values = np.round(rng.exponential(1.0, (60, 400)), 1)  # many ties
    ranks = sequential_ranks(values, rng.random(values.shape))
    assert stats.kstest(ranks[30:].ravel(), "uniform").pvalue > 0.01
    assert stats.pearsonr(ranks[30:-1].ravel(), ranks[31:].ravel()).pvalue > 0.001


def test_ranks_without_ties_follow_order_statistics() -> None:
    values = np.array([[3.0], [1.0], [2.0], [np.nan], [9.0]])
    ranks = sequential_ranks(values, np.full(values.shape, 0.5))
    assert ranks.ravel() == pytest.approx([0.5, 0.25, 0.5, np.nan, 0.875], nan_ok=True)


def test_evidence_minus_boards_stays_at_zero_on_average() -> None:
    # the martingale of the Shiryaev-Roberts procedure (Pollak, Annals of Statistics 13, 1985): E[R after n boards] = n.
    # The mean over few boards is checked, since the statistic's tail makes long ones noisy.
    rng = np.random.default_rng(2)
    ranks = rng.random((4, 400_000))
    evidence = shiryaev_roberts(ranks, np.ones(ranks.shape, dtype=bool))
    for board in range(4):
        sample = evidence[:, board]
        error = sample.std() / np.sqrt(sample.size)
        assert abs(sample.mean() - (board + 1)) < max(5.0 * error, 0.02)


def test_alarms_without_drift_come_no_more_often_than_stated() -> None:
    # the bound behind every alarm: P(max of R over n boards >= c) <= n / c (Doob's inequality), here 100 / 1000
    rng = np.random.default_rng(3)
    values = rng.standard_t(2, (100, 2000))
    ranks = sequential_ranks(values, rng.random(values.shape))
    evidence = shiryaev_roberts(ranks, np.ones(ranks.shape, dtype=bool)).mean(axis=0)
    alarms = int((evidence.max(axis=0) >= 1000.0).sum())
    assert 0 < alarms <= stats.binom.ppf(0.999, 2000, 0.1)


def test_a_change_is_dated() -> None:
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(60):
        values = rng.normal(0, 1, 90)
        values[70:] += 3.0
        ranks = sequential_ranks(values[:, None], rng.random((90, 1)))
        low, best, high = change_point(log_odds(ranks[40:, 0], 1))
        inside += 40 + low <= 70 <= 40 + high
        assert low <= best <= high
    assert inside >= 50


def test_a_statistic_starts_afresh_after_an_inactive_board() -> None:
    ranks = np.full((6, 1), 0.999)
    active = np.array([True, True, False, True, True, True])[:, None]
    evidence = shiryaev_roberts(ranks, active, sides=(1,))[0, :, 0]
    assert evidence[2] == 0.0
    assert evidence[3] == pytest.approx(evidence[0])


def test_a_missing_value_says_nothing() -> None:
    ranks = np.array([[0.99], [np.nan], [0.99]])
    evidence = shiryaev_roberts(ranks, np.ones((3, 1), dtype=bool), sides=(1,))[0, :, 0]
    assert evidence[1] == evidence[0]
    assert evidence[2] > evidence[1]


def test_draws_depend_on_the_keys_alone() -> None:
    both, one = draws(["a", "b"], 5), draws(["b"], 5)
    assert np.array_equal(both[1], one[0])
    assert not np.array_equal(both[0], both[1])
