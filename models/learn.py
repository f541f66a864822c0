"""Learning the rules for one finding: a shallow tree proposes, counting decides.

What the tree proposes is pruned and placed again by counting what the rules themselves, judged as the sheet will
judge them, get wrong. Where a measurement does not apply a rule does not fire, so there the tree is shown a value far
on the good side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.candidates import CANDIDATES, CONFIRMS
from models.placing import LEAST, LEAST_WAY, MOST, MOST_SPARED, SIGNED, Side, best_limit, nothing_found, parting_limit
from models.rules import Condition, Floats, Rule, holds
from models.sheet_check import possible
from models.table import Bools, LabelledTable
from models.trees import firing_paths, on_good_side, pruning
from models.vocabulary import MEASURE

#: A readable limit may cost this share of all that can go wrong more than the best one.
SLACK = 0.0005
#: Shares of the joints to be spared that tell where they end, as a second condition sees them.
SPARED = (MOST_SPARED, 0.5, 0.25)


@dataclass(frozen=True)
class LearnOptions:
    """How rules are learned. Costs count in false calls.

    A training set holds far more defects than the line makes, so that counts alone would buy one escape less with
    false calls that nobody could stand. The examples of a finding are therefore weighted as on the line: where one
    joint in 200 has it and an escape costs as much as 100 false calls, half a per cent of false calls is worth one per
    cent of escapes.
    """

    escape_cost: float = 100.0  # an escape costs as much as this many false calls
    prevalence: float = 0.005  # share of a line's joints that have one finding
    depth: int = 3  # of a tree, and the most conditions a rule can have
    rounds: int = 3  # trees grown one after another for what earlier rules still miss
    misnamed_cost: float = 0.2  # giving this name to all joints with other findings, where missing all its own costs 1
    name_share: float = 0.05  # of an escape's cost: an example that a standing number rejects for another finding
    lean_share: float = 0.1  # the same where a learned limit rejects it, which the next such joint may just miss
    condition_cost: float = 0.25  # a rule must earn at least this much a condition
    plain_bonus: float = 2.0  # what further measurements must earn over the plainest one alone
    review_cost: float = 0.3  # a good joint sent to a person, against one that is rejected
    spare_bonus: float = 1.0  # what a condition that only spares good joints must earn
    smallest: Mapping[str, float] = field(default_factory=lambda: dict(LEAST))  # no limit lies below, by measurement
    seed: int = 1


@dataclass(frozen=True)
class _Task:
    """One finding's learning problem: which rows must fire, which must not, and what an error costs."""

    columns: Mapping[str, Floats]
    positive: Bools
    cost: Floats  # of getting a row wrong
    boards: tuple[str, ...]
    fixed: Bools  # rows where a given rule fires already
    good: Bools  # rows without any finding
    smallest: Mapping[str, float]  # no limit lies below, by measurement

    @property
    def slack(self) -> float:
        """What a readable number may cost: a share of all that can go wrong, and half a false call at least."""
        return max(0.5, SLACK * float(self.cost.sum()))

    def held(self, measure: str, limit: float) -> float:
        """Return a limit as near to the given one as limits on this measurement may lie."""
        return min(max(limit, self.smallest.get(measure, limit)), MOST.get(measure, np.inf))


def learn_rules(finding: str, table: LabelledTable, fixed: Sequence[Rule], source: str, *, indicator: bool = False,
                standing: Sequence[Rule] = (), beside: Sequence[Rule] = (),
                options: LearnOptions | None = None) -> list[Rule]:
    """Return the rules to add to the given ones for a finding; none where they would add nothing.

    `fixed` are rules that stand already, such as a workmanship criterion with a number. `standing` are those of other
    findings: an example that they reject anyway cannot escape, it only lacks its name, and no good joint is worth
    risking for that. `beside` are learned rules of other findings, which count for less. Marginal rows take no part.
    """
    options = options or LearnOptions()
    kept = table.take(~table.marginal)
    positive = kept.has(finding)
    if not positive.any():
        return []
    weight = kept.weight()
    bad, escape = float(weight[positive].sum()), escape_price(kept, finding, options)
    other = ~positive & ~kept.good
    misnamed = options.misnamed_cost * escape * bad / max(float(weight[other].sum()), bad)
    lost = np.full(len(kept), escape)
    for rules, share in ((beside, options.lean_share), (standing, options.name_share)):
        lost[_any(rules, kept.columns)] = share * escape
    cost = weight * np.where(positive, lost, np.where(other, misnamed, 1.0))
    columns = {name: np.abs(values) if name in SIGNED else values for name, values in kept.columns.items()}
    task = _Task(columns, positive, cost, kept.boards, _any(fixed, kept.columns), kept.good, options.smallest)
    # A number that the standard (or the shop) gives stands: no learned rule undercuts it.
    given = {condition.measure for rule in fixed for condition in rule.when}
    candidates = {m: side for m, side in CANDIDATES[finding].items()
                  if m in columns and m not in given and np.isfinite(columns[m]).any()}
    found = _covered(finding, source, task, candidates, options)
    if len(candidates) > 1:
        plain = _covered(finding, source, task, dict(list(candidates.items())[:1]), options)
        if _total(task, plain, options) <= _total(task, found, options) + options.plain_bonus:
            found = plain
    found = _confirmed(task, found or _begun(finding, source, task, candidates), options)
    found = _improve(task, found, options)
    found = found + _unseen(finding, source, task, candidates, found)
    mirrored = [twin for rule in found for twin in _mirrored(rule)]
    return [replace(rule, indicator=indicator) for rule in mirrored]


def escape_price(table: LabelledTable, finding: str, options: LearnOptions) -> float:
    """Return what an example of a finding that escapes costs; 0 where the table holds none."""
    weight = table.weight()
    good, bad = float(weight[table.good].sum()), float(weight[table.has(finding)].sum())
    return options.escape_cost * options.prevalence * max(good, 1.0) / bad if bad else 0.0


def _covered(finding: str, source: str, task: _Task, candidates: Mapping[str, Side],
             options: LearnOptions) -> list[Rule]:
    """Grow a tree for what is missed, turn it into rules, and again for what these still miss."""
    rules: list[Rule] = []
    for _ in range(options.rounds if candidates else 0):
        before = _total(task, rules, options)
        missed = task.positive & ~(task.fixed | _any(rules, task.columns))
        if not missed.any():
            break
        grown = _propose(finding, source, task, missed, candidates, options)
        plain = _separators(finding, source, task, missed, candidates)
        rules = min((_improve(task, [*rules, *more], options) for more in (grown, plain, [*grown, *plain])),
                    key=lambda some: _total(task, some, options))
        if _total(task, rules, options) >= before:
            break
    return rules


def _propose(finding: str, source: str, task: _Task, missed: Bools, candidates: Mapping[str, Side],
             options: LearnOptions) -> list[Rule]:
    """Grow one pruned tree that separates the missed rows from all others, and return its firing leaves as rules."""
    from sklearn.tree import DecisionTreeClassifier

    names = list(candidates)
    rows = missed | ~task.positive
    filled = [on_good_side(task.columns[m], candidates[m])[rows] for m in names]
    features, truth, cost = np.stack(filled, axis=1), missed[rows], task.cost[rows]
    settings = {
        "max_depth": options.depth, "min_samples_leaf": max(2, int(0.01 * truth.sum())), "random_state": options.seed,
        # More of a measurement may only make the finding more likely (or less), as its physics says.
        "monotonic_cst": [1 if candidates[m] == "above" else -1 for m in names],
    }
    boards = [board for board, wanted in zip(task.boards, rows, strict=True) if wanted]
    alpha = pruning(features, truth, cost, boards, settings)
    tree = DecisionTreeClassifier(ccp_alpha=alpha, **settings).fit(features, truth, sample_weight=cost)
    rules = []
    for path in firing_paths(tree.tree_):
        limits: dict[str, float] = {}
        for feature, side, limit in path:
            measure = names[feature]
            if side != candidates[measure]:
                continue  # the tree carved along the way; by the physics this side only makes the finding surer
            tightest = min if side == "below" else max
            sane = task.held(measure, limit)
            limits[measure] = tightest(limits.get(measure, sane), sane)
        if limits:
            rules.append(Rule(finding, source, tuple(
                Condition(m, **{candidates[m]: limit}) for m, limit in limits.items())))
    return rules


def _separators(finding: str, source: str, task: _Task, missed: Bools, candidates: Mapping[str, Side]) -> list[Rule]:
    """Return one rule a measurement with its limit just beyond the last row that must not fire.

    A finding that shows in one of several measurements (a chip shifted or turned) is found by these, where a tree
    with few examples would put its first limit into the noise to miss none of them.
    """
    rules = []
    for measure, side in candidates.items():
        sign = 1.0 if side == "above" else -1.0
        values = sign * task.columns[measure]
        innocent = values[~task.positive & np.isfinite(values)]
        edge = float(innocent.max()) if len(innocent) else -np.inf
        beyond = values[missed & (values > edge)]
        if len(beyond) and np.isfinite(edge):
            limit = sign * (edge + float(beyond.min())) / 2.0
            limit = task.held(measure, limit)
            rules.append(Rule(finding, source, (Condition(measure, above=limit) if side == "above"
                                                else Condition(measure, below=limit),)))
    return rules


def _begun(finding: str, source: str, task: _Task, candidates: Mapping[str, Side]) -> list[Rule]:
    """Return a rule by the plainest measurement that nearly all with the finding meet, for others to confirm.

    Where good joints reach as far, no limit on one measurement is worth its false calls, but two together may be.
    """
    if not candidates:
        return []
    measure, side = next(iter(candidates.items()))
    sign = 1.0 if side == "above" else -1.0
    values = sign * task.columns[measure][task.positive]
    values = values[np.isfinite(values)]
    if not len(values):
        return []
    limit = task.held(measure, sign * float(np.quantile(values, 0.05)))
    low, high = possible(measure)
    if not low < limit < high:
        return []
    return [Rule(finding, source, (Condition(measure, **{side: limit}),))]


def _confirmed(task: _Task, rules: list[Rule], options: LearnOptions) -> list[Rule]:
    """Give rules a further condition where what joints with the finding show besides spares other joints.

    A dome is a dome whether solder has not wetted or there is too much of it; land left bare tells one from the other.
    Joints with other findings may show as much of it and hide where the good ones end, as may a few of those: where no
    limit that nearly all others keep to is worth it, good joints alone are looked at, and fewer of them.
    """
    every = np.ones_like(task.good)
    looks = [(every, MOST_SPARED), *((task.positive | task.good, share) for share in SPARED)]
    for number, rule in enumerate(rules):
        for among, share in looks:
            tried = [rules]
            for measure, side in CONFIRMS.get(rule.finding, {}).items():
                if measure not in task.columns or len(rule.when) >= options.depth:
                    continue
                rows = holds(rule, task.columns) & np.isfinite(task.columns[measure]) & among
                limit = parting_limit(measure, side, task.columns[measure][rows], task.cost[rows],
                                      task.positive[rows], task.slack, share)
                if limit is not None:
                    longer = replace(rule, when=(*rule.when, Condition(measure, **{side: limit})))
                    tried.append([*rules[:number], longer, *rules[number + 1:]])
            best = min(tried, key=lambda some: _total(task, some, options))
            if _total(task, best, options) + options.plain_bonus < _total(task, rules, options):
                rules = best
                break
    return rules


def _unseen(finding: str, source: str, task: _Task, candidates: Mapping[str, Side], rules: Sequence[Rule]
            ) -> list[Rule]:
    """Return rules for signed measurements that no example taught: as far beyond the good ones as these reach.

    A dozen shifted chips may hold none that is turned; a turned one must not be accepted for that.
    """
    taught = {condition.measure for rule in rules for condition in rule.when}
    extra = []
    for measure in candidates:
        values = task.columns[measure]
        innocent = values[~task.positive & np.isfinite(values)]
        if measure not in SIGNED or measure in taught or not len(innocent):
            continue
        step = MEASURE[measure].step
        limit = max(float(np.ceil(2.0 * float(innocent.max()) / step + 1.0) * step), task.smallest[measure])
        if limit < possible(measure)[1]:
            extra.append(Rule(finding, f"{source} from good ones only", (Condition(measure, above=round(limit, 6)),)))
    return extra


def _improve(task: _Task, rules: list[Rule], options: LearnOptions) -> list[Rule]:
    """Drop what adds nothing and move each limit to its best readable place, until neither changes anything."""
    rules = _pruned(task, rules, options)
    for _ in range(3):
        before = rules
        for number in range(len(rules)):
            for place in range(len(rules[number].when)):
                rules = _placed(task, rules, number, place, options)
        rules = _pruned(task, rules, options)
        if rules == before:
            break
    return rules


def _pruned(task: _Task, rules: list[Rule], options: LearnOptions) -> list[Rule]:
    """Drop, one at a time, the rule or condition whose loss lowers the total cost most.

    What only confirms a finding never stands alone: good joints may show it, too, and more so on boards unlike these.
    """
    while rules:
        shorter: list[list[Rule]] = []
        for number, rule in enumerate(rules):
            shorter.append(rules[:number] + rules[number + 1:])
            parts = [rule.when[:place] + rule.when[place + 1:] for place in range(len(rule.when))]
            shorter += [[*rules[:number], replace(rule, when=when), *rules[number + 1:]] for when in parts
                        if any(condition.measure in CANDIDATES[rule.finding] for condition in when)]
        best = min(shorter, key=lambda some: _total(task, some, options))
        if _total(task, best, options) > _total(task, rules, options):
            break
        rules = best
    return rules


def _placed(task: _Task, rules: list[Rule], number: int, place: int, options: LearnOptions) -> list[Rule]:
    """Move one limit to the readable number where errors are least likely.

    Each row is taken as smeared by a Gaussian; the expected cost is least near the middle of the gap between the
    classes, a little nearer to the good ones, whose loss costs less.
    """
    rule = rules[number]
    condition = rule.when[place]
    side: Side = "below" if condition.above is None else "above"
    others = Rule(rule.finding, rule.source, rule.when[:place] + rule.when[place + 1:])
    alone = ~(task.fixed | _any(rules[:number] + rules[number + 1:], task.columns))
    rows = alone & np.isfinite(task.columns[condition.measure])
    if others.when:
        rows &= holds(others, task.columns)
    sign = 1.0 if side == "above" else -1.0
    values, cost, positive = sign * task.columns[condition.measure][rows], task.cost[rows], task.positive[rows]
    old = sign * float((condition.above if side == "above" else condition.below) or 0.0)
    bad, good = values[positive & (values > old)], values[~positive & (values <= old)]
    if not len(bad):
        return rules
    edges = float(np.quantile(good, 0.95)) if len(good) else -np.inf, float(np.quantile(bad, 0.05))
    nothing = nothing_found(condition.measure, sign, values, positive)
    some, least = ~nothing, LEAST_WAY * edges[1] if nothing.any() else -np.inf
    least = max(least, task.smallest.get(condition.measure, least))
    if side == "below" and condition.measure in MOST:
        least = max(least, -MOST[condition.measure])
    best = best_limit(condition.measure, sign, values[some], cost[some], positive[some], old, edges, task.slack, least)

    def moved_to(limit: float) -> list[Rule]:
        moved = replace(condition, above=limit) if side == "above" else replace(condition, below=limit)
        return [*rules[:number], replace(rule, when=(*rule.when[:place], moved, *rule.when[place + 1:])),
                *rules[number + 1:]]

    if best is not None and _total(task, moved_to(best), options) <= _total(task, rules, options) + task.slack:
        return moved_to(best)
    fine = MEASURE[condition.measure].step / 10.0
    near = [round(fine * float(k), 6) for k in (np.floor(sign * old / fine), np.ceil(sign * old / fine))]
    low, high = possible(condition.measure)
    low = task.smallest.get(condition.measure, low + fine) - fine / 2.0
    high = min(high, MOST.get(condition.measure, np.inf) + fine / 2.0)
    return min((moved_to(limit) for limit in near if low < limit < high), default=rules,
               key=lambda some: _total(task, some, options))


def _any(rules: Sequence[Rule], columns: Mapping[str, Floats]) -> Bools:
    fired = np.zeros(len(next(iter(columns.values()))), dtype=bool)
    for rule in rules:
        fired |= holds(rule, columns)
    return fired


def _total(task: _Task, rules: Sequence[Rule], options: LearnOptions) -> float:
    """Return what all errors of the given and these rules cost, and what the rules' length costs."""
    caught = task.fixed | _any(rules, task.columns)
    wrong = caught != task.positive
    return float(task.cost[wrong].sum()) + options.condition_cost * sum(len(rule.when) for rule in rules)


def _mirrored(rule: Rule) -> list[Rule]:
    """Return a rule about sizes of signed measurements as rules for each sign."""
    twins = [rule]
    for place, condition in enumerate(rule.when):
        if condition.measure in SIGNED:
            assert condition.above is not None
            other = Condition(condition.measure, below=-condition.above)
            twins += [replace(twin, when=(*twin.when[:place], other, *twin.when[place + 1:])) for twin in twins]
    return twins
