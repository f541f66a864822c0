"""Two groups of boards compared: exact tests, always with the size of the effect and its interval.

Shares: Fisher's exact test with the difference of shares (Newcombe, Statistics in Medicine 17, 1998, method 10).
Numbers: Mann-Whitney test with the Hodges-Lehmann shift in the quantity's own unit and the probability of superiority.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.errors import MeniscopeError

Floats = NDArray[np.float64]

#: Up to this product of group sizes the Mann-Whitney distribution is computed exactly.
EXACT_PRODUCT = 10_000
#: Random regroupings of a tied sample, drawn with a fixed seed.
RESAMPLES = 9_999
#: Larger groups are thinned evenly before all pairs are formed for the shift's interval.
LARGEST_GROUP = 1_500


@dataclass(frozen=True)
class Difference:
    """How two groups differ. `effect` is second minus first, with its interval at `confidence`.

    `effect` is in the unit of the quantity, or a difference of shares. `separation` is the probability that a
    value of the second group exceeds one of the first, ties counted half: 0.5 = no difference, 0 or 1 = apart.
    """

    effect: float
    low: float
    high: float
    separation: float
    p_value: float
    sizes: tuple[int, int]
    typical: tuple[float, float]  # medians, or shares
    method: str
    confidence: float = 0.95


def compare_shares(first: tuple[int, int], second: tuple[int, int], confidence: float = 0.95) -> Difference:
    """Compare two shares given as (count, size): Fisher's exact test, Newcombe's interval of the difference.

    Raises MeniscopeError where a size is 0 or a count lies outside 0 to its size.
    """
    (k1, n1), (k2, n2) = first, second
    if not (0 <= k1 <= n1 and 0 <= k2 <= n2 and n1 > 0 and n2 > 0):
        raise MeniscopeError(f"comparing shares: got {k1} of {n1} and {k2} of {n2}, "
                             "wanted counts of at most the size, sizes above 0")
    from scipy import stats

    p_value = float(stats.fisher_exact(np.array([[k1, n1 - k1], [k2, n2 - k2]]))[1])
    s1, s2 = k1 / n1, k2 / n2
    low1, high1 = _wilson(k1, n1, confidence)
    low2, high2 = _wilson(k2, n2, confidence)
    low = (s2 - s1) - float(np.hypot(s2 - low2, high1 - s1))
    high = (s2 - s1) + float(np.hypot(high2 - s2, s1 - low1))
    return Difference(s2 - s1, low, high, 0.5 + (s2 - s1) / 2.0, p_value, (n1, n2), (s1, s2),
                      "Fisher's exact test", confidence)


def compare_numbers(first: ArrayLike, second: ArrayLike, confidence: float = 0.95, seed: int = 1) -> Difference:
    """Compare two samples of numbers; NaN are left out.

    The test is exact where sizes allow and values differ, by seeded random regrouping for small tied samples, and the
    normal approximation with tie correction for large ones; `method` says which.
    """
    x, y = (np.asarray(part, dtype=np.float64) for part in (first, second))
    x, y = x[np.isfinite(x)], y[np.isfinite(y)]
    if x.size < 2 or y.size < 2:
        raise MeniscopeError(f"comparing numbers: got {x.size} and {y.size} values, wanted at least 2 in each group")
    from scipy import stats

    pooled = np.concatenate([x, y])
    tied = np.unique(pooled).size < pooled.size
    method: Any
    if not tied and x.size * y.size <= EXACT_PRODUCT:
        method, name = "exact", "Mann-Whitney test, exact"
    elif tied and pooled.size <= 60:
        method = stats.PermutationMethod(n_resamples=RESAMPLES, rng=np.random.default_rng(seed))
        name = "Mann-Whitney test, regrouped at random"
    else:
        method, name = "asymptotic", "Mann-Whitney test, normal approximation"
    found = stats.mannwhitneyu(y, x, method=method)
    low, shift, high = shift_interval(x, y, confidence)
    return Difference(shift, low, high, float(found.statistic) / (x.size * y.size), float(found.pvalue),
                      (int(x.size), int(y.size)), (float(np.median(x)), float(np.median(y))), name, confidence)


def shift_interval(x: Floats, y: Floats, confidence: float = 0.95) -> tuple[float, float, float]:
    """Return the Hodges-Lehmann shift of y against x with its interval: (low, shift, high).

    All pairwise differences are ordered; the limits are those whose rank the Mann-Whitney distribution gives
    (Hollander and Wolfe, Nonparametric Statistical Methods, section 4.3; normal approximation of the rank).
    """
    x, y = _thinned(x), _thinned(y)
    pairs = np.sort((y[:, None] - x[None, :]).ravel())
    from scipy.special import ndtri

    m, n = x.size, y.size
    spread = np.sqrt(m * n * (m + n + 1) / 12.0)
    rank = int(np.floor(m * n / 2.0 - float(ndtri(0.5 + confidence / 2.0)) * spread))
    shift = float(np.median(pairs))
    if rank < 1:  # too few values: the whole range of differences is all that can be said
        return float(pairs[0]), shift, float(pairs[-1])
    return float(pairs[rank - 1]), shift, float(pairs[m * n - rank])


def rank_correlation(x: ArrayLike, y: ArrayLike) -> tuple[float, float]:
    """Return Kendall's tau-b of paired values and its p-value; (0, 1) where either does not vary."""
    from scipy import stats

    a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    kept = np.isfinite(a) & np.isfinite(b)
    a, b = a[kept], b[kept]
    if a.size < 4 or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return 0.0, 1.0
    found = stats.kendalltau(a, b)
    return float(found.statistic), float(found.pvalue)


def _wilson(k: int, n: int, confidence: float) -> tuple[float, float]:
    from scipy.special import ndtri

    z = float(ndtri(0.5 + confidence / 2.0))
    middle = (k + z * z / 2.0) / (n + z * z)
    half = z / (n + z * z) * float(np.sqrt(k * (n - k) / n + z * z / 4.0))
    return max(0.0, middle - half), min(1.0, middle + half)


def _thinned(values: Floats) -> Floats:
    if values.size <= LARGEST_GROUP:
        return values
    return np.sort(values)[np.linspace(0, values.size - 1, LARGEST_GROUP).round().astype(np.intp)]
