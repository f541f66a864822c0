"""From a table of measured joints with known truth to a readable limit sheet.

Per finding: the workmanship criteria with a number stand as they are; what they miss is learned by shallow trees
(models.learn) turned into rules; guard bands follow from the measurements' uncertainty (models.guards); where good
joints pay for a learned limit and its band, they are spared (models.sparing); the evidence of every rule is counted by
judging the training table with the finished sheet.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.criteria import CRITERIA, Criterion, asked_by, severity_of, workmanship_rules
from models.decision import CriterionRisks, family_risks
from models.errors import MeniscopeError
from models.evaluate import Comparison, compare, judged
from models.guards import banded, shrunk, uncertainty_near
from models.learn import LearnOptions, learn_rules
from models.rules import Evidence, LimitSheet, Rule, holds, judge
from models.sheet_check import implies
from models.sparing import spared
from models.table import LabelledTable, board_folds
from models.vocabulary import FINDINGS, with_unit

#: A default limit for a finding without examples is kept only where it rejects no more of the good joints than this.
DEFAULT_FALSE_CALLS = 0.005
#: A criterion that rejects more of the good joints than this is told to the person who teaches.
ALARMING = 0.01


@dataclass(frozen=True)
class TrainReport:
    """What training did, for the person who teaches."""

    joints: int
    boards: int
    defects: dict[str, int]  # training examples of each finding
    notes: tuple[str, ...]  # what could not be learned, and what was done instead
    training: Comparison  # the sheet on its own training table
    validation: Comparison | None  # by cross-validation grouped by board; None where there were too few boards
    risks: tuple[CriterionRisks, ...] = ()  # consumer's and producer's risk of each criterion, on the true values


@dataclass(frozen=True)
class TrainResult:
    """A finished limit sheet and its report."""

    sheet: LimitSheet
    report: TrainReport


def train_sheet(table: LabelledTable, *, workmanship_class: int = 2, family: str = "",
                chips: LabelledTable | None = None, guard_k: float = 1.0, most_review: float = 0.02, folds: int = 5,
                note: str = "", criteria: Sequence[Criterion] = CRITERIA, options: LearnOptions | None = None,
                progress: Callable[[int, int], None] | None = None) -> TrainResult:
    """Learn a limit sheet.

    Parameters
    ----------
    table, chips
        Measured joints and chips with truth.
    workmanship_class
        1, 2 or 3; its criteria enter as rules with their source.
    family, note
        Written into the sheet.
    guard_k
        Guard bands in standard uncertainties.
    most_review
        Share of good joints that the guard bands may send to review.
    folds
        Cross-validation folds, grouped by board; 0 leaves it out.
    criteria
        The workmanship criteria, if the shop has its own (models.house_rules).
    options
        Costs, depth and seed of learning.
    progress
        Called with (done, total) as work goes on.

    Raises
    ------
    MeniscopeError where there is nothing to learn from.

    """
    options = options or LearnOptions()
    tables = [table] + ([chips] if chips is not None and len(chips) else [])
    if table.part != "joint" or (chips is not None and chips.part != "chip"):
        raise MeniscopeError("train: wanted a table of joints and, beside it, one of chips")
    if not table.good.any():
        raise MeniscopeError("train: got no good joint that is not marginal, wanted some; render or label good boards")
    boards = sorted({board for some in tables for board in some.boards})
    folds = min(folds, len(boards)) if len(boards) >= 4 else 0
    plan = _Plan(workmanship_class, family, guard_k, most_review, note, tuple(criteria), options)
    total, done = 1 + folds, 0

    def tick() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    sheet, notes = _learn(tables, plan)
    tick()
    validation = _validated(tables, boards, folds, plan, tick) if folds >= 2 else None
    training = compare([o for some in tables for o in judged(sheet, some)], workmanship_class=workmanship_class)
    counts = {f.name: int(sum(some.has(f.name).sum() for some in tables if some.part == f.part)) for f in FINDINGS}
    risks = tuple(risk for some in tables for risk in family_risks(sheet, some))
    return TrainResult(sheet, TrainReport(sum(len(some) for some in tables), len(boards), counts, notes, training,
                                          validation, risks))


@dataclass(frozen=True)
class _Plan:
    """What does not change from fold to fold."""

    workmanship_class: int
    family: str
    guard_k: float
    most_review: float
    note: str
    criteria: tuple[Criterion, ...]
    options: LearnOptions


def _validated(tables: list[LabelledTable], boards: Sequence[str], folds: int, plan: _Plan,
               tick: Callable[[], None]) -> Comparison:
    """Return how sheets do on boards that they were not learned from, each board held back in one of the folds."""
    outcomes = []
    for _, test in board_folds(boards, folds):
        held = {boards[i] for i in test}
        masks = [np.array([board in held for board in some.boards]) for some in tables]
        held_sheet, _ = _learn([some.take(~mask) for some, mask in zip(tables, masks, strict=True)], plan)
        for some, mask in zip(tables, masks, strict=True):
            outcomes += judged(held_sheet, some.take(mask))
        tick()
    return compare(outcomes, workmanship_class=plan.workmanship_class)


def _learn(tables: list[LabelledTable], plan: _Plan) -> tuple[LimitSheet, tuple[str, ...]]:
    """Return the sheet learned from some tables and what could not be learned."""
    finished: list[Rule] = []
    notes: list[str] = []
    for table in tables:
        rules: list[Rule] = []
        learned: list[bool] = []
        found = _learned_rules(table, plan)
        for finding in found:
            for rule, is_learned in _rules_for(finding, table, plan, found[finding], notes):
                rules.append(rule)
                learned.append(is_learned)
        rules = banded(rules, table, k=plan.guard_k, learned=learned)
        rules = spared(rules, table, learned=learned, workmanship_class=plan.workmanship_class, k=plan.guard_k,
                       options=plan.options)
        rules = shrunk(rules, table, plan.most_review)
        finished += with_evidence(_without_shadows(rules), table)
    if not finished:
        raise MeniscopeError("train: got a table from which no rule follows, wanted examples of at least one finding")
    return LimitSheet(tuple(finished), plan.family, plan.workmanship_class, plan.note), tuple(notes)


def _learned_rules(table: LabelledTable, plan: _Plan) -> dict[str, list[Rule]]:
    """Return the learned rules of each finding of a part that matters in the class.

    All findings are learned twice: at first against the criteria with a number alone, and then with the rules of the
    other findings beside them. An odd joint that another finding's rule rejects anyway is no reason to move a limit
    among the good ones. Chips are learned once: one that lies askew often seems to be missing too, which is no oddity.
    """
    numbers = [rule for rule in workmanship_rules(plan.workmanship_class, placed=False, criteria=plan.criteria)
               if rule.part == table.part and _measured(rule, table)]
    severities = {f.name: severity_of(f.name, plan.workmanship_class) for f in FINDINGS if f.part == table.part}
    wanted = [finding for finding, severity in severities.items() if severity != "acceptable"]
    found: dict[str, list[Rule]] = {}
    for again in (False, True) if table.part == "joint" else (False,):
        for finding in wanted:
            if again and severities[finding] == "indicator":
                continue  # it rejects nothing, so nothing another rule rejects would have escaped it
            before = [rule for rules in found.values() for rule in rules] if again else []
            standing, beside = ([rule for rule in rules if rule.finding != finding and not rule.indicator]
                                for rules in (numbers, before))
            asked = asked_by(finding, plan.workmanship_class, plan.criteria)
            found[finding] = learn_rules(
                finding, table, [rule for rule in numbers if rule.finding == finding],
                f"learned; asked for by {asked}" if asked else "learned", standing=standing, beside=beside,
                indicator=severities[finding] == "indicator", options=plan.options)
    return found


def _rules_for(finding: str, table: LabelledTable, plan: _Plan, learned: list[Rule],
               notes: list[str]) -> list[tuple[Rule, bool]]:
    """Return all rules for one finding, each with whether it was learned."""
    severity = severity_of(finding, plan.workmanship_class)
    fixed = [rule for rule in workmanship_rules(plan.workmanship_class, placed=False, criteria=plan.criteria)
             if rule.finding == finding and _measured(rule, table)]
    notes += [note for note in (_alarm_note(rule, table) for rule in fixed) if note]
    rules = [(rule, False) for rule in fixed] + [(rule, True) for rule in learned]
    if rules:
        missed = table.has(finding)
        for rule, _ in rules:
            missed &= ~holds(rule, table.columns)
        if missed.any() and severity == "defect":
            notes.append(f"{finding}: {int(missed.sum())} of {int(table.has(finding).sum())} training examples do not "
                         "meet its rules; other rules or the guard bands may still catch them")
        return rules
    examples = int(table.has(finding).sum())
    why = (f"nothing could be learned from {examples} {'example' if examples == 1 else 'examples'}" if examples
           else "no examples to learn from")
    for criterion in plan.criteria:
        default = criterion.rule(plan.workmanship_class) if criterion.finding == finding else None
        if default is None or not _measured(default, table):
            continue
        alarms = float((holds(default, table.columns) & table.good).sum()) / max(1, int(table.good.sum()))
        if alarms <= DEFAULT_FALSE_CALLS:
            notes.append(f"{finding}: {why}; the default limit stands ({default.in_words()})")
            rules.append((default, False))
        else:
            notes.append(f"{finding}: {why}, and the default limit ({default.in_words()}) would reject "
                         f"{alarms:.1%} of the good joints, so there is no rule for it")
    if not rules and not any(note.startswith(f"{finding}:") for note in notes):
        notes.append(f"{finding}: {why} and no default limit, so there is no rule for it")
    return rules


def _alarm_note(rule: Rule, table: LabelledTable) -> str:
    """Return a warning where a criterion with a number of its own rejects many good joints, else nothing.

    Training does not move such a number, so the fault lies with the measurement.
    """
    good = table.good
    alarms, tried = int((holds(rule, table.columns) & good).sum()), int(good.sum())
    if alarms <= ALARMING * tried:
        return ""
    condition = rule.when[0]
    limit = condition.below if condition.above is None else condition.above
    error = uncertainty_near(table.take(holds(rule, table.columns) & good), condition.measure, float(limit or 0.0))
    reads = "" if np.isnan(error.bias) else (f" (there it reads {with_unit(condition.measure, abs(error.bias))} too "
                                             f"{'low' if error.bias < 0 else 'high'})")
    return (f"{rule.finding}: the criterion \"{rule.in_words()}\" rejects {alarms} of {tried} good joints; its number "
            f"stands, so look into the measurement{reads}, the station's file or the pictures")


def _measured(rule: Rule, table: LabelledTable) -> bool:
    return all(c.measure in table.columns and np.isfinite(table.columns[c.measure]).any() for c in rule.when)


def _without_shadows(rules: list[Rule]) -> list[Rule]:
    """Drop rules that another rule always answers before; guard bands can make them so."""
    kept = list(rules)
    for rule in rules:
        others = [other for other in kept if other is not rule]
        if any(implies(rule, other) for other in others):
            kept = others
    return kept


def with_evidence(rules: list[Rule], table: LabelledTable) -> list[Rule]:
    """Return the rules with what they do on a table, counted as the sheet will judge."""
    good = table.good
    kept = []
    for rule in rules:
        same = LimitSheet(tuple(other for other in rules if other.finding == rule.finding))
        judgement = judge(same, table.part, table.columns)
        answered = np.zeros(len(table), dtype=bool)
        answered[[item.row for item in judgement.fired]] = True
        defects = table.has(rule.finding)
        kept.append(replace(rule, evidence=Evidence(
            int(defects.sum()), int((defects & ~answered).sum()), int(good.sum()),
            int((holds(rule, table.columns) & good).sum()))))
    return kept


