"""Shallow decision trees that propose rules: filling what is missing, pruning, and reading a tree's paths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from models.placing import Side
from models.rules import Floats
from models.table import Bools, board_folds


def on_good_side(values: Floats, side: Side) -> Floats:
    """Return the values with those that do not apply replaced by one beyond all others, where no condition holds."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    reach = max(high - low, 1.0)
    return np.where(np.isnan(values), high + reach if side == "below" else low - reach, values)


def pruning(features: Floats, truth: Bools, cost: Floats, boards: Sequence[str],
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


def firing_paths(tree: object) -> list[list[tuple[int, Side, float]]]:
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
