"""Intervals for a share found by counting: k of n."""

from __future__ import annotations

from models.errors import MeniscopeError


def clopper_pearson(k: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided interval for a share of k in n.

    Each side leaves out (1 - confidence) / 2. With n = 0 nothing is known: (0, 1).
    Source: Clopper and Pearson, Biometrika 26 (1934) 404; by the beta quantiles of NIST/SEMATECH e-Handbook 7.2.4.1.
    Raises MeniscopeError when k, n or the confidence make no sense.
    """
    from scipy.special import betaincinv  # the light part of scipy: scipy.stats costs 0.7 s

    _check(k, n, confidence)
    if n == 0:
        return 0.0, 1.0
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return low, high


def _check(k: int, n: int, confidence: float) -> None:
    if not 0 <= k <= n:
        raise MeniscopeError(f"interval for a share: got {k} of {n}, wanted a count from 0 to the number tried")
    if not 0.0 < confidence < 1.0:
        raise MeniscopeError(f"interval for a share: got confidence {confidence}, wanted one between 0 and 1")
