"""Watching many series at once with a false-alarm rate that holds whatever the values' distribution.

Each new value is placed among all earlier ones of its series (sequential rank). While a series does not change,
those ranks are independent and uniform, whatever its distribution (Parent, Stanford technical report 80, 1965; Vovk,
Gammerman and Shafer, Algorithmic Learning in a Random World, 2005), so nothing has to be known or estimated. The
ranks feed Shiryaev-Roberts statistics (Roberts, Technometrics 8, 1966), R = (1 + R) * e, where e is how much likelier
the rank is under a shift than under none. R minus the number of boards is a martingale in control, for every series
and thus for every weighted mean of series, however they depend on each other. An alarm at a mean of `c` therefore comes
on average no sooner than after `c` boards without drift (optional stopping; Pollak, Annals of Statistics 13, 1985).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Shifts that are looked for, in sigmas of a series; each has an equal part of the stake.
SHIFTS: tuple[float, ...] = (0.5, 1.0, 2.0)
#: Statistics stop growing here, far beyond any threshold, so that they stay finite.
CEILING = 1e200


def draws(keys: Sequence[str], count: int) -> Floats:
    """Return (key, count) uniform numbers that depend on the keys alone, so that every run breaks ties alike."""
    rows = []
    for key in keys:
        digest = hashlib.sha256(key.encode("utf-8", "surrogatepass")).digest()
        rows.append(np.random.default_rng(int.from_bytes(digest[:8], "little")).random(count))
    return np.array(rows).reshape(len(keys), count)


def sequential_ranks(values: Floats, breaks: Floats) -> Floats:
    """Return for each value its place among the series so far, as a number in (0, 1); NaN for a missing value.

    `values` and `breaks` have shape (board, series); `breaks` are uniform numbers that spread a value over its own rank
    and over ties. Uniform and independent while the series is exchangeable.
    """
    ranks = np.full(values.shape, np.nan)
    valid = np.isfinite(values)
    seen = np.cumsum(valid, axis=0)
    for t in range(values.shape[0]):
        past, now = values[:t], values[t]
        below = (past < now).sum(axis=0)
        equal = (past == now).sum(axis=0) + 1
        ranks[t] = np.where(valid[t], (below + breaks[t] * equal) / np.maximum(seen[t], 1), np.nan)
    inside: Floats = np.clip(ranks, 1e-12, 1.0 - 1e-12)
    return inside


def log_odds(ranks: Floats, side: int) -> Floats:
    """Return how much each rank of one series speaks for a shift, shape (shift, board): d * u - d^2 / 2.

    u is the rank as a normal deviate; exp of the result has mean 1 in control. A missing value says nothing (0).
    """
    from scipy.special import ndtri

    known = np.isfinite(ranks)
    u = side * np.where(known, ndtri(np.where(known, ranks, 0.5)), 0.0)
    d = np.asarray(SHIFTS)[:, None]
    return np.where(known, d * u - d * d / 2.0, 0.0)


def shiryaev_roberts(ranks: Floats, active: NDArray[np.bool_], sides: Sequence[int] = (1, -1)) -> Floats:
    """Return R, shape (side, board, series), the mean over the shifts; 0 where `active` (board, series) is false.

    A statistic starts afresh at the first active board after an inactive one. A missing rank leaves the evidence as
    it is and counts no board.
    """
    from scipy.special import ndtri

    boards, series = ranks.shape
    known = np.isfinite(ranks)
    deviate = np.where(known, ndtri(np.where(known, ranks, 0.5)), 0.0)
    lift = np.asarray(SHIFTS)[None, :, None] * np.asarray(sides, dtype=np.float64)[:, None, None]
    cost = lift * lift / 2.0
    state = np.zeros((len(sides), len(SHIFTS), series))
    out = np.zeros((len(sides), boards, series))
    for t in range(boards):
        if not active[t].any():
            state[:] = 0.0
            continue
        grown = np.minimum((1.0 + state) * np.exp(lift * deviate[t] - cost), CEILING)
        state = np.where(active[t], np.where(known[t], grown, state), 0.0)
        out[:, t] = state.mean(axis=1)
    return out


def change_point(odds: Floats, confidence: float = 0.9) -> tuple[int, int, int]:
    """Return the likeliest first board of a change and an interval: (low, best, high), indices into the boards.

    `odds` (shift, board) of one series and side, from the first active board up to now. Every board is as likely
    beforehand; the interval holds `confidence` of the weight, the likeliest boards first.
    """
    after = np.cumsum(odds[:, ::-1], axis=1)[:, ::-1]  # evidence of a change that began at each board
    weight = np.exp(after - after.max()).sum(axis=0)
    weight /= weight.sum()
    order = np.argsort(weight)[::-1]
    kept = order[: int(np.searchsorted(np.cumsum(weight[order]), confidence)) + 1]
    return int(kept.min()), int(order[0]), int(kept.max())
