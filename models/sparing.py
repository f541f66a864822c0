"""Second conditions and narrower guard bands: what spares good joints that one measurement alone doubts.

A measurement that misreads one joint in a hundred sends that joint to repair or to a person, though another one plainly
says good: a lead's end that is hardly seen stands in a fillet that climbs it all the same. So a learned limit may
become two: beyond a far one a joint is rejected by that measurement alone, and between the two a second measurement,
which means the finding too, has to agree. Where that is near its own limit, a person looks. And a band of doubt is no
wider than it is worth: one that meets many good joints and hardly any with the finding only makes work. Of what is mere
evidence for yes or no it may be wider as well.

Numbers that a standard or the shop gives are not touched. Their bands never shrink, and become up to twice as wide
where training shows defects just beyond them that nothing else answers, at the price of few good joints.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.candidates import SPARES
from models.criteria import defects_of
from models.guards import rounded_up, uncertainty_near
from models.learn import LearnOptions, escape_price
from models.placing import Side, parting_limit
from models.rules import Condition, Floats, Rule, holds
from models.sheet_check import possible
from models.table import LabelledTable
from models.vocabulary import MEASURE

#: With fewer joints that have the finding nothing is known of what they show besides.
FEWEST = 20
#: Multiples of a guard band that are tried for learned limits, for numbers that stand, and for learned limits on what
#: is evidence: its doubt is no error of some size, so nothing says beforehand how far from its limit it reaches.
SHARES, MORE = (1.0, 0.8, 0.6, 0.4, 0.2, 0.0), (1.0, 1.25, 1.5, 1.75, 2.0)
DOUBTS = (*SHARES, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
#: How many places are tried for the far limit.
PLACES = 24


@dataclass(frozen=True)
class _Stakes:
    """What changing one rule may gain and lose on the training table, row by row."""

    worth: Floats  # of a good joint: what its being rejected costs; a joint that others answer too counts its share
    price: Floats  # of a defect that depends on the rule: what its escape or the loss of its name costs
    escape: Floats  # of a joint with the finding that no other measurement answers: what its escape costs; where a
    # learned limit on another one does, the share that such a limit may miss the next time


def spared(rules: Sequence[Rule], table: LabelledTable, *, learned: Sequence[bool], workmanship_class: int = 2,
           k: float = 1.0, options: LearnOptions | None = None) -> list[Rule]:
    """Return the rules of one part with second conditions and narrower bands.

    Parameters
    ----------
    rules, learned
        With guard bands, and which of them have limits that were learned; others stay as they are.
    table
        Joints or chips with truth.
    workmanship_class
        Says which findings are defects.
    k
        Guard bands of second conditions in standard uncertainties.
    options
        Costs.

    """
    options = options or LearnOptions()
    kept = table.take(~table.marginal)
    result, flags = list(rules), list(learned)
    if not kept.good.any():
        return result
    wide = list(result)
    result = _all_narrowed(result, flags, kept, workmanship_class, options)
    for place in reversed(range(len(result))):
        if flags[place] and not result[place].indicator:
            pair = _pair(result, flags, place, wide[place], kept, workmanship_class, k, options)
            result[place:place + 1], flags[place:place + 1] = pair, [True] * len(pair)
    result = _all_narrowed(result, flags, kept, workmanship_class, options)
    return [_banded(result, flags, place, 0, kept, workmanship_class, options)
            if not (flags[place] or rule.indicator) else rule for place, rule in enumerate(result)]


def _all_narrowed(rules: Sequence[Rule], flags: Sequence[bool], table: LabelledTable, workmanship_class: int,
                  options: LearnOptions) -> list[Rule]:
    """Return rules of which the learned ones have no wider bands than they are worth."""
    result = list(rules)
    for _ in range(2):  # the second time without the good joints that others have let go
        for place, rule in enumerate(rules):
            if flags[place] and not rule.indicator:
                for which in range(len(rule.when)):
                    result[place] = _banded(result, flags, place, which, table, workmanship_class, options)
    return result


def _stakes(rules: Sequence[Rule], learned: Sequence[bool], place: int, table: LabelledTable, workmanship_class: int,
            options: LearnOptions) -> _Stakes:
    """Return what is at stake for one rule.

    A joint with the rule's finding depends on it where no other rule for the finding answers; of one that is rejected
    anyway only the name would be lost. One with another defect depends on it where it alone rejects it; that it lies in
    the rule's band is chance.
    """
    rule, weight, count = rules[place], table.weight(), np.ones(len(table))
    rejected, answered, named = np.zeros((3, len(table)), dtype=bool)
    apart = np.ones(len(table))
    for number, other in enumerate(rules):
        if number == place or other.indicator:
            continue
        fires = holds(other, table.columns)
        answers = fires | holds(other, table.columns, guarded=True)
        rejected |= fires
        answered |= answers
        count += answers
        if other.finding == rule.finding:
            named |= answers
        if other.when[0].measure != rule.when[0].measure:
            apart[answers] = np.minimum(apart[answers], options.lean_share if learned[number] else 0.0)
    positive = table.has(rule.finding)
    serious = defects_of(workmanship_class)
    defect = np.array([any(finding in serious for finding in row) for row in table.findings], dtype=bool)
    price = escape_price(table, rule.finding, options) * weight
    alone = (positive | (defect & holds(rule, table.columns))) & ~answered
    name = options.name_share * (positive & ~named & rejected) + (positive & ~named & ~rejected)
    return _Stakes(np.where(table.good, weight / count, 0.0), price * np.where(alone, 1.0, name),
                   price * positive * apart)


def _cost(rules: Sequence[Rule], table: LabelledTable, stakes: _Stakes, options: LearnOptions) -> float:
    """Return what these rules cost in place of the one whose stakes are given."""
    fires, answers = np.zeros((2, len(table)), dtype=bool)
    for rule in rules:
        fires |= holds(rule, table.columns)
        answers |= holds(rule, table.columns, guarded=True)
    doubt = answers & ~fires
    return float(stakes.worth[fires].sum() + options.review_cost * stakes.worth[doubt].sum()
                 + stakes.price[~(fires | doubt)].sum() + options.name_share * stakes.price[doubt].sum())


def _pair(rules: Sequence[Rule], learned: Sequence[bool], place: int, wide: Rule, table: LabelledTable,
          workmanship_class: int, k: float, options: LearnOptions) -> list[Rule]:
    """Return a rule as it is, or two in its place: one with a far limit, one with a near limit and a second condition.

    `wide` is the rule with its whole band, which the near limit takes: there the second condition spares good joints.
    """
    rule, first = rules[place], rules[place].when[0]
    if len(rule.when) != 1 or table.has(rule.finding).sum() < FEWEST:
        return [rule]
    stakes = _stakes(rules, learned, place, table, workmanship_class, options)
    best, least = [rule], _cost([rule], table, stakes, options) - options.spare_bonus
    reach = holds(wide, table.columns, guarded=True)
    for measure, side in SPARES.get(rule.finding, {}).items():
        if measure not in table.columns or measure == first.measure:
            continue
        for far in _far_limits(rule, table):
            alone = replace(rule, when=(far,))
            between = reach & ~holds(alone, table.columns)
            second = _second(measure, side, rule.finding, table, np.where(between, stakes.worth, 0.0), k, options)
            if second is None:
                continue
            tried = [alone, replace(wide, when=(wide.when[0], second))]
            cost = _cost(tried, table, stakes, options)
            if cost < least:
                best, least = tried, cost
    return best


def _far_limits(rule: Rule, table: LabelledTable) -> list[Condition]:
    """Return readable limits beyond a rule's own, without a band: between the two the second condition decides."""
    first = rule.when[0]
    side, sign, near = _turned(first)
    step = MEASURE[first.measure].step
    values = sign * table.columns[first.measure][table.has(rule.finding)]
    values = values[np.isfinite(values)]
    if not len(values):
        return []
    low, high = possible(first.measure)
    end = min(float(np.quantile(values, 0.9)), sign * (high if side == "above" else low) - step / 2.0)
    stride = step * max(1, math.ceil((end - near) / step / PLACES))
    start = math.floor(near / step + 1e-9) * step
    grid = [start + stride * number for number in range(1, PLACES + 1)]
    limits = [round(sign * limit, 6) + 0.0 for limit in grid if near < limit < end]
    return [Condition(first.measure, **{side: limit}) for limit in limits]


def _second(measure: str, side: Side, finding: str, table: LabelledTable, worth: Floats, k: float,
            options: LearnOptions) -> Condition | None:
    """Return the second condition that parts good joints of some worth from all that have the finding, or None."""
    values, positive = table.columns[measure], table.has(finding)
    rows = np.isfinite(values) & (positive | (worth > 0))
    if positive[rows].sum() < FEWEST:
        return None
    cost = np.where(positive, escape_price(table, finding, options) * table.weight(), worth)
    limit = parting_limit(measure, side, values[rows], cost[rows], positive[rows], 0.25 * options.spare_bonus)
    if limit is None:
        return None
    low, high = possible(measure)
    guard = min(rounded_up(k * uncertainty_near(table, measure, limit).toward_escape(side), measure),
                limit - low if side == "above" else high - limit)
    return Condition(measure, **{side: limit}, guard=guard)


def _banded(rules: Sequence[Rule], learned: Sequence[bool], place: int, which: int, table: LabelledTable,
            workmanship_class: int, options: LearnOptions) -> Rule:
    """Return a rule with the widest band of one condition that is worth the good joints it sends to a person.

    Bands of learned limits only shrink, but on evidence where defects lie beyond them; those of numbers that stand only
    grow. No band grows where it meets no defect.
    Each joint with a defect is taken as smeared by a Gaussian as wide as an eighth of the gap between the classes.
    """
    from scipy.special import ndtr

    rule = rules[place]
    condition, others = rule.when[which], replace(rule, when=rule.when[:which] + rule.when[which + 1:])
    stakes = _stakes(rules, learned, place, table, workmanship_class, options)
    _, sign, near = _turned(condition)
    values = sign * table.columns[condition.measure]
    rows = np.isfinite(values)
    if others.when:
        rows &= holds(others, table.columns, guarded=True)
    good, bad = rows & (stakes.worth > 0) & ~holds(rule, table.columns), rows & (stakes.escape > 0)
    if not good.any():
        return rule
    width = MEASURE[condition.measure].step / 2.0
    if bad.any():
        width = max(width, (float(np.quantile(values[bad], 0.05)) - float(np.quantile(values[good], 0.95))) / 8.0)
    best, least = rule, math.inf
    low, high = possible(condition.measure)
    most = near - sign * (low if sign > 0 else high)
    doubted = MEASURE[condition.measure].evidence and bool((values[bad] <= near - condition.guard).any())
    for share in MORE if not learned[place] else DOUBTS if doubted else SHARES:
        guard = min(rounded_up(share * condition.guard, condition.measure), max(condition.guard, most))
        edge = near - guard
        cost = (options.review_cost * float(stakes.worth[good & (values > edge)].sum())
                + float((stakes.escape[bad] * ndtr((edge - values[bad]) / width)).sum()))
        if cost < least - 1e-9:  # the first is the band as it is
            least = cost
            best = replace(rule, when=(*rule.when[:which], replace(condition, guard=guard), *rule.when[which + 1:]))
    return best


def _turned(condition: Condition) -> tuple[Side, float, float]:
    """Return a condition's side, the sign that turns its measurement so that larger fires, and its limit so turned."""
    if condition.below is None:
        assert condition.above is not None
        return "above", 1.0, condition.above
    return "below", -1.0, -condition.below
