"""Drift alarms: something changed, where, since which board, how sure.

`scan` looks at boards in order and raises an alarm when the evidence over all series reaches the stake of the stated
false-alarm rate (`sequential`); `locate` then asks which set of joints explains what changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from models.vocabulary import JOINT_FINDINGS
from vision.line.history import History, Place
from vision.line.locate import Location, locate
from vision.line.sequential import change_point, draws, log_odds, sequential_ranks, shiryaev_roberts
from vision.line.series import (
    MEASURE_PART,
    WATCHED,
    Spots,
    deviations,
    finding_names,
    memory,
    place_means,
    spots,
    unlinked,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


#: Boards from which the memory of a series is estimated.
MEMORY_BOARDS = 150


@dataclass(frozen=True)
class Settings:
    """How the line is watched.

    `false_alarm_boards`: without any drift an alarm comes on average no sooner than after so many boards.
    `settle`: boards that a series needs before it can raise an alarm.
    """

    measures: tuple[str, ...] = WATCHED
    false_alarm_boards: float = 10_000.0
    settle: int = 40


USUAL = Settings()


@dataclass(frozen=True)
class Known:
    """An alarm of the records, as far as the watch must know it. Times in seconds since 1970.

    `answer` is "" while the alarm is open, "fixed" when the cause was removed, "normal" when the new state is accepted.
    """

    joints: frozenset[str]
    since_s: float
    answer: str = ""
    answered_s: float = 0.0


@dataclass(frozen=True)
class Drift:
    """One alarm. Indices count the boards of the history."""

    quantity: str  # the measurement or finding that speaks loudest at the place found
    side: int  # 1: rose, -1: fell
    spoke_at: Place  # the place whose series was loudest of all
    seen: int  # the board at which the alarm was raised
    since: int  # likeliest first board of the change
    since_low: int
    since_high: int
    evidence: float  # evidence over what the stated false-alarm rate asks for; 1 or more
    location: Location


@dataclass
class _Series:
    """All series of one scan, columns in step: ranks (board, series) and what each column is."""

    ranks: Floats
    active: Bools
    parts: Floats
    quantity: list[str]
    place: list[int]
    sides: tuple[int, ...]
    evidence: Floats = field(default_factory=lambda: np.zeros((0, 0, 0)))


def scan(history: History, settings: Settings = USUAL, known: Sequence[Known] = (), *, carried: int = 0) -> list[Drift]:
    """Return the alarms in the order in which they are raised.

    A place with an open alarm, and every place that shares a joint with it, raises no second one. Boards between the
    start of a drift that was fixed and its answer are left out; where a new state was accepted, earlier boards are.

    `carried` boards at the beginning were judged before, within an older stretch: they are reference only. Evidence is
    collected from the middle of them on, and must be twice as strong, so that the next carried / 2 boards raise a false
    alarm no more often than stated: evidence over n boards is n on average, here carried / 2 + carried / 2.
    """
    _check(history, settings)
    if len(history) <= max(settings.settle, carried):
        return []
    table = spots(history)
    threshold = settings.false_alarm_boards * (2.0 if carried else 1.0)
    groups = [_measure_series(history, table, settings, known), _finding_series(history, table, settings, known)]
    groups = [group for group in groups if group.parts.size]
    for group in groups:
        group.active[: carried // 2] = False
        group.evidence = shiryaev_roberts(group.ranks, group.active, group.sides)
    found: list[Drift] = []
    spoken_for = {index for index, name in enumerate(history.joints.names)
                  if any(name in alarm.joints for alarm in known if not alarm.answer)}
    start = max(settings.settle, carried)
    while True:
        total = np.sum([np.einsum("sbk,k->b", group.evidence, group.parts) for group in groups], axis=0)
        over = np.flatnonzero(total[start:] >= threshold)
        if over.size == 0:
            return found
        seen = start + int(over[0])
        drift = _alarm(history, table, groups, seen, float(total[seen]) / threshold, settings,
                       spoken_for)
        found.append(drift)
        affected = set(drift.location.best.members)
        spoken_for |= affected
        for group in groups:
            for column, index in enumerate(group.place):
                if affected & set(table.places[index].members):
                    group.parts[column] = 0.0
        start = seen + 1


def _check(history: History, settings: Settings) -> None:
    if settings.false_alarm_boards < 100.0:
        raise MeniscopeError(f"false-alarm rate: got one in {settings.false_alarm_boards:g} boards, "
                             "wanted one in at least 100")
    if settings.settle < 20:
        raise MeniscopeError(f"settling: got {settings.settle} boards, wanted at least 20")
    if np.any(np.diff(history.at_s) < 0):
        raise MeniscopeError("history: got boards out of order, wanted them by inspection time")


def _measure_series(history: History, table: Spots, settings: Settings, known: Sequence[Known]) -> _Series:
    names = [name for name in settings.measures if name in history.measures]
    side_part = MEASURE_PART / max(len(settings.measures), 1) / 2.0
    blocks = []
    for name in names:
        values = deviations(history, name, slice(0, settings.settle))
        means = place_means(values, table.weights)
        means = np.where(_left_out(history, table, known), np.nan, means)
        for kind in dict.fromkeys(place.kind for place in table.places):
            mine = [index for index, place in enumerate(table.places) if place.kind == kind]
            # from the first boards only, so that a later look judges the same boards alike
            means[:, mine] = unlinked(means[:, mine], memory(means[:MEMORY_BOARDS, mine]))
        blocks.append(means)
    return _assemble(history, table, settings, known, names, blocks, side_part, (1, -1))


def _finding_series(history: History, table: Spots, settings: Settings, known: Sequence[Known]) -> _Series:
    names = list(finding_names(history))
    part = (1.0 - MEASURE_PART) / max(len(JOINT_FINDINGS), len(names))
    blocks = []
    for name in names:
        counted = np.where(history.graded, history.findings[name].astype(np.float64), np.nan)
        means = place_means(counted, table.weights)
        blocks.append(np.where(_left_out(history, table, known), np.nan, means))
    return _assemble(history, table, settings, known, names, blocks, part, (1,))


def _assemble(history: History, table: Spots, settings: Settings, known: Sequence[Known], names: Sequence[str],
              blocks: Sequence[Floats], part: float, sides: tuple[int, ...]) -> _Series:
    places = len(table.places)
    if not blocks:
        return _Series(np.zeros((len(history), 0)), np.zeros((len(history), 0), bool), np.zeros(0), [], [], sides)
    values = np.concatenate(blocks, axis=1)
    # one row of numbers a board and quantity group, the same in every run, breaks ties between equal values
    ranks = sequential_ranks(values, draws([f"{serial}/{names[0]}" for serial in history.serials], values.shape[1]))
    settled = np.cumsum(np.isfinite(values), axis=0) > settings.settle
    active = settled & ~np.tile(_muted(history, table, known), (1, len(blocks)))
    return _Series(ranks, active, np.tile(table.parts * part, len(blocks)),
                   [name for name in names for _ in range(places)], list(range(places)) * len(names), sides)


def _touched(history: History, table: Spots, alarm: Known) -> Bools:
    """Return which places share a joint with an alarm."""
    member = np.array([name in alarm.joints for name in history.joints.names])
    return np.asarray((table.weights[:, member] > 0).any(axis=1), dtype=np.bool_)


def _muted(history: History, table: Spots, known: Sequence[Known]) -> Bools:
    """Return (board, place): an open alarm already speaks for it."""
    out = np.zeros((len(history), len(table.places)), dtype=bool)
    for alarm in known:
        if not alarm.answer:
            out[history.at_s >= alarm.since_s] |= _touched(history, table, alarm)
    return out


def _left_out(history: History, table: Spots, known: Sequence[Known]) -> Bools:
    """Return (board, place): boards that an answered alarm takes out of the reference."""
    out = np.zeros((len(history), len(table.places)), dtype=bool)
    for alarm in known:
        gone: Bools
        if alarm.answer == "fixed":
            gone = (history.at_s >= alarm.since_s) & (history.at_s < alarm.answered_s)
        elif alarm.answer == "normal":
            gone = history.at_s < alarm.since_s
        else:
            continue
        out[gone] |= _touched(history, table, alarm)
    return out


def _alarm(history: History, table: Spots, groups: Sequence[_Series], seen: int, evidence: float,
           settings: Settings, spoken_for: set[int]) -> Drift:
    """Describe the alarm at board `seen`: the loudest series, the place it belongs to, the start of the change there.

    The start is dated twice: first by the loudest series, to find the place; then by the loudest series of that place,
    whose mean over all its joints shows the change more sharply than a single joint does.
    """
    loud = max((_loudest(group, seen) for group in groups), key=lambda series: series.stake)
    spoke_at = table.places[loud.group.place[loud.column]]
    low, best, _ = _dated(loud, seen)
    location = locate(history, table, settings.measures, best, seen, slice(0, max(low, settings.settle // 2)), spoke_at,
                      spoken_for)
    index = table.places.index(location.best)
    own = max((_loudest(group, seen, index) for group in groups), key=lambda series: series.stake)
    if own.stake > 0.0:
        loud = own
    low, best, high = _dated(loud, seen)
    return Drift(loud.group.quantity[loud.column], loud.group.sides[loud.side], spoke_at, seen, best, low, high,
                 evidence, location)


@dataclass(frozen=True)
class _Loud:
    """One series and side of a group, with its evidence at a board times its stake."""

    group: _Series
    side: int
    column: int
    stake: float


def _loudest(group: _Series, seen: int, place: int | None = None) -> _Loud:
    """Return the series with most evidence at board `seen`, of one place or of all."""
    stake = group.evidence[:, seen] * group.parts
    if place is not None:
        stake = np.where(np.asarray(group.place) == place, stake, 0.0)
    side, column = np.unravel_index(int(np.argmax(stake)), stake.shape)
    return _Loud(group, int(side), int(column), float(stake[side, column]))


def _dated(loud: _Loud, seen: int) -> tuple[int, int, int]:
    """Return the start of the change in a series: (low, best, high) board."""
    quiet = np.flatnonzero(~loud.group.active[: seen + 1, loud.column])
    first = int(quiet[-1]) + 1 if quiet.size else 0
    odds = log_odds(loud.group.ranks[first: seen + 1, loud.column], loud.group.sides[loud.side])
    low, best, high = change_point(odds)
    return first + low, first + best, first + high
