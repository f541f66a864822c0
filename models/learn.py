"""Learning the rules for one finding: a shallow tree proposes, counting decides.

What the tree proposes is pruned and placed again by counting what the rules themselves, judged as the sheet will
judge them, get wrong. Where a measurement does not apply a rule does not fire, so there the tree is shown a value far
on the good side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from models.rules import Condition, Floats, Rule, holds
from models.sheet_check import possible
from models.table import Bools, LabelledTable, board_folds
from models.vocabulary import MEASURE

Side = Literal["below", "above"]

#: What each finding may be learned from, and on which side of a limit it lies: measurements that mean the finding
#: physically, so that rules carry over to other boards and stations. The first is the plainest one and is used alone
#: where it does as well as all together. Signed chip shifts are learned by size.
CANDIDATES: Mapping[str, Mapping[str, Side]] = {
    "no_solder": {"land_cover_pct": "below", "coverage_deg": "below", "hole_open_pct": "above"},
    "partial_wetting": {"coverage_deg": "below", "land_cover_pct": "below", "largest_gap_deg": "above"},
    "non_wetting": {"wetting_angle_deg": "above", "convexity": "above", "land_cover_pct": "below"},
    "excess_solder": {"convexity": "above", "lead_visible": "below", "wetting_angle_deg": "above"},
    "lead_missing": {"lead_visible": "below", "lead_size_mm": "below", "hole_open_pct": "above"},
    "bridge": {"bridge_width_mm": "above"},
    "solder_ball": {"ball_diameter_mm": "above"},
    "blowhole": {"pit_diameter_mm": "above"},
    "solder_projection": {"projection_mm": "above"},
    "chip_missing": {"chip_present": "below", "body_cover_pct": "below"},
    "chip_shifted": {"shift_along_mm": "above", "shift_across_mm": "above", "turn_deg": "above",
                     "body_cover_pct": "below"},
}
SIGNED: frozenset[str] = frozenset({"shift_along_mm", "shift_across_mm", "turn_deg"})


@dataclass(frozen=True)
class LearnOptions:
    """How rules are learned. Costs count in false calls."""

    escape_cost: float = 20.0  # an escape costs as much as this many false calls
    depth: int = 3  # of a tree, and the most conditions a rule can have
    rounds: int = 3  # trees grown one after another for what earlier rules still miss
    misnamed_cost: float = 0.05  # a joint with another finding that also gets this one
    condition_cost: float = 0.25  # a rule must earn at least this much a condition
    plain_bonus: float = 2.0  # what further measurements must earn over the plainest one alone
    seed: int = 1


@dataclass(frozen=True)
class _Task:
    """One finding's learning problem: which rows must fire, which must not, and what an error costs."""

    columns: Mapping[str, Floats]
    positive: Bools
    cost: Floats  # of getting a row wrong
    boards: tuple[str, ...]
    fixed: Bools  # rows where a given rule fires already


def learn_rules(finding: str, table: LabelledTable, fixed: Sequence[Rule], source: str, *, indicator: bool = False,
                options: LearnOptions | None = None) -> list[Rule]:
    """Return the rules to add to the given ones for a finding; none where they would add nothing.

    `fixed` are rules that stand already, such as a workmanship criterion with a number. Marginal rows take no part.
    """
    options = options or LearnOptions()
    kept = table.take(~table.marginal)
    positive = kept.has(finding)
    if not positive.any():
        return []
    cost = kept.weight() * np.where(positive, options.escape_cost, np.where(kept.good, 1.0, options.misnamed_cost))
    columns = {name: np.abs(values) if name in SIGNED else values for name, values in kept.columns.items()}
    caught = np.zeros(len(kept), dtype=bool)
    for rule in fixed:
        caught |= holds(rule, kept.columns)
    task = _Task(columns, positive, cost, kept.boards, caught)
    candidates = {m: side for m, side in CANDIDATES[finding].items()
                  if m in columns and np.isfinite(columns[m]).any()}
    rules = _covered(finding, source, task, candidates, options)
    if len(candidates) > 1:
        plain = _covered(finding, source, task, dict(list(candidates.items())[:1]), options)
        if _total(task, plain, options) <= _total(task, rules, options) + options.plain_bonus:
            rules = plain
    mirrored = [twin for rule in rules for twin in _mirrored(rule)]
    return [replace(rule, indicator=indicator) for rule in mirrored]


def _covered(finding: str, source: str, task: _Task, candidates: Mapping[str, Side],
             options: LearnOptions) -> list[Rule]:
    """Grow a tree for what is missed, turn it into rules, and again for what these still miss."""
    rules: list[Rule] = []
    for _ in range(options.rounds if candidates else 0):
        before = _total(task, rules, options)
        missed = task.positive & ~(task.fixed | _any(rules, task.columns))
        if not missed.any():
            break
        proposed = _propose(finding, source, task, missed, candidates, options)
        rules = _improve(task, [*rules, *proposed], options)
        if _total(task, rules, options) >= before:
            break
    return rules


def _propose(finding: str, source: str, task: _Task, missed: Bools, candidates: Mapping[str, Side],
             options: LearnOptions) -> list[Rule]:
    """Grow one pruned tree that separates the missed rows from all others, and return its firing leaves as rules."""
    from sklearn.tree import DecisionTreeClassifier

    names = list(candidates)
    rows = missed | ~task.positive
    filled = [_on_good_side(task.columns[m], candidates[m])[rows] for m in names]
    features, truth, cost = np.stack(filled, axis=1), missed[rows], task.cost[rows]
    settings = {
        "max_depth": options.depth, "min_samples_leaf": max(2, int(0.01 * truth.sum())), "random_state": options.seed,
        # More of a measurement may only make the finding more likely (or less), as its physics says.
        "monotonic_cst": [1 if candidates[m] == "above" else -1 for m in names],
    }
    boards = [board for board, wanted in zip(task.boards, rows, strict=True) if wanted]
    alpha = _pruning(features, truth, cost, boards, settings)
    tree = DecisionTreeClassifier(ccp_alpha=alpha, **settings).fit(features, truth, sample_weight=cost)
    rules = []
    for path in _firing_paths(tree.tree_):
        limits: dict[str, float] = {}
        for feature, side, limit in path:
            measure = names[feature]
            if side != candidates[measure]:
                continue  # the tree carved along the way; by the physics this side only makes the finding surer
            tightest = min if side == "below" else max
            limits[measure] = tightest(limits.get(measure, limit), limit)
        if limits:
            rules.append(Rule(finding, source, tuple(
                Condition(m, **{candidates[m]: limit}) for m, limit in limits.items())))
    return rules


def _on_good_side(values: Floats, side: Side) -> Floats:
    """Return the values with those that do not apply replaced by one beyond all others, where no condition holds."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    reach = max(high - low, 1.0)
    return np.where(np.isnan(values), high + reach if side == "below" else low - reach, values)


def _pruning(features: Floats, truth: Bools, cost: Floats, boards: Sequence[str],
             settings: Mapping[str, object]) -> float:
    """Return the cost-complexity parameter with the least cost in cross-validation grouped by board."""
    from sklearn.tree import DecisionTreeClassifier

    alphas = DecisionTreeClassifier(**settings).cost_complexity_pruning_path(
        features, truth, sample_weight=cost).ccp_alphas
    alphas = np.unique(np.clip(alphas, 0.0, None))[:-1]  # the last one prunes to a single leaf
    if len(alphas) <= 1 or len({b for b, t in zip(boards, truth, strict=True) if t}) < 4:
        return 0.0
    alphas = alphas[np.unique(np.linspace(0, len(alphas) - 1, 6).astype(int))]
    wrong = np.zeros(len(alphas))
    for train, test in board_folds(boards, 4):
        if truth[train].all() or not truth[train].any():
            continue
        for place, alpha in enumerate(alphas):
            tree = DecisionTreeClassifier(ccp_alpha=alpha, **settings)
            tree.fit(features[train], truth[train], sample_weight=cost[train])
            wrong[place] += cost[test][tree.predict(features[test]) != truth[test]].sum()
    # Of trees that are equally good within one false call, the smallest.
    return float(alphas[np.flatnonzero(wrong <= wrong.min() + 1.0)[-1]])


def _firing_paths(tree: object) -> list[list[tuple[int, Side, float]]]:
    """Return for each leaf that says "finding" its conditions from the root: (feature, side, limit)."""
    left, right = tree.children_left, tree.children_right  # type: ignore[attr-defined]
    feature, limit, value = tree.feature, tree.threshold, tree.value  # type: ignore[attr-defined]
    paths: list[list[tuple[int, Side, float]]] = []
    waiting: list[tuple[int, list[tuple[int, Side, float]]]] = [(0, [])]
    while waiting:
        node, path = waiting.pop()
        if left[node] < 0:
            if value[node].shape[1] == 2 and value[node][0, 1] > value[node][0, 0]:
                paths.append(path)
            continue
        step = (int(feature[node]), float(limit[node]))
        waiting.append((int(left[node]), [*path, (step[0], "below", step[1])]))
        waiting.append((int(right[node]), [*path, (step[0], "above", step[1])]))
    return paths


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
    """Drop, one at a time, the rule or condition whose loss lowers the total cost most."""
    while rules:
        shorter: list[list[Rule]] = []
        for number, rule in enumerate(rules):
            shorter.append(rules[:number] + rules[number + 1:])
            shorter += [[*rules[:number], replace(rule, when=rule.when[:place] + rule.when[place + 1:]),
                         *rules[number + 1:]] for place in range(len(rule.when)) if len(rule.when) > 1]
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
    best = _best_limit(condition.measure, sign, values, cost, positive, old,
                       (float(np.quantile(good, 0.95)) if len(good) else -np.inf, float(np.quantile(bad, 0.05))))
    if best is None:
        return rules
    moved = replace(condition, above=best) if side == "above" else replace(condition, below=best)
    changed = [*rules[:number], replace(rule, when=(*rule.when[:place], moved, *rule.when[place + 1:])),
               *rules[number + 1:]]
    # Rounding may cost a hair of training accuracy, never a defect.
    return changed if _total(task, changed, options) <= _total(task, rules, options) + 0.5 else rules


def _best_limit(measure: str, sign: float, values: Floats, cost: Floats, positive: Bools, old: float,
                edges: tuple[float, float]) -> float | None:
    """Return the coarsest readable limit whose expected cost is as good as the best one's."""
    from scipy.special import ndtr

    step = MEASURE[measure].step
    low, high = possible(measure)
    good_edge, bad_edge = edges
    if np.isinf(good_edge):  # nothing good on this side: keep the limit, made readable
        good_edge = bad_edge - 4 * step
    width = max(abs(bad_edge - good_edge) / 8.0, step / 2.0)
    start, stop = sorted((good_edge - 2 * width, bad_edge + 2 * width))
    start, stop = min(start, old), max(stop, old)
    fine = step if (stop - start) / step <= 400 else (stop - start) / 400
    grid = np.unique(np.round(np.arange(np.floor(start / fine), np.ceil(stop / fine) + 1) * fine / step) * step)
    grid = grid[(sign * grid > low) & (sign * grid < high)] if measure not in SIGNED else grid[grid > 0]
    near = (values > start - 6 * width) & (values < stop + 6 * width)
    if not len(grid):
        return None
    always = cost[positive & (values <= start - 6 * width)].sum() + cost[~positive & (values >= stop + 6 * width)].sum()
    toward = np.where(positive[near], 1.0, -1.0)
    expected = always + (cost[near] * ndtr(toward * (grid[:, None] - values[near]) / width)).sum(axis=1)
    allowed = expected.min() + max(0.02 * expected.min(), 0.05)
    for multiple in (100, 50, 20, 10, 5, 2, 1):
        coarse = step * multiple
        readable = np.abs(grid / coarse - np.round(grid / coarse)) < 1e-6
        fits = readable & (expected <= allowed)
        if fits.any():
            return float(np.round(sign * grid[fits][expected[fits].argmin()], 6))
    return float(np.round(sign * grid[expected.argmin()], 6))


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
