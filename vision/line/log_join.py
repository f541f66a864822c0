"""Joining the process log to boards: by serial where a row has one, by time where it has not.

The log's clock is seldom the station's. How far apart they are is read off the rows that carry a serial: the time from
a board's last entry to its inspection, travel included. Jumps and gaps are reported, never mended in silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.line.history import Joints
from vision.line.log_words import kind_of

Floats = NDArray[np.float64]

#: A stop of the line of at least this length is a pause.
PAUSE_S = 600.0
#: An entry without serial speaks for boards up to this much later.
OLDEST_S = 12 * 3600.0
#: A jump of the clocks below this is not told.
SMALLEST_JUMP_S = 30.0


@dataclass(frozen=True)
class Rows:
    """Entries of the log as columns, in time order."""

    at_s: Floats  # seconds since 1970 UTC, by the log's clock
    serial: tuple[str, ...]
    pot: tuple[str, ...]
    nozzle: tuple[str, ...]
    step: tuple[str, ...]
    quantity: tuple[str, ...]
    value: Floats  # NaN where there is only a text
    text: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.serial)


@dataclass(frozen=True)
class Clock:
    """How the log's clock stands to the station's. `delay_s`: from a board's last entry to its inspection."""

    boards: int
    delay_s: float
    spread_s: float  # half the range that holds the middle half of the boards, times 1.48
    jumps: tuple[tuple[str, float], ...]  # (first board after the jump, change of the delay in s)

    @property
    def plausible(self) -> bool:
        """Whether the clocks can be right: an inspection follows the last entry within half an hour."""
        return 0.0 <= self.delay_s <= 1800.0 and not self.jumps


@dataclass(frozen=True)
class Gap:
    """A stretch without a quantity: boards that have no value, from one to another, both included."""

    quantity: str
    place: str
    first: str
    last: str
    boards: int


@dataclass(frozen=True)
class Logged:
    """One logged quantity at one place, a value a board. Labels have `words` and no numbers."""

    quantity: str
    pot: str
    nozzle: str
    step: str
    values: Floats  # (board,), NaN where nothing was logged
    words: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """The narrowest word of its place."""
        return (self.step and f"step {self.step}") or (self.nozzle and f"nozzle {self.nozzle}") or (
            self.pot and f"pot {self.pot}") or "whole board"

    def joints(self, joints: Joints) -> frozenset[int]:
        """Return the joints that the quantity acts on: those whose pot, nozzle and step agree with the row's."""
        return frozenset(
            index for index, name in enumerate(joints.names)
            if self.step == name or (self.pot in ("", joints.pot[index]) and self.nozzle in ("", joints.nozzle[index])
                                     and self.step in ("", joints.step[index])))


def fit_clock(rows: Rows, serials: Sequence[str], at_s: Floats) -> Clock | None:
    """Return how the clocks stand, from boards whose serial the log names; None where it names fewer than three."""
    last: dict[str, float] = {}
    for serial, when in zip(rows.serial, rows.at_s, strict=True):
        if serial:
            last[serial] = max(when, last.get(serial, -np.inf))
    pairs = [(serial, when - last[serial]) for serial, when in zip(serials, at_s, strict=True) if serial in last]
    if len(pairs) < 3:
        return None
    delay = np.array([pair[1] for pair in pairs])
    quarter = np.percentile(delay, [25, 75])
    spread = float(1.4826 * (quarter[1] - quarter[0]) / 2.0)
    jumps = []
    wide = 5
    for i in range(wide, delay.size - wide + 1):
        change = float(np.median(delay[i: i + wide]) - np.median(delay[i - wide: i]))
        local = float(np.median(np.abs(np.diff(delay[i - wide: i + wide]))))
        if abs(change) > max(SMALLEST_JUMP_S, 8.0 * local) and abs(delay[i] - delay[i - 1]) > abs(change) / 2.0:
            jumps.append((pairs[i][0], change))
    return Clock(len(pairs), float(np.median(delay)), spread, tuple(jumps))


def join(rows: Rows, serials: Sequence[str], at_s: Floats, clock: Clock | None = None) -> tuple[Logged, ...]:
    """Return every logged quantity at every place as a value a board, derived ones included.

    Rows without serial are matched by time: the last one before the board left the line, by the log's clock.
    """
    process_s = at_s - (clock.delay_s if clock is not None else 0.0)
    index = {serial: number for number, serial in enumerate(serials)}
    groups: dict[tuple[str, str, str, str], list[int]] = {}
    for number, key in enumerate(zip(rows.quantity, rows.pot, rows.nozzle, rows.step, strict=True)):
        groups.setdefault(key, []).append(number)
    found = [_one(rows, members, key, index, process_s) for key, members in sorted(groups.items())]
    found = [item for item in found if np.isfinite(item.values).any() or any(item.words)]
    return (*found, *_missing_drops(found), _since_pause(at_s))


def _one(rows: Rows, members: list[int], key: tuple[str, str, str, str], index: dict[str, int],
         process_s: Floats) -> Logged:
    quantity, pot, nozzle, step = key
    boards = process_s.size
    numbers = np.asarray(members)
    named = [number for number in members if rows.serial[number]]
    loose = numbers[[not rows.serial[number] for number in members]]
    if kind_of(quantity) == "event":
        name = "minutes_since_cleaning" if quantity == "nozzle_cleaned" else f"minutes_since_{quantity}"
        return Logged(name, pot, nozzle, step, _age_min(rows.at_s[numbers], process_s))
    words = [""] * boards
    total, count = np.zeros(boards), np.zeros(boards)
    for number in named:
        board = index.get(rows.serial[number])
        if board is not None:
            words[board] = rows.text[number] or words[board]
            if np.isfinite(rows.value[number]):
                total[board] += rows.value[number]
                count[board] += 1.0
    values = np.divide(total, count, out=np.full(boards, np.nan), where=count > 0)
    if loose.size:
        before = np.searchsorted(rows.at_s[loose], process_s, side="right") - 1
        entry = loose[np.maximum(before, 0)]
        fresh = (before >= 0) & (process_s - rows.at_s[entry] <= OLDEST_S)
        values = np.where(np.isfinite(values) | ~fresh, values, rows.value[entry])
        words = [word or (rows.text[entry[board]] if fresh[board] else "") for board, word in enumerate(words)]
    return Logged(quantity, pot, nozzle, step, values, tuple(words) if any(words) else ())


def _age_min(events_s: Floats, process_s: Floats) -> Floats:
    """Return for each board the minutes since the last event, NaN before the first one."""
    events = np.sort(events_s)
    before = np.searchsorted(events, process_s, side="right") - 1
    return np.where(before >= 0, (process_s - events[np.maximum(before, 0)]) / 60.0, np.nan)


def _missing_drops(found: Sequence[Logged]) -> list[Logged]:
    wanted = {(item.pot, item.nozzle, item.step): item.values for item in found
              if item.quantity == "flux_drops_reference"}
    return [Logged("flux_drops_missing", item.pot, item.nozzle, item.step,
                   wanted[(item.pot, item.nozzle, item.step)] - item.values)
            for item in found if item.quantity == "flux_drops" and (item.pot, item.nozzle, item.step) in wanted]


def _since_pause(at_s: Floats) -> Logged:
    """Return minutes since the line last stood still, or since the first board where it has not yet."""
    resumed = np.concatenate([[0], np.flatnonzero(np.diff(at_s) >= PAUSE_S) + 1])
    before = np.searchsorted(resumed, np.arange(at_s.size), side="right") - 1
    return Logged("minutes_since_pause", "", "", "", (at_s - at_s[resumed[before]]) / 60.0)


def find_gaps(logged: Sequence[Logged], serials: Sequence[str], shortest: int = 3) -> tuple[Gap, ...]:
    """Return stretches of at least `shortest` boards without a value of a quantity that is logged otherwise."""
    gaps = []
    for item in logged:
        if item.quantity.startswith("minutes_since"):
            continue
        missing = ~np.isfinite(item.values)
        if item.words:
            missing &= np.array([not word for word in item.words])
        edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(np.int8), [0]])))
        for first, after in zip(edges[::2], edges[1::2], strict=True):
            if after - first >= shortest:
                gaps.append(Gap(item.quantity, item.place, serials[first], serials[after - 1], int(after - first)))
    return tuple(gaps)
