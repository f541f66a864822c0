"""What to look at first: candidate causes of a drift, ranked by what the log shows and by common practice.

Everything here is a hint. Boards since the change are held against the boards before it; a logged quantity that
differs may have caused the drift, may have changed with it, or may have changed by chance at the same time. So every
hint carries the size of the difference with its interval and the check that would tell the candidates apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.line.compare import Difference, compare_numbers, compare_shares, rank_correlation
from vision.line.history import History, Place
from vision.line.log_join import Logged
from vision.line.log_words import QUANTITY, kind_of, number_text, spoken, titled
from vision.line.practice import CAUSES, SOURCE, Cause
from vision.line.rates import benjamini_hochberg

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Share of false discoveries among the logged quantities called different.
FALSE_DISCOVERIES = 0.05
#: A difference counts only if one group exceeds the other in so many pairs of boards.
APART = 0.70
#: A batch that more boards than these had before the change did not begin with it.
MOST_BEFORE = 2
#: For a check that passes or fails: the share must differ by so much.
CHECK_APART = 0.05
#: Fewest boards in each group for a comparison, and for asking whether worse boards have more of a quantity.
FEWEST, FEWEST_LINKED = 5, 8
#: Raw material of derived quantities; only the derived ones are compared.
RAW = ("flux_drops", "flux_drops_reference")

AGREES, UNEXPLAINED, PRACTICE, SPEAKS_AGAINST = (
    "the log agrees", "the log shows it, no usual cause", "usual cause, not logged",
    "usual cause, the log speaks against")


@dataclass(frozen=True)
class LogDifference:
    """How one logged quantity differs between the boards since a change and those before it."""

    quantity: str
    place: str
    difference: Difference
    q_value: float  # adjusted for all quantities compared (Benjamini and Hochberg)
    elsewhere: Difference | None  # the same quantity at places that did not change
    word: str = ""  # for a label: the word that is new
    link: float = 0.0  # Kendall's tau with how bad the boards since the change are; 0 where not beyond chance

    @property
    def differs(self) -> bool:
        """Whether the difference is both beyond chance and large enough to matter."""
        if self.is_check:
            return self.q_value <= FALSE_DISCOVERIES and abs(self.difference.effect) >= CHECK_APART
        if self.word and self.difference.typical[0] * self.difference.sizes[0] > MOST_BEFORE + 0.5:
            return False
        apart = max(self.difference.separation, 1.0 - self.difference.separation)
        return self.q_value <= FALSE_DISCOVERIES and apart >= APART

    @property
    def is_check(self) -> bool:
        """Whether the quantity passes or fails, so that shares are compared."""
        return kind_of(self.quantity) == "check" and "Fisher" in self.difference.method

    @property
    def side(self) -> str:
        """`+` or `-`; `*` for a label."""
        return "*" if self.word else "+" if self.difference.separation > 0.5 else "-"

    @property
    def _points(self) -> str:
        """A difference of shares with its interval, in points of per cent."""
        d = self.difference
        effect, low, high = (number_text(100.0 * value, 0, signed=True) for value in (d.effect, d.low, d.high))
        return f"{effect} points, {low} to {high}"

    @property
    def text(self) -> str:
        """The difference in a sentence without its end."""
        d = self.difference
        if self.word:
            return (f"{titled(self.quantity)} {self.word}: {100.0 * d.typical[1]:.0f} % of the boards since then, "
                    f"{100.0 * d.typical[0]:.0f} % of those before ({self._points})")
        if self.is_check:
            return (f"{titled(self.quantity)} ({self.place}) passed in {100.0 * d.typical[1]:.0f} % since then, in "
                    f"{100.0 * d.typical[0]:.0f} % before ({self._points})")
        change = (f"{titled(self.quantity)} ({self.place}) {spoken(self.quantity, d.effect, signed=True)} "
                  f"({spoken(self.quantity, d.low, signed=True)} to {spoken(self.quantity, d.high, signed=True)}; "
                  f"from {spoken(self.quantity, d.typical[0])} to {spoken(self.quantity, d.typical[1])})")
        if self.elsewhere is not None:
            change += f", elsewhere {spoken(self.quantity, self.elsewhere.effect, signed=True)}"
        if self.link:
            change += (f"; among the boards since then the worse ones have {'more' if self.link > 0 else 'less'} of it "
                       f"(Kendall's tau {number_text(self.link, 2, signed=True)})")
        return change


@dataclass(frozen=True)
class Hint:
    """One candidate cause, said as a hint."""

    cause: str
    text: str
    standing: str
    evidence: str
    source: str  # SOURCE where the cause is one of the trade's usual ones
    check: str
    score: float


def log_differences(history: History, logged: Sequence[Logged], place: Place, bad: Bools, good: Bools,
                    severity: Floats | None = None) -> tuple[LogDifference, ...]:
    """Compare every logged quantity that acts on a place between bad and good boards (masks over the boards).

    `severity` (board,) says how bad each board is, the larger the worse: a cause should follow it among the bad ones.
    """
    members = set(place.members)
    pooled: dict[str, list[tuple[Logged, frozenset[int]]]] = {}
    for item in logged:
        if item.quantity not in RAW or not any(other.quantity == "flux_drops_missing" for other in logged):
            pooled.setdefault(item.quantity, []).append((item, item.joints(history.joints)))
    found: list[LogDifference] = []
    for quantity, items in pooled.items():
        here = [item for item, joints in items if joints & members]
        away = [item for item, joints in items if not joints & members]
        if not here:
            continue
        where = here[0].place if len(here) == 1 else place.text
        if any(item.words for item in here):
            found += _labels(quantity, where, here[0], bad, good)
            continue
        values = _mean([item.values for item in here])
        difference = _checks(values, bad, good) if kind_of(quantity) == "check" else _numbers(values, bad, good)
        if difference is not None:
            other = _numbers(_mean([item.values for item in away]), bad, good) if away else None
            found.append(LogDifference(quantity, where, difference, 1.0, other, link=_link(values, severity, bad)))
    adjusted = benjamini_hochberg([item.difference.p_value for item in found])
    return tuple(replace(item, q_value=float(q)) for item, q in zip(found, adjusted, strict=True))


def _mean(columns: Sequence[Floats]) -> Floats:
    stack = np.stack(columns)
    known = np.isfinite(stack)
    total, count = np.where(known, stack, 0.0).sum(axis=0), known.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _numbers(values: Floats, bad: Bools, good: Bools) -> Difference | None:
    first, second = values[good & np.isfinite(values)], values[bad & np.isfinite(values)]
    if first.size < FEWEST or second.size < FEWEST:
        return None
    return compare_numbers(first, second)


def _checks(values: Floats, bad: Bools, good: Bools) -> Difference | None:
    """Compare how often a check passed; a mean of several checks counts as passed only where all of them did."""
    first, second = values[good & np.isfinite(values)], values[bad & np.isfinite(values)]
    if first.size < FEWEST or second.size < FEWEST:
        return None
    return compare_shares((int((first >= 1.0).sum()), first.size), (int((second >= 1.0).sum()), second.size))


def _link(values: Floats, severity: Floats | None, bad: Bools) -> float:
    """Return the rank correlation with severity among the bad boards, 0 where it is not beyond chance (5 %)."""
    if severity is None or (bad & np.isfinite(values) & np.isfinite(severity)).sum() < FEWEST_LINKED:
        return 0.0
    tau, p_value = rank_correlation(values[bad], severity[bad])
    return tau if p_value <= 0.05 else 0.0


def _labels(quantity: str, where: str, item: Logged, bad: Bools, good: Bools) -> list[LogDifference]:
    """Compare the commonest word of the bad boards; words that no good board has are what matters."""
    words = np.array(item.words, dtype=object)
    first, second = words[good & (words != "")], words[bad & (words != "")]
    if first.size < FEWEST or second.size < FEWEST:
        return []
    names, counts = np.unique(second.astype(str), return_counts=True)
    word = str(names[np.argmax(counts)])
    difference = compare_shares((int((first == word).sum()), first.size), (int((second == word).sum()), second.size))
    return [LogDifference(quantity, where, difference, 1.0, None, word)]


def rank_causes(symptoms: Sequence[str], kinds: Sequence[str],
                differences: Sequence[LogDifference]) -> tuple[Hint, ...]:
    """Return hints, the strongest first.

    `symptoms` are `coverage_deg-`, `bridge+`, the loudest first; `kinds` are the kinds of place that the drift may be
    at (more than one where they hold the same joints).
    """
    hints: list[Hint] = []
    explained: set[str] = set()
    by_name = {item.quantity: item for item in differences}
    for cause in CAUSES:
        hint = _hint(cause, symptoms, kinds, by_name)
        if hint is None:
            continue
        hints.append(hint)
        if hint.standing == AGREES:
            explained |= {sign[:-1] for sign in cause.signs}
    for item in differences:
        if item.differs and item.quantity not in explained and not item.quantity.startswith("minutes_since"):
            hints.append(Hint(item.quantity, f"{titled(item.quantity)} changed", UNEXPLAINED, item.text, "",
                              f"Find out why {titled(item.quantity)} changed, and whether the joints follow when it is "
                              "set back.", 2.0 + _strength(item)))
    return tuple(sorted(hints, key=lambda hint: -hint.score))


def _hint(cause: Cause, symptoms: Sequence[str], kinds: Sequence[str],
          by_name: dict[str, LogDifference]) -> Hint | None:
    matched = [symptom for symptom in symptoms if symptom in cause.symptoms]
    ranks = [cause.places.index(kind) for kind in kinds if kind in cause.places]
    if not matched or not ranks:
        return None
    usual = len(matched) / max(len(symptoms), 1) + 0.25 / (1 + min(ranks))
    signs = [(sign, by_name[sign[:-1]]) for sign in cause.signs if sign[:-1] in by_name]
    agreeing = [item for sign, item in signs if item.differs and sign[-1] in ("*", item.side)]
    if agreeing:
        best = max(agreeing, key=_strength)
        told = "; ".join(item.text for item in agreeing)
        return Hint(cause.name, cause.text, AGREES, told, SOURCE, cause.check, 4.0 + _strength(best) + usual)
    if signs:
        told = "; ".join(item.text for _, item in signs)
        how = "moved the other way" if any(item.differs for _, item in signs) else "without a difference that matters"
        return Hint(cause.name, cause.text, SPEAKS_AGAINST, f"logged, {how}: {told}", SOURCE, cause.check, usual - 2.0)
    missing = ", ".join(QUANTITY[sign[:-1]].title for sign in cause.signs if sign[:-1] in QUANTITY)
    told = f"not in the log; {missing} would tell" if missing else "a log could not show it"
    return Hint(cause.name, cause.text, PRACTICE, told, SOURCE, cause.check, usual)


def _strength(item: LogDifference) -> float:
    """Return how clearly a quantity tells the groups apart, and alone at this place: 0 to 1."""
    apart = 2.0 * abs(item.difference.separation - 0.5)
    if item.elsewhere is not None:
        apart -= abs(item.elsewhere.separation - 0.5)
    follows = item.link * (item.difference.separation - 0.5) > 0
    return apart + (0.25 * abs(item.link) if follows else 0.0)
