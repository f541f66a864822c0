"""Why a joint got its verdict: every rule of the sheet with measured value, limit and distance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from models.decision import violation_probability
from models.guards import uncertainty_near
from models.rules import Condition, LimitSheet, Rule, holds, judge, margin
from models.table import LabelledTable
from models.vocabulary import MEASURE, Part


@dataclass(frozen=True)
class ConditionLine:
    """One condition of one rule at one joint."""

    rule: int  # index in the sheet
    finding: str
    condition: Condition
    value: float  # NaN: does not apply
    beyond: float  # distance beyond the limit, positive where the condition holds; in the measurement's unit
    uncertainty: float  # standard uncertainty; NaN: not stated
    probability: float  # that the true value lies where the condition holds; NaN: not known
    outcome: str  # of the whole rule: "reject", "indicator", "review" or "clear", as `judge` counts it
    decides: bool  # this line decided the finding that was reported

    @property
    def in_uncertainties(self) -> float:
        """Distance beyond the limit in standard uncertainties; NaN where none is stated."""
        return self.beyond / self.uncertainty if self.uncertainty > 0 else math.nan


@dataclass(frozen=True)
class Explanation:
    """All lines of the sheet for one joint or chip, and its verdict by the sheet."""

    verdict: str
    lines: tuple[ConditionLine, ...]


def explain(sheet: LimitSheet, part: Part, measured: Mapping[str, float],
            uncertainties: Mapping[str, float] | None = None, table: LabelledTable | None = None) -> Explanation:
    """Return every rule for this kind of part, applied to one row of measurements.

    Where a standard uncertainty is not stated it is estimated from the joints of `table` near the limit, and without
    a table taken as unknown, not as zero.
    """
    stated = uncertainties or {}
    columns = {name: np.array([value], dtype=np.float64) for name, value in measured.items()}
    judgement = judge(sheet, part, columns)
    deciding = {(item.rule, item.condition) for item in judgement.fired}
    lines = []
    for index, rule in enumerate(sheet.rules):
        if rule.part != part:
            continue
        outcome = "clear" if (0, index) in judgement.idle else _outcome(rule, columns)
        for condition in rule.when:
            u = float(stated.get(condition.measure, math.nan))
            if math.isnan(u) and table is not None:
                u = _estimated(table, condition)
            value = columns[condition.measure]
            probability = violation_probability(value, u, condition)[0] if u >= 0 else math.nan
            lines.append(ConditionLine(index, rule.finding, condition, float(value[0]),
                                       float(margin(condition, columns)[0]), u, float(probability), outcome,
                                       (index, condition) in deciding))
    return Explanation(judgement.verdicts[0], tuple(lines))


def _estimated(table: LabelledTable, condition: Condition) -> float:
    """Return the standard uncertainty near a limit as the table's true values show it; NaN where they do not."""
    limit = condition.below if condition.above is None else condition.above
    if limit is None or condition.measure not in table.columns:
        return math.nan
    found = uncertainty_near(table, condition.measure, limit)
    return max((u for u in (found.stated, found.scatter) if u > 0), default=math.nan)


def _outcome(rule: Rule, columns: Mapping[str, np.ndarray[tuple[int, ...], np.dtype[np.float64]]]) -> str:
    if holds(rule, columns)[0]:
        return "indicator" if rule.indicator else "reject"
    return "review" if not rule.indicator and holds(rule, columns, guarded=True)[0] else "clear"


def distance_words(line: ConditionLine) -> str:
    """Return the distance as a person would say it: `18 deg inside the limit`, `does not apply`."""
    if math.isnan(line.beyond):
        return "does not apply"
    known = MEASURE[line.condition.measure]
    number = f"{float(f'{abs(line.beyond):.3g}'):g} {known.unit}".rstrip()
    return f"{number} {'beyond' if line.beyond > 0 else 'inside'} the limit"
