"""Yield arithmetic, exact intervals of rates and comparisons of many places, on arrays.

Sources: DPMO and yield as used by IPC-7912 (end-item defects per million opportunities) and IPC-9261 (in-process);
exact intervals after Garwood (Biometrika 28, 1936). Intervals of shares are those of `models.intervals`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.errors import MeniscopeError

Floats = NDArray[np.float64]


def dpmo(defects: ArrayLike, opportunities: ArrayLike) -> Floats:
    """Return defects per million opportunities; NaN where there was no opportunity.

    `opportunities` counts all of them, units times opportunities a unit.
    """
    return 1e6 * share(defects, opportunities)


def share(count: ArrayLike, size: ArrayLike) -> Floats:
    """Return count / size as floats, NaN where size is 0."""
    k, n = np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64)
    out: Floats = np.full(np.broadcast_shapes(k.shape, n.shape), np.nan)
    np.divide(k, n, out=out, where=n > 0)
    return out


def yield_from_dpmo(value: float, opportunities: float) -> float:
    """Return the share of units without defect when every opportunity fails independently: (1 - DPMO/1e6)^n."""
    if not 0.0 <= value <= 1e6:
        raise MeniscopeError(f"DPMO: got {value:g}, wanted 0 to 1,000,000")
    return float((1.0 - value / 1e6) ** opportunities)


def yield_from_dpu(defects_per_unit: float) -> float:
    """Return the share of units without defect when defects a unit follow the Poisson law: exp(-DPU)."""
    if defects_per_unit < 0.0:
        raise MeniscopeError(f"defects per unit: got {defects_per_unit:g}, wanted 0 or more")
    return float(np.exp(-defects_per_unit))


def rolled_yield(yields: ArrayLike) -> float:
    """Return the share of units that pass every step at the first go: the product of the steps' yields."""
    return float(np.prod(np.asarray(yields, dtype=np.float64)))


def poisson_interval(count: ArrayLike, exposure: ArrayLike = 1.0,
                     confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return the exact (Garwood) interval of a rate of events per unit of exposure, for arrays."""
    from scipy.special import gammaincinv

    c, n = np.broadcast_arrays(np.asarray(count, dtype=np.float64), np.asarray(exposure, dtype=np.float64))
    tail = (1.0 - confidence) / 2.0
    low = np.where(c > 0, gammaincinv(np.maximum(c, 1.0), tail), 0.0)
    return low / n, gammaincinv(c + 1.0, 1.0 - tail) / n


def higher_than_rest(count: ArrayLike, size: ArrayLike) -> Floats:
    """Return, for each place, the exact p-value that its rate is not above the rate of all other places together.

    Conditional on all counts together, a place's count is binomial with probability size / all sizes when
    every place has the same rate (Poisson counts); the value is the upper tail at the place's own count.
    """
    from scipy.special import betainc

    k, n = np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64)
    total, weight = k.sum(), n / max(n.sum(), 1.0)
    # P(X >= k) of Bin(total, weight) is the regularised incomplete beta function I_weight(k, total - k + 1)
    tail: Any = betainc(np.maximum(k, 1.0), total - k + 1.0, weight)
    return np.where(k > 0, tail, 1.0)


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """Return p-values adjusted for many tests (false discovery rate; Benjamini and Hochberg, JRSS B 57, 1995).

    Calling everything with an adjusted value of at most q keeps the expected share of false calls at q or below.
    """
    p = np.asarray(p_values, dtype=np.float64).ravel()
    if p.size and not (np.all(p >= 0) and np.all(p <= 1)):
        raise MeniscopeError("adjusted p-values: got values outside 0 to 1 or none at all, wanted p-values")
    order = np.argsort(p, kind="stable")[::-1]
    scaled = p[order] * p.size / np.arange(p.size, 0, -1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    return adjusted
