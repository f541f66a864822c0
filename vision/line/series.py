"""What is watched: one series of numbers a board for every quantity at every place, with its part of the stake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.vocabulary import JOINT_FINDINGS
from vision.line.history import JOINT, LAND, NOZZLE, POT, STEP, WHOLE, History, Place, membership, places, same_joints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Measurements that tell of a drift before a limit is broken; sharpness tells of the station itself.
WATCHED: tuple[str, ...] = ("coverage_deg", "wetting_angle_deg", "fillet_height_mm", "sharpness")
#: Part of the stake on measurements; the rest is on counts of findings.
MEASURE_PART = 0.8
KIND_PART: dict[str, float] = {WHOLE: 0.2, POT: 0.15, NOZZLE: 0.15, STEP: 0.15, LAND: 0.1, JOINT: 0.25}
#: Deviations are cut here, in spreads of the joint, so that one bad joint does not stand for its whole place.
CUT = 4.0
#: Boards of one block when the memory of a series is estimated.
BLOCK = 30


@dataclass(frozen=True)
class Spots:
    """Places with different joints, each with the names under which it is known and its part of the stake."""

    places: tuple[Place, ...]  # the widest kind among equals
    equals: tuple[tuple[Place, ...], ...]
    parts: Floats  # (place,), sum 1
    weights: Floats  # (place, joint), rows sum to 1


def spots(history: History) -> Spots:
    """Return the places of a family; places with the same joints become one, since no result tells them apart."""
    found = places(history.joints)
    kinds = [place.kind for place in found]
    share = {kind: KIND_PART[kind] / kinds.count(kind) for kind in set(kinds)}
    groups = list(same_joints(found).values())
    parts = np.array([sum(share[place.kind] for place in group) for group in groups])
    first = tuple(group[0] for group in groups)
    return Spots(first, tuple(tuple(group) for group in groups), parts / parts.sum(),
                 membership(first, len(history.joints)))


def deviations(history: History, measure: str, reference: slice | Bools) -> Floats:
    """Return (board, joint) deviations from each joint's own median in spreads of that joint, cut at +/- CUT.

    Median and spread (median absolute deviation, or where that is 0 the standard deviation) come from the reference
    boards. A joint that never varied there, or was never measured, is left out (NaN).
    """
    values = history.measures[measure]
    base = values[reference]
    usable = np.isfinite(base).sum(axis=0) >= 5
    filled = np.where(usable, base, 0.0)
    center = np.nanmedian(filled, axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(filled - center), axis=0)
    spread = np.where(spread > 0, spread, np.nanstd(filled, axis=0))
    usable &= spread > 0
    scaled = np.where(usable, (values - center) / np.where(usable, spread, 1.0), np.nan)
    cut: Floats = np.clip(scaled, -CUT, CUT)
    return cut


def place_means(matrix: Floats, weights: Floats) -> Floats:
    """Return (board, place) means over the joints of each place that have a value; NaN where none has."""
    out: Floats = np.full((matrix.shape[0], weights.shape[0]), np.nan)
    inside = weights > 0
    single = inside.sum(axis=1) == 1
    out[:, single] = matrix[:, inside[single].argmax(axis=1)]  # most places are one joint: nothing to multiply
    known = np.isfinite(matrix)
    several = weights[~single].T
    total, share = np.where(known, matrix, 0.0) @ several, known.astype(np.float64) @ several
    out[:, ~single] = np.divide(total, share, out=np.full(total.shape, np.nan), where=share > 0)
    return out


def memory(values: Floats) -> tuple[float, float]:
    """Return how far the last two boards foretell the next one: coefficients of a second-order autoregression.

    `values` (board, series) of places of one kind, which are pooled. The correlations are taken within blocks of BLOCK
    boards about each block's own mean, so that a step or a slow drift is not taken for memory, and corrected for the
    bias of short blocks (Marriott and Pope, Biometrika 41, 1954); coefficients by Yule and Walker. Negative memory
    counts as none.
    """
    blocks = values.shape[0] // BLOCK
    if blocks < 1:
        return 0.0, 0.0
    cut = values[: blocks * BLOCK].reshape(blocks, BLOCK, -1)
    known = np.isfinite(cut)
    count = np.maximum(known.sum(axis=1, keepdims=True), 1)
    left = np.where(known, cut - np.where(known, cut, 0.0).sum(axis=1, keepdims=True) / count, 0.0)
    power = float((left * left).sum())
    if power <= 0.0:
        return 0.0, 0.0
    one, two = (float((left[:, lag:] * left[:, :-lag]).sum()) / power for lag in (1, 2))
    one = min(max((one + 1.0 / BLOCK) / (1.0 - 4.0 / BLOCK), 0.0), 0.95)
    two = min(max(two + (1.0 + 2.0 * one + 7.0 * one * one) / BLOCK, 0.0), one)
    if one < 1.0 / np.sqrt(blocks * BLOCK):
        return 0.0, 0.0
    return one * (1.0 - two) / (1.0 - one * one), (two - one * one) / (1.0 - one * one)


def unlinked(values: Floats, coefficients: tuple[float, float]) -> Floats:
    """Return (board, series) values without what the two boards before foretold; missing ones foretell nothing."""
    if coefficients == (0.0, 0.0):
        return values
    center = np.nanmedian(np.where(np.isfinite(values).any(axis=0), values, 0.0), axis=0)
    left = values - center
    before = np.where(np.isfinite(left), left, 0.0)
    out = left.copy()
    for lag, coefficient in enumerate(coefficients, start=1):
        out[lag:] -= coefficient * before[:-lag]
    return np.asarray(out + center, dtype=np.float64)


def finding_names(history: History) -> tuple[str, ...]:
    """Return the findings that occur, in the vocabulary's order; names that the vocabulary lacks come last."""
    known: Sequence[str] = [name for name in JOINT_FINDINGS if name in history.findings]
    known = [*known, *(name for name in history.findings if name not in JOINT_FINDINGS)]
    return tuple(name for name in known if history.findings[name].any())
