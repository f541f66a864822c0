"""Which joints have changed together? Each place is a hypothesis; the data say how likely."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.line.history import History, Place
from vision.line.series import Spots, deviations, finding_names

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Location:
    """The place that explains a change best. Shares are odds among all places, summing to 1 over them."""

    best: Place
    equals: tuple[Place, ...]  # the same joints under other names
    share: float
    next_best: Place | None
    next_share: float


def locate(history: History, table: Spots, measures: Sequence[str], since: int, until: int,
           reference: slice, spoke_at: Place, spoken_for: Collection[int] = ()) -> Location:
    """Return which place's joints changed, from boards `since` to `until` (included) against the reference boards.

    For each place: likelihood ratio of "all its joints moved by one amount, the others not at all", summed over
    measurements (which move independently of each other) and findings. The noise has a part of each joint's own and a
    part common to a board, so that a moody board is not taken for a change of all joints. Joints that another alarm
    speaks for already are left out, and so are the places that have lost more than half of their joints by that; only
    places that share a joint with the one whose series raised the alarm are asked.
    """
    free = np.ones(len(history.joints), dtype=np.bool_)
    free[list(spoken_for)] = False
    ratio = np.zeros(len(table.places))
    for measure in measures:
        if measure in history.measures:
            ratio += _measure_ratio(history, table, measure, since, until, reference, free)
    for finding in finding_names(history):
        ratio += _finding_ratio(history, table, finding, since, until, reference, free)
    ratio[table.weights[:, free].sum(axis=1) < 0.5] = -np.inf
    ratio[~(table.weights[:, list(spoke_at.members)] > 0).any(axis=1)] = -np.inf
    odds = np.exp(ratio - ratio.max()) * table.parts
    odds /= odds.sum()
    order = np.argsort(odds)[::-1]
    best, second = int(order[0]), int(order[1]) if order.size > 1 else None
    return Location(table.places[best], table.equals[best], float(odds[best]),
                    None if second is None else table.places[second], 0.0 if second is None else float(odds[second]))


def _measure_ratio(history: History, table: Spots, measure: str, since: int, until: int, reference: slice,
                   free: Bools) -> Floats:
    """Return log likelihood ratios of a shift of each place; noise covariance is identity plus `common` for all pairs.

    The inverse of identity + common * ones is identity - common / (1 + J * common) * ones (Sherman and Morrison).
    """
    scaled = deviations(history, measure, reference)
    base, now = scaled[reference], scaled[since: until + 1]
    usable = free & (np.isfinite(now).sum(axis=0) > 0) & (np.isfinite(base).sum(axis=0) >= 5)
    if not usable.any() or now.shape[0] == 0:
        return np.zeros(len(table.places))
    base, now = base[:, usable], now[:, usable]
    spread = np.maximum(np.nanstd(base, axis=0), 0.3)
    boards = np.isfinite(now).sum(axis=0)
    moved = np.nanmean(now, axis=0) - np.nanmean(base, axis=0)
    z = moved / spread / np.sqrt(1.0 / boards + 1.0 / np.isfinite(base).sum(axis=0))
    joints = z.size
    filled = np.where(np.isfinite(base), base, 0.0) / spread
    common = max(0.0, float(np.var(filled.mean(axis=1))) - 1.0 / joints)
    inside = (table.weights[:, usable] > 0).astype(np.float64)
    count = inside.sum(axis=1)
    shrink = common / (1.0 + joints * common)
    numerator = inside @ z - shrink * count * z.sum()
    denominator = count - shrink * count * count
    ratio: Floats = np.zeros(count.size)
    np.divide(numerator**2, 2.0 * denominator, out=ratio, where=denominator > 1e-12)
    return ratio


def _finding_ratio(history: History, table: Spots, finding: str, since: int, until: int, reference: slice,
                   free: Bools) -> Floats:
    """Return log likelihood ratios of a rate raised by one factor at all joints of a place (Poisson counts).

    A joint's own rate before is its count drawn toward the mean of all joints with the weight of half a finding, for
    most joints have no finding at all before.
    """
    found, graded = history.findings[finding], history.graded
    before, tried_before = found[reference].sum(axis=0), graded[reference].sum(axis=0)
    after, tried_after = found[since: until + 1].sum(axis=0), graded[since: until + 1].sum(axis=0)
    mean = (before.sum() + 0.5) / (tried_before.sum() + 1.0)
    rate = (before + 0.5) / (tried_before + 0.5 / mean)
    inside = ((table.weights > 0) & free).astype(np.float64)
    count, expected = inside @ after, np.maximum(inside @ (rate * tried_after), 1e-12)
    ratio: Floats = count * np.log(np.maximum(count, 1e-12) / expected) - (count - expected)
    return np.where(count > expected, ratio, 0.0)
