"""Control charts for counts and for measurements.

Counts: p (share of bad units), u (events per unit of exposure) and c, with three-sigma limits or exact limits of
the binomial or Poisson law. Measurements: individuals with moving range, EWMA and CUSUM.
Source of all limits: NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2 and 6.3.3.
A point signals when it lies strictly beyond a limit; a point on the limit does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.errors import MeniscopeError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: False alarms of a point beyond three sigma on either side, for a normal quantity: 2 * (1 - Phi(3)).
THREE_SIGMA_RATE = 0.0026997960632601866
#: Mean range of two normal values in sigmas, and the factor from mean moving range to its upper limit.
D2, D4 = 1.128, 3.267


@dataclass(frozen=True)
class Chart:
    """A chart ready to be drawn. Arrays have one entry a point; `false_alarm_rate` is per point, in control."""

    kind: str
    points: Floats
    center: Floats
    lower: Floats
    upper: Floats
    false_alarm_rate: float
    note: str = ""

    @property
    def out(self) -> Bools:
        """Which points lie strictly beyond a limit (a hair of rounding error is forgiven)."""
        slack = 1e-9 * np.maximum(1.0, np.abs(self.points))
        return (self.points > self.upper + slack) | (self.points < self.lower - slack)


def p_chart(bad: ArrayLike, size: ArrayLike, *, center: float | None = None, exact: bool = False) -> Chart:
    """Chart of the share of bad units, for sample sizes that may differ.

    `center` is the known share, or None for the share of all samples together.
    """
    k, n = _counts(bad, size, "p chart")
    p = float(k.sum() / n.sum()) if center is None else center
    if exact:
        lower, upper, rate = _exact_limits(n, p, binomial=True)
        return Chart("p", k / n, np.full(n.shape, p), lower / n, upper / n, rate, "exact binomial limits")
    half = 3.0 * np.sqrt(p * (1.0 - p) / n)
    lower, upper = np.maximum(p - half, 0.0), np.minimum(p + half, 1.0)
    return Chart("p", k / n, np.full(n.shape, p), lower, upper, _count_rate(n, p, lower * n, upper * n, binomial=True),
                 "three-sigma limits")


def u_chart(events: ArrayLike, exposure: ArrayLike, *, center: float | None = None, exact: bool = False) -> Chart:
    """Chart of events per unit of exposure, for exposures that may differ."""
    k, n = _counts(events, exposure, "u chart")
    u = float(k.sum() / n.sum()) if center is None else center
    if exact:
        lower, upper, rate = _exact_limits(n, u, binomial=False)
        return Chart("u", k / n, np.full(n.shape, u), lower / n, upper / n, rate, "exact Poisson limits")
    half = 3.0 * np.sqrt(u / n)
    lower, upper = np.maximum(u - half, 0.0), u + half
    return Chart("u", k / n, np.full(n.shape, u), lower, upper,
                 _count_rate(n, u, lower * n, upper * n, binomial=False), "three-sigma limits")


def individuals_chart(values: ArrayLike, *, reference: slice = slice(None)) -> Chart:
    """Chart of single values; limits are the mean +/- 3 mean moving ranges / 1.128 of the reference part."""
    x = _series(values, "individuals chart")
    base = x[reference]
    spread = float(np.abs(np.diff(base)).mean()) / D2
    center = float(base.mean())
    ones = np.ones_like(x)
    return Chart("individuals", x, center * ones, (center - 3.0 * spread) * ones, (center + 3.0 * spread) * ones,
                 THREE_SIGMA_RATE, "limits from the mean moving range, for a normal quantity")


def moving_range_chart(values: ArrayLike, *, reference: slice = slice(None)) -> Chart:
    """Chart of the differences between neighbours (one point fewer than values); upper limit 3.267 mean ranges."""
    x = _series(values, "moving-range chart")
    center = float(np.abs(np.diff(x[reference])).mean())
    ranges = np.abs(np.diff(x))
    ones = np.ones_like(ranges)
    # |difference| of two normal values is half-normal with scale sqrt(2) sigma; P(beyond D4 * D2 sigma)
    from scipy.special import erfc

    return Chart("moving range", ranges, center * ones, 0.0 * ones, D4 * center * ones, float(erfc(D4 * D2 / 2.0)),
                 "upper limit only, for a normal quantity")


def ewma_chart(values: ArrayLike, *, target: float, sigma: float, weight: float = 0.2, width: float = 3.0,
               settled: bool = False) -> Chart:
    """Chart of the exponentially weighted moving average, z[i] = weight * x[i] + (1 - weight) * z[i - 1].

    Limits widen from the first point to width * sigma * sqrt(weight / (2 - weight)), or have that width
    throughout where `settled`. The false-alarm rate is one over the in-control run length.
    """
    from vision.line.run_length import ewma_run_length

    x = _series(values, "EWMA chart", shortest=1)
    if not 0.0 < weight <= 1.0:
        raise MeniscopeError(f"EWMA weight: got {weight:g}, wanted more than 0 and at most 1")
    z = np.empty_like(x)
    last = target
    for i, value in enumerate(x):
        last = weight * value + (1.0 - weight) * last
        z[i] = last
    steps = np.arange(1, x.size + 1)
    factor = np.ones(x.size) if settled else 1.0 - (1.0 - weight) ** (2 * steps)
    half = width * sigma * np.sqrt(weight / (2.0 - weight) * factor)
    return Chart("ewma", z, np.full_like(x, target), target - half, target + half,
                 1.0 / ewma_run_length(weight, width), f"weight {weight:g}, limits at {width:g} sigma")


@dataclass(frozen=True)
class Cusum:
    """Two one-sided cumulative sums with their decision value, all in the units of the values."""

    high: Floats
    low: Floats
    decision: float
    false_alarm_rate: float

    @property
    def out(self) -> Bools:
        """Which points lie beyond the decision value on either side."""
        return (self.high > self.decision) | (self.low > self.decision)


def cusum_chart(values: ArrayLike, *, target: float, sigma: float, allowance: float = 0.5,
                decision: float = 5.0) -> Cusum:
    """Tabular CUSUM; allowance and decision value are given in sigmas.

    high[i] = max(0, high[i-1] + x[i] - target - allowance), low likewise downward.
    """
    from vision.line.run_length import cusum_run_length

    x = _series(values, "CUSUM chart", shortest=1)
    slack = allowance * sigma
    high, low = np.empty_like(x), np.empty_like(x)
    up = down = 0.0
    for i, value in enumerate(x):
        up = max(0.0, up + value - target - slack)
        down = max(0.0, down + target - slack - value)
        high[i], low[i] = up, down
    return Cusum(high, low, decision * sigma, 1.0 / cusum_run_length(allowance, decision))


def _series(values: ArrayLike, what: str, shortest: int = 2) -> Floats:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or x.size < shortest or not np.isfinite(x).all():
        raise MeniscopeError(f"{what}: got {x.size} values, some of them missing or too few, "
                             f"wanted at least {shortest} finite numbers")
    return x


def _counts(events: ArrayLike, size: ArrayLike, what: str) -> tuple[Floats, Floats]:
    k, n = np.broadcast_arrays(np.asarray(events, dtype=np.float64), np.asarray(size, dtype=np.float64))
    if k.ndim != 1 or k.size == 0 or np.any(n <= 0) or np.any(k < 0) or (what[0] == "p" and np.any(k > n)):
        raise MeniscopeError(f"{what}: got counts and sizes that do not go together, "
                             "wanted sizes above 0 and counts of at least 0 (of at most the size for shares)")
    return k, np.asarray(n, dtype=np.float64)


def _exact_limits(n: Floats, rate: float, *, binomial: bool) -> tuple[Floats, Floats, float]:
    """Return the lowest and highest count that do not signal, and the false-alarm rate a point.

    Either tail beyond a limit holds at most half of the three-sigma rate.
    """
    tail = THREE_SIGMA_RATE / 2.0
    lower = _quantile(tail, n, rate, binomial=binomial)
    upper = _quantile(1.0 - tail, n, rate, binomial=binomial)
    return lower, upper, _count_rate(n, rate, lower, upper, binomial=binomial)


def _cdf(count: Floats, n: Floats, rate: float, *, binomial: bool) -> Floats:
    from scipy.special import betainc, gammaincc

    whole = np.maximum(np.floor(count), 0.0)
    if binomial:  # P(X <= k) is the regularised incomplete beta function I_(1 - rate)(n - k, k + 1)
        value = np.where(whole >= n, 1.0, betainc(np.maximum(n - whole, 1.0), whole + 1.0, 1.0 - rate))
    else:
        value = gammaincc(whole + 1.0, rate * n)
    below: Floats = np.where(count < 0, 0.0, value)
    return below


def _quantile(level: float, n: Floats, rate: float, *, binomial: bool) -> Floats:
    """Return the smallest count whose distribution function reaches the level, for every size at once."""
    low = np.full(n.shape, -1.0)  # distribution function below the level
    high = n.copy() if binomial else np.ceil(rate * n + 12.0 * np.sqrt(rate * n) + 20.0)
    while np.any(high - low > 1.0):
        middle = np.floor((low + high) / 2.0)
        reached = _cdf(middle, n, rate, binomial=binomial) >= level
        open_ = high - low > 1.0
        high = np.where(open_ & reached, middle, high)
        low = np.where(open_ & ~reached, middle, low)
    return high


def _count_rate(n: Floats, rate: float, lower: Floats, upper: Floats, *, binomial: bool) -> float:
    """Return the mean probability that an in-control count lies strictly beyond its limits."""
    above = 1.0 - _cdf(np.floor(upper + 1e-9), n, rate, binomial=binomial)
    below = _cdf(np.ceil(lower - 1e-9) - 1.0, n, rate, binomial=binomial)
    return float(np.mean(above + below))
