"""The report of a period: yield, defects per million, paretos, places, charts, reviews, open alarms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine

from models.intervals import clopper_pearson
from models.vocabulary import FINDING
from vision.line.alarm import Alarm, iso
from vision.line.alarm_store import list_alarms
from vision.line.charts import Chart, p_chart, u_chart
from vision.line.history import LAND, NOZZLE, POT, STEP
from vision.line.load import Scope, camera_side, load_history
from vision.line.measure_charts import CHARTED, MeasureChart, measure_charts
from vision.line.rates import benjamini_hochberg, dpmo, higher_than_rest, poisson_interval
from vision.line.tally import FALSE, FINDING_NAMES, INDICATOR, REAL, UNSURE, WAITING, Tally, tally
from vision.line.watching import Glance

Floats = NDArray[np.float64]

#: A time chart has at most so many points, each of at least so many boards.
MOST_POINTS, FEWEST_BOARDS = 40, 10
#: Newest boards on the measurement charts.
CHARTED_BOARDS = 200


@dataclass(frozen=True)
class Rate:
    """A count out of a number of tries, with its exact 95 % interval (NaN where nothing was tried)."""

    count: int
    size: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True)
class Counts:
    """What became of the calls somewhere: `real`, `false_calls`, `unsure` and `waiting` add up to `calls`.

    `not_false` are the calls that nobody declared false, and the escapes; its rate is per million joints graded, with
    its exact 95 % interval. NaN where no joint was graded.
    """

    calls: int = 0  # of the program
    real: int = 0  # of them confirmed by a person
    false_calls: int = 0  # of them declared false
    unsure: int = 0  # of them a person could not tell
    waiting: int = 0  # of them nobody has decided yet
    escapes: int = 0  # defects that a person found and the program did not
    not_false: int = 0
    not_false_per_million: float = float("nan")
    not_false_low: float = float("nan")
    not_false_high: float = float("nan")


@dataclass(frozen=True)
class FindingRow:
    """One line of the pareto by finding; real, false, unsure and waiting ones add up to the calls."""

    finding: str
    title: str
    calls: int
    real: int
    false_calls: int
    waiting: int
    escapes: int
    indicators: int
    cumulative: float  # share of all calls up to this line
    unsure: int = 0


@dataclass(frozen=True)
class PlaceRow:
    """One line of the pareto by place. `q_value`: that its rate is not above the other places' (adjusted).

    `calls` and `dpmo` count what `counts` calls not false, `real` escapes too: programs read them under these names.
    """

    kind: str
    place: str
    joints: int
    opportunities: int
    calls: int
    real: int
    dpmo: float
    dpmo_low: float
    dpmo_high: float
    q_value: float
    top_finding: str
    counts: Counts = Counts()


@dataclass(frozen=True)
class JointRow:
    """One joint of the heat map; `calls` and `dpmo` count what `counts` calls not false."""

    family: str
    joint: str
    x_mm: float
    y_mm: float
    opportunities: int
    calls: int
    dpmo: float
    dpmo_low: float
    dpmo_high: float
    q_value: float
    top_finding: str
    counts: Counts = Counts()


@dataclass(frozen=True)
class Seen:
    """How the camera sees a family's boards: the side (`bottom` or `top`) and the first view's turn in the picture."""

    family: str
    seen_from: str
    rotation_deg: float = 0.0


@dataclass(frozen=True)
class Waits:
    """How long boards waited for a decision or a repair, minutes."""

    count: int
    median_min: float
    p90_min: float


@dataclass(frozen=True)
class CountChart:
    """A time chart of counts with its labels: first serial and time of each point."""

    title: str
    chart: Chart
    serials: tuple[str, ...]
    times: tuple[str, ...]
    boards: tuple[int, ...]


@dataclass(frozen=True)
class Report:
    """Everything that a report shows. Rates of calls are by the program; real ones by people."""

    scope: str
    since: str
    until: str
    boards: int
    ungraded_boards: int
    first_pass: Rate  # boards without a call
    passed_after_review: Rate  # boards whose calls were all declared false, or that had none
    waiting_boards: int
    opportunities: int
    ungraded_joints: int
    calls: int
    real: int
    false_calls: int
    unsure: int
    waiting: int
    escapes: int
    indicators: int
    dpmo_calls: float
    dpmo_real: float
    dpmo_real_low: float
    dpmo_real_high: float
    false_share: Rate  # of the calls that people decided
    findings: tuple[FindingRow, ...]
    places: tuple[PlaceRow, ...]
    joints: tuple[JointRow, ...]
    review_wait: Waits
    repair_wait: Waits
    count_charts: tuple[CountChart, ...]
    measure_charts: tuple[MeasureChart, ...]
    alarms: tuple[Alarm, ...]
    seen: tuple[Seen, ...] = ()  # of each family with boards in the period
    drift: tuple[Glance, ...] = ()  # how each of them stands now; empty where nobody looked
    counts: Counts = Counts()  # of joints and chips together
    open_elsewhere: int = 0  # open alarms at joints beyond the pot, nozzle, step or joint asked for
    chip_calls: int = 0  # of the calls those at chips, which belong to no pot, nozzle, step or joint


def build_report(engine: Engine, scope: Scope, *, charts: bool = True) -> Report:
    """Count a period and return its report; `charts` off leaves out what needs measurements."""
    counted = tally(engine, scope)
    families = sorted(set(counted.family))
    measures: tuple[MeasureChart, ...] = ()
    if charts and len(families) == 1:
        history = load_history(engine, families[0], measures=CHARTED, boards=CHARTED_BOARDS,
                               scope=Scope(families[0], scope.since, scope.until))
        names = {name for name, inside in zip(counted.joints.name, counted.joints.inside, strict=True) if inside}
        measures = measure_charts(history, [i for i, name in enumerate(history.joints.names) if name in names])
    alarms = [alarm for alarm in list_alarms(engine, scope.family) if _in_period(alarm, scope)]
    elsewhere = 0
    if scope.pot or scope.nozzle or scope.step or scope.joint:
        inside = {(family, name) for family, name, there in zip(
            counted.joints.family, counted.joints.name, counted.joints.inside, strict=True) if there}
        here = [alarm for alarm in alarms if any((alarm.family, name) in inside for name in alarm.joints)]
        elsewhere = sum(alarm.status == "open" for alarm in alarms) - sum(alarm.status == "open" for alarm in here)
        alarms = here
    seen = tuple(Seen(family, *camera_side(engine, family)) for family in families)
    return replace(summarise(counted, measures, alarms), seen=seen, open_elsewhere=elsewhere)


def _in_period(alarm: Alarm, scope: Scope) -> bool:
    """Tell whether an alarm was raised in the period, or is open still."""
    at = datetime.fromisoformat(alarm.seen_at)
    inside = (scope.since is None or at >= scope.since) and (scope.until is None or at < scope.until)
    return inside or (alarm.status == "open" and (scope.until is None or at < scope.until))


def summarise(counted: Tally, measures: Sequence[MeasureChart] = (), alarms: Sequence[Alarm] = ()) -> Report:
    """Return the report of a counted period."""
    calls = counted.calls
    standing = calls & (counted.state != FALSE)
    boards, tried = len(counted.serials), int(counted.joints.tried[counted.joints.inside].sum())
    graded = ~counted.passed_over
    judged = graded & (tried > 0)  # where no joint of the scope was tried, no board has passed

    def boards_with(mask: NDArray[np.bool_], escapes: bool) -> NDArray[np.bool_]:
        hit = np.zeros(boards, dtype=np.bool_)
        hit[counted.board[mask]] = True
        if escapes:
            hit[counted.escape_board] = True
        return hit

    called, faulty = boards_with(calls, False), boards_with(standing, True)
    waits = boards_with(counted.state == WAITING, False)
    count = {state: int((counted.state == state).sum()) for state in (WAITING, REAL, FALSE, UNSURE, INDICATOR)}
    escapes = int(counted.escape_board.size)
    real = count[REAL] + escapes
    low, high = poisson_interval(real, max(tried, 1))
    families = set(counted.family)
    scope = replace(counted.scope, family=families.pop()) if len(families) == 1 else counted.scope
    return Report(
        scope.text, iso(counted.at_s[0]) if boards else "", iso(counted.at_s[-1]) if boards else "", boards,
        int((~graded).sum()), _rate(int((judged & ~called).sum()), int(judged.sum())),
        _rate(int((judged & ~faulty).sum()), int(judged.sum())), int(waits.sum()), tried, counted.ungraded_joints,
        int(calls.sum()), real, count[FALSE], count[UNSURE], count[WAITING], escapes, count[INDICATOR],
        float(dpmo(int(calls.sum()), tried)), float(dpmo(real, tried)), 1e6 * float(low), 1e6 * float(high),
        _rate(count[FALSE], count[FALSE] + count[REAL]), _by_finding(counted), _by_place(counted, standing),
        _by_joint(counted, standing), _waits(counted.review_s), _waits(counted.repair_s),
        _count_charts(counted, called | faulty, standing), tuple(measures), tuple(alarms),
        counts=_counts(np.bincount(counted.state, minlength=5), escapes, tried),
        chip_calls=int((calls & (counted.joint < 0)).sum()))


def _counts(states: NDArray[np.int64], escapes: int, tried: int) -> Counts:
    """Return what became of calls, given how many are in each state, the escapes beside them and the joints tried."""
    waiting, real, false, unsure = (int(states[state]) for state in (WAITING, REAL, FALSE, UNSURE))
    not_false = waiting + real + unsure + escapes
    rates = (float("nan"),) * 3
    if tried:
        low, high = poisson_interval(not_false, tried)
        rates = (1e6 * not_false / tried, 1e6 * float(low), 1e6 * float(high))
    return Counts(waiting + real + false + unsure, real, false, unsure, waiting, escapes, not_false, *rates)


def _rate(count: int, size: int) -> Rate:
    if size == 0:
        return Rate(count, size, float("nan"), float("nan"), float("nan"))
    return Rate(count, size, count / size, *clopper_pearson(count, size))


def _waits(seconds: Floats) -> Waits:
    if seconds.size == 0:
        return Waits(0, float("nan"), float("nan"))
    median, late = np.percentile(seconds / 60.0, [50, 90])
    return Waits(int(seconds.size), float(median), float(late))


def _by_finding(counted: Tally) -> tuple[FindingRow, ...]:
    table = np.zeros((len(FINDING_NAMES), 5), dtype=np.int64)
    np.add.at(table, (counted.finding, counted.state), 1)
    known = counted.escape_finding >= 0
    escapes = np.bincount(counted.escape_finding[known], minlength=len(FINDING_NAMES))
    calls = table[:, [WAITING, REAL, FALSE, UNSURE]].sum(axis=1)
    order = sorted(range(len(FINDING_NAMES)), key=lambda i: (-(calls[i] + escapes[i]), -table[i, INDICATOR]))
    total, running, rows = max(int(calls.sum()), 1), 0, []
    for i in order:
        if calls[i] + escapes[i] + table[i, INDICATOR] == 0:
            continue
        running += int(calls[i])
        name = FINDING_NAMES[i]
        rows.append(FindingRow(name, FINDING[name].title, int(calls[i]), int(table[i, REAL]), int(table[i, FALSE]),
                               int(table[i, WAITING]), int(escapes[i]), int(table[i, INDICATOR]), running / total,
                               int(table[i, UNSURE])))
    return tuple(rows)


@dataclass(frozen=True)
class _ByJoint:
    """What was counted at each joint: calls by state [joint, state], escapes [joint], not false ones by finding."""

    states: NDArray[np.int64]
    escapes: NDArray[np.int64]
    found: NDArray[np.int64]  # [joint, finding], without escapes


def _joint_counts(counted: Tally, standing: NDArray[np.bool_]) -> _ByJoint:
    joints = len(counted.joints.name)
    states, found = np.zeros((joints, 5), dtype=np.int64), np.zeros((joints, len(FINDING_NAMES)), dtype=np.int64)
    at_joint = counted.joint >= 0
    np.add.at(states, (counted.joint[at_joint], counted.state[at_joint]), 1)
    np.add.at(found, (counted.joint[standing & at_joint], counted.finding[standing & at_joint]), 1)
    escaped = counted.escape_joint[counted.escape_joint >= 0]
    return _ByJoint(states, np.bincount(escaped, minlength=joints).astype(np.int64), found)


def _top(row: NDArray[np.int64]) -> str:
    return FINDING[FINDING_NAMES[int(row.argmax())]].title if row.any() else ""


def _by_place(counted: Tally, standing: NDArray[np.bool_]) -> tuple[PlaceRow, ...]:
    """Return the places of every kind, the worst first within a kind, each tested against the rest of its kind."""
    by_joint = _joint_counts(counted, standing)
    joints = counted.joints
    out: list[PlaceRow] = []
    for kind, labels in ((POT, joints.pot), (NOZZLE, joints.nozzle), (STEP, joints.step), (LAND, joints.land_kind)):
        groups: dict[str, list[int]] = {}
        for index, (label, inside) in enumerate(zip(labels, joints.inside, strict=True)):
            if label and inside and joints.tried[index] > 0:
                groups.setdefault(label, []).append(index)
        if not groups:
            continue
        n = [int(joints.tried[members].sum()) for members in groups.values()]
        counts = [_counts(by_joint.states[members].sum(axis=0), int(by_joint.escapes[members].sum()), size)
                  for members, size in zip(groups.values(), n, strict=True)]
        q = benjamini_hochberg(higher_than_rest(np.array([c.not_false for c in counts], dtype=np.float64),
                                                np.array(n, dtype=np.float64)))
        rows = [PlaceRow(kind, label, len(members), n[i], c.not_false, c.real + c.escapes, c.not_false_per_million,
                         c.not_false_low, c.not_false_high, float(q[i]), _top(by_joint.found[members].sum(axis=0)), c)
                for i, ((label, members), c) in enumerate(zip(groups.items(), counts, strict=True))]
        out += sorted(rows, key=lambda row: -row.dpmo)
    return tuple(out)


def _by_joint(counted: Tally, standing: NDArray[np.bool_]) -> tuple[JointRow, ...]:
    """Return every joint of the scope; p-values against all other joints, adjusted for their number."""
    by_joint = _joint_counts(counted, standing)
    joints = counted.joints
    chosen = np.flatnonzero(joints.inside & (joints.tried > 0))
    if chosen.size == 0:
        return ()
    counts = [_counts(by_joint.states[j], int(by_joint.escapes[j]), int(joints.tried[j])) for j in chosen]
    q = benjamini_hochberg(higher_than_rest(np.array([c.not_false for c in counts], dtype=np.float64),
                                            joints.tried[chosen].astype(np.float64)))
    return tuple(JointRow(joints.family[j], joints.name[j], float(joints.x_mm[j]), float(joints.y_mm[j]),
                          int(joints.tried[j]), c.not_false, c.not_false_per_million, c.not_false_low,
                          c.not_false_high, float(q[i]), _top(by_joint.found[j]), c)
                 for i, (j, c) in enumerate(zip(chosen, counts, strict=True)))


def _count_charts(counted: Tally, faulty: NDArray[np.bool_], standing: NDArray[np.bool_]) -> tuple[CountChart, ...]:
    """Return time charts over groups of boards of equal number (the last may be smaller), with exact limits."""
    graded = np.flatnonzero(~counted.passed_over)
    if graded.size < 2 * FEWEST_BOARDS:
        return ()
    step = max(FEWEST_BOARDS, int(np.ceil(graded.size / MOST_POINTS)))
    starts = np.arange(0, graded.size, step)
    boards = np.diff(np.append(starts, graded.size))
    per_board = np.bincount(counted.board[standing], minlength=len(counted.serials))[graded].astype(np.float64)
    bad = np.add.reduceat(faulty[graded].astype(np.float64), starts)
    events = np.add.reduceat(per_board, starts)
    serials = tuple(counted.serials[graded[start]] for start in starts)
    times = tuple(iso(counted.at_s[graded[start]]) for start in starts)
    sizes = tuple(int(size) for size in boards)
    return (CountChart("share of boards with a call or an escape", p_chart(bad, boards, exact=True), serials, times,
                       sizes),
            CountChart("calls not declared false per board", u_chart(events, boards, exact=True), serials, times,
                       sizes))


def share_text(rate: Rate) -> str:
    """Return a rate in words: `97.3 % (96.1 to 98.2)`."""
    if rate.size == 0:
        return "nothing to count"
    return f"{100 * rate.rate:.1f} % ({100 * rate.low:.1f} to {100 * rate.high:.1f})"


__all__ = ["Report", "build_report", "share_text", "summarise"]
