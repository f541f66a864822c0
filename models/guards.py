"""Guard bands: how far on the good side of each limit a joint goes to a person instead of being accepted.

Guarded acceptance (JCGM 106:2012, 8.3.2): the acceptance limit lies inside the tolerance limit by a multiple of the
measurement's standard uncertainty. Here the multiple `k` is 1 unless told otherwise: a value that lies on the edge
of the band is then beyond the limit with a probability of 16 % at most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.placing import NOTHING_FOUND
from models.rules import Condition, Floats, LimitSheet, Rule, holds, judge
from models.sheet_check import possible
from models.table import LabelledTable
from models.vocabulary import MEASURE, REVIEW

#: How many rows nearest to a limit tell the uncertainty there.
NEAR_ROWS = 200
#: Fewer good joints that the other conditions of a rule leave over show no gap.
FEW = 20
#: So many good joints that read exactly nothing, most of all of them, show that good ones do.
MANY = 100
#: Half the distance between these quantiles is a Gaussian's standard deviation, and stray values hardly move it.
ONE_SIGMA = (0.158655, 0.841345)


@dataclass(frozen=True)
class Uncertainty:
    """What is known of a measurement's error near a limit, in the measurement's unit."""

    stated: float  # median of the standard uncertainties that the pipeline states, bias included; NaN = none stated
    scatter: float  # of measured - exact; NaN = no exact values
    bias: float  # median of measured - exact; NaN = no exact values

    def toward_escape(self, side: str) -> float:
        """Return the standard uncertainty, with the bias counted where it hides defects, or 0 where nothing is known.

        A value that reads too high hides a defect under a lower limit (`side` "below"), and the reverse. What is
        stated holds for the family and what is seen here for the rows at hand; the greater of them counts.
        """
        hiding = 0.0 if math.isnan(self.bias) else max(0.0, self.bias if side == "below" else -self.bias)
        seen = 0.0 if math.isnan(self.scatter) else math.hypot(self.scatter, hiding)
        return max(seen, 0.0 if math.isnan(self.stated) else self.stated)


def uncertainty_near(table: LabelledTable, measure: str, limit: float) -> Uncertainty:
    """Return the uncertainty of a measurement from the rows whose value lies nearest to a limit."""
    values = table.columns[measure]
    stated = scatter = bias = math.nan
    if measure in table.uncertainties:
        near = _nearest(values, limit, np.isfinite(values) & np.isfinite(table.uncertainties[measure]))
        if len(near):
            stated = float(np.median(table.uncertainties[measure][near]))
    if measure in table.exact:
        exact = table.exact[measure]
        known = np.isfinite(values) & np.isfinite(exact)
        near = _nearest(exact, limit, known)
        # A truth of two values (a lead is seen or it is not) lies near no limit, and has no error there.
        if len(near) >= 8 and len(np.unique(exact[known])) > 2:
            # Far from the limit the error is another one: a fillet all the way round is measured without any.
            away = np.abs(exact[near] - limit)
            close = near[away <= 0.25 * float(np.ptp(exact[known]))]
            error = (values - exact)[close if len(close) >= 8 else near]
            bias = float(np.median(error))
            scatter = float(np.diff(np.quantile(error, ONE_SIGMA))[0]) / 2.0
    return Uncertainty(stated, scatter, bias)


def guarded(rules: Sequence[Rule], table: LabelledTable, *, k: float = 1.0, gap_share: float = 0.5,
            most_review: float = 0.02, learned: Sequence[bool] = ()) -> list[Rule]:
    """Return the rules of one part with guard bands.

    Each guard is k standard uncertainties. For learned rules it also takes `gap_share` of the empty gap between the
    limit and the nearest good joints, because no joint seen in training says what lies there; good joints beyond the
    limit do not close the gap, and where good joints read exactly nothing the gap is taken whole. Then the
    bands shrink until no more than `most_review` of the good joints are sent to review.
    """
    return shrunk(banded(rules, table, k=k, gap_share=gap_share, learned=learned), table, most_review)


def banded(rules: Sequence[Rule], table: LabelledTable, *, k: float = 1.0, gap_share: float = 0.5,
           learned: Sequence[bool] = ()) -> list[Rule]:
    """Return the rules with guard bands as `guarded` does, before any is shrunk."""
    flags = list(learned) or [False] * len(rules)
    result = []
    for rule, is_learned in zip(rules, flags, strict=True):
        when = [_with_guard(rule, place, table, k, gap_share if is_learned else 0.0) for place in range(len(rule.when))]
        result.append(replace(rule, when=tuple(when)))
    return result


def _with_guard(rule: Rule, place: int, table: LabelledTable, k: float, gap_share: float) -> Condition:
    condition = rule.when[place]
    side = "below" if condition.above is None else "above"
    limit = condition.below if condition.above is None else condition.above
    assert limit is not None
    if rule.indicator or condition.measure not in table.columns:
        return replace(condition, guard=0.0)
    guard = k * uncertainty_near(table, condition.measure, limit).toward_escape(side)
    values, good = table.columns[condition.measure], table.good
    if len(rule.when) > 1:  # only good joints that the other conditions leave to this one
        others = replace(rule, when=rule.when[:place] + rule.when[place + 1:])
        good = good & holds(others, table.columns)
    low, high = possible(condition.measure)
    most = (high - limit) if side == "below" else (limit - low)
    away = (values - limit if side == "below" else limit - values)[good & np.isfinite(values)]
    passed = away[away >= 0.0]  # those that fire are false calls already, and no guard band brings them back
    if gap_share and len(passed) >= (1 if len(rule.when) == 1 else FEW):
        # A few good ones that read alike do not say that others would.
        whole = len(passed) >= MANY and float((passed == most).mean()) >= NOTHING_FOUND
        share = 1.0 if whole else gap_share
        guard = max(guard, share * float(np.quantile(passed, 0.001)))
    return replace(condition, guard=min(rounded_up(guard, condition.measure), most))


def rounded_up(guard: float, measure: str) -> float:
    """Return the guard rounded up to a readable fraction of the measurement's step."""
    fine = MEASURE[measure].step / 5.0
    return round(math.ceil(guard / fine - 1e-9) * fine, 6)


def shrunk(rules: list[Rule], table: LabelledTable, most_review: float) -> list[Rule]:
    """Shrink the guard bands of the rule that sends most good joints to review until few enough are sent."""
    good = table.take(table.good)
    if not len(good) or not rules:
        return rules
    for _ in range(60):
        judgement = judge(LimitSheet(tuple(rules)), table.part, good.columns)
        sent = [row for row, verdict in enumerate(judgement.verdicts) if verdict == REVIEW]
        if len(sent) <= most_review * len(good):
            break
        reviewed = set(sent)
        counts = np.bincount([f.rule for f in judgement.fired if f.verdict == REVIEW and f.row in reviewed],
                             minlength=len(rules))
        worst = int(counts.argmax())
        rules = [*rules[:worst], replace(rules[worst], when=tuple(
            replace(c, guard=_smaller(c)) for c in rules[worst].when)), *rules[worst + 1:]]
    return rules


def _smaller(condition: Condition) -> float:
    fine = MEASURE[condition.measure].step / 5.0
    return round(max(0.0, min(condition.guard - fine, math.floor(0.8 * condition.guard / fine) * fine)), 6)


def _nearest(values: Floats, limit: float, usable: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
             ) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    rows = np.flatnonzero(usable)
    return rows[np.argsort(np.abs(values[rows] - limit), kind="stable")[:NEAR_ROWS]]
