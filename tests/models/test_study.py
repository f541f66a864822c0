"""Gauge studies, agreement and sample sizes against published worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import MeniscopeError
from models.study import (
    agreement,
    effectiveness,
    gauge_by_anova,
    gauge_by_range,
    kappa,
    kappa_of_table,
    repeatability,
    sample_size,
)

# AIAG, Measurement Systems Analysis, 4th edition, the worked gauge study: 3 appraisers, 3 trials, 10 parts.
AIAG = np.array([[float(cell) for cell in line.split()] for line in """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
.41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
""".strip().splitlines()]).reshape(3, 3, 10)


def test_gauge_study_by_ranges() -> None:
    # AIAG MSA, 4th edition, gauge report of the worked study; recomputed with K1 .5908, K2 .5231, K3 .3146.
    study = gauge_by_range(AIAG)
    assert study.repeatability == pytest.approx(0.201857, abs=1e-6)
    assert study.reproducibility == pytest.approx(0.229667, abs=1e-6)
    assert study.gauge == pytest.approx(0.305766, abs=1e-6)
    assert study.part == pytest.approx(1.104596, abs=1e-6)
    assert study.total == pytest.approx(1.146135, abs=1e-6)
    assert 100 * study.gauge_share == pytest.approx(26.68, abs=0.005)
    assert study.categories == 5
    shares = [100 * float(str(row["of total"])) for row in study.rows()]
    assert shares == pytest.approx([17.61, 20.04, 26.68, 96.38, 100.0], abs=0.005)


def test_gauge_study_by_anova() -> None:
    # The same data; the analysis of variance recomputed from its definition.
    found = gauge_by_anova(AIAG)
    assert found.squares == pytest.approx(
        {"part": 88.361934, "appraiser": 3.167262, "interaction": 0.358982, "error": 2.758933}, abs=1e-5)
    assert found.freedom == {"part": 9, "appraiser": 2, "interaction": 18, "error": 60}
    assert found.interaction_f == pytest.approx(0.4337, abs=1e-4)
    assert found.pooled
    study = found.study
    assert (study.repeatability, study.reproducibility, study.gauge, study.part, study.total) == pytest.approx(
        (0.199933, 0.226838, 0.302372, 1.042327, 1.085300), abs=1e-5)
    assert 100 * study.gauge_share == pytest.approx(27.86, abs=0.005)


def test_the_interaction_is_kept_where_it_is_real() -> None:
    rng = np.random.default_rng(1)
    values = AIAG + rng.normal(0, 1.0, (3, 1, 10))  # each appraiser reads each part differently
    found = gauge_by_anova(values)
    assert not found.pooled
    assert found.study.interaction == pytest.approx(1.0, rel=0.4)
    assert found.study.reproducibility >= found.study.interaction


@settings(deadline=None)
@given(st.integers(1, 4), st.integers(2, 4), st.integers(2, 8), st.integers(0, 2**31))
def test_sums_of_squares_add_up(appraisers: int, trials: int, parts: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=(appraisers, trials, parts))
    found = gauge_by_anova(values)
    assert math.fsum(found.squares.values()) == pytest.approx(((values - values.mean()) ** 2).sum())
    assert sum(found.freedom.values()) == values.size - 1


def test_known_spreads_come_back() -> None:
    rng = np.random.default_rng(2)
    values = (rng.normal(0, 2.0, (1, 1, 60)) + rng.normal(0, 0.5, (40, 1, 1)) + rng.normal(0, 0.3, (40, 3, 60)))
    study = gauge_by_anova(values, tolerance=6.0).study
    assert study.repeatability == pytest.approx(0.3, rel=0.05)
    assert study.reproducibility == pytest.approx(0.5, rel=0.3)
    assert study.part == pytest.approx(2.0, rel=0.25)
    assert study.tolerance_share == pytest.approx(study.gauge)  # 6 GRR / 6


def test_gauge_data_with_holes_or_too_few_trials_is_refused() -> None:
    with pytest.raises(MeniscopeError, match="at least 2 trials"):
        gauge_by_anova(AIAG[:, :1])
    holed = AIAG.copy()
    holed[0, 0, 0] = np.nan
    with pytest.raises(MeniscopeError, match="missing"):
        gauge_by_range(holed)
    with pytest.raises(MeniscopeError, match="--method anova"):
        gauge_by_range(np.zeros((2, 2, 12)))


@pytest.mark.parametrize("study", [gauge_by_range, gauge_by_anova])
def test_parts_that_all_read_alike_say_nothing_about_a_gauge(study) -> None:
    with pytest.raises(MeniscopeError, match=r"10 parts whose averages are all 360, wanted parts that differ"):
        study(np.full((3, 3, 10), 360.0))
    appraisers = np.zeros((2, 2, 5)) + np.array([0.0, 1.0])[:, None, None]  # they differ, the parts do not
    with pytest.raises(MeniscopeError, match="wanted parts that differ"):
        study(appraisers)


# Cohen's kappa of 2 x 2 tables; the tables are widely used teaching examples, the values follow from the definition.
@pytest.mark.parametrize(("table", "value"), [
    ((20, 5, 10, 15), 0.4), ((45, 15, 25, 15), 0.130435), ((25, 35, 5, 35), 0.259259),
    # Counts of the attribute study in AIAG MSA III.C as remembered; kappa recomputed (the manual prints two digits).
    ((44, 6, 3, 97), 0.8629), ((42, 5, 9, 94), 0.7880), ((43, 7, 8, 92), 0.7761),
    ((45, 5, 3, 97), 0.8788), ((45, 2, 3, 100), 0.9230), ((42, 9, 6, 93), 0.7740),
])
def test_kappa_of_tables(table: tuple[int, ...], value: float) -> None:
    assert kappa_of_table(np.array(table).reshape(2, 2)) == pytest.approx(value, abs=5e-5)


def test_kappa_of_calls_is_kappa_of_their_table() -> None:
    one = ["reject"] * 50 + ["accept"] * 100
    two = ["reject"] * 44 + ["accept"] * 6 + ["reject"] * 3 + ["accept"] * 97
    assert kappa(one, two) == pytest.approx(0.8629, abs=5e-5)
    found = agreement("A", "B", one, two)
    assert (found.count, found.agreed) == (150, 141)
    assert kappa(["accept"] * 5, ["accept"] * 5) == 1.0


def test_kappa_agrees_with_the_learning_library() -> None:
    from sklearn.metrics import cohen_kappa_score

    rng = np.random.default_rng(3)
    one, two = (rng.choice(["accept", "review", "reject"], 200).tolist() for _ in range(2))
    assert kappa(one, two) == pytest.approx(cohen_kappa_score(one, two))


@pytest.mark.parametrize(("missed", "alarms", "miss", "alarm"), [(3, 5, 6.25, 4.90), (3, 2, 6.25, 1.96),
                                                                 (6, 9, 12.5, 8.82)])
def test_miss_and_false_alarm_rates(missed: int, alarms: int, miss: float, alarm: float) -> None:
    # From the counts of the AIAG attribute study: 48 calls on bad, 102 on good parts. Arithmetic.
    calls = ["accept"] * missed + ["reject"] * (48 - missed) + ["reject"] * alarms + ["accept"] * (102 - alarms)
    found = effectiveness("A", [str(i) for i in range(150)], calls, ["reject"] * 48 + ["accept"] * 102)
    assert 100 * found.miss_rate == pytest.approx(miss, abs=0.005)
    assert 100 * found.false_alarm_rate == pytest.approx(alarm, abs=0.005)


def test_a_part_counts_as_right_only_when_every_trial_is() -> None:
    found = effectiveness("A", ["1", "1", "2", "2", "3", "3"],
                          ["accept", "reject", "reject", "reject", "accept", "accept"],
                          ["accept", "accept", "reject", "reject", "reject", "reject"])
    assert (found.parts, found.right, found.consistent, found.misses, found.false_alarms) == (3, 1, 2, 2, 1)
    assert found.grade == "not acceptable"


@pytest.mark.parametrize(("misses", "alarms", "grade"), [
    (0, 0, "acceptable"), (0, 2, "acceptable"), (0, 4, "marginal"), (1, 0, "not acceptable"), (0, 6, "not acceptable")])
def test_grades_of_the_manual(misses: int, alarms: int, grade: str) -> None:
    # AIAG MSA III.C: acceptable from 90 % right, 2 % missed, 5 % false alarms; marginal to 80, 5 and 10 %.
    # Here 10 bad and 50 good parts, each called once: one miss is 10 %, four alarms are 8 %.
    calls = ["accept"] * misses + ["reject"] * (10 - misses) + ["reject"] * alarms + ["accept"] * (50 - alarms)
    found = effectiveness("A", [str(i) for i in range(60)], calls, ["reject"] * 10 + ["accept"] * 50)
    assert found.right == 60 - misses - alarms
    assert found.grade == grade


# n = ceil(ln(1 - C) / ln(1 - p)): the zero-acceptance table, computed from the binomial distribution.
@pytest.mark.parametrize(("confidence", "sizes"), [
    (0.90, (2302, 460, 230, 114, 45, 22, 11)), (0.95, (2995, 598, 299, 149, 59, 29, 14)),
    (0.99, (4603, 919, 459, 228, 90, 44, 21))])
def test_zero_acceptance_table(confidence: float, sizes: tuple[int, ...]) -> None:
    rates = (0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
    assert tuple(sample_size(rate, confidence) for rate in rates) == sizes


@settings(deadline=None)
@given(st.floats(0.002, 0.4), st.floats(0.6, 0.99), st.integers(0, 5))
def test_a_sample_is_large_enough_and_no_larger(rate: float, confidence: float, allowed: int) -> None:
    from scipy.stats import binom

    n = sample_size(rate, confidence, allowed)
    assert binom.cdf(allowed, n, rate) <= (1 - confidence) * (1 + 1e-6)
    assert binom.cdf(allowed, n - 1, rate) > (1 - confidence) * (1 - 1e-6)


def test_studies_refuse_numbers_that_make_no_sense() -> None:
    for bad in ({"rate": 0.0}, {"rate": 0.1, "confidence": 1.0}, {"rate": 0.1, "allowed": -1}):
        with pytest.raises(MeniscopeError):
            sample_size(**bad)  # type: ignore[arg-type]
    with pytest.raises(MeniscopeError):
        kappa(["a"], [])


def test_repeatability_of_unequal_repeats() -> None:
    rng = np.random.default_rng(5)
    counts = rng.integers(2, 6, 400)
    joints = np.repeat(np.arange(400), counts)
    values = rng.normal(0, 3.0, 400)[joints] + rng.normal(0, 0.5, len(joints))
    found = repeatability(values, [f"J{j}" for j in joints])
    assert (found.joints, found.values) == (400, len(joints))
    assert found.within == pytest.approx(0.5, rel=0.05)
    assert found.between == pytest.approx(3.0, rel=0.1)


def test_repeatability_of_equal_repeats_is_the_one_way_table() -> None:
    # 3 joints, 2 repeats: means 2, 4, 9; within (0.5 + 2 + 0.5) / 3 = 1; between mean square 2 * 26 / 2 = 26, so the
    # variance between joints is (26 - 1) / 2. Arithmetic.
    found = repeatability(np.array([1.5, 2.5, 3.0, 5.0, 8.5, 9.5, 100.0, np.nan]), list("aabbccdd"))
    assert (found.joints, found.values) == (3, 6)
    assert (found.within, found.between) == pytest.approx((1.0, math.sqrt(12.5)))


def test_nothing_repeated_gives_nothing() -> None:
    assert repeatability(np.array([1.0, 2.0]), ["a", "b"]).joints == 0
