"""Learning a family's uncertainty from joints that were measured under several conditions and whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from models.rules import Floats
from models.sheet_check import possible
from models.table import LabelledTable
from models.uncertainty import ANY, CIRCULAR, NOMINAL, Band, UncertaintyModel, covers, stated, turned
from models.vocabulary import MEASURE

Bools = NDArray[np.bool_]
COVERAGE = 0.95
#: What a Gaussian holds within one standard deviation (JCGM 100:2008, table G.1).
ONE_SIGMA = 0.682689
#: So many rows a band of values shall rest on; fewer than 39 cannot tell a 95 % interval.
BAND_ROWS, LEAST_ROWS = 400, 39
MOST_BANDS = 5
#: Boards are held back in so many turns, dealt anew so many times; the intervals leave out no less of the rows than
#: this. What is held on boards held back hangs on how they are dealt, so several deals count together.
FOLDS, ROUNDS, LEAST_MISS = 4, 3, 0.005
#: Fewer rows than this tell nothing at all.
FEWEST = 8
#: A measurement that gives its least or greatest value this often has a band for that very value.
ATOM = 0.02
#: Truth that lies at the end of what is possible this often ends the interval there, and nothing can be missed beyond.
TRUE_ATOM = 0.025


@dataclass(frozen=True)
class _Rows:
    """One measurement: rows whose measured and true values are both known."""

    measured: Floats
    truth: Floats
    weight: Floats
    kind: NDArray[np.str_]
    condition: NDArray[np.str_]
    joint: NDArray[np.intp]  # equal for pictures of the same joint
    board: NDArray[np.intp]  # equal for joints of the same board
    deviation: Floats  # from the mean of the pictures of the same board; NaN where there is but one picture

    def take(self, rows: Bools) -> _Rows:
        return _Rows(*(getattr(self, field.name)[rows] for field in fields(self)))

    @property
    def independent(self) -> float:
        """How many equally weighted joints tell as much: (sum w)^2 / sum w^2 over joints, not over pictures."""
        _, joint = np.unique(self.joint, return_inverse=True)
        weight = np.bincount(joint, weights=self.weight)
        return float(weight.sum()) ** 2 / float((weight**2).sum())

    def __len__(self) -> int:
        return len(self.measured)


def learn_uncertainty(tables: Mapping[str, LabelledTable], station: str, *, nominal_share: float = 0.6) -> list[Band]:
    """Return the bands of all measurements that have true values, evidence left out.

    Parameters
    ----------
    tables
        Joints or chips by condition, NOMINAL among them. Rows of one condition with equal board and name are
        repeated pictures of the same joint. Marginal rows count like any other.
    station
        Written into the bands.
    nominal_share
        Weight of the nominal condition in what holds for all conditions together; the rest is shared equally
        by the others. A station lies near its description most of the time.

    """
    weights = _condition_weights(tables, nominal_share)
    names = [name for name, measure in MEASURE.items() if not measure.evidence
             and any(name in table.columns and name in table.exact for table in tables.values())]
    bands: list[Band] = []
    for name in names:
        rows = _rows(tables, name, weights)
        if len(rows) < FEWEST:
            continue
        miss = _miss(rows, name)
        bands += _graded_bands(rows, name, station, miss)
        for condition in tables:
            of_condition = rows.take(rows.condition == condition)
            if len(of_condition) >= FEWEST:
                bands.append(_band(of_condition, name, (station, name, ANY, condition), miss))
    return bands


def _graded_bands(rows: _Rows, name: str, station: str, miss: float) -> list[Band]:
    """Return the bands of one measurement that grading uses: for every land, and for each kind with enough rows."""
    bands = _bands(rows, name, station, ANY, miss)
    for kind in sorted(set(rows.kind.tolist()) - {ANY}) if MEASURE[name].part == "joint" else ():
        of_kind = rows.take(rows.kind == kind)
        if _inside(of_kind.measured, name).sum() >= BAND_ROWS:
            bands += _bands(of_kind, name, station, kind, miss)
    return bands


def _miss(rows: _Rows, name: str) -> float:
    """Return what share the intervals may leave out of the rows so that they hold 95 % on boards not learned from.

    Joints of one board share finish, mask and lamps, so that intervals learned from some boards hold less of the
    truths of others. Boards are held back in turns; between the shares tried, the answer is found by halving.
    """
    groups, board = np.unique(rows.board, return_inverse=True)
    if len(groups) < 2 * FOLDS:
        return 1.0 - COVERAGE
    deal = np.random.default_rng(1)
    folds = [deal.permutation(len(groups))[board] % FOLDS for _ in range(ROUNDS)]
    parts = [(rows.take(fold != held), rows.take(fold == held)) for fold in folds for held in range(FOLDS)]

    def missed(miss: float) -> float:
        outside = np.zeros(2)  # of rows whose interval has some width, and of all
        tried = np.zeros(2)
        for known, held in parts:
            model = UncertaintyModel(tuple(_graded_bands(known, name, ANY, miss)))
            told = stated(model, {name: held.measured}, held.kind.tolist())
            wide = told.high[name] - told.low[name] > 1e-9
            out = ~covers(name, told.low[name], told.high[name], held.truth)
            outside += held.weight[wide & out].sum(), held.weight[out].sum()
            tried += held.weight[wide].sum(), held.weight.sum()
        return float((outside[tried > 0.0] / tried[tried > 0.0]).max(initial=0.0))

    low, high = LEAST_MISS, 1.0 - COVERAGE
    if missed(high) <= 1.0 - COVERAGE:
        return high
    for _ in range(4):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if missed(middle) <= 1.0 - COVERAGE else (low, middle)
    return low


def _condition_weights(tables: Mapping[str, LabelledTable], nominal_share: float) -> dict[str, float]:
    """Return the weight of one row of each condition."""
    others = [name for name, table in tables.items() if name != NOMINAL and len(table)]
    weights = {name: (1.0 - nominal_share) / len(others) / len(tables[name]) for name in others}
    if NOMINAL in tables and len(tables[NOMINAL]):
        weights[NOMINAL] = (nominal_share if others else 1.0) / len(tables[NOMINAL])
    return weights


def _rows(tables: Mapping[str, LabelledTable], name: str, weights: Mapping[str, float]) -> _Rows:
    found = []
    numbers: dict[tuple[str, str], int] = {}
    boards: dict[str, int] = {}
    for condition, table in tables.items():
        if name not in table.columns or name not in table.exact:
            continue
        measured, truth = table.columns[name], table.exact[name]
        known = np.isfinite(measured) & np.isfinite(truth)
        count = int(known.sum())
        kinds = np.array(table.kinds or [ANY] * len(table), dtype=np.str_)[known]
        joints = np.array([numbers.setdefault(key, len(numbers)) for key in _joint_keys(table)], dtype=np.intp)
        found.append(_Rows(measured[known], truth[known], np.full(count, weights.get(condition, 0.0)), kinds,
                           np.full(count, condition), joints[known],
                           np.array([boards.setdefault(b, len(boards)) for b in table.boards], dtype=np.intp)[known],
                           _deviations(joints, np.where(known, measured, np.nan), name)[known]))
    return _all(found)


def _all(parts: Sequence[_Rows]) -> _Rows:
    return _Rows(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(_Rows)))


def _joint_keys(table: LabelledTable) -> list[tuple[str, str]]:
    return list(zip(table.boards, table.names or [""] * len(table), strict=True))


def _deviations(joints: NDArray[np.intp], values: Floats, name: str) -> Floats:
    """Return each value's deviation from the mean of its joint's pictures, widened so that it is without bias.

    With m pictures the mean takes up one of m degrees of freedom: the factor is sqrt(m / (m - 1)). NaN for a value
    that is NaN or has no other picture of the joint beside it.
    """
    result = np.full(len(values), np.nan)
    known = np.isfinite(values)
    _, first, index, count = np.unique(joints[known], return_index=True, return_inverse=True, return_counts=True)
    away = values[known] - values[known][first][index]
    if name == CIRCULAR:
        away = turned(away)
    mean = np.bincount(index, weights=away) / count
    several = np.maximum(count, 2)
    result[known] = np.where(count >= 2, np.sqrt(several / (several - 1.0)), np.nan)[index] * (away - mean[index])
    return result


def _atoms(values: Floats, name: str) -> tuple[bool, bool]:
    """Return whether the least and the greatest possible value are measured so often that they have their own band."""
    if name == CIRCULAR or not len(values):
        return False, False
    floor, roof = possible(name)
    least = max(FEWEST, ATOM * len(values))
    return bool((values <= floor).sum() >= least), bool((values >= roof).sum() >= least)


def _inside(values: Floats, name: str) -> Bools:
    """Return which values lie in neither such band."""
    at_floor, at_roof = _atoms(values, name)
    floor, roof = possible(name)
    return np.asarray(((values > floor) | (not at_floor)) & ((values < roof) | (not at_roof)))


def _bands(rows: _Rows, name: str, station: str, kind: str, miss: float) -> list[Band]:
    """Return the bands of one measurement and land kind, for all conditions together."""
    at_floor, at_roof = _atoms(rows.measured, name)
    floor, roof = possible(name)
    key = (station, name, kind, ANY)
    inner = rows.take(_inside(rows.measured, name))
    if len(inner) < FEWEST:
        return [_band(rows, name, key, miss)]
    edges = [] if name == CIRCULAR else _edges(inner)
    low = floor if at_floor else min([_readable(float(inner.measured.min()), down=True), *edges[:1]])
    high = roof if at_roof else max([_readable(float(inner.measured.max()), up=True), *edges[-1:]])
    place = np.searchsorted(edges, inner.measured, side="right")
    parts = [inner.take(place == index) for index in range(len(edges) + 1)]
    found = [_band(part, name, key, miss, ends)
             for part, ends in zip(parts, zip((low, *edges), (*edges, high), strict=True), strict=True)]
    found = _merged(found, parts, name, key, miss)
    if at_floor:
        found.insert(0, _band(rows.take(rows.measured <= floor), name, key, miss, (floor, floor)))
    if at_roof:
        found.append(_band(rows.take(rows.measured >= roof), name, key, miss, (roof, roof)))
    return found


def _edges(rows: _Rows) -> list[float]:
    """Return the readable values that split rows into bands of about equally many; equal values stay together."""
    count = max(1, min(MOST_BANDS, len(rows) // BAND_ROWS))
    values = np.sort(rows.measured)
    edges: list[float] = []
    for edge in np.quantile(values, np.linspace(0.0, 1.0, count + 1)[1:-1]):
        near = _readable(float(edge))
        since = edges[-1] if edges else -np.inf
        if ((values >= since) & (values < near)).sum() >= LEAST_ROWS <= (values >= near).sum():
            edges.append(near)
    return edges


def _merged(bands: list[Band], parts: list[_Rows], name: str, key: tuple[str, str, str, str],
            miss: float) -> list[Band]:
    """Join neighbouring bands that say nearly the same, so that the table stays short and rests on more rows."""
    kept, rows = bands[:1], parts[:1]
    for band, part in zip(bands[1:], parts[1:], strict=True):
        near = max(MEASURE[name].step / 10.0, 0.12 * (band.high_95 - band.low_95))
        before = kept[-1]
        if abs(band.low_95 - before.low_95) <= near and abs(band.high_95 - before.high_95) <= near:
            rows[-1] = _all([rows[-1], part])
            kept[-1] = _band(rows[-1], name, key, miss, (before.low, band.high))
        else:
            kept.append(band)
            rows.append(part)
    return kept


def _band(rows: _Rows, name: str, key: tuple[str, str, str, str], miss: float,
          ends: tuple[float, float] | None = None) -> Band:
    """Evaluate one band."""
    low, high = ends or (_readable(float(rows.measured.min()), down=True),
                         _readable(float(rows.measured.max()), up=True))
    rest = rows.truth - rows.measured
    if name == CIRCULAR:
        rest = turned(rest)
    bias = -quantile(rest, rows.weight, 0.5)
    tail = (1.0 - ONE_SIGMA) / 2.0
    spread = (-outer_quantile(-rest, rows.weight, tail, rows.independent)
              - outer_quantile(rest, rows.weight, tail, rows.independent)) / 2.0
    repeatability = _repeatability(rows.deviation)
    low_95, high_95 = _interval(rows, rest, name, (low, high), miss)
    # spread^2 = repeatability^2 + (what differs between joints, boards and conditions)^2, and the latter is not
    # negative; bias and resolution (JCGM 100:2008, F.2.2.1) come on top.
    spread = max(spread, 0.0 if math.isnan(repeatability) else repeatability)
    combined = math.hypot(spread, bias, 10.0 ** -MEASURE[name].decimals / math.sqrt(12.0))
    return Band(*key, low, high, len(rows), _short(bias), _short(repeatability), _short(combined), _short(low_95),
                _short(high_95))


def _interval(rows: _Rows, rest: Floats, name: str, ends: tuple[float, float], miss: float) -> tuple[float, float]:
    """Return the 95 % interval of truth - measured, which leaves out the share `miss` of the rows.

    Each tail leaves out half of what may be missed. Where the truth often is the least or the greatest possible value,
    the interval reaches that end and the other tail may leave out all (JCGM 101:2008, 7.7: any interval that holds
    95 % will do, and the shorter the better).
    """
    floor, roof = (-np.inf, np.inf) if name == CIRCULAR else possible(name)
    total = rows.weight.sum()
    low_atom = rows.weight[rows.truth <= floor].sum() >= TRUE_ATOM * total
    high_atom = rows.weight[rows.truth >= roof].sum() >= TRUE_ATOM * total
    if low_atom and high_atom:
        low_atom = high_atom = False
    below = 0.0 if low_atom else miss if high_atom else miss / 2.0
    above = 0.0 if high_atom else miss if low_atom else miss / 2.0
    low = floor - ends[1] if low_atom else outer_quantile(rest, rows.weight, below, rows.independent)
    high = roof - ends[0] if high_atom else -outer_quantile(-rest, rows.weight, above, rows.independent)
    return min(low, high), max(low, high)


def _repeatability(deviation: Floats) -> float:
    """Return the standard deviation of repeated pictures: what 68.27 % of the deviations stay within."""
    known = np.abs(deviation[np.isfinite(deviation)])
    return float(np.quantile(known, ONE_SIGMA)) if len(known) >= 2 * FEWEST else math.nan


def quantile(values: Floats, weights: Floats, share: float) -> float:
    """Return the least value that has at least this share of the weight at or below it."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    place = int(np.searchsorted(total, share * total[-1] * (1.0 - 1e-12)))
    return float(values[order][min(place, len(values) - 1)])


def outer_quantile(values: Floats, weights: Floats, share: float, independent: float | None = None) -> float:
    """Return a value that a new one falls below with at most this probability, whatever the distribution.

    Of n rows with equal weight it is the floor((n + 1) share)-th from below (split-conformal prediction).
    `independent` is n where weights differ or rows hang together. With too few rows it is the least value.
    """
    order = np.argsort(values, kind="stable")
    w = weights[order]
    n = float(w.sum()) ** 2 / float((w**2).sum()) if independent is None else independent
    place = int(np.searchsorted(np.cumsum(w) / w.sum(), share * (n + 1.0) / n * (1.0 + 1e-12), side="right")) - 1
    return float(values[order][max(place, 0)])


def _readable(value: float, *, down: bool = False, up: bool = False) -> float:
    """Return a value with three significant digits, rounded to the nearest or to one side."""
    if value == 0.0 or not math.isfinite(value):
        return value
    scale = 10.0 ** (math.floor(math.log10(abs(value))) - 2)
    steps = value / scale
    whole = math.floor(steps + 1e-9) if down else math.ceil(steps - 1e-9) if up else round(steps)
    return float(f"{whole * scale:.6g}")


def _short(value: float) -> float:
    return float(f"{value:.4g}")


def bands_of(tables: Sequence[Mapping[str, LabelledTable]], station: str) -> tuple[Band, ...]:
    """Return the bands learned from joints and from chips."""
    return tuple(band for some in tables for band in learn_uncertainty(some, station))
