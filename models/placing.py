"""Where a limit belongs: the coarsest readable number at which errors are least likely."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from models.rules import Floats
from models.sheet_check import possible
from models.table import Bools
from models.vocabulary import MEASURE

Side = Literal["below", "above"]
#: Where at least this share of good joints reads the best value there is, exactly (no bridge, no ball), any other
#: reading is something that was found, and no noise of a measurement.
NOTHING_FOUND = 0.98
#: No limit lies nearer to such a reading than this share of the way to the smaller defects.
LEAST_WAY = 0.25

SIGNED: frozenset[str] = frozenset({"shift_along_mm", "shift_across_mm", "turn_deg"})
#: Smaller than this no chip counts as shifted, whatever a limit there would catch by chance: a quarter of the body's
#: width of the smallest chips there are beside solder joints, and half of the usual 10 degrees. Common practice, no
#: published source. Where a family's chips are known, a fifth of its smallest body's width counts, if that is more.
#: And solder that has wetted may stand a little domed round a lead that shows, a quarter steeper at its toe than at the
#: lead: a convexity up to 0.12 is no finding, however far off the examples lie (common practice, no published source).
LEAST: Mapping[str, float] = {"shift_along_mm": 0.1, "shift_across_mm": 0.1, "turn_deg": 5.0, "convexity": 0.12}
#: No limit lies above these. A lead of which a third is made out is made out: rendered ones nearly all show wholly, but
#: under skins of flux, in grain and in coarse pictures the evidence for a lead that anyone sees is often no more.
MOST: Mapping[str, float] = {"lead_visible": 0.3}
MOST_SPARED = 0.95  # of the joints without a finding lie on the near side of a gap's edge


def nothing_found(measure: str, sign: float, values: Floats, positive: Bools) -> Bools:
    """Return the rows that read exactly nothing (no bridge, no ball) where nearly all that must not fire do.

    Such a reading is no point of a scatter that might as well have come out a little larger, so that the limit need
    not lie half-way to the nearest defect.
    """
    nothing = ~positive & (values == min(sign * end for end in possible(measure)))
    nearly_all = bool(nothing.sum() >= NOTHING_FOUND * max(1, int((~positive).sum())))
    return nothing if nearly_all else np.zeros_like(nothing)


def best_limit(measure: str, sign: float, values: Floats, cost: Floats, positive: Bools, old: float,
                edges: tuple[float, float], slack: float, least: float) -> float | None:
    """Return the coarsest readable limit that is as good as the best one.

    Works on values turned so that larger fires; no limit lies below `least`. As good: its errors on these rows cost
    no more than the best limit's (within the slack), and the errors expected of rows smeared by an eighth of the gap
    are hardly more.
    """
    step = MEASURE[measure].step
    low, high = possible(measure)
    good_edge, bad_edge = edges
    if np.isinf(good_edge):  # nothing good on this side: keep the limit, made readable
        good_edge = bad_edge - 4 * step
    width = max(abs(bad_edge - good_edge) / 8.0, step / 2.0)
    start, stop = min(good_edge, bad_edge, old) - width, max(good_edge, bad_edge, old) + width
    near = (values > start - 6 * width) & (values < stop + 6 * width)
    values, cost, positive = values[near], cost[near], positive[near]
    best: tuple[float, float] | None = None
    for multiple in (0.0, 100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1):
        coarse = step * multiple
        grid = np.linspace(start, stop, 200) if not multiple else np.arange(
            np.floor(start / coarse), min(np.ceil(stop / coarse), np.floor(start / coarse) + 500) + 1) * coarse
        grid = grid if measure in SIGNED else grid[(sign * grid > low) & (sign * grid < high)]
        grid = grid[grid >= least]
        if not len(grid):
            continue
        counted, expected = _errors(grid, values, cost, positive, width)
        if best is None:  # the fine grid comes first and only says how good a limit can be
            sure = counted <= counted.min() + slack
            best = float(counted.min()) + slack, float(expected[sure].min()) * 1.05 + 0.1 * slack
            continue
        fits = (counted <= best[0]) & (expected <= best[1])
        if fits.any():
            place = np.flatnonzero(fits)[expected[fits].argmin()]
            return float(np.round(sign * grid[place], 6)) + 0.0  # no limit reads -0.0
    return None


def parting_limit(measure: str, side: Side, values: Floats, cost: Floats, positive: Bools,
                  slack: float, share: float = MOST_SPARED) -> float | None:
    """Return the readable limit that parts two classes best, or None where one is missing or none fits.

    `values` are as measured, one row a joint, none of them NaN. The edges of the gap are told by 95 % of those with the
    finding and this `share` of the others.
    """
    if positive.all() or not positive.any():
        return None
    sign = 1.0 if side == "above" else -1.0
    turned = sign * values
    edges = float(np.quantile(turned[~positive], share)), float(np.quantile(turned[positive], 0.05))
    return best_limit(measure, sign, turned, cost, positive, sum(edges) / 2.0, edges, slack, -np.inf)


def _errors(grid: Floats, values: Floats, cost: Floats, positive: Bools, width: float) -> tuple[Floats, Floats]:
    """Return for each limit what the rows' errors cost, as they are and smeared by a Gaussian of this width."""
    from scipy.special import ndtr

    beyond = values > grid[:, None]
    counted = (cost * (beyond != positive)).sum(axis=1)
    toward = np.where(positive, 1.0, -1.0)
    expected = (cost * ndtr(toward * (grid[:, None] - values) / width)).sum(axis=1)
    return counted, expected
