"""Decisions about conformity under measurement uncertainty, after JCGM 106:2012.

A measured value y with standard uncertainty u stands for a Gaussian distribution of the true value. A criterion is
violated with the probability that this distribution has beyond the limit (JCGM 106, 7.2 to 7.4). Averaged over the
values that a family's joints take, this gives the two global risks (JCGM 106, 9): the consumer's, that a joint
violates the criterion and is accepted, and the producer's, that a joint meets it and is rejected.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    uncertainty: float  # standard uncertainty of the measurement near the limit; NaN: it cannot be told
    joints: int  # that the estimate rests on
    risks: Risks  # NaN where the uncertainty cannot be told
    why_not: str = ""  # why it cannot be told


#: Of joints at which nothing is to be measured (no bridge, no ball) so few others near a limit tell no uncertainty.
FEW_NEAR = 8
TOO_FEW = "too few near the limit to tell"
YES_OR_NO = "none: the truth is yes or no"


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

    Where most joints have nothing to measure (no bridge, no ball) and read just that, they show no error at all: then
    those that have something tell the error, and the others have none. Too few of them near the limit, or a truth that
    is yes or no, tell no uncertainty, and none is not zero.
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
        known = int(np.isfinite(exact).sum())
        told = _error_near(table, condition.measure, limit)
        if isinstance(told, str):
            nothing = float("nan")
            found.append(CriterionRisks(index, rule.finding, condition, nothing, known,
                                        Risks(nothing, nothing, nothing), told))
            continue
        spread, bias, some = told
        share = float(some.sum()) / known
        risks = sampled_risks(exact[some], spread, condition, bias)
        found.append(CriterionRisks(index, rule.finding, condition, spread, known, Risks(
            share * risks.consumer, share * risks.producer, share * risks.review)))
    return found


def _error_near(table: LabelledTable, measure: str, limit: float
                ) -> tuple[float, float, NDArray[np.bool_]] | str:
    """Return scatter and bias near a limit and the rows that they are of; or why they cannot be told."""
    exact, values = table.exact[measure], table.columns[measure]
    known = np.isfinite(exact)
    both = known & np.isfinite(values)
    error = uncertainty_near(table, measure, limit)
    some = known
    if error.scatter == 0.0:
        usual, count = np.unique(exact[both], return_counts=True)
        some = known & (exact != usual[count.argmax()])
        away = np.abs(exact[some & both] - limit)
        if (away <= 0.25 * float(np.ptp(exact[both]))).sum() >= FEW_NEAR:
            error = uncertainty_near(table.take(some), measure, limit)
    # What is stated holds the bias already; the scatter does not.
    spread = next((u for u in (error.scatter, error.stated) if u > 0.0), 0.0)
    if not spread:
        return YES_OR_NO if len(np.unique(exact[both])) <= 2 else TOO_FEW
    return spread, error.bias if np.isfinite(error.bias) else 0.0, some


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
