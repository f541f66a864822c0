"""A drift alarm as it is told and kept: what, where, since when, how sure, which pictures, what to look at first."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from models.vocabulary import FINDING, MEASURE, plain_name
from vision.line.causes import Hint, log_differences, rank_causes
from vision.line.compare import Difference, compare_numbers, compare_shares
from vision.line.history import WHOLE, History, Place, membership
from vision.line.log_join import Logged
from vision.line.log_words import number_text
from vision.line.rates import benjamini_hochberg
from vision.line.series import place_means
from vision.line.watch import Drift, Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Boards before a change that it is held against.
REFERENCE_BOARDS = 100
EXAMPLES = 5


@dataclass(frozen=True)
class Change:
    """How one measurement or finding changed at the place of an alarm."""

    quantity: str
    side: str  # "+" rose, "-" fell
    before: float  # typical board mean over the joints of the place, or share of joints with the finding
    after: float
    shift: float
    low: float  # 95 % interval of the shift
    high: float
    q_value: float
    text: str


@dataclass(frozen=True)
class Example:
    """One joint on one board whose picture shows the drift (or, for comparison, how it was before)."""

    serial: str
    joint: str
    text: str
    shows: str  # "drift" or "before"
    key: int = 0  # inspection key in the records
    pictures: tuple[str, ...] = ()


@dataclass(frozen=True)
class Answer:
    """What a person said to an alarm, and when: `fixed` or `normal`."""

    answer: str
    by: str
    at: str  # ISO 8601, UTC
    note: str


@dataclass(frozen=True)
class Alarm:
    """One drift alarm. Times are ISO 8601 in UTC; serials name boards. The newest answer counts."""

    id: str
    family: str
    title: str
    quantity: str
    side: str
    kind: str
    place: str
    also: tuple[str, ...]  # the same joints under other names
    joints: tuple[str, ...]
    seen_at: str
    seen_serial: str
    since_at: str
    since_serial: str
    since_low: str  # first and last serial of the 90 % interval of the start
    since_high: str
    boards: int  # boards from the start to the alarm
    false_alarm_boards: float
    evidence: float
    place_share: float
    next_place: str
    next_share: float
    batch: str
    changes: tuple[Change, ...]
    examples: tuple[Example, ...]
    hints: tuple[Hint, ...]
    status: str = "open"  # open, fixed, normal
    answered_by: str = ""
    answered_at: str = ""
    note: str = ""
    answers: tuple[Answer, ...] = ()  # all of them, newest first


def describe(history: History, drift: Drift, settings: Settings, logged: Sequence[Logged] = ()) -> Alarm:
    """Return the alarm in words and numbers, with hints from the log and from common practice."""
    place = drift.location.best
    order = np.arange(len(history))
    bad = (order >= drift.since) & (order <= drift.seen)
    good = (order < drift.since_low) & (order >= drift.since_low - REFERENCE_BOARDS)
    changes = _changes(history, place, settings, bad, good)
    told = f"{_name(drift.quantity)} {'rose' if drift.side > 0 else 'fell'}"
    symptoms = [change.quantity + change.side for change in changes] or [_signed(drift)]
    kinds = [equal.kind for equal in drift.location.equals]
    severity = _severity(history, drift, place)
    hints = rank_causes(symptoms, kinds, log_differences(history, logged, place, bad, good, severity))
    where = f"at {place.text}" if place.kind != WHOLE else "on the whole board"
    seen = history.serials[drift.seen]
    identity = hashlib.sha256(f"{history.family}|{place.text}|{drift.quantity}|{seen}".encode()).hexdigest()
    return Alarm(
        id=identity[:8], family=history.family, title=f"{told} {where}", quantity=drift.quantity,
        side="+" if drift.side > 0 else "-", kind=place.kind, place=place.name,
        also=tuple(equal.text for equal in drift.location.equals if equal != place),
        joints=tuple(history.joints.names[i] for i in place.members), seen_at=iso(history.at_s[drift.seen]),
        seen_serial=seen, since_at=iso(history.at_s[drift.since]), since_serial=history.serials[drift.since],
        since_low=history.serials[drift.since_low], since_high=history.serials[drift.since_high],
        boards=drift.seen - drift.since + 1, false_alarm_boards=settings.false_alarm_boards, evidence=drift.evidence,
        place_share=drift.location.share,
        next_place="" if drift.location.next_best is None else drift.location.next_best.text,
        next_share=drift.location.next_share, batch=batch_note(history, drift), changes=changes,
        examples=_examples(history, drift, place, good), hints=hints)


def iso(seconds: float) -> str:
    """Return seconds since 1970 as ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(float(seconds), UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _severity(history: History, drift: Drift, place: Place) -> Floats:
    """Return how far each board went at the place in the drift's direction, in the quantity's own unit."""
    weights = membership([place], len(history.joints))
    values = (history.measures[drift.quantity] if drift.quantity in history.measures
              else history.findings[drift.quantity].astype(np.float64))
    return drift.side * place_means(values, weights)[:, 0]


def _name(quantity: str) -> str:
    if quantity in FINDING:
        return f"rate of {FINDING[quantity].title}"
    return plain_name(quantity)


def _signed(drift: Drift) -> str:
    return drift.quantity + ("+" if drift.side > 0 else "-")


def _changes(history: History, place: Place, settings: Settings, bad: Bools, good: Bools) -> tuple[Change, ...]:
    """Return what changed at the place beyond chance, the clearest first."""
    weights = membership([place], len(history.joints))
    found: list[tuple[str, Difference]] = []
    for measure in settings.measures:
        if measure in history.measures:
            means = place_means(history.measures[measure], weights)[:, 0]
            first, second = (means[mask & np.isfinite(means)] for mask in (good, bad))
            if first.size >= 2 and second.size >= 2:
                found.append((measure, compare_numbers(first, second)))
    members = np.asarray(place.members)
    for finding, truth in history.findings.items():
        sizes = [int(history.graded[np.ix_(np.flatnonzero(mask), members)].sum()) for mask in (good, bad)]
        counts = [int(truth[np.ix_(np.flatnonzero(mask), members)].sum()) for mask in (good, bad)]
        if sum(counts) and all(sizes):
            found.append((finding, compare_shares((counts[0], sizes[0]), (counts[1], sizes[1]))))
    adjusted = benjamini_hochberg([difference.p_value for _, difference in found])
    chosen = [_change(name, difference, float(q))
              for (name, difference), q in zip(found, adjusted, strict=True) if q <= 0.05]
    return tuple(sorted(chosen, key=lambda change: change.q_value))


def _change(name: str, d: Difference, q_value: float) -> Change:
    if name in FINDING:
        points = [number_text(100 * value, 2, signed=True) for value in (d.effect, d.low, d.high)]
        text = (f"{FINDING[name].title}: {d.typical[0]:.2%} of joints before, {d.typical[1]:.2%} since "
                f"(difference {points[0]} points, {points[1]} to {points[2]})")
    else:
        known = MEASURE[name]
        places = max(known.decimals, 1)
        unit = f" {known.unit}" if known.unit else ""
        shift, low, high = (number_text(value, places, signed=True) for value in (d.effect, d.low, d.high))
        text = (f"{plain_name(name)}: {d.typical[0]:.{places}f} before, {d.typical[1]:.{places}f}{unit} since "
                f"(shift {shift}, {low} to {high})")
    return Change(name, "+" if d.separation > 0.5 else "-", d.typical[0], d.typical[1], d.effect, d.low, d.high,
                  q_value, text)


def batch_note(history: History, drift: Drift) -> str:
    """Return what can be said about the board batch: whether the change begins with one, and how easily by chance."""
    if not any(history.batches):
        return ""
    batches = np.array(history.batches, dtype=object)
    after = batches[drift.since: drift.seen + 1]
    firsts = [i for i in range(1, len(history)) if batches[i] and batches[i] != batches[i - 1]]
    inside = [i for i in firsts if drift.since_low <= i <= drift.since_high]
    current = str(after[-1])
    if not inside:
        before = int((batches[: drift.since_low] == current).sum())
        if before:
            return f"not with a board batch: {before} boards of {current} came before the change"
        return "the start falls on no change of board batch"
    width = drift.since_high - drift.since_low + 1
    chance = min(1.0, len([i for i in firsts if i <= drift.seen]) * width / max(drift.seen, 1))
    new = str(batches[inside[-1]])
    return (f"begins with board batch {new} (board {history.serials[inside[-1]]}); "
            f"a start at random would fall on a change of batch in {100.0 * max(chance, 0.01):.0f} % of cases")


def _examples(history: History, drift: Drift, place: Place, good: Bools) -> tuple[Example, ...]:
    """Return the joints that show the drift best, one a board, and the same joint on a good board before."""
    members = np.asarray(place.members)
    rows = np.arange(drift.since, drift.seen + 1)
    if drift.quantity in history.measures:
        values = history.measures[drift.quantity]
        usual = np.nanmedian(np.where(good[:, None], values, np.nan)[:, members], axis=0) if good.any() else 0.0
        score = drift.side * (values[np.ix_(rows, members)] - usual)
    else:
        values = history.findings[drift.quantity].astype(np.float64)
        score = values[np.ix_(rows, members)]
    score = np.where(np.isfinite(score), score, -np.inf)
    best = score.argmax(axis=1)
    top = [row for row in np.argsort(score.max(axis=1))[::-1][:EXAMPLES] if score[row].max() > 0]
    shown = [_example(history, drift.quantity, int(rows[row]), int(members[best[row]]), "drift") for row in top]
    if shown and good.any():
        joint = int(members[best[top[0]]])
        column = np.where(good, values[:, joint], np.nan)
        if np.isfinite(column).any():
            middle = int(np.nanargmin(np.abs(column - np.nanmedian(column)) - 1e-9 * np.arange(len(history))))
            shown.append(_example(history, drift.quantity, middle, joint, "before"))
    return tuple(shown)


def _example(history: History, quantity: str, row: int, joint: int, shows: str) -> Example:
    if quantity in history.measures:
        known = MEASURE[quantity]
        value = history.measures[quantity][row, joint]
        text = f"{plain_name(quantity)} {value:.{known.decimals}f} {known.unit}".strip()
    else:
        text = FINDING[quantity].title if history.findings[quantity][row, joint] else f"no {FINDING[quantity].title}"
    return Example(history.serials[row], history.joints.names[joint], text, shows,
                   history.keys[row] if history.keys else 0)
