"""What moving one limit would do: escapes of its finding and false calls, limit by limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.rules import Floats, LimitSheet, Rule, holds
from models.sheet_check import possible
from models.table import Bools, LabelledTable
from models.vocabulary import MEASURE


@dataclass(frozen=True)
class Curve:
    """One limit moved over its range while everything else stands.

    `escapes` are shares of the joints that have the finding and are neither rejected nor reviewed by any rule of the
    sheet; `false_calls` shares of the good joints rejected by this rule; both per limit of `limits`.
    """

    rule: int  # index in the sheet
    finding: str
    measure: str
    side: str  # "below" or "above"
    limit: float  # as it is
    guard: float
    limits: Floats
    escapes: Floats
    false_calls: Floats
    defects: int
    good: int


def curves(sheet: LimitSheet, table: LabelledTable, points: int = 121) -> list[Curve]:
    """Return a curve for the first condition of every rule that has examples in the table."""
    rejects = [(index, rule) for index, rule in enumerate(sheet.rules)
               if rule.part == table.part and not rule.indicator]
    answered = {index: holds(rule, table.columns) | holds(rule, table.columns, guarded=True) for index, rule in rejects}
    found = []
    for index, rule in rejects:
        defects, good = table.has(rule.finding), table.good
        if not defects.any() or not good.any():
            continue
        others = np.zeros(len(table), dtype=bool)
        for other, rows in answered.items():
            if other != index:
                others |= rows
        curve = _curve(index, rule, table, defects, good, others, points)
        if curve is not None:
            found.append(curve)
    return found


def _curve(index: int, rule: Rule, table: LabelledTable, defects: Bools, good: Bools, others: Bools,
           points: int) -> Curve | None:
    condition = rule.when[0]
    side = "below" if condition.above is None else "above"
    limit = condition.below if condition.above is None else condition.above
    if limit is None or (condition.above is not None and condition.below is not None):
        return None
    values = table.columns[condition.measure][defects | good]
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    low, high = (float(q) for q in np.quantile(values, (0.002, 0.998)))
    low, high = min(low, limit - 2 * condition.guard), max(high, limit + 2 * condition.guard)
    floor, ceiling = possible(condition.measure)
    step = MEASURE[condition.measure].step
    # The limit itself is one of the points, so that the curve tells exactly how it does.
    limits = np.unique(np.append(np.linspace(max(low - step, floor), min(high + step, ceiling), points), limit))
    escapes, false_calls = np.zeros(len(limits)), np.zeros(len(limits))
    for place, moved in enumerate(limits):
        other = (replace(condition, below=float(moved)) if side == "below" else replace(condition, above=float(moved)))
        trial = replace(rule, when=(other, *rule.when[1:]))
        fires = holds(trial, table.columns)
        escapes[place] = (~(fires | holds(trial, table.columns, guarded=True) | others))[defects].mean()
        false_calls[place] = fires[good].mean()
    return Curve(index, rule.finding, condition.measure, side, float(limit), condition.guard, limits, escapes,
                 false_calls, int(defects.sum()), int(good.sum()))
