"""Studies that prove a measurement or a verdict: gauge repeatability, agreement of attributes, sample sizes.

Sources: AIAG, Measurement Systems Analysis, 4th edition (2010), chapters III.B and III.C, for gauge studies and
attribute agreement; Cohen, Educational and Psychological Measurement 20 (1960) 37, for kappa; McNemar, Psychometrika
12 (1947) 153; zero-acceptance sample sizes follow from the binomial distribution alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.errors import MeniscopeError
from models.rules import Floats

#: Expected range of k standard normal values, k = 2 to 10, as one sample (d2*, column g = 1) and as the mean of many
#: (d2): AIAG MSA, appendix C. The manual works with their reciprocals K1, K2 and K3 to four digits, and so does this.
D2_STAR_ONE = {2: 1.41421, 3: 1.91155, 4: 2.23887, 5: 2.48124, 6: 2.67253, 7: 2.82981, 8: 2.96288, 9: 3.07794,
               10: 3.17905}
D2 = {2: 1.12838, 3: 1.69257, 4: 2.05875, 5: 2.32593, 6: 2.53441, 7: 2.70436, 8: 2.8472, 9: 2.97003, 10: 3.07751}

K1 = {k: round(1.0 / d2, 4) for k, d2 in D2.items()}  # by trials
K2 = {k: round(1.0 / d2, 4) for k, d2 in D2_STAR_ONE.items()}  # by appraisers; K3, by parts, is the same


@dataclass(frozen=True)
class GaugeStudy:
    """Standard deviations of a gauge study, and what follows from them."""

    method: str  # "range" or "anova"
    repeatability: float  # EV: the same appraiser (station, run) measures the same part again
    reproducibility: float  # AV: different appraisers; with anova the interaction is in it
    interaction: float  # appraiser by part, 0 where it was pooled or not separated
    part: float  # PV: between parts
    tolerance: float | None = None

    @property
    def gauge(self) -> float:
        """GRR: repeatability and reproducibility together."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """TV: all variation seen."""
        return math.hypot(self.gauge, self.part)

    @property
    def gauge_share(self) -> float:
        """GRR as a share of the total variation; under 0.1 is good, above 0.3 not fit (AIAG MSA III.B)."""
        return self.gauge / self.total if self.total else 0.0

    @property
    def tolerance_share(self) -> float | None:
        """Six GRR as a share of the tolerance."""
        return None if self.tolerance is None else 6.0 * self.gauge / self.tolerance

    @property
    def categories(self) -> int:
        """Number of distinct categories, ndc = 1.41 PV / GRR, cut to a whole number; 5 or more are wanted."""
        return int(1.41 * self.part / self.gauge) if self.gauge else 10_000

    def rows(self) -> list[dict[str, object]]:
        """Return the table of a gauge study: one row a source of variation."""
        total = self.total or 1.0
        named = [("repeatability (EV)", self.repeatability), ("reproducibility (AV)", self.reproducibility),
                 ("gauge (GRR)", self.gauge), ("part to part (PV)", self.part), ("total (TV)", self.total)]
        if self.interaction:
            named.insert(2, ("  of it interaction", self.interaction))
        return [{"source": name, "sd": sd, "of total": sd / total,
                 "of tolerance": None if self.tolerance is None else 6 * sd / self.tolerance} for name, sd in named]


@dataclass(frozen=True)
class Anova:
    """The analysis of variance behind a gauge study: sums of squares, degrees of freedom, and the pooling."""

    squares: dict[str, float]  # part, appraiser, interaction, error
    freedom: dict[str, int]
    interaction_f: float
    interaction_p: float
    pooled: bool
    study: GaugeStudy


def gauge_by_range(values: Floats, tolerance: float | None = None) -> GaugeStudy:
    """Return a gauge study by the average and range method (AIAG MSA III.B).

    `values` has the shape [appraiser, trial, part]; 2 to 10 of each, at least 2 trials. With one appraiser there is
    no reproducibility.
    """
    values = _checked(values)
    appraisers, trials, parts = values.shape
    if max(trials, parts, appraisers) > 10:
        raise MeniscopeError(f"gauge study by ranges: got {appraisers} appraisers, {trials} trials, {parts} parts, "
                             "wanted at most 10 of each; use --method anova")
    _refuse_equal_parts(values)
    mean_range = float(np.ptp(values, axis=1).mean())
    repeatability = mean_range * K1[trials]
    reproducibility = 0.0
    if appraisers > 1:
        spread = float(np.ptp(values.mean(axis=(1, 2)))) * K2[appraisers]
        reproducibility = math.sqrt(max(0.0, spread**2 - repeatability**2 / (parts * trials)))
    part = float(np.ptp(values.mean(axis=(0, 1)))) * K2[parts]
    return GaugeStudy("range", repeatability, reproducibility, 0.0, part, tolerance)


def gauge_by_anova(values: Floats, tolerance: float | None = None, pool_above: float = 0.25) -> Anova:
    """Return a gauge study by analysis of variance, parts and appraisers random (AIAG MSA III.B).

    `values` has the shape [appraiser, trial, part]. The interaction is pooled with the error where its p-value is
    above `pool_above`.
    """
    from scipy.special import fdtrc

    values = _checked(values)
    _refuse_equal_parts(values)
    a, r, p = values.shape
    grand = values.mean()
    by_part, by_appraiser = values.mean(axis=(0, 1)), values.mean(axis=(1, 2))
    cells = values.mean(axis=1)  # [appraiser, part]
    squares = {
        "part": float(a * r * ((by_part - grand) ** 2).sum()),
        "appraiser": float(p * r * ((by_appraiser - grand) ** 2).sum()),
        "interaction": float(r * ((cells - by_part - by_appraiser[:, None] + grand) ** 2).sum()),
        "error": float(((values - cells[:, None, :]) ** 2).sum()),
    }
    freedom = {"part": p - 1, "appraiser": a - 1, "interaction": (a - 1) * (p - 1), "error": a * p * (r - 1)}
    error = squares["error"] / freedom["error"]
    mixed = squares["interaction"] / freedom["interaction"] if freedom["interaction"] else 0.0
    f = mixed / error if error > 0 else (math.inf if mixed > 0 else 0.0)
    chance = float(fdtrc(freedom["interaction"], freedom["error"], f)) if freedom["interaction"] and error > 0 else 1.0
    pooled = chance > pool_above
    if pooled:
        error = (squares["error"] + squares["interaction"]) / (freedom["error"] + freedom["interaction"])
        mixed = error
    interaction = 0.0 if pooled else max(0.0, (mixed - error) / r)
    appraiser = max(0.0, (squares["appraiser"] / freedom["appraiser"] - mixed) / (p * r)) if a > 1 else 0.0
    part = max(0.0, (squares["part"] / freedom["part"] - mixed) / (a * r))
    study = GaugeStudy("anova", math.sqrt(error), math.sqrt(appraiser + interaction), math.sqrt(interaction),
                       math.sqrt(part), tolerance)
    return Anova(squares, freedom, f, chance, pooled, study)


@dataclass(frozen=True)
class Repeatability:
    """Spread of a measurement within and between joints that were measured several times."""

    joints: int
    values: int
    within: float  # standard deviation of repeats of the same joint
    between: float  # standard deviation between joints

    @property
    def share(self) -> float:
        """Spread within as a share of the total."""
        total = math.hypot(self.within, self.between)
        return self.within / total if total else 0.0


def repeatability(values: Floats, joints: Sequence[str]) -> Repeatability:
    """Return the spread within and between joints, each measured twice or more; NaN and single values are left out.

    One-way analysis of variance with joints random and unequal numbers of repeats (Searle, Casella and McCulloch,
    Variance Components, 1992, chapter 3).
    """
    known = np.isfinite(values)
    _, place, counts = np.unique(np.asarray(joints)[known], return_inverse=True, return_counts=True)
    repeated = counts >= 2
    use = repeated[place]
    chosen, place, counts = values[known][use], (np.cumsum(repeated) - 1)[place[use]], counts[repeated]
    total, groups = len(chosen), len(counts)
    if not groups:
        return Repeatability(0, 0, math.nan, math.nan)
    means = np.bincount(place, chosen) / counts
    within = float(((chosen - means[place]) ** 2).sum()) / (total - groups)
    if groups < 2:
        return Repeatability(groups, total, math.sqrt(within), math.nan)
    between = float((counts * (means - chosen.mean()) ** 2).sum()) / (groups - 1)
    usual = (total - float((counts**2).sum()) / total) / (groups - 1)
    return Repeatability(groups, total, math.sqrt(within), math.sqrt(max(0.0, (between - within) / usual)))


def _checked(values: Floats) -> Floats:
    values = np.asarray(values, dtype=np.float64)
    if values.ndim != 3 or values.shape[1] < 2 or values.shape[2] < 2:
        raise MeniscopeError(f"gauge study: got values of shape {values.shape}, wanted [appraiser, trial, part] with "
                             "at least 2 trials and 2 parts")
    if not np.isfinite(values).all():
        raise MeniscopeError("gauge study: got values that are missing or not numbers, wanted every appraiser to "
                             "measure every part in every trial")
    return values


def _refuse_equal_parts(values: Floats) -> None:
    """Refuse parts that all read alike: where there is nothing to tell apart, no gauge is good or bad at it."""
    means = values.mean(axis=(0, 1))
    if np.ptp(means) <= 1e-12 * np.abs(values).max():
        raise MeniscopeError(f"gauge study: got {len(means)} parts whose averages are all {means[0]:g}, wanted "
                             "parts that differ; a gauge is judged by how it tells parts apart, so take ten or so "
                             "that span what the line makes (and look at whether the measurement moves at all)")


@dataclass(frozen=True)
class Agreement:
    """How two raters, or a rater and the reference, agree beyond chance."""

    one: str
    two: str
    count: int
    agreed: int
    kappa: float

    @property
    def share(self) -> float:
        """Share of calls that agree."""
        return self.agreed / self.count if self.count else 0.0


@dataclass(frozen=True)
class Effectiveness:
    """One appraiser against the reference, over all trials (AIAG MSA III.C)."""

    appraiser: str
    parts: int
    right: int  # parts called right in every trial
    consistent: int  # parts called the same in every trial
    misses: int  # bad parts called good
    bad: int  # calls on bad parts
    false_alarms: int  # good parts called bad
    good: int  # calls on good parts

    @property
    def effectiveness(self) -> float:
        """Share of parts called right every time."""
        return self.right / self.parts if self.parts else 0.0

    @property
    def miss_rate(self) -> float:
        """Share of calls on bad parts that said good."""
        return self.misses / self.bad if self.bad else 0.0

    @property
    def false_alarm_rate(self) -> float:
        """Share of calls on good parts that said bad."""
        return self.false_alarms / self.good if self.good else 0.0

    @property
    def grade(self) -> str:
        """`acceptable`, `marginal` or `not acceptable`: 90 / 80 % right, 2 / 5 % missed, 5 / 10 % false alarms.

        Source: AIAG MSA III.C, criteria for effectiveness, miss rate and false alarm rate.
        """
        def within(right: float, missed: float, alarms: float) -> bool:
            return (self.effectiveness >= right and self.miss_rate <= missed and self.false_alarm_rate <= alarms)

        return "acceptable" if within(0.9, 0.02, 0.05) else "marginal" if within(0.8, 0.05, 0.10) else "not acceptable"


def kappa(one: Sequence[str], two: Sequence[str]) -> float:
    """Return Cohen's kappa of two raters' calls on the same items; 1 where both always say the same one thing."""
    if len(one) != len(two) or not one:
        raise MeniscopeError(f"kappa: got {len(one)} and {len(two)} calls, wanted equally many and at least one")
    words = sorted(set(one) | set(two))
    table = np.zeros((len(words), len(words)))
    place = {word: number for number, word in enumerate(words)}
    np.add.at(table, ([place[w] for w in one], [place[w] for w in two]), 1)
    return kappa_of_table(table)


def kappa_of_table(table: Floats) -> float:
    """Return Cohen's kappa of a square table of counts [call of one, call of two]."""
    table = np.asarray(table, dtype=np.float64)
    total = table.sum()
    observed = np.trace(table) / total
    expected = float((table.sum(axis=0) * table.sum(axis=1)).sum() / total**2)
    return 1.0 if expected == 1.0 else float((observed - expected) / (1.0 - expected))


def agreement(one: str, two: str, calls_one: Sequence[str], calls_two: Sequence[str]) -> Agreement:
    """Return how two raters agree."""
    return Agreement(one, two, len(calls_one), sum(a == b for a, b in zip(calls_one, calls_two, strict=True)),
                     kappa(calls_one, calls_two))


def effectiveness(appraiser: str, parts: Sequence[str], calls: Sequence[str], reference: Sequence[str],
                  good: str = "accept") -> Effectiveness:
    """Return one appraiser's calls against the reference; `good` is the word for a good part."""
    by_part: dict[str, list[bool]] = {}
    said: dict[str, set[str]] = {}
    for part, call, true in zip(parts, calls, reference, strict=True):
        by_part.setdefault(part, []).append((call == good) == (true == good))
        said.setdefault(part, set()).add(call)
    pairs = list(zip(calls, reference, strict=True))
    return Effectiveness(
        appraiser, len(by_part), sum(all(each) for each in by_part.values()),
        sum(len(words) == 1 for words in said.values()),
        sum(call == good and true != good for call, true in pairs), sum(true != good for _, true in pairs),
        sum(call != good and true == good for call, true in pairs), sum(true == good for _, true in pairs))


def sample_size(rate: float, confidence: float = 0.95, allowed: int = 0) -> int:
    """Return how many boards (or joints) must be tried to show a rate below `rate`, with `allowed` events seen.

    The least n for which seeing so few events would have a probability of at most 1 - confidence if the rate were
    `rate`. For none allowed this is ceil(ln(1 - confidence) / ln(1 - rate)), the zero-acceptance plan.
    """
    from scipy.special import bdtr

    if not 0.0 < rate < 1.0 or not 0.0 < confidence < 1.0 or allowed < 0:
        raise MeniscopeError(f"sample size: got rate {rate}, confidence {confidence}, {allowed} allowed, wanted a rate "
                             "and a confidence between 0 and 1 and 0 or more allowed")
    if allowed == 0:
        # A hair off: 1 - 0.9 is not exactly 0.1 in binary, which must not cost or give a board.
        return math.ceil(math.log1p(-confidence) / math.log1p(-rate) - 1e-9)
    risk = 1.0 - confidence
    low, high = allowed, max(allowed + 1, sample_size(rate, confidence))
    while float(bdtr(allowed, high, rate)) > risk:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if float(bdtr(allowed, middle, rate)) <= risk else (middle, high)
    return high
