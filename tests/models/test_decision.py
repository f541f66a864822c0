"""Probabilities of conformity and the two risks, against formulas and a reference library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_tables import joint_table

from models.decision import CriterionRisks, family_risks, gaussian_risks, sampled_risks, violation_probability
from models.errors import MeniscopeError
from models.limits import Condition, LimitSheet, Rule

AT_LEAST_270 = Condition("coverage_deg", below=270.0)


def test_one_and_two_standard_uncertainties_inside_the_limit() -> None:
    # JCGM 106:2012, 8.3.2: a guard band of one (two) standard uncertainties leaves a probability of at most 16 %
    # (2.3 %) that an accepted item does not conform; the values are those of the normal distribution.
    found = violation_probability(np.array([270.0, 278.0, 286.0, 262.0]), 8.0, AT_LEAST_270)
    assert found == pytest.approx([0.5, 0.158655, 0.022750, 0.841345], abs=1e-6)


def test_without_uncertainty_the_verdict_is_certain() -> None:
    found = violation_probability(np.array([269.0, 270.0, np.nan]), 0.0, AT_LEAST_270)
    assert found[:2].tolist() == [1.0, 0.0]
    assert np.isnan(found[2])


def test_a_band_takes_both_tails() -> None:
    band = Condition("lead_visible", above=0.4, below=0.6)
    # P(|z| < 1) = 68.27 %.
    assert violation_probability(np.array([0.5]), 0.1, band) == pytest.approx([0.682689], abs=1e-6)
    assert violation_probability(np.array([0.4, 0.5]), 0.0, band).tolist() == [0.0, 1.0]


@settings(deadline=None)
@given(st.floats(-200, 200), st.floats(0.1, 50), st.floats(1, 300))
def test_below_and_above_share_the_whole(value: float, u: float, limit: float) -> None:
    below = violation_probability(np.array([value]), u, Condition("turn_deg", below=limit))
    above = violation_probability(np.array([value]), u, Condition("turn_deg", above=limit))
    assert below + above == pytest.approx(1.0)


@pytest.mark.parametrize("guard", [0.0, 5.0, 10.0])
def test_global_risks_are_the_corners_of_a_bivariate_normal_distribution(guard: float) -> None:
    # JCGM 106:2012, 9.5: true and measured value together are bivariate normal; here from the statistics library.
    from scipy.stats import multivariate_normal, norm

    mean, spread, u, limit = 300.0, 20.0, 8.0, 270.0
    pair = multivariate_normal([mean, mean], [[spread**2, spread**2], [spread**2, spread**2 + u**2]])
    risks = gaussian_risks(mean, spread, u, Condition("coverage_deg", below=limit, guard=guard))
    both_low = pair.cdf([limit, limit])
    accepted_violations = norm.cdf(limit, mean, spread) - pair.cdf([limit, limit + guard])
    measured_low = norm.cdf(limit, mean, np.hypot(spread, u))
    assert risks.consumer == pytest.approx(accepted_violations, abs=2e-6)
    assert risks.producer == pytest.approx(measured_low - both_low, abs=2e-6)
    assert risks.review == pytest.approx(norm.cdf(limit + guard, mean, np.hypot(spread, u)) - measured_low, abs=2e-6)


def test_a_wider_guard_lowers_the_consumers_risk_and_leaves_the_producers() -> None:
    risks = [gaussian_risks(300.0, 20.0, 8.0, Condition("coverage_deg", below=270.0, guard=g)) for g in (0, 8, 16)]
    assert risks[0].consumer > risks[1].consumer > risks[2].consumer
    assert risks[0].producer == risks[1].producer == risks[2].producer


def test_sampled_risks_agree_with_gaussian_ones_for_a_gaussian_sample() -> None:
    condition = Condition("coverage_deg", below=270.0, guard=5.0)
    sample = np.random.default_rng(1).normal(300, 20, 200_000)
    sampled, exact = sampled_risks(sample, 8.0, condition), gaussian_risks(300, 20, 8.0, condition)
    assert (sampled.consumer, sampled.producer, sampled.review) == pytest.approx(
        (exact.consumer, exact.producer, exact.review), rel=0.03)


def test_a_bias_that_reads_too_high_lets_more_escape() -> None:
    sample = np.random.default_rng(2).normal(300, 20, 20_000)
    plain, high = (sampled_risks(sample, 8.0, AT_LEAST_270, bias) for bias in (0.0, 5.0))
    assert high.consumer > plain.consumer
    assert high.producer < plain.producer


def test_risks_of_a_family_come_from_its_true_values() -> None:
    table = joint_table(60, 3)
    sheet = LimitSheet((Rule("partial_wetting", "test", (Condition("coverage_deg", below=270.0, guard=6.0),)),
                        Rule("excess_solder", "test", (Condition("lead_visible", below=0.5),
                                                       Condition("convexity", above=0.0)))))
    [found] = family_risks(sheet, table)
    assert (found.rule, found.joints) == (0, len(table))
    assert found.uncertainty == pytest.approx(6.0, rel=0.35)
    assert 0.0 < found.risks.consumer < 0.01


def test_joints_without_anything_to_measure_do_not_make_a_measurement_perfect() -> None:
    """Most joints have no bridge and read just that; the error is that of the bridges near the limit, if any."""
    rng = np.random.default_rng(5)
    sheet = LimitSheet((Rule("bridge", "test", (Condition("bridge_width_mm", above=0.1, guard=0.05),)),
                        Rule("lead_missing", "test", (Condition("lead_visible", below=0.5),))))
    plain = joint_table(60, 3)
    exact, lead = np.zeros(len(plain)), (np.arange(len(plain)) % 9 > 0).astype(float)
    exact[:400] = rng.uniform(0.02, 0.4, 400)

    def risks(width: np.ndarray) -> list[CriterionRisks]:
        measured = np.where(width > 0.0, width + rng.normal(0.01, 0.03, len(width)), 0.0)
        return family_risks(sheet, replace(plain, columns={**plain.columns, "bridge_width_mm": measured,
                                                           "lead_visible": lead},
                                           exact={"bridge_width_mm": width, "lead_visible": lead}))

    bridge, seen = risks(exact)
    assert bridge.uncertainty == pytest.approx(0.03, rel=0.25)
    # by hand: only a bridge can be accepted wrongly, as far as it lies below the limit less the guard band
    from scipy.stats import norm

    escaped = norm.cdf((0.05 - exact[exact > 0.1] - 0.01) / 0.03).sum() / len(exact)
    assert bridge.risks.consumer == pytest.approx(escaped, rel=0.5)
    assert bridge.joints == len(plain) and not bridge.why_not
    assert (seen.why_not, np.isnan(seen.uncertainty), np.isnan(seen.risks.producer)) == (
        "none: the truth is yes or no", True, True)
    few = np.where(np.arange(len(plain)) < 60, exact + 0.9, 0.0)  # all far beyond the limit
    bridge = risks(few)[0]
    assert (bridge.why_not, np.isnan(bridge.uncertainty), np.isnan(bridge.risks.consumer)) == (
        "too few near the limit to tell", True, True)


def test_what_cannot_be_computed_is_refused() -> None:
    with pytest.raises(MeniscopeError, match="negative uncertainty"):
        violation_probability(np.array([1.0]), -1.0, AT_LEAST_270)
    with pytest.raises(MeniscopeError, match="one limit"):
        gaussian_risks(0, 1, 1, Condition("lead_visible", above=0.1, below=0.2))


def test_an_upper_limit_is_a_lower_one_in_the_mirror() -> None:
    lower = gaussian_risks(30.0, 20.0, 8.0, Condition("turn_deg", below=10.0, guard=6.0))
    upper = gaussian_risks(-30.0, 20.0, 8.0, Condition("turn_deg", above=-10.0, guard=6.0))
    assert (upper.consumer, upper.producer, upper.review) == pytest.approx(
        (lower.consumer, lower.producer, lower.review))
