"""What a limit sheet is made of, and how it judges tables of measurements.

A rule fires when all its conditions hold. A condition on a value that does not apply (NaN) never holds. On the
good side of a limit lies its guard band: a rule that does not fire, but would with every limit moved by its
guard, asks for a person's review (guarded acceptance, JCGM 106:2012, 8.3.2).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from models.vocabulary import ACCEPT, FINDING, MEASURE, REJECT, REVIEW, Part, limit_text, plain_name, value_text

Floats = NDArray[np.float64]

INDICATOR = "indicator"
#: From weakest to strongest; of several rules for one finding at one joint the strongest verdict is kept.
FIRED_VERDICTS: tuple[str, ...] = (INDICATOR, REVIEW, REJECT)

#: A finding that is certain makes the weaker ones beside it pointless: bare copper is not "partially wetted" too.
#: Common practice at the repair bench, no published source.
HIDES: Mapping[str, tuple[str, ...]] = {
    "no_solder": ("partial_wetting", "non_wetting"),
    "chip_missing": ("chip_shifted",),
}


@dataclass(frozen=True)
class Condition:
    """One comparison: it holds where the value lies strictly below `below` and strictly above `above`.

    One of the two limits may be None. `guard` is the width of the guard band on the good side, in the
    measurement's unit.
    """

    measure: str
    below: float | None = None
    above: float | None = None
    guard: float = 0.0

    def nearer(self, value: float) -> tuple[float, str]:
        """Return the limit that lies nearer to `value`, with its side, `below` or `above`."""
        if self.above is None or (self.below is not None and abs(value - self.below) <= abs(value - self.above)):
            return (np.inf if self.below is None else self.below), "below"
        return self.above, "above"

    def in_words(self) -> str:
        """Return the condition as a person would read it: `coverage below 270 deg`."""
        return f"{plain_name(self.measure)} {self.where_in_words()}"

    def where_in_words(self) -> str:
        """Return where the value must lie: `below 270 deg`."""
        above, below = ("" if limit is None else limit_text(self.measure, limit) for limit in (self.above, self.below))
        if above and below:
            return f"between {above} and {below}"
        return f"above {above}" if above else f"below {below}"

    def at_in_words(self, value: float) -> str:
        """Return the condition beside a value in it, or in its guard band: `convexity is above 0.125 (here 0.310)`."""
        limit, side = self.nearer(value)
        words = f"{plain_name(self.measure)} is {self.where_in_words()}"
        if np.isnan(value):
            return words
        if value >= limit if side == "below" else value <= limit:
            words += f", give or take {self.guard:g} {MEASURE[self.measure].unit}".rstrip()
        return f"{words} (here {value_text(self.measure, value, limit)})"


@dataclass(frozen=True)
class Evidence:
    """What a rule did on the joints it was learned from or tried on."""

    defects: int  # joints with this finding, marginal ones left out
    escapes: int  # of them neither rejected nor sent to review by the rules for this finding
    good: int  # joints without any finding, marginal ones left out
    false_calls: int  # of them those where this rule fired


@dataclass(frozen=True)
class Rule:
    """One line of thought: all conditions of `when` together show the finding."""

    finding: str
    source: str
    when: tuple[Condition, ...]
    evidence: Evidence | None = None
    indicator: bool = False  # a process indicator: recorded and shown, the verdict is unchanged

    @property
    def part(self) -> Part:
        """Whether the rule speaks of joints or of chips."""
        return FINDING[self.finding].part

    def in_words(self) -> str:
        """Return the conditions joined by `and`."""
        return " and ".join(condition.in_words() for condition in self.when)

    def beside_in_words(self, measure: str, values: Mapping[str, float]) -> str:
        """Return the conditions on other measurements than the one that decided, with what was measured.

        `convexity is above 0.125 (here 0.310)`; empty for a rule with one condition. A value that is not known (not
        among `values`, or NaN) is left out.
        """
        return " and ".join(condition.at_in_words(values.get(condition.measure, np.nan))
                            for condition in self.when if condition.measure != measure)


@dataclass(frozen=True)
class LimitSheet:
    """All rules for one board family. The sheet is the whole model: nothing else takes part in grading."""

    rules: tuple[Rule, ...]
    family: str = ""
    workmanship_class: int = 2
    note: str = ""


@dataclass(frozen=True)
class Fired:
    """One finding at one row: the strongest rule and the condition that decided (nearest to its limit)."""

    row: int
    rule: int  # index in sheet.rules, from 0
    condition: Condition
    value: float
    verdict: str  # "reject", "review" or "indicator"

    @property
    def limit(self) -> float:
        """The limit that decided."""
        return self.condition.nearer(self.value)[0]

    @property
    def side(self) -> str:
        """`below` or `above`: where the value must lie for the rule to fire."""
        return self.condition.nearer(self.value)[1]


@dataclass(frozen=True)
class Judgement:
    """Verdict of each row (accept, review or reject) and all findings, sorted by row and rule."""

    verdicts: list[str]
    fired: tuple[Fired, ...]
    idle: frozenset[tuple[int, int]] = frozenset()  # row and rule of those that asked a person for nothing


def judge(sheet: LimitSheet, part: Part, columns: Mapping[str, Floats], *, keep_idle: bool = False) -> Judgement:
    """Judge all rows of a table of measurements at once.

    A rule on one limit whose guard band a value lies in is idle where another rule rejects the row by that very
    measurement, on the same side: land too bare for `partial_wetting` lies in the wide band of `no_solder` as well,
    and a person who is asked about that too is asked for nothing. No verdict changes by it.

    Parameters
    ----------
    sheet
        The rules; those for the other part are left out.
    part
        "joint" or "chip".
    columns
        One float array of equal length per measurement, NaN where it does not apply. Columns that no rule asks
        for may be absent.
    keep_idle
        Whether idle rules make findings all the same, as records of older programs hold them.

    Returns
    -------
    One verdict a row, and per row and finding the strongest rule that fired.

    Raises
    ------
    MeniscopeError when a measurement that a rule asks for is not in the table.

    """
    rows = len(next(iter(columns.values()))) if columns else 0
    chosen = [(index, rule) for index, rule in enumerate(sheet.rules) if rule.part == part]
    strength, depth, deciding = _fire(chosen, columns, rows)
    idle = _idle(chosen, strength)
    if not keep_idle:
        strength[idle] = -1
    fired = _strongest(chosen, strength, depth, deciding, columns)
    verdicts = [ACCEPT] * rows
    for item in fired:
        if item.verdict == REJECT or (item.verdict == REVIEW and verdicts[item.row] == ACCEPT):
            verdicts[item.row] = item.verdict
    return Judgement(verdicts, fired, frozenset(
        (int(row), chosen[place][0]) for place, row in zip(*np.nonzero(idle), strict=True)))


def holds(rule: Rule, columns: Mapping[str, Floats], *, guarded: bool = False) -> NDArray[np.bool_]:
    """Return per row whether a rule fires; with `guarded`, whether it would with every limit moved by its guard."""
    depths = np.stack([margin(condition, columns) + (condition.guard if guarded else 0.0) for condition in rule.when])
    with np.errstate(invalid="ignore"):
        return np.asarray((depths > _rounding(rule)[:, None] * guarded).all(axis=0))


def margin(condition: Condition, columns: Mapping[str, Floats]) -> Floats:
    """Return how far each value lies beyond the limit, positive where the condition holds; NaN does not apply."""
    if condition.measure not in columns:
        raise MeniscopeError(f"limit sheet: a rule asks for {condition.measure}, which the table of measurements does "
                             f"not hold (it holds {', '.join(sorted(columns)) or 'nothing'}); "
                             "measure again or change the rule")
    values = np.asarray(columns[condition.measure], dtype=np.float64)
    beyond = np.full(values.shape, np.inf)
    if condition.below is not None:
        beyond = condition.below - values
    if condition.above is not None:
        beyond = np.minimum(beyond, values - condition.above)
    return np.where(np.isnan(values), np.nan, beyond)


def _rounding(rule: Rule) -> Floats:
    """Return a hair per condition, so that `1.2 - 0.9 < 0.3` in binary arithmetic does not make a review."""
    return np.array([1e-9 * max(1.0, abs(c.below or 0.0), abs(c.above or 0.0)) for c in rule.when])


def _fire(chosen: Sequence[tuple[int, Rule]], columns: Mapping[str, Floats],
          rows: int) -> tuple[NDArray[np.int8], Floats, NDArray[np.intp]]:
    """Return [rule, row]: strength (-1 none, else index of FIRED_VERDICTS), depth and deciding condition."""
    strength = np.full((len(chosen), rows), -1, dtype=np.int8)
    depth = np.full((len(chosen), rows), -np.inf)
    deciding = np.zeros((len(chosen), rows), dtype=np.intp)
    for place, (_, rule) in enumerate(chosen):
        margins = np.stack([margin(condition, columns) for condition in rule.when])
        guards = np.array([condition.guard for condition in rule.when])
        with np.errstate(invalid="ignore"):
            fires = (margins > 0).all(axis=0)
            near = (margins + guards[:, None] > _rounding(rule)[:, None]).all(axis=0) & ~fires
        # Distances count in guard widths, so that degrees and millimetres can be compared.
        scale = np.array([max(c.guard, MEASURE[c.measure].step) for c in rule.when])
        distances = np.where(np.isnan(margins), -np.inf, margins / scale[:, None])
        deciding[place] = distances.argmin(axis=0)
        depth[place] = distances.min(axis=0)
        strength[place, fires] = 0 if rule.indicator else 2
        if not rule.indicator:
            strength[place, near] = 1
    return strength, depth, deciding


def _idle(chosen: Sequence[tuple[int, Rule]], strength: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Return [rule, row] where a rule asks for review of a row that another one rejects by the same measurement."""
    asked = [(rule.when[0].measure, rule.when[0].below is None) if len(rule.when) == 1 and (
        rule.when[0].below is None or rule.when[0].above is None) else None for _, rule in chosen]
    idle = np.zeros(strength.shape, dtype=bool)
    for key in {key for key in asked if key is not None and asked.count(key) > 1}:
        alike = np.array([other == key for other in asked])
        rejected = (strength[alike] == FIRED_VERDICTS.index(REJECT)).any(axis=0)
        idle[alike] = (strength[alike] == FIRED_VERDICTS.index(REVIEW)) & rejected
    return idle


def _strongest(chosen: Sequence[tuple[int, Rule]], strength: NDArray[np.int8], depth: Floats,
               deciding: NDArray[np.intp], columns: Mapping[str, Floats]) -> tuple[Fired, ...]:
    """Keep per row and finding the strongest rule, deepest beyond its limit; drop findings that others hide."""
    best: dict[tuple[int, str], tuple[int, float, int]] = {}
    for place, row in zip(*np.nonzero(strength >= 0), strict=True):
        key = (int(row), chosen[place][1].finding)
        rank = (int(strength[place, row]), float(depth[place, row]), -int(place))
        if key not in best or rank > best[key]:
            best[key] = rank
    hidden = {(row, weaker) for (row, finding), rank in best.items() if rank[0] == len(FIRED_VERDICTS) - 1
              for weaker in HIDES.get(finding, ())}
    fired = []
    for (row, finding), (power, _, minus_place) in best.items():
        if (row, finding) in hidden:
            continue
        index, rule = chosen[-minus_place]
        condition = rule.when[int(deciding[-minus_place, row])]
        fired.append(Fired(row, index, condition, float(columns[condition.measure][row]), FIRED_VERDICTS[power]))
    return tuple(sorted(fired, key=lambda item: (item.row, item.rule)))
