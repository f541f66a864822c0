"""Verdicts against truth: escapes, false calls, reviews, with exact intervals.

An escape is a joint with a defect that was accepted; a false call is a good joint that was rejected. Ungraded joints
are counted apart and never as accepted; marginal joints, where both verdicts can be defended, are counted apart too.
What is a defect follows the workmanship class: a finding that is a process indicator there may be accepted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field

from models.criteria import severity_of
from models.errors import MeniscopeError, some
from models.intervals import clopper_pearson
from models.rules import LimitSheet, judge
from models.table import LabelledTable
from models.vocabulary import ACCEPT, FINDINGS, REJECT, REVIEW, UNGRADED, Part


@dataclass(frozen=True)
class Outcome:
    """One joint or chip: what is true and what the program said."""

    board: str
    name: str  # REF.PIN or REF
    part: Part
    truth: tuple[str, ...]  # true findings; empty = good
    verdict: str
    found: tuple[str, ...] = ()  # findings named by the program, the deciding one first; indicators too
    marginal: bool = False
    kind: str = ""  # land kind
    condition: str = ""  # whatever the test varied: station, light, seed
    why: str = ""  # the program's reason in words
    nearness: float = 0.0  # how close the call was; larger = nearer to the other verdict


@dataclass(frozen=True)
class Rate:
    """A share found by counting, with its exact interval."""

    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The share itself; 0 where nothing was tried."""
        return self.count / self.of if self.of else 0.0

    def in_words(self) -> str:
        """Return `3 of 1200 = 0.25 % (95 % interval 0.05 to 0.73 %)` without the word for the confidence."""
        if not self.of:
            return "none tried"
        return f"{self.count} of {self.of} = {self.share:.2%} ({self.low:.2%} to {self.high:.2%})"


@dataclass(frozen=True)
class Group:
    """Counts for one finding, land kind or condition."""

    name: str
    defects: int
    rejected: int  # defects
    reviewed: int
    ungraded: int
    named: int  # defects whose true finding was named
    escapes: Rate
    good: int = 0
    false_calls: Rate = field(default_factory=lambda: Rate(0, 0, 0.0, 1.0))
    good_reviewed: int = 0


@dataclass(frozen=True)
class Comparison:
    """Everything that evaluation counts. Rates leave out marginal and ungraded joints."""

    confidence: float
    escapes: Rate  # of defects
    false_calls: Rate  # of good joints
    good_reviewed: Rate  # of good joints
    defects_reviewed: Rate  # of defects
    ungraded: Rate  # of all
    boards: int
    boards_with_escape: int
    marginal: Counter[tuple[str, str]]  # (defect or good, verdict) -> count
    indicators: tuple[Group, ...]  # findings that are process indicators in this class
    by_finding: tuple[Group, ...]
    by_kind: tuple[Group, ...]
    by_condition: tuple[Group, ...]
    confusion: Counter[tuple[str, str]]  # (true finding or good, finding named or verdict) -> count
    worst: tuple[Outcome, ...]  # escapes first, then false calls, then the closest calls


def compare(outcomes: Sequence[Outcome], *, workmanship_class: int = 2, confidence: float = 0.95,
            worst: int = 20) -> Comparison:
    """Count escapes and false calls.

    Parameters
    ----------
    outcomes
        All joints and chips tried.
    workmanship_class
        Decides which findings are defects.
    confidence
        Of the exact (Clopper-Pearson) intervals. Joints of one board are not independent, so that
        `boards_with_escape` should be read beside the interval.
    worst
        How many outcomes to list as worst cases.

    """
    kinds = {o: _kind(o, workmanship_class) for o in dict.fromkeys(outcomes)}
    clear = [o for o in outcomes if not o.marginal]
    graded = [o for o in clear if o.verdict != UNGRADED]
    defects = [o for o in graded if kinds[o] == "defect"]
    good = [o for o in graded if kinds[o] == "good"]

    def rate(some: Sequence[Outcome], verdict: str) -> Rate:
        return counted(sum(o.verdict == verdict for o in some), len(some), confidence)

    def grouped(key: Callable[[Outcome], Iterable[str]], some: Sequence[Outcome]) -> tuple[Group, ...]:
        names = dict.fromkeys(name for o in some for name in key(o))
        return tuple(_group(name, [o for o in some if name in key(o)], kinds, confidence) for name in names)

    order = [f.name for f in FINDINGS]
    severity = {name: severity_of(name, workmanship_class) for name in order}
    by_finding = sorted(grouped(lambda o: o.truth, clear), key=lambda group: order.index(group.name))
    escaped = {o.board for o in defects if o.verdict == ACCEPT}
    return Comparison(
        confidence, rate(defects, ACCEPT), rate(good, REJECT), rate(good, REVIEW), rate(defects, REVIEW),
        rate(clear, UNGRADED), len({o.board for o in outcomes}), len(escaped),
        Counter((kinds[o], o.verdict) for o in outcomes if o.marginal),
        tuple(g for g in by_finding if severity[g.name] != "defect"),
        tuple(g for g in by_finding if severity[g.name] == "defect"),
        grouped(lambda o: (o.kind,) if o.kind else (), clear),
        grouped(lambda o: (o.condition,) if o.condition else (), clear),
        Counter(pair for o in clear for pair in _pairs(o)), _worst(defects, good, worst))


def counted(count: int, of: int, confidence: float = 0.95) -> Rate:
    """Return a count with its exact interval."""
    return Rate(count, of, *clopper_pearson(count, of, confidence))


def judged(sheet: LimitSheet, table: LabelledTable, condition: str = "") -> list[Outcome]:
    """Judge a labelled table under a sheet and return the outcomes."""
    judgement = judge(sheet, table.part, table.columns)
    found: dict[int, list[tuple[int, str, str]]] = {}
    rank = {REJECT: 0, REVIEW: 1}
    for item in judgement.fired:
        rule = sheet.rules[item.rule]
        found.setdefault(item.row, []).append((rank.get(item.verdict, 2), rule.finding, rule.in_words()))
    outcomes = []
    for row, verdict in enumerate(judgement.verdicts):
        mine = sorted(found.get(row, []), key=lambda entry: entry[0])
        outcomes.append(Outcome(
            table.boards[row], table.names[row] if table.names else f"row {row + 1}", table.part, table.findings[row],
            verdict, tuple(entry[1] for entry in mine), bool(table.marginal[row]),
            table.kinds[row] if table.kinds else "", condition, mine[0][2] if mine else ""))
    return outcomes


def refuse_overlap(training: Collection[str], test: Collection[str], what: str, where: str = "") -> None:
    """Raise MeniscopeError when a test set shares boards (or seeds: `what`, one of them) with the training set."""
    shared = sorted(set(training) & set(test))
    if shared:
        several = f"1 {what} of the test was" if len(shared) == 1 else f"{len(shared)} {what}s of the test were"
        raise MeniscopeError(f"evaluate: {several} used in training too{where and f' ({where})'}: {some(shared, 5)}; "
                             "rates would be too good to be true. Use boards that training has not seen")


def shared_boards(training: LabelledTable, test: LabelledTable) -> list[str]:
    """Return the boards of `test` that `training` holds too, whatever they are called there.

    A board is the same when it bears the same name, or when half of its joints agree in every digit: in their true
    values where both tables hold them (a board rendered again from the same seed does), else in what was measured.
    """
    names = set(training.boards)
    known = _fingerprints(training, test)
    seen = {mark for _, mark in known[0]}
    total, same = Counter(test.boards), Counter(board for board, mark in known[1] if mark in seen)
    return [board for board in dict.fromkeys(test.boards) if board in names or 2 * same[board] > total[board]]


def _fingerprints(one: LabelledTable, two: LabelledTable) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return for both tables (board, joint with its values to five digits), on columns that both hold."""
    exact = [name for name in one.exact if name in two.exact]
    chosen = exact if len(exact) >= 3 else [name for name in one.columns if name in two.columns]

    def marks(table: LabelledTable) -> list[tuple[str, str]]:
        columns = [(table.exact if len(exact) >= 3 else table.columns)[name] for name in chosen]
        joints = table.names or ("",) * len(table)
        return [(table.boards[row], joints[row] + " " + " ".join(f"{values[row]:.5g}" for values in columns))
                for row in range(len(table))]

    # A perfect joint looks like the next board's perfect joint: only joints that differ from board to board tell.
    counts = Counter(mark for _, mark in marks(one)) if chosen else Counter()
    return ([pair for pair in marks(one) if counts[pair[1]] == 1],
            marks(two)) if chosen else ([], [])


def _kind(outcome: Outcome, workmanship_class: int) -> str:
    """Return `defect`, `indicator` or `good`."""
    severities = {severity_of(finding, workmanship_class) for finding in outcome.truth}
    return "defect" if "defect" in severities else "indicator" if "indicator" in severities else "good"


def _group(name: str, some: Sequence[Outcome], kinds: dict[Outcome, str], confidence: float) -> Group:
    bad = [o for o in some if o.truth and kinds[o] in ("defect", "indicator")]
    defects = [o for o in bad if kinds[o] == "defect" or not any(kinds[p] == "defect" for p in bad)]
    graded = [o for o in defects if o.verdict != UNGRADED]
    good = [o for o in some if kinds[o] == "good" and o.verdict != UNGRADED]
    verdicts = Counter(o.verdict for o in defects)
    return Group(name, len(defects), verdicts[REJECT], verdicts[REVIEW], verdicts[UNGRADED],
                 sum(bool(set(o.truth) & set(o.found)) if name not in o.truth else name in o.found for o in defects),
                 counted(verdicts[ACCEPT], len(graded), confidence), len(good),
                 counted(sum(o.verdict == REJECT for o in good), len(good), confidence),
                 sum(o.verdict == REVIEW for o in good))


def _pairs(outcome: Outcome) -> list[tuple[str, str]]:
    """Return the confusion cells of one outcome: for each true finding the one named, itself where it was named."""
    named = outcome.found[0] if outcome.found else outcome.verdict
    if not outcome.truth:
        return [("good", named)]
    return [(true, true if true in outcome.found else named) for true in outcome.truth]


def _worst(defects: Sequence[Outcome], good: Sequence[Outcome], most: int) -> tuple[Outcome, ...]:
    escapes = [o for o in defects if o.verdict == ACCEPT]
    false_calls = [o for o in good if o.verdict == REJECT]
    close = sorted((o for o in (*defects, *good) if o.verdict == REVIEW), key=lambda o: -o.nearness)
    return tuple([*escapes, *false_calls, *close][:most])
