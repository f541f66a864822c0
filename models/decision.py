"""Decisions about conformity under measurement uncertainty, after JCGM 106:2012.

A measured value y with standard uncertainty u stands for a Gaussian distribution of the true value. A criterion is
violated with the probability that this distribution has beyond the limit (JCGM 106, 7.2 to 7.4). Averaged over the
values that a family's joints take, this gives the two global risks (JCGM 106, 9): the consumer's, that a joint
violates the criterion and is accepted, and the producer's, that a joint meets it and is rejected.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.errors import MeniscopeError
from models.guards import uncertainty_near
from models.rules import Condition, Floats, LimitSheet
from models.table import LabelledTable


@dataclass(frozen=True)
class Risks:
    """What a decision rule lets through and what it turns away, as shares of all joints."""

    consumer: float  # violates the criterion and is accepted: escape
    producer: float  # meets the criterion and is rejected: false call
    review: float  # falls into the guard band


@dataclass(frozen=True)
class CriterionRisks:
    """The risks of one criterion, estimated for a family."""

    rule: int  # index in the sheet
    finding: str
    condition: Condition
    uncertainty: float  # standard uncertainty of the measurement near the limit
    joints: int  # that the estimate rests on
    risks: Risks


def violation_probability(values: Floats, uncertainty: Floats | float, condition: Condition) -> Floats:
    """Return the probability that the true values lie where the condition holds.

    Values are best estimates in the measurement's unit, `uncertainty` their standard uncertainties; 0 = exact.
    NaN where the value or its uncertainty is not known.
    """
    from scipy.special import ndtr

    values = np.asarray(values, dtype=np.float64)
    u = np.broadcast_to(np.asarray(uncertainty, dtype=np.float64), values.shape)
    if (u < 0).any():
        raise MeniscopeError("probability of violation: got a negative uncertainty, wanted 0 or more")

    def below(limit: float) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            z = (limit - values) / u
        return np.where(u > 0, ndtr(z), (values < limit).astype(float))

    upper = np.ones(values.shape) if condition.below is None else below(condition.below)
    lower = np.zeros(values.shape) if condition.above is None else below(condition.above)
    if condition.above is not None:
        lower = np.where(u > 0, lower, (values <= condition.above).astype(float))
    return np.where(np.isnan(values) | np.isnan(u), np.nan, np.clip(upper - lower, 0.0, 1.0))


def gaussian_risks(mean: float, spread: float, uncertainty: float, condition: Condition, points: int = 4001) -> Risks:
    """Return the global risks where true values spread like a Gaussian (JCGM 106, 9.5, one limit).

    mean, spread
        Of the process, in the measurement's unit.
    uncertainty
        Standard uncertainty of one measurement.
    """
    from scipy.special import ndtr

    if spread <= 0 or uncertainty <= 0 or (condition.below is None) == (condition.above is None):
        raise MeniscopeError("risks: wanted a positive spread, a positive uncertainty and one limit")
    limit = condition.below if condition.above is None else condition.above
    # The limit is a border between two cells, so that no cell lies on both sides of it.
    x = np.unique(np.append(np.linspace(mean - 9 * spread, mean + 9 * spread, points), float(limit or 0.0)))
    density = np.diff(ndtr((x - mean) / spread))
    middle = (x[:-1] + x[1:]) / 2
    return _weighted_risks(middle, density, uncertainty, condition)


def sampled_risks(exact: Floats, uncertainty: float, condition: Condition, bias: float = 0.0) -> Risks:
    """Return the global risks over given true values, each as likely as the next, measured with Gaussian error."""
    known = exact[np.isfinite(exact)]
    if not len(known):
        return Risks(0.0, 0.0, 0.0)
    return _weighted_risks(known, np.full(len(known), 1.0 / len(known)), uncertainty, condition, bias)


def family_risks(sheet: LimitSheet, table: LabelledTable) -> list[CriterionRisks]:
    """Return the risks of every one-condition rule whose true values the table holds.

    The true values of the table stand for the family; the error is a Gaussian with the bias and the scatter seen
    near the limit. Rules with several conditions have no single limit and are left out.
    """
    found = []
    for index, rule in enumerate(sheet.rules):
        if rule.part != table.part or len(rule.when) != 1 or rule.indicator:
            continue
        condition = rule.when[0]
        limit = condition.below if condition.above is None else condition.above
        exact = table.exact.get(condition.measure)
        if exact is None or limit is None or condition.measure not in table.columns or not np.isfinite(exact).any():
            continue
        error = uncertainty_near(table, condition.measure, limit)
        # What is stated holds the bias already; the scatter does not.
        spread = next((u for u in (error.scatter, error.stated) if np.isfinite(u)), 0.0)
        bias = error.bias if np.isfinite(error.bias) else 0.0
        found.append(CriterionRisks(index, rule.finding, condition, spread, int(np.isfinite(exact).sum()),
                                    sampled_risks(exact, spread, condition, bias)))
    return found


def _weighted_risks(true: Floats, weight: Floats, uncertainty: float, condition: Condition, bias: float = 0.0) -> Risks:
    if condition.below is not None and condition.above is None:
        violates = true < condition.below
        widened = Condition(condition.measure, below=condition.below + condition.guard)
    elif condition.above is not None and condition.below is None:
        violates = true > condition.above
        widened = Condition(condition.measure, above=condition.above - condition.guard)
    else:
        raise MeniscopeError("risks: got a condition with two limits, wanted one limit")
    # Seen from the true value, the measured one has the same Gaussian around it.
    rejected = violation_probability(true + bias, uncertainty, condition)
    answered = violation_probability(true + bias, uncertainty, widened)
    return Risks(float((weight * violates * (1.0 - answered)).sum()), float((weight * ~violates * rejected).sum()),
                 float((weight * (answered - rejected)).sum()))
